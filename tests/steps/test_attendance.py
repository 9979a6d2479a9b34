"""How many sat against how many were planned: what the seal says is the plan, however many came."""

from types import SimpleNamespace

import pytest

from blindtest.session.register import WITHHELD
from blindtest.steps.attendance import attendance_words, planned_listeners, withdrawn_words


def answered(planned, *listeners):
    """Answers under a seal that plans so many listeners; a sitting for each name."""
    sittings = [SimpleNamespace(entry=SimpleNamespace(listener=name)) for name in listeners]
    seal = SimpleNamespace(record={"listeners": planned})
    return SimpleNamespace(seal=seal, sittings=sittings, withheld=listeners.count(WITHHELD))


@pytest.mark.parametrize(
    ("planned", "listeners", "said"),
    [
        (2, ("L-1", "L-2"), ""),
        (1, ("L-1", "L-1"), ""),
        (2, ("L-1", "L-2", WITHHELD), ""),
        (6, ("L-1", "L-2", "L-1"), "2 of 6 planned listeners sat: the plan is not full"),
        (6, ("L-1", WITHHELD), "1 of 6 planned listeners sat, those apart who withdrew: the plan is not full"),
        (1, ("L-1", "L-2"), "2 listeners sat, where 1 was planned"),
    ],
)
def test_another_number_than_planned_is_said(planned, listeners, said):
    answers = answered(planned, *listeners)
    assert planned_listeners(answers) == planned
    words = attendance_words(answers)
    assert words.startswith(said)
    assert bool(words) == bool(said)


def test_one_is_one():
    assert withdrawn_words(1) == "1 sitting was withdrawn by its listener and is not counted"
    assert withdrawn_words(2) == "2 sittings were withdrawn by their listeners and are not counted"
