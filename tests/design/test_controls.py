"""Controls of a plan: how many, where, of which kind; and plans without them are drawn as they always were."""

import json
from collections import Counter
from dataclasses import replace
from hashlib import sha256

import pytest

from blindtest.design import Block, Controls, Protocol, exchanged, make_plan, plan_from_record
from blindtest.methods import METHODS

CONTROLS = Controls(every=4, audible="loud", inaudible=True)
CHOOSING = sorted(
    name
    for name, one in METHODS.items()
    if one.answer_kind == "choose" and one.guess_rate is not None and not one.adaptive and not one.names_all
)


def plan_of(method="abx", controls=CONTROLS, trials=20, seed=1, clips=("c1", "c2", "c3"), **more):
    block = Block(id="t", phase="blind", method=method, trials=trials, controls=controls, **more)
    protocol = Protocol(name="p", title="P", source="s", decides=("heard",), blocks=(block,))
    return make_plan(
        study_seal="ab" * 32, sitting=1, protocol=protocol, conditions=("a", "b"), clips=clips,
        nonce=sha256(str(seed).encode()).digest(), deadline="2027-01-01T00:00:00+00:00",
    )  # fmt: skip


def trials_of(plan):
    return [plan.trial(number) for number in range(plan.length)]


def test_they_come_on_top_of_the_trials_that_count():
    trials = trials_of(plan_of())
    assert Counter(one.control for one in trials) == {None: 20, "audible": 3, "inaudible": 2} or Counter(
        one.control for one in trials
    ) == {None: 20, "audible": 2, "inaudible": 3}
    assert {one.phase for one in trials if one.control} == {"control"}
    assert {one.phase for one in trials if not one.control} == {"blind"}
    # clips are spread over each by themselves: 20 over 3 and 5 over 3
    assert sorted(Counter(one.clip for one in trials if not one.control).values()) == [6, 7, 7]
    assert sorted(Counter(one.clip for one in trials if one.control).values()) == [1, 2, 2]


@pytest.mark.parametrize("method", CHOOSING)
def test_what_sounds_in_them(method):
    trials = trials_of(plan_of(method))
    sounding = {kind: {slot.condition for one in trials if one.control == kind for slot in one.drawn.slots}
                for kind in (None, "audible", "inaudible")}  # fmt: skip
    assert sounding == {None: {"a", "b"}, "audible": {"loud", "b"}, "inaudible": {"b"}}
    assert all(one.drawn.right is not None for one in trials)


def test_their_places_and_keys_are_fair():
    """Over 400 plans: every place of 12 is a control alike (chi-squared, 11 degrees of freedom, 99.9 % point 31.26 by
    scipy), and X of an identical trial is A in half of them (4 standard errors)."""
    places, keys = Counter(), Counter()
    for seed in range(400):
        plan = plan_of(controls=Controls(every=3, inaudible=True), trials=9, seed=seed, clips=("c1",))
        for one in trials_of(plan):
            if one.control:
                places[one.number] += 1
                keys[one.drawn.right["choice"]] += 1
    assert sum(places.values()) == 1200
    assert sum((places[n] - 100) ** 2 / 100 for n in range(12)) < 31.26
    assert abs(keys["A"] - 600) < 4 * 17.33


def test_a_plan_without_them_is_drawn_as_before():
    """Its record has no word of controls, and its draws are pinned: they are those of plans made before there were
    any (computed at the commit before controls came)."""
    plan = plan_of(controls=None, trials=8)
    assert "controls" not in json.dumps(plan.record)
    assert plan.length == 8
    assert "".join(one.drawn.right["choice"] for one in trials_of(plan)) == PINNED_KEYS
    assert [one.clip for one in trials_of(plan)] == PINNED_CLIPS


PINNED_KEYS = "BBBBAAAB"
PINNED_CLIPS = ["c1", "c2", "c1", "c2", "c3", "c3", "c3", "c1"]


def test_a_plan_with_them_can_be_drawn_again_from_what_is_opened():
    plan = plan_of(break_after=6)
    again = plan_from_record(json.loads(json.dumps(plan.record)), plan.nonce, expected=plan.commitment)
    assert trials_of(again) == trials_of(plan)
    assert again.protocol.blocks[0].controls == CONTROLS
    record = json.loads(json.dumps(plan.record))
    record["protocol"]["blocks"][0]["controls"]["every"] = 5
    with pytest.raises(ValueError, match="give the commitment"):
        plan_from_record(record, plan.nonce, expected=plan.commitment)


def test_the_same_block_with_and_without_asks_the_same_of_the_trials_that_count():
    """Clips and their order are those of the block without controls; keys belong to places in the sitting."""
    with_them, without = plan_of(), plan_of(controls=None)
    assert [t.clip for t in trials_of(with_them) if not t.control] == [t.clip for t in trials_of(without)]


def test_exchanged_truths_leave_a_control_a_control():
    plan = plan_of()
    twin = exchanged(plan)
    for one, other in zip(trials_of(plan), trials_of(twin), strict=True):
        assert (one.control, one.phase, one.clip) == (other.control, other.phase, other.clip)
        assert one.drawn != other.drawn
        assert replace(one, drawn=other.drawn) == other
