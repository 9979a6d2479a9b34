"""The demo from files to reports: its verdicts beside the truth, alike on every run, nothing outside its folder."""

import json
import re
import subprocess
import sys
from importlib.resources import files

import numpy as np
import pytest
from scipy.special import ndtr

from blindtest.report import PreferenceTruth, RatingTruth
from blindtest.session import simulated_opinions
from blindtest.steps import demo, verify
from blindtest.steps.demo_listeners import (
    LISTENERS,
    NAME_BIAS,
    QUALITY,
    SPREADS,
    TUNERS,
    hears,
    held_against,
    known,
    true_of,
)
from blindtest.steps.gathering.report import Truths

CLAIMS = ["difference", "heron-over-plover", "finch-over-plover", "heard", "preferred"]
RULED_OUT = {"open", "undecided"}


# What is true


@pytest.mark.parametrize("listener", [*LISTENERS, *TUNERS], ids=lambda one: one.pseudonym)
def test_what_a_listener_hears_is_the_closed_form(listener):
    """By hand: the signs of B - A and of 2X - A - B, uncorrelated, with standard deviations √2 and √6, decide ABX."""
    d = listener.d_prime
    proportion = ndtr(d / np.sqrt(2)) * ndtr(d / np.sqrt(6)) + ndtr(-d / np.sqrt(2)) * ndtr(-d / np.sqrt(6))
    truth = true_of(listener)
    assert truth.proportion == pytest.approx(proportion, abs=1e-12)
    assert truth.share == pytest.approx(2 * proportion - 1, abs=1e-12)


def test_the_true_states_are_plain():
    """Pooled, the difference and the correction are heard more often than the margin of .5: *negligible* is false."""
    for listeners in (LISTENERS, TUNERS):
        one = hears(float(np.mean([true_of(listener).share for listener in listeners])), 0.5)
        assert one.true == {"shown": True, "negligible": False}
    assert QUALITY["heron"] - QUALITY["plover"] == 20
    assert QUALITY["finch"] == QUALITY["plover"]
    assert NAME_BIAS == {"finch": 16.0}


@pytest.mark.parametrize(
    ("kind", "true", "right", "wrong"),
    [
        ("heard", 0.6, {"shown"}, {"negligible"}),
        ("heard", 0.0, {"negligible"}, {"shown"}),
        ("heard", 0.3, {"shown", "negligible"}, set()),
        ("preferred", 0.5, {"negligible"}, {"shown", "refuted"}),
        ("preferred", 0.8, {"shown"}, {"refuted", "negligible"}),
        ("preferred", 0.2, {"refuted"}, {"shown", "negligible"}),
        ("rated", (20.0, 20.0), {"survives"}, {"shrinks", "vanishes", "reverses", "nothing on record"}),
        ("rated", (16.0, 0.0), {"vanishes"}, {"survives", "shrinks", "reverses", "nothing on record"}),
    ],
)
def test_a_verdict_is_held_against_the_truth(kind, true, right, wrong):
    from blindtest.report import Truth

    claim = {"id": "c", "kind": kind, "margin": {"heard": 0.5, "preferred": 0.2, "rated": 8.0}[kind]}
    if kind == "heard":
        told = Truths(heard=(Truth(who="a", proportion=0.5 + true / 2, share=true),))
    elif kind == "preferred":
        told = Truths(preferred=(PreferenceTruth(who="a", probability=true),))
    else:
        state = "survives" if true[1] else "vanishes"
        told = Truths(rated={"c": (RatingTruth(who="all", labelled=true[0], blind=true[1], state=state),)})
    one = known(claim, told)
    assert {word for word in one.true if held_against(word, one) == "right"} == right
    assert {word for word in one.true if held_against(word, one) == "WRONG"} == wrong
    assert {held_against(word, one) for word in RULED_OUT} == {"undecided"}


# The whole of it


@pytest.fixture(scope="module")
def told(tmp_path_factory):
    place = tmp_path_factory.mktemp("demo")
    (place / "beside.txt").write_text("untouched", encoding="utf-8")
    said = []
    shown = demo(place / "blindtest-demo", progress=lambda done, total, what: said.append(100 * done / total))
    assert said == sorted(said)
    assert said[-1] == 100
    return shown, place


@pytest.mark.slow
def test_every_claim_has_its_verdict_beside_the_truth(told):
    shown, _ = told
    ids = [one.record["id"] for chapter in shown.chapters for one in chapter.analysis.answers.claims]
    assert ids == CLAIMS
    words = [one.word for chapter in shown.chapters for one in chapter.analysis.answers.claims]
    assert [line.verdict for line in shown.story] == words
    printed = shown.text()
    for line in shown.story:
        row = next(row for row in printed.splitlines() if row.startswith(line.claim))
        assert re.split(r" {2,}", row) == [line.claim, line.verdict, line.truth, line.so_it_is]


@pytest.mark.slow
def test_what_is_called_right_is_right(told):
    """Spelled out from what the listeners were made of, not from `known`: these verdicts are the true ones."""
    shown, _ = told
    true = dict(zip(CLAIMS, ("shown", "survives", "vanishes", "shown", "negligible"), strict=True))
    for claim, line in zip(CLAIMS, shown.story, strict=True):
        decided = line.verdict not in RULED_OUT
        assert (line.so_it_is == "right") == (line.verdict == true[claim])
        assert (line.so_it_is == "WRONG") == (decided and line.verdict != true[claim])
    right, undecided, wrong = shown.balance
    assert right + undecided + wrong == len(CLAIMS)
    assert f"{right} right, {undecided} undecided, {wrong} wrong." in shown.text()


