"""Listeners one by one and together."""

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blindtest.errors import BlindtestError
from blindtest.stats import counted_trials, discrimination_test, listener_results, read_trial_table, trial_table


def rows(*counts: tuple[str, int, int], **more) -> list[dict]:
    """Return rows for (listener, right, trials)."""
    return [
        {"listener": listener, "trial": k, "method": "abx", "correct": k < right, **more}
        for listener, right, trials in counts
        for k in range(trials)
    ]


@pytest.mark.parametrize("pair", ["pair1", "pair2"])
def test_listeners_of_the_oracle(references, expected, pair):
    # R 4.2.2 binom.test; 1e-9
    case = expected("abx_small_tests")
    read = read_trial_table(references / "data" / "abx_small.csv", method="abx", columns={"conditions": "pair"})
    results = listener_results(read.table[read.table["conditions"] == pair])
    single = case["per_listener_pair"]
    at = [i for i, name in enumerate(single["pair"]) if name == pair]
    table = results.to_table()
    assert table["listener"].tolist() == [single["listener"][i] for i in at]
    assert table["correct"].tolist() == [single["k"][i] for i in at]
    assert table["p_value"].tolist() == pytest.approx([single["p_one_sided"][i] for i in at], abs=1e-9)
    assert table["ci_low"].tolist() == pytest.approx([single["cp_lo95"][i] for i in at], abs=1e-9)
    assert table["ci_high"].tolist() == pytest.approx([single["cp_hi95"][i] for i in at], abs=1e-9)
    pooled = case["per_pair"][pair]
    assert (results.pooled.correct, results.pooled.trials) == (pooled["k"], pooled["n"])
    assert results.pooled.p_value == pytest.approx(pooled["pooled_binomial_p_one_sided"], rel=1e-9)


def test_holm_over_three_listeners_by_hand():
    """p = 1/1024, 11/1024, 176/1024 in increasing order: times 3, 2, 1."""
    results = listener_results(trial_table(rows(("c", 10, 10), ("a", 9, 10), ("b", 7, 10))))
    assert results.listeners == ("a", "b", "c")
    assert results.adjusted_p_values == pytest.approx((22 / 1024, 176 / 1024, 3 / 1024))


def test_pooling_says_what_it_is():
    results = listener_results(trial_table(rows(("a", 9, 10), ("b", 7, 10))))
    assert "nobody hears it" in results.pooled.assumptions[-1]
    assert (results.pooled.correct, results.pooled.trials) == (16, 20)


def test_a_single_listener_is_the_pool():
    results = listener_results(trial_table(rows(("a", 12, 16))))
    assert results.results == (results.pooled,) == (discrimination_test(12, 16),)
    assert results.adjusted_p_values == (results.pooled.p_value,)


def test_only_answered_blind_first_attempts_count():
    blind = {"listener": "a", "method": "abx", "phase": "blind", "sitting": 1, "block": "test"}
    table = trial_table(
        [
            *rows(("a", 3, 3), phase="practice", sitting=1, block="practice"),
            *rows(("a", 2, 4), phase="blind", sitting=1, block="test", attempt=1),
            # Offered again after an answer: it does not replace it.
            {**blind, "trial": 3, "attempt": 2, "correct": True},
            {**blind, "trial": 4, "attempt": 1, "correct": None},
            # Answered only at the second attempt: that answer counts.
            {**blind, "trial": 5, "attempt": 2, "correct": True},
        ]
    )
    assert counted_trials(table)["trial"].tolist() == [0, 1, 2, 3, 5]
    results = listener_results(table)
    assert (results.pooled.correct, results.pooled.trials) == (3, 5)
    assert results.unanswered == 1


