"""Studies side by side: what may be pooled, what comes out, and what is refused with its reason."""

import json
import re
import shutil
import zipfile
from dataclasses import replace
from datetime import UTC, datetime
from hashlib import sha256
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
import statsmodels.api as sm
from jsonschema import Draft202012Validator
from scipy.special import expit, logit

from blindtest import steps
from blindtest.cli.commands import main
from blindtest.errors import BlindtestError, FoundWanting, WrongUse
from blindtest.render import load_rendered
from blindtest.session.kept_record import KeptRecord
from blindtest.session.record_lines import record_lines
from blindtest.stats import across_studies, choice_odds, errors_for_pooling
from blindtest.steps.answers.study import read_answers
from blindtest.steps.bundle.opening import opened
from blindtest.steps.comparison.alike import design_words, objections, remarks
from blindtest.steps.comparison.effects import effects
from blindtest.steps.comparison.pooling import pooled
from blindtest.steps.comparison.published import Published, file_stem, read_published
from blindtest.steps.evidence import derived, evidence, given, write_folder, write_zip
from blindtest.steps.place import open_store
from blindtest.study import load_study, render_job

# --- studies as they are published, invented ------------------------------------------------------------------------


def clip(name):
    return {"sha256": sha256(name.encode()).hexdigest(), "in_s": 0.0, "out_s": None, "loudness_lufs": -20.0}


def device(name, rig="coupler"):
    return {
        "label": name, "name": name, "revision": None, "serial_suffix": None, "rig": rig,
        "stages_sha256": sha256(name.encode()).hexdigest(), "stimuli": {"tune": sha256(name.encode()).hexdigest()},
    }  # fmt: skip


BLOCK = {
    "id": "test", "phase": "blind", "method": "abx", "trials": 28, "feedback": False, "spread": "clips",
    "break_after": 14, "margin": 0.5, "deadline_days": 7, "sittings": 1, "numbers": {},
}  # fmt: skip


def study(name, *, counts=((20, 28),), devices=("linnet", "siskin"), block=None, claim=None, comparable=None, **facts):
    """Return one study of what is heard; `claim`, `comparable`, `block`: keys that differ."""
    right, trials = (sum(column) for column in zip(*counts, strict=True))
    shared = {
        "kind": "heard", "method": ["abx"], "scale": "share of trials heard beyond guessing", "guess": "1/2",
        "match": "heard", "rate_hz": None, "clips": {"tune": clip("tune"), "beat": clip("beat")},
        "playback": {"absolute": True, "over": "inverse", "unit": "dunnock", "rig": "coupler"},
        "devices": {one: device(one) for one in devices},
    }  # fmt: skip
    own = {
        "id": "heard", "kind": "heard", "device": devices[0], "comparator": devices[1], "word": "shown", "unit": "",
        "counts": {"correct": right, "trials": trials, "listeners": len(counts)}, "exact": [], "effects": [],
        "by_listener": [{"correct": x, "trials": n} for x, n in counts],
    }  # fmt: skip
    plans = frozenset({sha256(f"plan {name}".encode()).hexdigest()})
    heads = frozenset({sha256(f"head {name}".encode()).hexdigest()})
    held = {"commitments": plans, "heads": heads, "listeners": frozenset({f"L-{name}"}), "grade": "anchored"}
    return Published(
        source=f"{name}.zip", title=name, name=name, blocks=({**BLOCK, **(block or {})},),
        claim={**own, **(claim or {}), "comparable": {**shared, **(comparable or {})}}, **{**held, **facts},
    )  # fmt: skip


def against(*studies):
    return [(one.what, one.words) for one in objections(studies)]


def test_the_same_question_about_other_devices_is_alike():
    studies = (study("spring"), study("autumn", devices=("heron", "siskin")))
    assert against(*studies) == []
    assert design_words(studies) == "other devices against the same comparator"
    assert design_words((studies[0], study("winter"))) == "the same sounds before other listeners"
    assert design_words((studies[0], study("x", devices=("a", "b")))) == "other pairs of devices"
    assert remarks(studies) == ()


def test_how_much_was_asked_does_not_keep_studies_apart():
    """Trials, breaks and sittings change how exactly is estimated, not what."""
    more = {"trials": 40, "break_after": 20, "sittings": 2, "deadline_days": 3, "margin": 0.4, "id": "abx"}
    assert against(study("spring"), study("autumn", block=more)) == []
    assert against(study("spring"), study("autumn", block={"numbers": {"repeats": 3}})) == []


