"""Sittings that a sealed rule ends: where, also after a crash, and how often for guessers."""

import runpy
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import binomtest

from blindtest.design import Controls, Stopping, plan_from_record
from blindtest.errors import BlindtestError
from blindtest.session import SimulatedListener, restored, rows_of, simulate_sitting, simulated_clock, view_of
from blindtest.stats import stop_table

P = runpy.run_path(str(Path(__file__).parent / "plans.py"))
RULES = {"sprt": {}, "e-process": {}, "group-sequential": {"looks": 3, "beta": 0.05}}


def ruled(rule, trials=24, margin=0.9, **more):
    table = stop_table(rule, trials, method="abx", margin=margin, alpha=0.05, **RULES[rule])
    stopping = Stopping(rule=rule, margin=margin, alpha=0.05, looks=table.looks, high=table.high, low=table.low)
    return table, (
        P["block"]("practice", "abx", 1, "practice", feedback=True),
        P["block"]("test", "abx", trials, stopping=stopping, break_after=10, **more),
    )


def sat(blocks, seed, d_prime=0.0, **options):
    plan = P["make"](blocks=blocks, seed=seed)
    rng = np.random.default_rng(seed)
    rows = []
    sitting = simulate_sitting(
        plan, SimulatedListener(pseudonym=P["LISTENER"], d_prime=d_prime), rng, simulated_clock(P["START"], rng),
        study=P["STUDY"], save=lambda answer: rows.extend(rows_of(answer)), **options,
    )  # fmt: skip
    return sitting, rows


def counted(sitting):
    return [answer.correct is True for answer in sitting.answers if answer.block == "test" and answer.phase == "blind"]


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("d_prime", [0.0, 4.0])
def test_a_sitting_ends_just_where_its_table_ends_the_answers(rule, d_prime):
    table, blocks = ruled(rule)
    ends = set()
    for seed in range(4):
        sitting, _ = sat(blocks, seed, d_prime)
        end = table.stop(counted(sitting))
        assert sitting.step == "finished"
        assert end is not None
        assert end.trials == len(counted(sitting))
        assert sitting.trial == len(sitting.answers) == end.trials + 1
        ends.add(end.trials)
    assert min(ends) < 24, "no sitting ended early: nothing was tested"


def test_controls_count_in_no_rule_and_those_behind_its_last_trial_are_still_asked():
    table, blocks = ruled("sprt", 9, controls=Controls(every=3, audible="a-louder-one", inaudible=True))
    early = last = 0
    for seed in range(30):
        sitting, _ = sat(blocks, seed, 1.8)
        end = table.stop(counted(sitting))
        asked = len([answer for answer in sitting.answers if answer.phase == "control"])
        if end.trials < 9:
            early += 1
            assert sitting.answers[-1].phase == "blind"
            assert len(sitting.answers) < sitting.plan.length
        else:
            last += 1
            assert asked == 3
            assert len(sitting.answers) == sitting.plan.length
    assert early
    assert last


def test_the_listener_never_sees_how_the_rule_stands():
    """The view knows a number that is the same from first to last; nothing in it follows from what was right."""
    _, blocks = ruled("sprt")
    sitting = P["walked"](restored(P["make"](blocks=blocks), (), study="s", listener="L"),
                          to=lambda sitting: sitting.trial == 4)  # fmt: skip
    shown = view_of(sitting)
    assert shown.may_end_sooner
    assert (shown.number, shown.of) == (5, 25)
    names = {name for name in shown.to_json() if any(word in name for word in ("look", "stop", "high", "low", "right"))}
    assert not names
    plain = replace(sitting, plan=P["make"](blocks=(blocks[0], replace(blocks[1], stopping=None))))
    assert not view_of(plain).may_end_sooner


def test_what_was_stored_is_gone_on_with_and_an_end_by_the_rule_is_an_end():
    _, blocks = ruled("sprt")
    sitting, rows = sat(blocks, 3, 4.0)
    plan = plan_from_record(sitting.plan.record, sitting.plan.nonce)
    whole = restored(plan, rows, study=P["STUDY"], listener=P["LISTENER"])
    assert whole.step == "finished"
    assert whole.ended_by_rule
    # Killed before the last answer was stored: it is asked again, and not one trial more.
    before = restored(plan, rows[:-1], study=P["STUDY"], listener=P["LISTENER"])
    assert (before.step, before.trial, before.ended_by_rule) == ("ready", len(rows) - 1, False)


def test_an_answer_after_the_end_does_not_belong_to_the_plan():
    _, blocks = ruled("sprt")
    sitting, rows = sat(blocks, 3, 4.0)
    ended = len(rows)
    # The same draws without the rule go on, and give rows of the form that the plan would have.
    on, further = sat((blocks[0], replace(blocks[1], stopping=None)), 3, 4.0)
    assert [row["correct"] for row in further[:ended]] == [row["correct"] for row in rows]
    assert len(on.answers) == 25
    with pytest.raises(BlindtestError, match=f"an answer to trial {ended + 1}, after its rule had ended it at trial"):
        restored(sitting.plan, further[: ended + 1], study=P["STUDY"], listener=P["LISTENER"])


def test_a_sitting_of_a_rule_can_be_abandoned_like_any_other():
    _, blocks = ruled("sprt")
    sitting, rows = sat(blocks, 5, 4.0, stop_after=3)
    assert sitting.step in ("trial", "break")
    left = [{"event": "abandoned", "reason": "tired", "at": (P["START"] + timedelta(hours=1)).isoformat()}]
    from blindtest.session import event_from_dict

    back = restored(sitting.plan, rows, study="s", listener="L", events=[event_from_dict(one) for one in left])
    assert back.step == "abandoned"


def error_rate(rule, sittings, trials=24, margin=0.9):
    """Return how many of so many guessers end at an upper number, and the exact chance of that."""
    table, blocks = ruled(rule, trials, margin)
    high = 0
    for seed in range(sittings):
        end = table.stop(counted(sat(blocks[1:], seed, 0.0)[0]))
        high += end.how == "high"
    exact = sum(float(p) for p, end in zip(table.chances(0.5), table.endings, strict=True) if end.how == "high")
    return high, exact


@pytest.mark.parametrize("rule", RULES)
def test_guessers_end_high_as_often_as_is_computed(rule):
    """60 guessers through the whole session: within the 99.99 % limits of the exact rate, which is at most alpha."""
    high, exact = error_rate(rule, 60)
    assert exact <= 0.05
    assert binomtest(high, 60, exact).pvalue > 1e-4


@pytest.mark.long
@pytest.mark.parametrize("rule", RULES)
def test_guessers_end_high_as_often_as_is_computed_over_many(rule):
    high, exact = error_rate(rule, 2000, trials=60, margin=0.5)
    assert exact <= 0.05
    assert binomtest(high, 2000, exact).pvalue > 1e-3
    assert high / 2000 <= 0.05 + 3.1 * (0.05 * 0.95 / 2000) ** 0.5
