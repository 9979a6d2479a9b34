"""Dwell: the device's share of the time, against all draws the plan could have made."""

import json
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import permutation_test

from blindtest.errors import BlindtestError
from blindtest.stats import dwell_test
from blindtest.stats.free_listening import CANNOT_TELL


def own_shares(table, device="heron"):
    """The device's share of the time on every track, read by hand."""
    held = [dict(part.split("=") for part in cell.split("|")) for cell in table["dwell"]]
    return np.array([float(h[device]) / sum(map(float, h.values())) for h in held])


@pytest.mark.parametrize("seed", range(4))
def test_one_listener_with_two_slots_is_the_exchange_within_tracks_of_scipy(simulated_tracks, seed):
    # scipy.stats.permutation_test, permutation_type="samples": exact
    table = simulated_tracks(seed, tracks=9, share=0.6)
    share = own_shares(table)
    for alternative, direction in (("greater", "claimed"), ("two-sided", "two-sided")):
        found = dwell_test(table, device="heron", direction=direction)
        reference = permutation_test(
            (share, 1 - share),
            lambda x, y: np.mean(x - y),
            permutation_type="samples",
            alternative=alternative,
            n_resamples=np.inf,
        )
        assert found.p_value == pytest.approx(reference.pvalue, abs=1e-12)
        assert found.estimate == pytest.approx(share.mean() - 0.5)
    assert found.pooled.draws == 2**9
    assert found.pooled.exact


def test_three_slots_are_gone_through_by_hand(simulated_tracks):
    table = simulated_tracks(11, tracks=6, conditions=("heron", "plover", "wren"), share=0.5)
    seconds = []
    for order, dwell in zip(table["order"], table["dwell"], strict=True):
        slots = [part.split("=")[1] for part in order.split("|")]
        held = {name: float(s) for name, s in (part.split("=") for part in dwell.split("|"))}
        total = sum(held.values())
        seconds.append(([held[c] / total for c in slots], slots.index("heron")))
    made = sum(shares[place] for shares, place in seconds)
    sums = [sum(s[0][p] for s, p in zip(seconds, places, strict=True)) for places in product(range(3), repeat=6)]
    found = dwell_test(table, device="heron", direction="claimed")
    assert found.p_value == pytest.approx(np.mean([s >= made - 1e-9 for s in sums]), abs=1e-12)
    assert found.equal_share == pytest.approx(1 / 3)
    assert found.estimate == pytest.approx(made / 6 - 1 / 3)
    assert dict(found.shares)["heron"] == pytest.approx(made / 6)


def test_a_panel_is_sign_flips_of_one_mean_per_listener(simulated_tracks):
    table = simulated_tracks(5, listeners=7, tracks=5, share=0.6)
    means = table.assign(share=own_shares(table)).groupby("listener")["share"].mean().to_numpy()
    reference = permutation_test(
        (means, 1 - means), lambda x, y: np.mean(x - y), permutation_type="samples", n_resamples=np.inf
    )
    found = dwell_test(table, device="heron")
    assert found.unit == "listener"
    assert found.p_value == pytest.approx(reference.pvalue, abs=1e-12)
    assert found.estimate == pytest.approx(means.mean() - 0.5)
    assert found.method == "all 128 sign flips of one mean per listener"
    assert not found.pooled.exact
    assert [s.listener for s in found.by_listener] == [f"L{n}" for n in range(1, 8)]
    assert all(s.p_adjusted >= s.p_value for s in found.by_listener)


def test_listeners_with_more_tracks_weigh_no_more(table_of_tracks):
    """The unit is the listener: forty tracks of one are one value."""
    rows = [{"listener": "L0", "dwell": "heron=10|plover=90"}] * 1
    rows = [{"listener": "L0", "track": f"t{n}", "dwell": "heron=10|plover=90"} for n in range(40)]
    rows += [{"listener": f"L{n}", "dwell": "heron=70|plover=30"} for n in range(1, 8)]
    found = dwell_test(table_of_tracks(rows), device="heron", direction="claimed")
    assert found.estimate == pytest.approx((7 * 0.2 - 0.4) / 8)
    assert found.pooled.share < 0


def test_words_against_a_margin(table_of_tracks):
    strong = table_of_tracks([{"dwell": f"heron={80 + n % 5}|plover=20"} for n in range(10)])
    assert dwell_test(strong, device="heron", margin=0.1).word == "shown"
    assert dwell_test(strong, device="plover", margin=0.1).word == "refuted"
    assert dwell_test(strong, device="heron", margin=0.4).word == "negligible"
    even = table_of_tracks([{"dwell": f"heron={50 + 5 * (-1) ** n}|plover=50"} for n in range(12)])
    assert dwell_test(even, device="heron", margin=0.1).word == "negligible"
    assert dwell_test(even, device="heron").word == "open"


@settings(max_examples=8)
@given(st.integers(0, 999))
def test_order_of_rows_and_order_of_slots_do_not_matter(simulated_tracks, seed):
    table = simulated_tracks(seed, tracks=8, conditions=("heron", "plover", "wren"))
    shuffled = table.sample(frac=1, random_state=seed)
    shuffled["order"] = ["|".join(reversed(cell.split("|"))) for cell in shuffled["order"]]
    shuffled["dwell"] = ["|".join(reversed(cell.split("|"))) for cell in shuffled["dwell"]]
    one, two = dwell_test(table, device="heron", margin=0.2), dwell_test(shuffled, device="heron", margin=0.2)
    assert (one.p_value, one.word) == (two.p_value, two.word)
    assert one.limits == pytest.approx(two.limits, abs=1e-12)


