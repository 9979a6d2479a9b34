"""Time to skip: curves, log-rank, and its re-randomised p value."""

import json
from itertools import product

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.duration.survfunc import SurvfuncRight, survdiff

from blindtest.errors import BlindtestError
from blindtest.stats import skip_test
from blindtest.stats.free_listening.skipping import kaplan_meier, log_rank

# Freireich et al. 1963 (Blood 21, 699), weeks in remission, "+" censored; as in Kleinbaum & Klein, Survival Analysis,
# chapters 1 and 2 (quoted from memory): log-rank 16.79, expected 19.25 and 10.75, medians 23 and 8.
TREATED = [
    "6",
    "6",
    "6",
    "6+",
    "7",
    "9+",
    "10",
    "10+",
    "11+",
    "13",
    "16",
    "17+",
    "19+",
    "20+",
    "22",
    "23",
    "25+",
    "32+",
    "32+",
    "34+",
    "35+",
]
PLACEBO = [
    "1",
    "1",
    "2",
    "2",
    "3",
    "4",
    "4",
    "5",
    "5",
    "8",
    "8",
    "8",
    "8",
    "11",
    "11",
    "12",
    "12",
    "15",
    "17",
    "22",
    "23",
]


def remissions(table_of_tracks):
    return table_of_tracks(
        [
            {"chosen": condition, "skipped_at_s": time.rstrip("+"), "censored": time.endswith("+")}
            for condition, times in (("heron", TREATED), ("plover", PLACEBO))
            for time in times
        ]
    )


def test_the_handbooks_example(table_of_tracks):
    found = skip_test(remissions(table_of_tracks), device="heron")
    assert found.chi_square == pytest.approx(16.79, abs=0.005)
    assert found.expected_skips == pytest.approx(19.25, abs=0.005)
    assert (found.tracks, found.skips) == ((21, 21), (9, 21))
    assert found.medians_s == (23, 8)
    curve = found.to_table().query("group == 'device'")
    # Kaplan & Meier's estimate of the treated, three digits, same source.
    assert curve["time_s"].tolist() == [6, 7, 10, 13, 16, 22, 23]
    assert curve["not_skipped"].tolist() == pytest.approx([0.857, 0.807, 0.753, 0.690, 0.627, 0.538, 0.448], abs=5e-4)
    assert found.hazard_ratio < 0.4
    assert found.p_value < 0.001
    assert "While heron played, 9 of 21 tracks were skipped (19.3 expected" in found.sentence


@st.composite
def timed(draw):
    n = draw(st.integers(4, 30))
    times = np.array(draw(st.lists(st.integers(1, 12), min_size=n, max_size=n)), dtype=float)
    events = np.array(draw(st.lists(st.booleans(), min_size=n, max_size=n)))
    group = np.array(draw(st.lists(st.booleans(), min_size=n, max_size=n)))
    strata = np.array(draw(st.lists(st.integers(0, 2), min_size=n, max_size=n)))
    return times, events, group, strata


@settings(max_examples=60)
@given(timed())
def test_the_statistic_is_that_of_statsmodels(data):
    # statsmodels.duration.survfunc.survdiff, with ties and strata; 1e-9
    times, events, group, strata = data
    scores, variance = log_rank(times, events, group, strata)
    assert scores.sum() == pytest.approx(0, abs=1e-9)
    if variance < 1e-9:
        return
    used = np.isin(strata, [s for s in np.unique(strata) if len(set(group[strata == s])) == 2])
    chi_square, _ = survdiff(times[used], events[used], group[used], strata=strata[used])
    assert scores[group].sum() ** 2 / variance == pytest.approx(chi_square, rel=1e-8, abs=1e-9)


