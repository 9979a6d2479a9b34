"""Plans: drawn again from their record, keys independent, clips spread, truth exchangeable."""

import json
from collections import Counter
from dataclasses import replace
from hashlib import sha256
from math import comb

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blindtest.design import Block, Controls, Protocol, canonical, exchanged, make_plan, plan_from_record


def block(**changes):
    numbers = {"id": "test", "phase": "blind", "method": "abx", "trials": 28, "break_after": 14, "deadline_days": 7}
    return Block(**{**numbers, **changes})


def protocol(*blocks):
    return Protocol(name="p", title="P", source="s", decides=("heard",), blocks=blocks or (block(),))


def plan(seed=0, blocks=(), clips=("x", "y", "z")):
    return make_plan(
        study_seal="ab" * 32,
        sitting=1,
        protocol=protocol(*blocks),
        conditions=("heron", "plover"),
        clips=clips,
        nonce=sha256(str(seed).encode()).digest(),
        deadline="2026-03-09T12:00:00+00:00",
    )


@given(st.integers(0, 10**9))
@settings(max_examples=30)
def test_a_plan_is_drawn_again_from_what_was_opened(seed):
    one = plan(seed)
    record = json.loads(canonical(one.record))
    again = plan_from_record(record, one.nonce, expected=one.commitment)
    assert [again.trial(n) for n in range(28)] == [one.trial(n) for n in range(28)]
    assert again.protocol == one.protocol


def test_a_protocol_comes_back_from_the_record_as_it_was_given():
    """Two plans of one record agree whatever was lost on the way into it: so they are held against what went in."""
    warm = block(id="warm", phase="practice", method="triangle", trials=4, feedback=True, break_after=None, margin=None)
    full = block(
        margin=0.25, sittings=2, numbers={"seconds": 3.5, "shown": True}, controls=Controls(every=7, audible="anchor"),
        confidence=True, comments=True, break_after_min=12.5,
    )  # fmt: skip
    other = block(id="other", controls=Controls(every=14, inaudible=True), break_after=None, deadline_days=None)
    given_ = replace(protocol(warm, full, other), order="crossed", decides=("heard", "alike"))
    one = make_plan(
        study_seal="ab" * 32, sitting=2, protocol=given_, conditions=("heron", "plover", "anchor"), clips=("x", "y"),
        nonce=bytes(32), deadline="2026-03-09T12:00:00+00:00", compared={"warm": ("plover", "heron")},
        labels={"heron": "The Heron"},
    )  # fmt: skip
    again = plan_from_record(json.loads(canonical(one.record)), one.nonce, expected=one.commitment)
    for read in (one, again):
        assert read.protocol == given_
        assert (read.conditions, read.clips) == (("heron", "plover", "anchor"), ("x", "y"))
        assert (read.compared(warm), read.compared(full)) == (("plover", "heron"), ("heron", "plover", "anchor"))
        assert (read.label("heron"), read.label("plover")) == ("The Heron", "plover")
    with pytest.raises(ValueError, match="format 2"):
        plan_from_record({**one.record, "format": 2}, one.nonce)


@pytest.mark.parametrize("none", [{"clips": ()}, {"conditions": ()}])
def test_a_plan_of_nothing_is_a_mistake(none):
    with pytest.raises(ValueError, match="needs clips and conditions"):
        make_plan(**{
            "study_seal": "ab" * 32, "sitting": 1, "protocol": protocol(), "conditions": ("a", "b"), "clips": ("x",),
            "nonce": bytes(32), "deadline": "2026-03-09T12:00:00+00:00", **none,
        })  # fmt: skip


def test_the_record_holds_no_draw():
    """Plans with other nonces have the same record: whoever reads it learns no key."""
    assert plan(1).record == plan(2).record
    assert plan(1).commitment != plan(2).commitment


def test_another_record_or_nonce_is_found():
    one = plan()
    with pytest.raises(ValueError, match="give the commitment"):
        plan_from_record({**one.record, "sitting": 2}, one.nonce, expected=one.commitment)
    with pytest.raises(ValueError, match="give the commitment"):
        plan_from_record(one.record, bytes(32), expected=one.commitment)
    with pytest.raises(ValueError, match="unknown rule"):
        plan_from_record({**one.record, "draws": "other"}, one.nonce)


def test_clips_are_spread_evenly():
    for seed in range(20):
        counts = Counter(plan(seed).clip_order(block()))
        assert sorted(counts.values()) == [9, 9, 10]


def test_keys_are_independent_fair_draws():
    """The number of X = A in 16 trials follows the binomial, not a balanced key (methods.md 1.1)."""
    from scipy.stats import chi2

    counts = Counter()
    for seed in range(2000):
        one = plan(seed, (block(trials=16),))
        counts[sum(one.trial(n).drawn.right == {"choice": "A"} for n in range(16))] += 1
    groups = [range(7), (7,), (8,), (9,), range(10, 17)]
    statistic = 0.0
    for group in groups:
        expected = 2000 * sum(comb(16, k) for k in group) / 2**16
        statistic += (sum(counts[k] for k in group) - expected) ** 2 / expected
    assert statistic < chi2.ppf(0.9999, 4)


def test_a_letter_never_becomes_a_name():
    drawn = Counter(plan(3, (block(trials=400),)).trial(n).drawn.slots[0].condition for n in range(400))
    assert 150 < drawn["heron"] < 250  # 5 standard deviations about 200


def test_breaks_fall_inside_a_block():
    one = plan(0, (block(id="a", trials=4, break_after=2), block(id="b", trials=5, break_after=2)))
    assert [one.trial(n).break_before for n in range(9)] == [False, False, True, False, False, False, True, False, True]


def test_trials_know_their_block():
    one = plan(0, (block(id="practice", phase="practice", trials=4, feedback=True), block()))
    assert one.length == 32
    assert [(one.trial(n).block, one.trial(n).block_trial, one.trial(n).feedback) for n in (0, 3, 4, 31)] == [
        ("practice", 0, True), ("practice", 3, True), ("test", 0, False), ("test", 27, False),
    ]  # fmt: skip
    with pytest.raises(ValueError, match="32 trials"):
        one.trial(32)
    with pytest.raises(ValueError, match="from 0"):
        one.trial(-1)


def test_exchange_changes_every_truth_and_nothing_else():
    one = plan(5)
    other = exchanged(one)
    for n in range(28):
        a, b = one.trial(n), other.trial(n)
        assert a.drawn != b.drawn
        assert [s.name for s in a.drawn.slots] == [s.name for s in b.drawn.slots]
        assert a.clip == b.clip
        assert one.token(n, 1, "X") == other.token(n, 1, "X")
    assert one.level_stimulus() == other.level_stimulus()


def test_tokens_and_dither_differ_for_every_slot_and_attempt():
    one = plan()
    places = [(t, a, s) for t in range(28) for a in (1, 2) for s in "ABX"]
    assert len({one.token(*place) for place in places}) == len(places)
    assert len({one.dither(*place, 64) for place in places}) == len(places)
