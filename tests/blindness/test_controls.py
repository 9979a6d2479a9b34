"""A control looks like any other trial: not one byte of the page tells it, nor which kind it is."""

import json
import runpy
from dataclasses import replace
from pathlib import Path

import pytest

from blindtest.design import Controls
from blindtest.session import start, view_of

V = runpy.run_path(str(Path(__file__).with_name("test_view.py")))
P, side_by_side, as_bytes, exchanged = V["P"], V["side_by_side"], V["as_bytes"], V["exchanged"]
LOUD = "a-louder-one-c9"
METHODS = ("abx", "duo-trio", "triangle", "tetrad", "2afc", "3afc")


def sitting_of(method, controls, seed):
    block = replace(P["block"]("test", method, 6, break_after=4), controls=controls)
    return start(P["make"](blocks=(block,), seed=seed), study=P["STUDY"], listener=P["LISTENER"])


@pytest.mark.parametrize("method", METHODS)
def test_an_audible_control_an_identical_one_and_their_truths_show_the_same(method):
    """At the same places of the same plan: audible in one, inaudible in the other, and all truths exchanged."""
    audible = sitting_of(method, Controls(every=2, audible=LOUD), 3)
    same = sitting_of(method, Controls(every=2, inaudible=True), 3)
    twin = replace(audible, plan=exchanged(audible.plan))
    plans = [one.plan for one in (audible, same, twin)]
    kinds = [[plan.control(n) for n in range(plan.length)] for plan in plans]
    assert [bool(kind) for kind in kinds[0]] == [bool(kind) for kind in kinds[1]]
    assert [kind for kind in kinds[0] if kind] == ["audible"] * 3
    assert [kind for kind in kinds[1] if kind] == ["inaudible"] * 3
    for other in (same, twin):
        for mine, theirs in side_by_side(audible, other, [0, 1, 2], faults=(2,)):
            assert as_bytes(mine) == as_bytes(theirs)


@pytest.mark.parametrize("method", METHODS)
def test_a_control_differs_from_its_neighbours_in_numbers_and_tokens_only(method):
    sitting = sitting_of(method, Controls(every=2, audible=LOUD, inaudible=True), 5)
    shown = {}
    for state, _ in side_by_side(sitting, replace(sitting, plan=exchanged(sitting.plan)), [1]):
        if state.step == "trial" and state.loaded_at is None and state.attempt == 1:
            view = view_of(state).to_json()
            tokens = {*(slot["token"] for slot in view["slots"]), *view["next"]}
            assert LOUD not in json.dumps(view)
            text = json.dumps({key: value for key, value in view.items() if key not in ("trial", "number", "saved")})
            for place, token in enumerate(sorted(tokens, key=text.index)):
                text = text.replace(token, f"token {place}")
            shown.setdefault(bool(sitting.plan.control(state.trial)), set()).add(text)
    # The last trial has none ahead of it, so there are two texts; which of them a control has, its place alone says.
    assert len(shown[True] | shown[False]) == 2
    assert shown[True] & shown[False]