DIFFERENT = [
    ("kind", "other kinds of claim (heard: a; preferred: b)", {"claim": {"kind": "preferred"}}),
    ("method", "other methods (abx: a; triangle: b)", {"comparable": {"method": ["triangle"]}}),
    ("scale", "(share of trials heard beyond guessing: a; points: b)", {"comparable": {"scale": "points"}}),
    ("match", "levels matched by another measure (heard: a; 1khz: b)", {"comparable": {"match": "1khz"}}),
    ("clips", "other clips (a: beat, tune; b: tune; 1 in common)", {"comparable": {"clips": {"tune": clip("tune")}}}),
    (
        "clips", "other clips (a: beat, tune; b: beat, tune; 1 in common)",
        {"comparable": {"clips": {"tune": clip("tune") | {"in_s": 2.0}, "beat": clip("beat")}}},
    ),
    (
        "playback", "absolute against relative playback (known to the eardrum: a; relative, over whatever",
        {"comparable": {"playback": {"absolute": False, "over": "inverse", "unit": None, "rig": None}}},
    ),
    ("playback", "(known to the eardrum: a; real units, switched: b)", {"hardware": True}),
    (
        "playback", "rendered in another way (inverse: a; worn: b)",
        {"comparable": {"playback": {"absolute": True, "over": "worn", "unit": "dunnock", "rig": "coupler"}}},
    ),
    (
        "rig", "measured on other rigs (coupler: a, b; ear simulator: b)",
        {"comparable": {"devices": {"linnet": device("linnet", "ear simulator"), "siskin": device("siskin")}}},
    ),
    ("protocol", "another number of the protocol, test.feedback (false: a; true: b)", {"block": {"feedback": True}}),
    ("protocol", "test.ties (not set: a; 1: b)", {"block": {"numbers": {"ties": 1}}}),
    ("protocol", "other blocks of the protocol (blind: a; labelled: b)", {"block": {"phase": "labelled"}}),
    ("invented", "invented data beside real ones (not invented: a; invented: b)", {"invented": True}),
]  # fmt: skip


@pytest.mark.parametrize(
    ("what", "words", "changes"), DIFFERENT, ids=[f"{one[0]}-{i}" for i, one in enumerate(DIFFERENT)]
)
def test_what_changes_the_estimate_keeps_studies_apart(what, words, changes):
    found = against(study("a"), study("b", **changes))
    assert any(one == what and words in said for one, said in found), found


def test_the_same_sittings_are_never_counted_twice():
    one = study("a")
    again = study("b", commitments=one.commitments | {"ff" * 32}, heads=frozenset())
    continued = study("c", heads=one.heads | {"ee" * 32})
    for other in (replace(one, name="b"), again, continued):
        assert [what for what, _ in against(one, other)] == ["sittings"]
    assert "the same 1 sitting in a and b: a bundle given twice" in against(one, again)[0][1].replace("\xa0", " ")


def test_one_study_is_no_comparison():
    assert against(study("a")) == [("number", "one study is not a comparison: name two bundles or more")]


def test_the_same_sounds_the_other_way_round_are_not_added_up():
    (found,) = against(study("a"), study("b", devices=("siskin", "linnet")))
    assert found[0] == "direction"
    assert "a: linnet against siskin; b: siskin against linnet" in found[1]


def test_clips_without_a_hash_are_alike_only_where_the_sounds_are():
    unknown = {"clips": {"tune": clip("tune") | {"sha256": None}}}
    assert against(study("a", comparable=unknown), study("b", comparable=unknown)) == []
    other = study("b", comparable=unknown, devices=("heron", "siskin"))
    assert "can't be told" in against(study("a", comparable=unknown), other)[0][1]


