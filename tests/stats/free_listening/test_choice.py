"""A choice with a consequence: exact tests of one listener and of a panel."""

import json

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom, binomtest, permutation_test

from blindtest.errors import BlindtestError
from blindtest.stats import adjust_p_values, choice_test, conclude_preference, fit_paired_preferences
from blindtest.stats.free_listening.redraws import flips, redrawn

THREE = "A=heron|B=plover|C=wren"


def choices(table_of_tracks, heron, plover, none=0, **row):
    chosen = ["heron"] * heron + ["plover"] * plover + [None] * none
    return table_of_tracks([{"chosen": c, "start": "AB"[n % 2], **row} for n, c in enumerate(chosen)])


@settings(max_examples=40)
@given(
    st.tuples(st.integers(0, 25), st.integers(0, 25), st.integers(0, 4)).filter(sum),
    st.sampled_from([None, 0.1, 0.3]),
    st.sampled_from(["two-sided", "claimed"]),
)
def test_one_listener_is_a_sign_test(table_of_tracks, counts, margin, direction):
    """The words and limits of the conclusion for preferences; p and interval by scipy.stats.binomtest."""
    heron, plover, none = counts
    found = choice_test(choices(table_of_tracks, *counts), device="heron", margin=margin, direction=direction)
    reference = conclude_preference(heron, plover, unanswered=none, margin=margin, direction=direction)
    assert found.word == reference.word
    assert found.limits == pytest.approx((reference.limits[0] - 0.5, reference.limits[1] - 0.5), abs=1e-12)
    if not none:
        alternative = "greater" if direction == "claimed" else "two-sided"
        p = binomtest(heron, heron + plover, alternative=alternative).pvalue
        assert found.p_value == pytest.approx(p, rel=1e-9)
        interval = binomtest(heron, heron + plover).proportion_ci(0.95, "exact")
        assert found.interval == pytest.approx((interval.low - 0.5, interval.high - 0.5), abs=1e-9)


@pytest.mark.parametrize(("heron", "others"), [(9, 3), (4, 8), (0, 12), (12, 0)])
def test_three_slots_are_a_die(table_of_tracks, heron, others):
    # scipy.stats.binomtest against 1/3
    rows = [{"order": THREE, "chosen": c} for c in ["heron"] * heron + ["wren"] * others]
    found = choice_test(table_of_tracks(rows), device="heron", direction="claimed")
    reference = binomtest(heron, heron + others, 1 / 3, alternative="greater")
    assert found.p_value == pytest.approx(reference.pvalue, rel=1e-9)
    assert found.equal_share == pytest.approx(1 / 3)
    assert found.estimate == pytest.approx(heron / 12 - 1 / 3)
    assert found.pooled.lower_limit == pytest.approx(reference.proportion_ci(0.95, "exact").low, abs=1e-9)
    assert found.model is None
    assert "needs two slots" in found.remarks[0]


def test_a_margin_beyond_no_choice_at_all_bounds_from_above_only(table_of_tracks):
    """Below 1/3 - .4 there is nothing: negligible rests on the upper limit. P(X <= 6 of 20 at .7333) is 5e-5."""
    rows = [{"order": THREE, "chosen": c} for c in ["heron"] * 6 + ["wren"] * 14]
    assert choice_test(table_of_tracks(rows), device="heron", margin=0.4).word == "negligible"
    rows = [{"order": THREE, "chosen": c} for c in ["heron"] * 14 + ["wren"] * 6]
    assert choice_test(table_of_tracks(rows), device="heron", margin=0.4).word == "shown"


