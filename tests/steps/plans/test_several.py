"""What plans of several listeners say, beside what one listener's answers do."""

import json
from types import SimpleNamespace

import pytest

from blindtest.design import Claim
from blindtest.errors import WrongUse
from blindtest.stats import panel_chances
from blindtest.steps.planning import planned
from blindtest.steps.several import several_chances
from blindtest.study import reach


@pytest.mark.parametrize(
    ("method", "asked", "kind"),
    [
        ("abx", {"trials": 16, "margin": 0.3}, "heard"),
        ("preference", {"trials": 20, "margin": 0.2}, "preferred"),
        ("2afc", {"trials": 20, "d_prime": 1.0}, "attribute"),
    ],
)
def test_a_plan_of_several_says_what_they_can_together(method, asked, kind):
    alone = planned(method, **asked)
    shown = planned(method, **asked, listeners=5, sd_listener=0.2)
    found = shown.to_dict()
    panel = found["panel"] if "panel" in found else found["plan"]["panel"]
    assert [one["spread"] for one in panel] == [0.0, 0.2]
    margin = asked.get("margin", asked.get("d_prime"))
    same = panel_chances(kind, method=method, listeners=5, trials=asked["trials"], margin=margin)
    assert panel[0] == json.loads(json.dumps(same.to_dict()))
    assert same.sentence in shown.text()
    assert "scatter with SD 0.2" in shown.text()
    assert "panel" not in json.dumps(alone.to_dict())


def test_a_spread_without_a_panel_or_beyond_what_can_be_is_refused():
    with pytest.raises(WrongUse, match="--sd-listener: a spread is one of several listeners"):
        planned("abx", sd_listener=0.2)
    with pytest.raises(WrongUse, match=r"the spread must be less than 0\.5"):
        planned("abx", listeners=4, sd_listener=0.6)


def test_check_knows_what_all_listeners_of_a_study_can_together():
    claim = Claim(id="c", kind="heard", device="a", comparator="b", margin=0.5)
    block = SimpleNamespace(method="abx", counted=True, numbers={}, id="test")
    study = SimpleNamespace(
        listeners=SimpleNamespace(planned=4),
        claims=(claim,),
        reaches={"c": reach(28, 0.5)},
        protocol=SimpleNamespace(blocks=(block,)),
    )
    found = several_chances(study)["c"]
    assert found == panel_chances("heard", method="abx", listeners=4, trials=28, margin=0.5)
    study.listeners.planned = 1
    assert several_chances(study) == {}