def test_what_is_said_beside_it():
    loud = {"clips": {"tune": clip("tune") | {"loudness_lufs": -17.5}, "beat": clip("beat")}}
    played = {"playback": {"absolute": True, "over": "inverse", "unit": "wren", "rig": "coupler"}, "rate_hz": 48_000}
    other = study(
        "b", comparable=loud | played, block={"stopping": {"rule": "sprt"}}, listeners=frozenset({"L-a"}),
        abandoned=2, withdrawn=1, grade="consistent", screening="[1]",
    )  # fmt: skip
    said = "\n".join(remarks((study("a"), other))).replace("\xa0", " ")
    for words in (
        "L-a listened in more than one", "fixed: a; sprt: b", "up to 2.5 LU apart", "dunnock: a; wren: b",
        "as the clips: a; 48000: b", "abandoned sittings' unanswered trials are not in these estimates (b: 2 sittings)",
        "listeners were screened by other rules",
        "withdrawn by their listeners and not counted (b: 1 sitting)", "nothing outside vouches for when b was held",
    ):  # fmt: skip
        assert words in said


# --- one scale -----------------------------------------------------------------------------------------------------


def test_counts_are_pooled_as_log_odds_beyond_guessing():
    counts = {"a": ((20, 28), (25, 28)), "b": ((30, 40),), "c": ((17, 28), (22, 28), (28, 28))}
    studies = [study(name, counts=each) for name, each in counts.items()]
    scale, found = effects(studies)
    own = [choice_odds([x for x, _ in each], [n for _, n in each], guess=0.5) for each in counts.values()]
    assert [one.estimate for one in found] == [one.estimate for one in own]
    for one, odds in zip(found, own, strict=True):
        reach = 1.9599640 * odds.std_error  # normal, at .95
        assert one.interval == pytest.approx((odds.estimate - reach, odds.estimate + reach), abs=1e-7)
    made = pooled(scale, found)
    expected = across_studies([one.estimate for one in own], errors_for_pooling(own))
    assert made.summary == expected
    assert scale.shown(expected.estimate) == pytest.approx(100 * expit(expected.estimate))
    assert 70 < scale.shown(expected.estimate) < 90
    assert scale.d_prime(expected.estimate) > 1
    assert scale.none == 50


def test_a_mean_by_the_binomial_likelihood_is_that_of_statsmodels_where_studies_agree():
    """Without a spread between studies it is the plain binomial fit of all trials."""
    studies = [study(name, counts=((x, 40),)) for name, x in (("a", 30), ("b", 31), ("c", 29), ("d", 30))]
    made = pooled(*effects(studies))
    plain = sm.GLM([[30, 10], [31, 9], [29, 11], [30, 10]], np.ones((4, 1)), family=sm.families.Binomial()).fit()
    assert made.exact.estimate == pytest.approx(plain.params[0], abs=1e-6)
    assert made.exact.interval == pytest.approx(tuple(plain.conf_int()[0]), abs=1e-4)
    assert made.exact.estimate == pytest.approx(logit(0.75), abs=1e-6)


def test_all_right_everywhere_still_has_an_estimate_and_says_what_it_rests_on():
    made = pooled(*effects([study("a", counts=((28, 28),)), study("b", counts=((27, 28),))]))
    assert np.isfinite(made.summary.estimate)
    assert any("none or all were right in a" in said for said in made.cautions)
    assert any(said.startswith("two studies: the interval rests on one degree of freedom") for said in made.cautions)


def test_studies_that_agree_too_well_get_the_wider_interval_beside():
    made = pooled(*effects([study(name, counts=((20, 28),)) for name in "abc"]))
    assert any("agree more closely than their own errors make likely" in said for said in made.cautions)
    assert any(said.startswith("3 studies: how much studies differ is poorly known") for said in made.cautions)
    assert any(re.search(r"common to all, \d\d\.\d to \d\d\.\d %$", said) for said in made.cautions)
    many = pooled(*effects([study(name, counts=((20, 28),)) for name in "abcde"]))
    assert not any("poorly known" in said for said in many.cautions)


def test_few_studies_of_very_unequal_size_are_said_to_lean_on_the_largest():
    """Simulated by other code (guide, compare): 12, 12, 12 and 400 trials, the interval holds in .81 of sets."""
    sizes = (12, 12, 12, 400)
    made = pooled(*effects([study(n, counts=((round(0.7 * k), k),)) for n, k in zip("abcd", sizes, strict=True)]))
    assert any("leans on the largest" in said for said in made.cautions)
    assert max(made.summary.weights) > 0.9
    alike = pooled(*effects([study(n, counts=((14, 20 + k),)) for k, n in enumerate("abcd")]))
    assert not any("leans on the largest" in said for said in alike.cautions)