def test_rows_without_an_answer_are_counted_with_and_without_trial_numbers():
    unnumbered = [{"method": "abx", "correct": right} for right in (True, None, None)]
    assert listener_results(trial_table(unnumbered)).unanswered == 2
    bare = trial_table(unnumbered)[["method", "correct"]]
    assert listener_results(bare).unanswered == 2
    # Trial numbers may start again where nobody noted attempts: each row is a trial of its own.
    restarted = [{"method": "abx", "trial": 1, "correct": right} for right in (True, None)]
    assert listener_results(trial_table(restarted)).unanswered == 1
    # A trial whose first attempt failed and whose second was answered is no unanswered trial.
    again = [
        {"method": "abx", "trial": 1, "attempt": 1},
        {"method": "abx", "trial": 1, "attempt": 2, "correct": True},
        {"method": "abx", "trial": 2, "attempt": 1},
        {"method": "abx", "trial": 2, "attempt": 2},
    ]
    assert listener_results(trial_table(again)).unanswered == 1


def test_rows_without_a_listener_are_named_so():
    assert listener_results(trial_table([{"method": "abx", "correct": True}])).listeners == ("(not named)",)


def test_another_decision_rule_of_the_same_guess_rate_may_be_asked_for():
    table = trial_table(rows(("a", 12, 16)))
    independent = listener_results(table, method="abx-independent").pooled
    assert independent.p_value == discrimination_test(12, 16).p_value
    assert independent.d_prime == pytest.approx(1.7904, abs=5e-5)  # methods 9.2 #17
    with pytest.raises(BlindtestError, match="trials of method abx can't be judged as triangle"):
        listener_results(table, method="triangle")


def test_methods_are_not_mixed():
    table = trial_table([{"method": "abx", "correct": True}, {"method": "triangle", "correct": True}])
    with pytest.raises(BlindtestError, match="must be of one method, got 'abx, triangle'"):
        listener_results(table)


def test_nothing_answered_is_said_so():
    for table in (trial_table([]), trial_table([{"method": "abx"}]), trial_table(rows(("a", 2, 2), phase="practice"))):
        with pytest.raises(BlindtestError, match="no blind trial of this table was answered"):
            listener_results(table)


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.integers(1, 12).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))), min_size=1, max_size=5),
    st.integers(0, 2**32 - 1),
)
def test_order_of_rows_does_not_matter(counts, seed):
    table = trial_table(rows(*((f"L{i}", right, n) for i, (right, n) in enumerate(counts))))
    shuffled = table.iloc[np.random.default_rng(seed).permutation(len(table))]
    assert listener_results(shuffled) == listener_results(table)


def test_json():
    loaded = json.loads(json.dumps(listener_results(trial_table(rows(("a", 9, 9)))).to_dict(), allow_nan=False))
    assert loaded["results"][0]["correct"] == 9
    assert loaded["pooled"]["d_prime"] is None


def test_adjustments_over_listeners(expected):
    # R 4.2.2 p.adjust on 20 listener x pair cells; 1e-9
    case = expected("abx_small_tests")["per_listener_pair"]
    rows = [
        {"listener": f"{who} {pair}", "method": "abx", "correct": trial < k}
        for who, pair, k, n in zip(case["listener"], case["pair"], case["k"], case["n"], strict=True)
        for trial in range(n)
    ]
    for adjustment, name in (("holm", "holm"), ("bh", "bh"), ("hommel", "hommel")):
        results = listener_results(trial_table(rows), adjustment=adjustment)
        theirs = dict(
            zip(
                (f"{who} {pair}" for who, pair in zip(case["listener"], case["pair"], strict=True)),
                case[f"p_one_sided_{name}_all"],
                strict=True,
            )
        )
        assert results.adjusted_p_values == pytest.approx([theirs[who] for who in results.listeners], abs=1e-9)


def test_who_is_named_and_what_their_d_prime_is():
    rows = [
        {"listener": who, "method": "abx", "correct": trial < right}
        for who, right in (("L1", 20), ("L2", 11), ("L3", 18))
        for trial in range(20)
    ]
    results = listener_results(trial_table(rows))
    assert results.named == ("L1", "L3")
    assert "Shown to hear one, after adjustment (Holm 1979, over listeners): L1, L3." in results.sentence
    table = results.to_table()
    assert list(table["d_prime"]) == [result.d_prime for result in results.results]
    assert (table["d_prime_low"] <= table["d_prime"]).all()
    assert (table["d_prime"] <= table["d_prime_high"]).all()
    nobody = listener_results(trial_table([row | {"correct": False} for row in rows]))
    assert nobody.named == ()
    assert "nobody" in nobody.sentence