@pytest.mark.parametrize("slots", [2, 3])
@pytest.mark.parametrize("tracks", [8, 12, 20])
@pytest.mark.parametrize("margin", [0.2, 0.3])
def test_each_word_is_wrong_in_no_more_than_alpha(table_of_tracks, slots, tracks, margin):
    """Exact, over every count: shown and refuted at an equal share, negligible at the margin."""
    order, other = ("A=heron|B=plover", "plover") if slots == 2 else (THREE, "wren")
    words = []
    for heron in range(tracks + 1):
        rows = [{"order": order, "chosen": c} for c in ["heron"] * heron + [other] * (tracks - heron)]
        words.append(choice_test(table_of_tracks(rows), device="heron", margin=margin).word)

    def chance(word: str, share: float) -> float:
        return float(sum(binom.pmf(k, tracks, share) for k, said in enumerate(words) if said == word))

    assert chance("shown", 1 / slots) <= 0.025
    assert chance("refuted", 1 / slots) <= 0.025
    assert chance("negligible", 1 / slots + margin) <= 0.05
    assert chance("negligible", 1 / slots - margin) <= 0.05


def test_with_a_comparator_only_tracks_that_chose_one_of_the_two_count(table_of_tracks):
    chosen = ["heron"] * 9 + ["plover"] * 2 + ["wren"] * 7 + [None]
    table = table_of_tracks([{"order": THREE, "chosen": c} for c in chosen])
    found = choice_test(table, device="heron", comparator="plover")
    assert (found.pooled.chosen, found.pooled.tracks, found.pooled.without_choice) == (9, 11, 1)
    assert found.left_out == 7
    assert found.equal_share == 0.5
    assert "heron against plover was chosen to play on in 9 of 11 tracks" in found.sentence


