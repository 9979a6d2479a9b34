"""A rule that may end a sitting tells nothing before it ends it, and nothing by its end but that it ended.

Exchange the truth of every trial: the right answers are others, so the rule may end the twin elsewhere. Up to the first
end of the two not one byte differs; the end itself is the stated exception.
"""

import runpy
from dataclasses import replace
from pathlib import Path

import pytest

from blindtest.design import Stopping, exchanged
from blindtest.session import offers, start, view_of
from blindtest.stats import stop_table

V = runpy.run_path(str(Path(__file__).with_name("test_view.py")))
P, as_bytes = V["P"], V["as_bytes"]
METHODS = ("abx", "duo-trio", "triangle", "tetrad", "2afc", "3afc", "same-different")
RULES = {"sprt": {}, "e-process": {}, "group-sequential": {"looks": 4, "beta": 0.05}}


def pair(method, rule, seed, trials=20):
    table = stop_table(rule, trials, method=method, margin=0.9, **RULES[rule])
    stopping = Stopping(rule=rule, looks=table.looks, high=table.high, low=table.low)
    plan = P["make"](blocks=(P["block"]("test", method, trials, break_after=6, stopping=stopping),), seed=seed)
    sitting = start(plan, study=P["STUDY"], listener=P["LISTENER"])
    return sitting, replace(sitting, plan=exchanged(plan))


def steps_of(sitting, picks):
    """Walk a sitting to its end; yield each state with how many answers it holds."""
    at, count = P["START"], 0
    yield sitting
    while not sitting.over:
        for event in P["next_events"](sitting, at, picks[count % len(picks)]):
            sitting = P["after"](sitting, event)
            at = at + P["timedelta"](seconds=2)
            yield sitting
        count += 1


@pytest.mark.parametrize(
    ("method", "rule"), [*((name, "sprt") for name in METHODS), ("abx", "e-process"), ("abx", "group-sequential")]
)
def test_up_to_the_end_not_a_byte_tells_the_truth_or_how_the_rule_stands(method, rule):
    ends = set()
    for seed in range(3):
        sitting, twin = pair(method, rule, seed)
        for mine, theirs in zip(steps_of(sitting, [0, 1]), steps_of(twin, [0, 1]), strict=False):
            if mine.over or theirs.over:
                break
            assert as_bytes(mine) == as_bytes(theirs)
            assert [one.token for one in offers(mine)] == [one.token for one in offers(theirs)]
        *_, mine = steps_of(sitting, [0, 1])
        *_, theirs = steps_of(twin, [0, 1])
        ends |= {len(mine.answers), len(theirs.answers)}
    assert len(ends) > 1, "every sitting ended alike: nothing was tested"


def test_the_last_view_is_the_same_whether_it_ended_high_low_or_at_its_last_trial():
    """Only the numbers that say how far it went may differ."""
    shown = {}
    for seed in range(40):
        sitting, _ = pair("abx", "sprt", seed, trials=6)
        *_, last = steps_of(sitting, [0, 1, 1, 0, 1])
        rule = sitting.plan.protocol.blocks[0].stopping
        end = rule.stopped([answer.correct for answer in last.answers])
        view = view_of(last).to_json()
        assert (view["step"], view["message"]) == ("finished", "That was the last trial. All answers are saved.")
        assert view["number"] == min(len(last.answers) + 1, 6)
        held = {key: value for key, value in view.items() if key not in ("trial", "number", "saved")}
        shown.setdefault(end.how, set()).add(repr(held))
    assert set(shown) == {"high", "low", "last"}
    assert len(set.union(*shown.values())) == 1