def test_studies_that_differ_are_said_to():
    made = pooled(*effects([study(n, counts=((x, 56),)) for n, x in (("a", 30), ("b", 54), ("c", 40), ("d", 53))]))
    assert any("differ by more than chance" in said for said in made.cautions)
    assert made.summary.i_squared > 0.5


def test_preferences_leave_ties_out_and_choices_have_their_equal_share():
    kinds = {"kind": "preferred", "method": ["preference"], "scale": "probability to prefer the device"}
    won = {"kind": "preferred", "counts": {"wins": 14, "losses": 6, "ties": 3}}
    own = {"by_listener": [{"wins": 14, "losses": 6, "ties": 3}], **won}
    scale, (found,) = effects([study("a", claim=own, comparable=kinds)])
    assert found.estimate == pytest.approx(np.log(14.5 / 6.5))
    assert "3\xa0ties left out" in found.counts or "3 ties left out" in found.counts
    assert scale.none_name == "no preference"
    chosen = {
        "kind": "keeps listening", "counts": {"chosen": 9, "of": 12}, "by_listener": [{"chosen": 9, "of": 12}],
        "exact": [{"guess": "1/3"}],
    }  # fmt: skip
    scale, (found,) = effects([study("a", claim=chosen, comparable={"method": ["free-listening"], "guess": None})])
    assert found.estimate == pytest.approx(np.log(9.5 / 3.5) - logit(1 / 3))
    assert scale.none == pytest.approx(100 / 3)
    assert scale.d_prime(found.estimate) is None


def rated(name, estimate, std_error, df=23.0):
    interval = [estimate - 2 * std_error, estimate + 2 * std_error]
    one = {"scale": "blind effect", "unit": "points", "estimate": estimate, "std_error": std_error, "df": df}
    other = {**one, "scale": "labelled effect", "estimate": estimate + 5}
    shown = [{**own, "interval": interval, "level": 0.95} for own in (one, other)]
    claim = {"kind": "rated", "unit": "points", "effects": shown, "counts": {"trials": 480, "listeners": 24}}
    return study(name, claim=claim, comparable={"kind": "rated", "method": ["rating"], "scale": "blind effect"})


def test_ratings_are_pooled_in_points():
    """Hartung & Knapp's interval by hand for two studies: the mean of both and t with one degree of freedom."""
    studies = [rated("a", 12.0, 2.0), rated("b", 6.0, 2.0)]
    scale, found = effects(studies)
    made = pooled(scale, found)
    assert (scale.unit, scale.guess) == ("points", None)
    assert made.summary.estimate == pytest.approx(9.0)
    # Half the distance is 3, over sqrt(1 df): the standard error; t(.975, 1) = 12.7062 (any table).
    assert made.summary.interval == pytest.approx((9 - 12.7062 * 3, 9 + 12.7062 * 3), abs=1e-3)
    assert made.exact is None
    _, named = effects(studies, effect="labelled effect")
    assert [one.estimate for one in named] == [17.0, 11.0]
    with pytest.raises(BlindtestError, match=r"a\.zip: --effect: the claim has no estimate of this name, got 'worn'"):
        effects(studies, effect="worn")
    few = pooled(*effects([rated("a", 12.0, 2.0, df=4.0), rated("b", 6.0, 2.0)]))
    assert any("rests on few listeners" in said for said in few.cautions)


def test_limits_alone_give_an_error_and_infinite_ones_are_refused():
    """A threshold has limits only: one-sided at .05 each, 3.29 standard errors apart where they are normal."""
    told = {"scale": "level", "unit": "dB", "estimate": 1.5, "std_error": None, "df": None, "interval": [1.0, 2.0]}
    claim = {"kind": "threshold", "counts": {"trials": 60, "listeners": 1}}
    one = study("a", claim={**claim, "effects": [{**told, "level": 0.9}]}, comparable={"method": ["threshold"]})
    assert effects([one])[1][0].std_error == pytest.approx(1 / (2 * 1.6448536), rel=1e-6)
    claim["effects"] = [{**told, "interval": [1.0, None], "level": 0.9}]
    with pytest.raises(BlindtestError, match="has no standard error and no finite limits"):
        effects([study("a", claim=claim)])
    with pytest.raises(BlindtestError, match="nobody answered a trial"):
        effects([study("a", counts=((0, 0),))])