def panel_table(table_of_tracks, counts):
    rows = []
    for listener, (heron, plover) in counts.items():
        for n, chosen in enumerate(["heron"] * heron + ["plover"] * plover):
            order = ("A=heron|B=plover", "A=plover|B=heron")[n // 2 % 2]
            rows.append(
                {"listener": listener, "track": f"t{n}", "order": order, "start": "AB"[n % 2], "chosen": chosen}
            )
    return table_of_tracks(rows)


COUNTS = {
    "L1": (8, 4),
    "L2": (7, 5),
    "L3": (10, 2),
    "L4": (6, 6),
    "L5": (9, 3),
    "L6": (5, 7),
    "L7": (8, 4),
    "L8": (9, 3),
}


def test_a_panel_is_sign_flips_of_one_share_per_listener(table_of_tracks):
    # scipy.stats.permutation_test of listeners' shares against their mirror images: exact
    found = choice_test(panel_table(table_of_tracks, COUNTS), device="heron")
    own = np.array([heron / (heron + plover) for heron, plover in COUNTS.values()])
    reference = permutation_test(
        (own, 1 - own), lambda x, y: np.mean(x - y), permutation_type="samples", n_resamples=np.inf
    )
    assert found.unit == "listener"
    assert found.p_value == pytest.approx(reference.pvalue, abs=1e-12)
    assert found.estimate == pytest.approx(own.mean() - 0.5)
    assert found.scope == "for listeners like these and these tracks"
    assert found.method == "all 256 sign flips of one mean per listener"
    assert found.pooled.p_value == pytest.approx(binomtest(62, 96).pvalue, rel=1e-9)
    singles = [binomtest(heron, heron + plover).pvalue for heron, plover in COUNTS.values()]
    assert [count.p_value for count in found.by_listener] == pytest.approx(singles, rel=1e-9)
    assert [c.p_adjusted for c in found.by_listener] == pytest.approx(adjust_p_values(singles).tolist(), rel=1e-9)
    over_tracks = choice_test(panel_table(table_of_tracks, COUNTS), device="heron", unit="track")
    assert over_tracks.p_value == found.pooled.p_value
    assert over_tracks.scope == "for these listeners"


def test_the_paired_model_is_that_of_the_preferences_with_the_start_slot_first(table_of_tracks):
    table = panel_table(table_of_tracks, COUNTS)
    rows = []
    for row in table.itertuples():
        held = dict(part.split("=") for part in row.order.split("|"))
        first = held.pop(row.start)
        (second,) = held.values()
        rows.append({"first": first, "second": second, "outcome": "first" if row.chosen == first else "second"})
    reference = fit_paired_preferences(pd.DataFrame(rows), ties=None)
    model = choice_test(table, device="heron").model
    assert model is not None
    assert model.strengths.equals(reference.strengths)
    assert model.order_effect == reference.order_effect


def test_listeners_may_differ_in_the_paired_model(table_of_tracks):
    """Half of the listeners choose one device, half the other: the spread between them is seen."""
    counts = {f"L{n}": (11, 1) if n % 2 else (1, 11) for n in range(8)}
    found = choice_test(panel_table(table_of_tracks, counts), device="heron")
    assert found.panel_model is not None
    part = found.panel_model.parts.loc["listener"]
    assert part["standard_deviation"] > 1
    assert part["p_value"] < 0.001
    assert found.pooled.p_value == 1
    assert {count.word for count in found.by_listener} == {"shown", "refuted"}
    assert choice_test(choices(table_of_tracks, 5, 3), device="heron").panel_model is None


def test_few_listeners_can_show_nothing_and_the_result_says_so(table_of_tracks):
    found = choice_test(panel_table(table_of_tracks, {"L1": (12, 0), "L2": (12, 0), "L3": (12, 0)}), device="heron")
    assert found.word == "open"
    assert found.panel.smallest_p == 1 / 8
    assert any("3 listeners are too few for sign flips to show anything at alpha 0.05" in r for r in found.remarks)
    assert found.pooled.word == "shown"


def test_with_three_slots_sign_flips_alone_would_err_too_often(table_of_tracks):
    """Ten listeners, one track each, nobody hears anything: exact, over how many chose the device (binomial, 1/3)."""
    alone = both = 0.0
    for heron in range(11):
        chosen = ["heron"] * heron + ["wren"] * (10 - heron)
        rows = [{"listener": f"L{n}", "order": THREE, "chosen": c} for n, c in enumerate(chosen)]
        found = choice_test(table_of_tracks(rows), device="heron", direction="claimed")
        shares = [2 / 3] * heron + [-1 / 3] * (10 - heron)
        chance = float(binom.pmf(heron, 10, 1 / 3))
        alone += chance * (redrawn(flips(shares)).p_less() <= 0.05)
        both += chance * (found.panel.p_other <= 0.05)
    assert alone == pytest.approx(0.104, abs=5e-4)
    assert both <= 0.05


def test_with_three_slots_the_panel_needs_both_tests(table_of_tracks):
    """Ten listeners, one track each, none for the device: sign flips alone would say p = 2 / 2^10."""
    rows = [{"listener": f"L{n}", "order": THREE, "chosen": "wren"} for n in range(10)]
    found = choice_test(table_of_tracks(rows), device="heron")
    assert found.panel.p_other == pytest.approx((2 / 3) ** 10, rel=1e-12)
    assert "test over tracks where its p is larger" in found.panel.method
    assert found.panel.upper_limit >= found.pooled.upper_limit - 1 / 3


def test_staying_with_a_slot_is_seen_and_takes_nothing(table_of_tracks):
    rows = [{"order": ("A=heron|B=plover", "A=plover|B=heron")[n % 2], "start": "A"} for n in range(20)]
    for row in rows:
        row["chosen"] = row["order"][2:].split("|")[0]
    found = choice_test(table_of_tracks(rows), device="heron")
    assert found.estimate == 0
    slot_a, slot_b, start = found.bias
    assert (slot_a.chosen, slot_b.chosen, start.chosen) == (20, 0, 20)
    assert slot_a.p_value == start.p_value == pytest.approx(binomtest(20, 20).pvalue, rel=1e-9)
    assert found.p_value == 1


@given(st.randoms(use_true_random=False))
@settings(max_examples=3)
def test_order_of_rows_and_names_of_slots_do_not_matter(simulated_tracks, random):
    table = simulated_tracks(random.randint(0, 999), listeners=5, tracks=6)
    shuffled = table.sample(frac=1, random_state=random.randint(0, 99)).reset_index(drop=True)
    renamed = shuffled.assign(
        order=shuffled["order"].str.replace("A=", "links=").str.replace("B=", "rechts="),
        start=shuffled["start"].map({"A": "links", "B": "rechts"}),
    )
    one, two = choice_test(table, device="heron", margin=0.2), choice_test(renamed, device="heron", margin=0.2)
    assert (one.word, one.p_value, one.limits, one.by_listener) == (two.word, two.p_value, two.limits, two.by_listener)


def test_the_other_device_mirrors_the_result(simulated_tracks):
    table = simulated_tracks(7, listeners=6, tracks=9, share=0.65)
    one, two = choice_test(table, device="heron"), choice_test(table, device="plover")
    assert one.p_value == two.p_value
    assert one.estimate == pytest.approx(-two.estimate)
    assert one.interval == pytest.approx((-two.interval[1], -two.interval[0]))


def test_tracks_without_any_choice_leave_it_open(table_of_tracks):
    found = choice_test(choices(table_of_tracks, 0, 0, none=8), device="heron", margin=0.3)
    assert found.word == "open"
    assert found.p_value == 1
    assert found.limits == (-0.5, 0.5)
    assert found.bias == ()
    assert found.sentence == "open: no track ended with a choice (8 without): nothing to tell."
    assert json.loads(json.dumps(found.to_dict()))["pooled"]["share"] is None


def test_it_can_be_stored(simulated_tracks):
    found = choice_test(simulated_tracks(3, listeners=6), device="heron", margin=0.2)
    stored = json.loads(json.dumps(found.to_dict()))
    assert stored["word"] == found.word
    assert stored["panel"]["listeners"] == 6
    assert stored["sentence"].startswith(f"{found.word}, for listeners like these")


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"device": "herron"}, "device: no track holds this condition"),
        ({"device": "heron", "comparator": "wren"}, "comparator: no track holds this condition, got 'wren'"),
        ({"device": "heron", "comparator": "heron"}, "a device can't be compared with itself"),
        ({"device": "heron", "unit": "listener"}, r"unit: one listener is no panel, got 'listener' \(allowed: track"),
    ],
)
def test_what_cannot_be_compared_is_refused(table_of_tracks, arguments, message):
    with pytest.raises(BlindtestError, match=message):
        choice_test(choices(table_of_tracks, 5, 3), **arguments)