@pytest.mark.slow
def test_the_true_effects_are_those_of_a_large_panel(told):
    """Mean ratings of 4000 listeners of the panel's making, the clips' own deviations as in the demo (drawn first)."""
    shown, _ = told
    answers = shown.chapters[1].analysis.answers
    clips = answers.claims[0].record["clips"]
    rng = np.random.default_rng([shown.seed, *b"impression"])
    _advance_to_panel(rng, shown)
    many = simulated_opinions(4000, quality=QUALITY, name_bias=NAME_BIAS, clips=clips, spreads=SPREADS, rng=rng)
    for claim, device in (("heron-over-plover", "heron"), ("finch-over-plover", "finch")):
        (truth,) = shown.chapters[1].truths.rated[claim]
        for phase, effect in (("labelled", truth.labelled), ("blind", truth.blind)):
            each = [
                np.mean([one.expected(device, clip, phase) - one.expected("plover", clip, phase) for clip in clips])
                for one in many
            ]
            assert np.mean(each) == pytest.approx(effect, abs=4 * np.std(each) / np.sqrt(len(each)))


def _advance_to_panel(rng, shown):
    """Before the panel is drawn the generator has driven the clock: once for each impression put on record."""
    from blindtest.steps.demonstration import BEGINS, CHAPTERS, Calendar

    calendar = Calendar(BEGINS, rng)
    for _ in CHAPTERS[1].said:
        calendar()


@pytest.mark.slow
def test_listeners_sit_on_different_days_in_both_orders(told):
    shown, _ = told
    series = {}
    for one in shown.chapters[1].analysis.answers.sittings:
        name = one.plan.record["scheduled"]["name"]
        series.setdefault(one.entry.listener, []).append((one.entry.created.date(), name))
    assert len(series) == 24
    orders = {}
    for had in series.values():
        assert len({day for day, _ in had}) == len(had) == 5
        orders[tuple(name.split()[0] for _, name in had)] = orders.get(tuple(name.split()[0] for _, name in had), 0) + 1
    assert orders == {
        ("worn", "blind", "blind", "labelled", "labelled"): 12,
        ("worn", "labelled", "labelled", "blind", "blind"): 12,
    }


@pytest.mark.slow
def test_impressions_stand_on_record_before_the_seal_and_are_quoted(told):
    shown, _ = told
    claims = shown.chapters[1].analysis.answers.claims
    facts = shown.chapters[1].shown.facts
    assert len(facts.impressions) == 2
    for one, entry in zip(claims, facts.impressions, strict=True):
        assert entry.hash.startswith(one.record["impression"])
        assert len(one.record["impression"]) == 16
        assert one.record["quote"] in entry.quote
        assert not entry.files  # nothing was measured yet: no graph could have been seen
    study = (shown.chapters[1].folder / "study.toml").read_text(encoding="utf-8")
    assert all(f'impression = "{one.record["impression"]}"' in study for one in claims)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["difference", "impression", "tuning"])
def test_each_study_can_be_verified_and_has_its_report(told, name):
    shown, place = told
    folder = place / "blindtest-demo" / name
    assert verify(folder).ok
    page = (folder / "report" / "report.html").read_text(encoding="utf-8")
    assert "invented" in page
    assert "beside the truth" in page
    made = next(one for one in shown.chapters if one.name == name).shown
    assert f"  {made.page}" in shown.text()
    # Its evidence: every clip's licence lets it be passed on, and the verifier in it has nothing to object.
    assert made.audio_left_out == ()
    assert f"({name}/report/{made.archive.name})" in (place / "blindtest-demo" / "story.md").read_text(encoding="utf-8")
    assert json.loads((made.evidence / "results.json").read_text(encoding="utf-8"))["invented"] is True
    assert "invented" in (made.evidence / "README.md").read_text(encoding="utf-8")
    ran = subprocess.run(
        [sys.executable, "-S", "-I", made.evidence / "verify.py", made.archive],
        capture_output=True,
        text=True,
        check=False,
    )
    assert ran.returncode == 0, ran.stdout + ran.stderr
    assert made.evidence_sha256 in ran.stdout


@pytest.mark.slow
def test_nothing_is_written_outside_its_folder(told):
    _, place = told
    assert sorted(path.name for path in place.iterdir()) == ["beside.txt", "blindtest-demo"]
    assert (place / "beside.txt").read_text(encoding="utf-8") == "untouched"
    assert sorted(path.name for path in (place / "blindtest-demo").iterdir()) == [
        "difference", "impression", "made-by-blindtest-demo.txt", "story.md", "tuning",
    ]  # fmt: skip


@pytest.mark.slow
def test_json_keeps_to_the_schema(told):
    from jsonschema import Draft202012Validator

    shown, _ = told
    schema = json.loads(files("blindtest.cli").joinpath("results.schema.json").read_text(encoding="utf-8"))
    value = json.loads(json.dumps({"schema_version": 1, "command": "demo", **shown.to_dict()}))
    Draft202012Validator(schema).validate(value)


@pytest.mark.long
def test_it_comes_out_alike_on_every_run_and_replaces_what_it_made(told):
    shown, place = told
    folder = place / "blindtest-demo"

    def made():
        names = ("story.md", *(f"{one.name}/report/{end}" for one in shown.chapters for end in ENDINGS))
        return {name: (folder / name).read_bytes() for name in names}

    before, heads = made(), _heads(shown)
    again = demo(folder)
    assert again.text() == shown.text()
    assert made() == before
    assert _heads(again) == heads


ENDINGS = ("report.html", "report.md", "trials.csv")


def _heads(shown):
    """Return the commitment and the last hash of every sitting."""
    return [
        (one.entry.commitment, one.entry.head)
        for chapter in shown.chapters
        for one in chapter.analysis.answers.sittings
    ]
