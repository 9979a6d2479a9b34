"""Whether a claim can fail by all planned listeners' answers together: said by `check`, and asked before a seal."""

import json
import os
import shutil
from hashlib import sha256
from importlib.resources import files

import pytest
from jsonschema import Draft202012Validator
from scipy.stats import binom

from blindtest import steps
from blindtest.cli.commands import main
from blindtest.errors import BlindtestError
from blindtest.session.store import Store
from blindtest.stats import panel_chances, panel_choice_chances
from blindtest.steps.several import several_faults
from blindtest.study import load_study


@pytest.fixture(scope="module")
def made(tmp_path_factory, fill_in_protocol):
    """Return a study of a protocol, filled in; not rendered, which `check` has no need of."""

    def make(protocol, changes, planned):
        folder = tmp_path_factory.mktemp(protocol) / "s"
        main(["new", str(folder), "--protocol", protocol, "--quiet"], standalone_mode=False)
        path = folder / "study.toml"
        fill_in_protocol(folder)
        text = path.read_text(encoding="utf-8")
        assert "\n[protocol]\n" in text
        text = text.replace("\n[protocol]\n", f"\n[listeners]\nplanned = {planned}\n\n[protocol]\n")
        path.write_text(f"{text}\n[protocol.changes]\n{changes}\n", encoding="utf-8")
        return folder

    return make


def held(checked):
    said = json.loads(json.dumps({"schema_version": 1, "command": "check", **checked.to_dict()}, allow_nan=False))
    schema = json.loads(files("blindtest.cli").joinpath("results.schema.json").read_text(encoding="utf-8"))
    Draft202012Validator(schema).validate(said)
    return said


def test_listeners_who_could_not_fail_it_alone_are_judged_together(made):
    """Alone 7 or more of 8 tell it from guessing and no score is below the margin by .05: a single listener is refused.

    Four together have 32 answers, of which up to 19 are negligible (binomial), less what their scatter takes.
    """
    alone = steps.check(made("abx", "test.trials = 8", 1))
    assert "the claim can't fail" in str(alone.faults[0])
    checked = steps.check(made("abx", "test.trials = 8", 4))
    assert checked.faults == ()
    (plan,) = held(checked)["plans"]
    pooled = binom.cdf(19, 32, 0.5)
    assert binom.cdf(19, 32, 0.75) <= 0.05 < binom.cdf(20, 32, 0.75)
    assert 0.5 < plan["panel"]["chance_negligible"] < pooled
    assert any("each listener alone: with 8 trials" in note for note in checked.notes)
    assert "all answers together: 4 listeners who are alike, 8 answers each" in checked.text()


def test_listeners_who_together_cannot_fail_it_are_refused_with_a_plan_that_could(made):
    folder = made("abx", "test.trials = 8\ntest.margin = 0.2", 3)
    checked = steps.check(folder)
    (fault,) = checked.faults
    held(checked)
    assert "the claim can't fail: all listeners' answers together, all of them guesses, would end as negligible" in (
        fault.problem
    )
    assert (fault.got, fault.line is not None) == ("3 listeners, 8 trials each, margin 0.2", True)
    listeners = int(fault.remedy.split("planned = ")[1].split()[0])
    trials = int(fault.remedy.split(" or ")[1].split()[0])
    assert fault.remedy == (
        f"planned = {listeners} under [listeners] or {trials} trials of each of 3 listeners would do"
    )
    path = folder / "study.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("planned = 3", f"planned = {listeners}"), encoding="utf-8")
    assert steps.check(folder).faults == ()
    path.write_text(text.replace("trials = 8", f"trials = {trials}"), encoding="utf-8")
    assert steps.check(folder).faults == ()


def test_it_is_not_sealed(own_rendered, tmp_path):
    folder = shutil.copytree(own_rendered, tmp_path / "s")
    text = (folder / "study.toml").read_text(encoding="utf-8")
    text = text.replace("\n[protocol]\n", "\n[listeners]\nplanned = 2\n\n[protocol]\n")
    assert "\ntest.trials = 28\n" in text
    text = text.replace("\ntest.trials = 28\n", "\ntest.trials = 4\ntest.margin = 0.2\n")
    (folder / "study.toml").write_text(text, encoding="utf-8")
    with pytest.raises(BlindtestError, match="the claim can't fail: all listeners' answers together"):
        steps.seal(folder)
    with Store(folder / "study.db", entropy=os.urandom, create=False) as store:
        assert store.seals() == ()


def test_too_few_listeners_to_judge_tracks_by_are_refused(made):
    """Sign flips of n listeners give no p below 2**-n: 1/16 of four is above .05 on either side.

    One listener's twenty tracks would do, and are no measure of a panel's.
    """
    assert steps.check(made("free-listening", "test.trials = 20", 1)).faults == ()
    (fault,) = steps.check(made("free-listening", "test.trials = 20", 4)).faults
    assert "would refute it with chance 0.00 where the margin is the truth the other way round" in fault.problem
    assert "planned = 5 under [listeners] would do" not in fault.remedy  # negligible is in reach there, shown isn't
    assert fault.remedy == "planned = 6 under [listeners] would do"
    folder = made("free-listening", "test.trials = 20", 6)
    assert several_faults(load_study(folder)) == ()
    assert held(steps.check(folder))["plans"][0]["panel"]["kind"] == "keeps listening"
    found = panel_choice_chances(listeners=6, trials=20, margin=0.3)
    # Of six who are alike all must be on one side: 2 * 2**-6 = .031 is the only p below .05.
    one_side = binom.sf(10, 20, 0.8) ** 6
    assert found.chance_shown == pytest.approx(one_side, abs=0.03)


def test_a_bundle_holds_the_chances_of_all_together_and_verify_makes_them_again(own_rendered, tmp_path, sit):
    folder = shutil.copytree(own_rendered, tmp_path / "s")
    text = (folder / "study.toml").read_text(encoding="utf-8")
    (folder / "study.toml").write_text(
        text.replace("\n[protocol]\n", "\n[listeners]\nplanned = 2\n\n[protocol]\n"), encoding="utf-8"
    )
    for seed, who in enumerate(("L-one", "L-two")):
        sit(folder, who, seed=seed, d_prime=2.0)
    shown = steps.report(folder)
    bundle = shown.evidence
    told = json.loads((bundle / "results.json").read_text(encoding="utf-8"))
    (claim,) = told["claims"]
    schema = json.loads((bundle / "results.schema.json").read_text(encoding="utf-8"))
    Draft202012Validator(schema).validate(told)
    same = panel_chances("heard", method="abx", listeners=2, trials=28, margin=0.5)
    assert claim["power"]["together"] == {
        "listeners": 2, "trials": 28, "shown": same.chance_shown, "refuted": None,
        "negligible": same.chance_negligible, "studies": 10_000,
    }  # fmt: skip
    assert claim["details"]["heard"]["together"]["chance_negligible"] == same.chance_negligible
    assert same.sentence in steps.analyze(folder).text()
    assert "negligible must also withstand how far they differ" in shown.page.read_text(encoding="utf-8")
    assert steps.verify(bundle).grade == "consistent"
    claim["power"]["together"]["negligible"] += 0.01
    honest = sha256((bundle / "results.json").read_bytes()).hexdigest()
    (bundle / "results.json").write_text(json.dumps(told), encoding="utf-8")
    forged = sha256((bundle / "results.json").read_bytes()).hexdigest()
    sums = bundle / "SHA256SUMS"
    sums.write_text(sums.read_text(encoding="utf-8").replace(honest, forged), encoding="utf-8")
    assert "claims.0.power.together.negligible" in steps.verify(bundle).text()