@given(timed())
def test_the_curve_is_that_of_statsmodels(data):
    # statsmodels.duration.survfunc.SurvfuncRight
    times, events, *_ = data
    at, share = kaplan_meier(times, events)
    if not events.any():
        assert at.size == share.size == 0
        return
    reference = SurvfuncRight(times, events)
    assert at == pytest.approx(reference.surv_times[reference.n_events > 0])
    assert share == pytest.approx(reference.surv_prob[reference.n_events > 0], abs=1e-12)


@pytest.mark.parametrize("conditions", [("heron", "plover"), ("heron", "plover", "wren")])
def test_the_p_value_goes_through_all_draws(simulated_tracks, conditions):
    """The device put into every slot of every track in turn; the statistic worked out anew each time."""
    table = simulated_tracks(8, listeners=2, tracks=4, conditions=conditions)
    found = skip_test(table, device="heron", played="start", direction="claimed")
    times, events = table["skipped_at_s"].to_numpy(), ~table["censored"].to_numpy()
    strata = (table["listener"] == "L2").to_numpy().astype(int)
    m = len(conditions)

    def excess(with_device):
        return log_rank(times, events, with_device, strata)[0][with_device].sum()

    held = [dict(part.split("=") for part in order.split("|")) for order in table["order"]]
    made = excess(np.array([h[start] == "heron" for h, start in zip(held, table["start"], strict=True)]))
    total = as_late = 0.0
    for with_device in product((True, False), repeat=len(table)):
        weight = np.prod([1 if w else m - 1 for w in with_device])
        total += weight
        as_late += weight * (excess(np.array(with_device)) <= made + 1e-9)
    assert found.exact
    assert found.p_value == pytest.approx(as_late / total, abs=1e-12)


def test_order_of_rows_does_not_matter(simulated_tracks):
    table = simulated_tracks(9, listeners=3, tracks=5)
    one, two = skip_test(table, device="heron"), skip_test(table.sample(frac=1, random_state=1), device="heron")
    assert (one.p_value, one.skips) == (two.p_value, two.skips)
    assert one.chi_square == pytest.approx(two.chi_square)
    other = skip_test(table, device="plover")
    assert other.p_claimed == one.p_other
    assert other.hazard_ratio == pytest.approx(1 / one.hazard_ratio)


def test_nothing_skipped_one_track_and_one_group(table_of_tracks):
    row = {"chosen": "heron", "skipped_at_s": 200, "censored": True}
    none = skip_test(table_of_tracks([row, {**row, "chosen": "plover"}]), device="heron")
    assert none.p_value == 1
    assert none.sentence == "None of 2 tracks was skipped: nothing speaks for a difference or against it."
    assert none.medians_s == (np.inf, np.inf)
    assert json.loads(json.dumps(none.to_dict()))["hazard_ratio"] is None
    single = skip_test(table_of_tracks([{**row, "censored": False}]), device="heron")
    assert (single.p_value, single.tracks) == (1, (1, 0))
    assert "no ratio of hazards can be told" in single.sentence
    left = skip_test(
        table_of_tracks([row, {"chosen": "heron"}, {"skipped_at_s": 3, "censored": False}]), device="heron"
    )
    assert left.left_out == 2


def test_what_cannot_be_tested_is_refused(table_of_tracks):
    table = table_of_tracks([{"chosen": None, "skipped_at_s": 5, "censored": False}])
    with pytest.raises(BlindtestError, match="skipped_at_s: no track says when it was skipped or ended"):
        skip_test(table, device="heron")
    with pytest.raises(BlindtestError, match="start: the table of tracks has no such column"):
        skip_test(table, device="heron", played="start")
    with pytest.raises(ValueError, match="nothing plays by 'dice'"):
        skip_test(table, device="heron", played="dice")
    with pytest.raises(ValueError, match="no direction 'later'"):
        skip_test(table, device="heron", direction="later")
    with pytest.raises(BlindtestError, match="censored: the table of tracks has no such column"):
        skip_test(
            pd.DataFrame({"track": ["a"], "order": ["A=b|B=c"], "chosen": ["b"], "skipped_at_s": [1]}), device="b"
        )
