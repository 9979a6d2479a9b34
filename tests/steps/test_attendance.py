"""How many sat against how many were planned: what the seal says is the plan, however many came."""

from dataclasses import replace
from types import SimpleNamespace

import pytest

from blindtest.session.register import WITHHELD
from blindtest.steps.analysis import among_claims_line, claim_dict
from blindtest.steps.answers.claim import ClaimAnswers
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


def test_data_and_terminal_say_what_a_claim_ends_as_among_all_claims():
    """Holm 1979 by hand: the smaller of two p, .03, is doubled; .06 is above .05, so that its word does not stand."""
    record = {"id": "also", "kind": "rated", "device": "first", "comparator": "second", "primary": False, "margin": 8.0}
    rated = SimpleNamespace(result=SimpleNamespace(verdict="survives", to_dict=dict), recognition=(), companions=())
    one = ClaimAnswers(record=record, planned=4, rated=rated, p_value=0.03, adjusted_p_value=2 * 0.03)
    assert (one.word, one.word_among(0.05), one.word_among(0.1)) == ("survives", "undecided", "survives")
    said = claim_dict(one, 0.05)
    assert (said["word"], said["word_among_claims"]) == ("survives", "undecided")
    assert "word_among_claims" not in claim_dict(replace(one, adjusted_p_value=None), 0.05)
    assert among_claims_line(one, 0.05).endswith(
        "0.06, above 0.05: among these claims it ends as undecided, not survives."
    )
    assert among_claims_line(one, 0.1) == "Over the further claims, p by Holm: 0.06."
