"""What is negligible where several listeners answered: by what the seal says, older ones as they were sealed."""

from types import SimpleNamespace

import pytest

from blindtest.design import Stopping
from blindtest.stats import panel_chances, stop_table
from blindtest.steps.answers.attribute import ATTRIBUTE_BY_SEVERAL, attribute_answers
from blindtest.steps.answers.heard import HEARD_BY_SEVERAL, heard_answers
from blindtest.steps.answers.stopped import STOPPED_BY_SEVERAL, stopped_answers
from blindtest.steps.sealed_analysis import ANALYSIS, LATER_KINDS
from blindtest.steps.sealing import current_seal

CLAIM = {"margin": 0.8, "direction": "two-sided", "attribute": "bass", "blocks": ["test"]}


class Sitting:
    """A listener with so many of their answers right, in turns."""

    def __init__(self, listener, answers):
        self.entry = SimpleNamespace(listener=listener, number=1, state="finished")
        self.answers = answers

    def planned_for(self, claim):
        return range(1, len(self.answers) + 1)

    def unanswered_for(self, claim):
        return 0

    def of_claim(self, claim):
        common = {"listener": self.entry.listener, "sitting": 1, "clip": "c", "phase": "blind", "order": "A=x|B=y"}
        return [
            {**common, "trial": n, "correct": right, "response": "A" if right else "B"}
            for n, right in enumerate(self.answers, start=1)
        ]


def panel(*counts, of=20):
    return [Sitting(f"L-{n}", [i < right for i in range(of)]) for n, right in enumerate(counts)]


@pytest.mark.parametrize(("apart", "word"), [(True, "shown"), (False, "negligible")])
def test_half_a_panel_hears_everything(monkeypatch, apart, word):
    monkeypatch.setattr("blindtest.steps.answers.heard.choice_companions", lambda *_, **__: ())
    monkeypatch.setattr("blindtest.steps.answers.heard.trial_table", lambda rows: rows)
    found = heard_answers(CLAIM, panel(20, 10, 20, 10), 0.05, 80, "abx", listeners_apart=apart)
    assert (found.conclusion.word, found.conclusion.listeners_differ) == (word, apart)
    against = found.conclusion.difference if apart else found.conclusion.similarity
    assert found.p_value == against.p_value
    same = panel_chances("heard", method="abx", listeners=4, trials=20, margin=0.8)
    assert found.together == (same if apart else None)
    alone = heard_answers(CLAIM, panel(20), 0.05, 20, "abx", listeners_apart=apart)
    assert alone.together is None


@pytest.mark.parametrize(("apart", "word"), [(True, "open"), (False, "negligible")])
def test_two_camps_hear_it_the_other_way_round(monkeypatch, apart, word):
    monkeypatch.setattr("blindtest.steps.answers.attribute.attribute_companions", lambda *_, **__: ())
    monkeypatch.setattr("blindtest.steps.answers.attribute.trial_table", lambda rows: rows)
    found = attribute_answers(CLAIM, panel(19, 1, 18, 2), 0.05, 80, "2afc", listeners_apart=apart)
    assert (found.conclusion.word, found.conclusion.listeners_differ) == (word, apart)


@pytest.mark.parametrize(("apart", "word"), [(True, "shown"), (False, "negligible")])
def test_half_a_panel_hears_everything_until_the_rule_ends_it(apart, word):
    table = stop_table("group-sequential", 60, method="abx", margin=0.5, looks=4, beta=0.05)
    rule = Stopping(rule="group-sequential", margin=0.5, looks=table.looks, high=table.high, low=table.low)
    series = [[True] * 60, [bool(i % 2) for i in range(60)]] * 4
    sittings = [Sitting(f"L-{n}", own[: table.stop(own).trials]) for n, own in enumerate(series)]
    block = SimpleNamespace(method="abx")
    found = stopped_answers({**CLAIM, "margin": 0.5}, sittings, 0.05, block, rule, by_mean=apart)
    assert (found.conclusion.word, found.conclusion.listeners_differ) == (word, apart)


def test_the_analysis_of_several_is_sealed_only_where_it_is_used():
    for name in (HEARD_BY_SEVERAL, ATTRIBUTE_BY_SEVERAL, STOPPED_BY_SEVERAL):
        assert name in LATER_KINDS
        assert "negligible only where" in ANALYSIS[name]


def test_a_seal_made_before_it_was_asked_for_holds_on():
    """Sealed anew, a panel midway would lose the answers that it has; any other change is a study of its own."""
    now = {"analysis": {"heard": "as ever", HEARD_BY_SEVERAL: "too"}, "alpha": 0.05, "code": {"blindtest": "2"}}
    old = {"analysis": {"heard": "as ever"}, "alpha": 0.05, "code": {"blindtest": "1"}, "earlier": [1]}

    def found(record, sealed):
        entry = SimpleNamespace(kind="study", record=sealed, commitment="c", created=None)
        return current_seal(SimpleNamespace(seals=lambda: [entry]), record)

    assert found(now, old).commitment == "c"
    assert found(now, now).commitment == "c"
    # A seal that asks for it does not stand for a study that doesn't, nor for one that differs in anything else.
    assert found({**now, "analysis": old["analysis"]}, now) is None
    assert found({**now, "alpha": 0.01}, old) is None
    assert found({**now, "analysis": {"heard": "otherwise", HEARD_BY_SEVERAL: "too"}}, old) is None