def test_a_bundle_is_called_by_its_study():
    assert file_stem("/shelf/spring/report/bundle") == "spring"
    assert file_stem("/shelf/my-study-evidence.zip") == "my-study"


# --- bundles -------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def bundles(own_template, tmp_path_factory, sit):
    """Three panels heard the same: their bundles, the third also as a ZIP."""
    place = tmp_path_factory.mktemp("studies")
    first = Path(shutil.copytree(own_template, place / "rendered"))
    steps.render(first)
    return [_held(first, place / name, seed, sit) for seed, name in enumerate(("spring", "summer", "autumn"), start=11)]


def _held(rendered, folder, seed, sit):
    shutil.copytree(rendered, folder)
    sit(folder, f"L-{folder.name}", d_prime=1.8, seed=seed)
    read = load_study(folder)
    with open_store(read, create=False) as store:
        record = KeptRecord(record_lines(store), folder)
    report = {"report.html": b"<!doctype html>", "report.md": b"#"}
    made = load_rendered(render_job(read), folder / "stimuli")
    held = given(read, made, record, stimuli=folder / "stimuli", report=report, versions={"blindtest": "0"})
    now = datetime(2026, 5, 6, 20, 0, tzinfo=UTC)
    whole = evidence(held, derived(held, read_answers(record), record, generated_at=now, invented=False))
    (folder / "report").mkdir()
    write_folder(whole, folder / "report" / "bundle")
    write_zip(whole, folder.parent / f"{folder.name}-evidence.zip")
    return folder / "report" / "bundle"


def right_in(bundle):
    counts = json.loads((bundle / "results.json").read_text())["claims"][0]["counts"]
    return counts["correct"], counts["trials"]


@pytest.mark.usefixtures("drawn")
def test_studies_of_the_same_sounds_are_pooled(bundles, tmp_path, capsys):
    named = [str(bundles[0]), str(bundles[1].parents[2] / "summer-evidence.zip"), str(bundles[2])]
    out = tmp_path / "side-by-side"
    main(["compare", *named, "--out", str(out), "--json"], standalone_mode=False)
    told = json.loads(capsys.readouterr().out)
    schema = json.loads(files("blindtest.cli").joinpath("results.schema.json").read_text(encoding="utf-8"))
    Draft202012Validator(schema).validate(told)
    own = [choice_odds(*right_in(one), guess=0.5) for one in bundles]
    expected = across_studies([one.estimate for one in own], errors_for_pooling(own))
    # Whoever pools them again, by another program, needs the errors that they were pooled with.
    assert [one["pooling_std_error"] for one in told["studies"]] == pytest.approx(errors_for_pooling(own))
    assert told["design"] == "the same sounds before other listeners"
    assert told["pooled"]["interval"] == pytest.approx(expected.interval)
    assert told["pooled"]["prediction_interval"] == pytest.approx(expected.prediction_interval)
    assert [one["name"] for one in told["studies"]] == ["spring", "summer", "autumn"]
    assert {path.name for path in out.iterdir()} >= {"forest.svg", "forest.png", "forest.csv", "comparison.json"}
    assert json.loads((out / "comparison.json").read_text())["pooled"] == told["pooled"]
    said = (out / "comparison.txt").read_text()
    assert "Note: these estimates hold half an answer more on either side" in said
    drawn = (out / "forest.svg").read_text()
    for name, (right, trials) in zip(("spring", "summer", "autumn"), map(right_in, bundles), strict=True):
        assert f"{right} of {trials}" in said
        assert name in drawn
    assert "Hartung and Knapp's interval" in said
    assert "One more such study is expected from" in said


def test_what_is_compared_is_what_the_bundle_holds(bundles):
    """Read again from its own files: the claim asked for, its blocks, who sat, and what a sitting ended with."""
    found = json.loads((bundles[0] / "results.json").read_text(encoding="utf-8"))
    (claim,) = found["claims"]
    with opened(bundles[0]) as bundle:
        named, primary = (read_published(bundle, found, wanted) for wanted in (claim["id"], ""))
    assert named == primary
    assert named.claim == claim
    assert {block["phase"] for block in named.blocks} == {"blind"}
    assert (named.hardware, named.screening, named.abandoned, named.withdrawn) == (False, "", 0, 0)
    (sitting,) = found["sittings"]
    assert sitting["head"] != sitting["commitment"]
    assert (named.commitments, named.heads) == ({sitting["commitment"]}, {sitting["head"]})
    assert named.listeners == {"L-spring"}


