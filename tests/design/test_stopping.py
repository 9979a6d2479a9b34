"""Stopping rules in the sealed plan: followed by look-up, kept in the record, left out of it where there is none."""

import itertools
import json

import pytest

from blindtest.design import Block, Protocol, Stopping, make_plan, plan_from_record
from blindtest.design.stopping import stopping_from_record, stopping_record
from blindtest.stats import StopTable, stop_table

FEW = Stopping(rule="group-sequential", asked_looks=(4, 8), looks=(4, 8), high=(4, 7), low=(0, None))


def plan_of(*blocks):
    return make_plan(
        study_seal="ab" * 32,
        sitting=1,
        protocol=Protocol(name="p", title="P", source="s", decides=("heard",), blocks=blocks),
        conditions=("a", "b"),
        clips=("c", "d"),
        nonce=bytes(range(32)),
        deadline="2026-03-09T12:00:00+00:00",
    )


def block(**more):
    return Block(id="test", phase="blind", method="abx", trials=8, **more)


def test_a_block_ends_where_its_table_says_and_nowhere_else():
    assert FEW.stopped([True] * 3) is None
    ends = [FEW.stopped([True] * 4), FEW.stopped([False] * 4), FEW.stopped([True, False] * 4)]
    assert [(end.trials, end.correct, end.how) for end in ends] == [(4, 4, "high"), (4, 0, "low"), (8, 4, "last")]
    # Three right of the first four reach no number; the later ones are only looked at after the eighth.
    assert FEW.stopped([True, True, True, False, True, True, True]) is None
    assert FEW.stopped([True, True, True, False, True, True, True, True]).how == "high"


def test_the_last_trial_is_no_early_end_however_it_comes_out():
    assert not FEW.ends_early([True, True, True, False, True, True, True, True])
    assert not FEW.ends_early([True, False] * 4)
    assert FEW.ends_early([True] * 4)


def test_of_three_looks_the_second_is_still_an_early_end():
    three = Stopping(rule="group-sequential", asked_looks=3, looks=(2, 4, 6), high=(None, 4, 5), low=(None, 0, None))
    assert [three.ends_early([answer] * 4) for answer in (True, False)] == [True, True]
    assert not three.ends_early([True, False] * 3)


@pytest.mark.parametrize(
    "rule",
    [
        Stopping(rule="group-sequential", asked_looks=5, spending="pocock", alpha=0.05),
        Stopping(rule="sprt", beta=0.1, margin=0.3, alpha=0.05, looks=(1, 2), high=(None, 2), low=(None, 0)),
        Stopping(rule="e-process"),
    ],
)
def test_what_a_rule_does_not_use_is_neither_kept_nor_made_up(rule):
    kept = stopping_record(rule)
    assert None not in kept.values()
    assert ("looks" in kept) is bool(rule.looks)
    assert stopping_from_record(json.loads(json.dumps(kept))) == rule


@pytest.mark.parametrize("rule", ["sprt", "e-process", "group-sequential"])
def test_it_ends_where_the_statistics_say_over_every_series_of_answers(rule):
    looks = 3 if rule == "group-sequential" else None
    table = stop_table(rule, 9, method="abx", margin=0.9, alpha=0.1, looks=looks)
    held = Stopping(rule=rule, looks=table.looks, high=table.high, low=table.low)
    assert isinstance(table, StopTable)
    for series in itertools.product((False, True), repeat=9):
        one, other = held.stopped(series), table.stop(series)
        assert (one.trials, one.correct, one.how) == (other.trials, other.correct, other.how)


def test_the_record_holds_rule_and_table_and_gives_the_same_plan_back():
    plan = plan_of(block(stopping=FEW))
    kept = json.loads(json.dumps(plan.record))
    assert kept["protocol"]["blocks"][0]["stopping"] == {
        "rule": "group-sequential", "asked_looks": [4, 8], "looks": [4, 8], "high": [4, 7], "low": [0, None],
    }  # fmt: skip
    again = plan_from_record(kept, plan.nonce, expected=plan.commitment)
    assert again.protocol == plan.protocol
    assert again.protocol.blocks[0].stopping == FEW  # both protocols are read from the record: equal isn't enough
    assert [again.trial(n) for n in range(8)] == [plan.trial(n) for n in range(8)]


def test_a_plan_without_a_rule_has_the_record_it_always_had_and_a_rule_moves_no_draw():
    plain, ruled = plan_of(block()), plan_of(block(stopping=FEW))
    assert "stopping" not in plain.record["protocol"]["blocks"][0]
    # The commitment of this plan before there were stopping rules; made by the code of that time.
    assert plain.commitment == COMMITMENT
    assert [plain.trial(n).drawn for n in range(8)] == [ruled.trial(n).drawn for n in range(8)]


COMMITMENT = "a99d51f88491d05b02ef2549620c74604728dea2017302627ec171a86e6f93fe"


def test_a_rule_without_its_table_ends_nothing_but_the_program():
    with pytest.raises(ValueError, match="the table of this stopping rule has not been computed"):
        Stopping(rule="sprt").stopped([True])
    with pytest.raises(ValueError, match="2 looks, 1 upper and 2 lower numbers"):
        Stopping(rule="sprt", looks=(1, 2), high=(None,), low=(None, None))


def test_a_block_that_may_end_early_stands_last():
    other = Block(id="after", phase="blind", method="preference", trials=4)
    with pytest.raises(ValueError, match="a block that may end early stands last"):
        plan_of(block(stopping=FEW), other)