def test_other_numbers_of_slots_need_a_comparator(table_of_tracks):
    table = table_of_tracks([{"chosen": "heron"}, {"order": THREE, "chosen": "heron"}])
    with pytest.raises(BlindtestError, match=r"order: tracks with different numbers of slots .*got '2 slots, 3 slots'"):
        choice_test(table, device="heron")
    assert choice_test(table, device="heron", comparator="plover").pooled.tracks == 2
    apart = table_of_tracks([{"order": "A=heron|B=wren", "chosen": "heron"}, {"order": "A=wren|B=plover"}])
    with pytest.raises(BlindtestError, match="chosen: no track holds both and chose one of them, got 'heron, plover'"):
        choice_test(apart.assign(chosen="wren"), device="heron", comparator="plover")


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"margin": 0}, "the margin, a share beyond an equal one, must lie between 0 and 1, got 0"),
        ({"alpha": 1.5}, "alpha must lie between 0 and 1"),
        ({"direction": "up"}, "no direction 'up'"),
        ({"unit": "second"}, r"no unit 'second' \(there are: track, listener\)"),
    ],
)
def test_impossible_arguments_are_refused(table_of_tracks, arguments, message):
    with pytest.raises(ValueError, match=message):
        choice_test(choices(table_of_tracks, 5, 3), device="heron", **arguments)