def test_a_bundle_given_twice_is_refused(bundles, capsys):
    with pytest.raises(SystemExit) as left:
        main(["compare", str(bundles[0]), str(bundles[0]), "--json"])
    assert left.value.code == 1
    told = json.loads(capsys.readouterr().out)
    assert (told["poolable"], told["pooled"]) == (False, None)
    assert [one["what"] for one in told["objections"]] == ["sittings"]
    assert [one["name"] for one in told["studies"]] == ["spring (1)", "spring (2)"]


def resummed(bundle):
    """Make SHA256SUMS anew, as a forger does."""
    names = sorted(path.relative_to(bundle).as_posix() for path in bundle.rglob("*") if path.is_file())
    lines = [f"{sha256((bundle / n).read_bytes()).hexdigest()}  {n}" for n in names if n != "SHA256SUMS"]
    (bundle / "SHA256SUMS").write_text("\n".join(lines) + "\n")


def edited_results(bundle):
    path = bundle / "results.json"
    text = path.read_text()
    right, _ = right_in(bundle)
    path.write_text(text.replace(f'"correct": {right}', f'"correct": {right + 1}'))


def edited_answers(bundle):
    path = bundle / "record/chain.jsonl"
    lines = path.read_text().splitlines(keepends=True)
    path.write_text("".join(lines[:-1]))


def test_bundles_of_other_versions_and_folders_of_studies_are_taken(bundles, tmp_path):
    """Another version of the results may say more or less; what both say must agree."""
    folder = tmp_path / "older"
    bundle = Path(shutil.copytree(bundles[0], folder / "report" / "bundle"))
    path = bundle / "results.json"
    told = json.loads(path.read_text())
    told["claims"][0].pop("exact")
    told["claims"][0]["later"] = told["later"] = 1
    path.write_text(json.dumps(told))
    resummed(bundle)
    shown = steps.compare([folder, bundles[1].parents[1]])
    assert [one.name for one in shown.studies] == ["older", "summer"]
    assert shown.pooled is not None


@pytest.mark.parametrize(
    ("edit", "again", "said"),
    [
        (edited_results, False, "results.json is not the file that SHA256SUMS lists"),
        (edited_results, True, "the results of the claim 'heard' are not what follows"),
        (edited_answers, True, "and is not compared"),
        (lambda bundle: (bundle / "trials.csv").unlink(), False, "trials.csv is missing"),
        (lambda bundle: (bundle / "more.txt").write_text("x"), False, "more.txt is not in SHA256SUMS"),
    ],
)
def test_a_bundle_that_was_edited_is_not_compared(bundles, tmp_path, edit, again, said):
    bundle = Path(shutil.copytree(bundles[0], tmp_path / "edited"))
    edit(bundle)
    if again:
        resummed(bundle)
    with pytest.raises(FoundWanting, match=said):
        steps.compare([bundle, bundles[1]])


def test_what_is_no_bundle_and_where_nothing_can_be_written_is_said(bundles, tmp_path):
    (tmp_path / "empty").mkdir()
    with pytest.raises(BlindtestError, match=r"no evidence bundle: SHA256SUMS, results\.json is not in it"):
        steps.compare([tmp_path / "empty", bundles[0]])
    with zipfile.ZipFile(tmp_path / "other.zip", "w") as archive:
        archive.writestr("hello.txt", "hello")
    with pytest.raises(BlindtestError, match="no evidence bundle"):
        steps.compare([tmp_path / "other.zip", bundles[0]])
    with pytest.raises(BlindtestError, match="--claim: it has no claim of this name, got 'other'"):
        steps.compare(bundles[:2], claim="other")
    with pytest.raises(WrongUse, match="--out: not a kind of figure"):
        steps.compare(bundles[:2], out=tmp_path / "forest.pdf")
    with pytest.raises(BlindtestError, match="--out: there is no such folder"):
        steps.compare(bundles[:2], out=tmp_path / "nowhere" / "forest.svg")
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "own.txt").write_text("mine")
    with pytest.raises(BlindtestError, match="did not make"):
        steps.compare(bundles[:2], out=tmp_path / "mine")