@settings(max_examples=8)
@given(st.integers(0, 999), st.floats(0.1, 50))
def test_the_unit_of_time_does_not_matter_and_more_dwell_is_more_evidence(simulated_tracks, seed, factor):
    table = simulated_tracks(seed, tracks=8)
    shares = own_shares(table)
    scaled = table.assign(dwell=[f"heron={factor * s!r}|plover={factor * (1 - s)!r}" for s in shares.tolist()])
    more = table.assign(dwell=[f"heron={s + 0.1!r}|plover={1 - s!r}" for s in shares.tolist()])
    found = dwell_test(table, device="heron", direction="claimed")
    assert dwell_test(scaled, device="heron", direction="claimed").p_value == found.p_value
    assert dwell_test(more, device="heron", direction="claimed").p_value <= found.p_value


def test_plans_that_hold_each_slot_equally_often(table_of_tracks):
    """Four tracks, the device twice in each slot: six plans, so p can't be below 1/6."""
    rows = [
        {"order": "A=heron|B=plover", "dwell": "heron=90|plover=10"},
        {"order": "A=heron|B=plover", "dwell": "heron=80|plover=20"},
        {"order": "A=plover|B=heron", "dwell": "heron=70|plover=30"},
        {"order": "A=plover|B=heron", "dwell": "heron=60|plover=40"},
    ]
    plans = [p for p in product("AB", repeat=4) if p.count("A") == 2]
    found = dwell_test(table_of_tracks(rows), device="heron", plans=plans, direction="claimed")
    assert found.p_value == 1 / 6
    assert found.pooled.exact
    with pytest.raises(BlindtestError, match=r"plans: plan 2 doesn't name a slot of every row.*allowed: A\|B"):
        dwell_test(table_of_tracks(rows), device="heron", plans=[plans[0], ("A", "B", "C", "A")])
    with pytest.raises(BlindtestError, match="there is no plan"):
        dwell_test(table_of_tracks(rows), device="heron", plans=[])


def test_inertia_is_printed_and_hides_no_draw(table_of_tracks):
    rows = [
        {"order": ("A=heron|B=plover", "A=plover|B=heron")[n % 2], "start": "A",
         "dwell": ("heron=90|plover=10", "heron=10|plover=90")[n % 2]}
        for n in range(10)
    ]  # fmt: skip
    found = dwell_test(table_of_tracks(rows), device="heron")
    assert found.start_share == pytest.approx(0.4)
    assert found.estimate == pytest.approx(0)
    assert found.p_value == 1


def test_degenerate_tables_have_a_defined_result(table_of_tracks):
    one = dwell_test(table_of_tracks([{"dwell": "heron=90|plover=10"}]), device="heron", margin=0.3)
    assert (one.word, one.p_value, one.limits) == ("open", 1.0, (-0.5, 0.5))
    assert "One track is too few to show anything at alpha 0.05." in one.remarks
    same = dwell_test(table_of_tracks([{"dwell": "heron=50|plover=50"}] * 9), device="heron", margin=0.1)
    assert (same.word, same.p_value, same.interval) == ("negligible", 1.0, (0, 0))
    everything = dwell_test(table_of_tracks([{"dwell": "heron=60|plover=0"}] * 9), device="heron")
    assert (everything.word, everything.estimate, everything.interval[1]) == ("shown", 0.5, 0.5)
    rows = [{"dwell": "heron=60|plover=1"}, {"dwell": None}, {"dwell": "heron=0|plover=0"}]
    some = dwell_test(table_of_tracks(rows), device="heron")
    assert some.left_out == 2
    assert "2 tracks have no share of this device and are left out." in some.remarks
    with pytest.raises(BlindtestError, match="dwell: on no track with this condition were all slots heard"):
        dwell_test(table_of_tracks([{"dwell": None}]), device="heron")
    with pytest.raises(BlindtestError, match="one listener is no panel"):
        dwell_test(table_of_tracks([{"dwell": "heron=60|plover=1"}]), device="heron", unit="listener")


def test_it_says_what_dwell_cannot_tell_and_can_be_stored(simulated_tracks):
    found = dwell_test(simulated_tracks(2, listeners=6), device="heron", margin=0.1)
    assert found.cannot_tell == CANNOT_TELL
    assert "not why" in found.sentence
    stored = json.loads(json.dumps(found.to_dict()))
    assert stored["shares"].keys() == {"heron", "plover"}
    assert stored["panel"]["word"] == found.word


def test_a_sample_of_draws_is_the_same_with_the_same_seed(simulated_tracks):
    table = simulated_tracks(3, tracks=24, share=0.6)
    one, two = dwell_test(table, device="heron", seed=4), dwell_test(table, device="heron", seed=4)
    assert not one.pooled.exact
    assert one.p_value == two.p_value
    assert one.p_value == pytest.approx(dwell_test(table, device="heron", seed=5).p_value, abs=0.01)
    assert one.method == "re-randomised over 100000 of the draws the plan could have made"
