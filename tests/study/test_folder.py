"""Study folders that are made: the template round trip, and two recordings."""

import os
import re
import stat

import pytest
import soundfile

from blindtest.errors import BlindtestError
from blindtest.render import render
from blindtest.study import (
    check_study,
    list_protocols,
    load_study,
    new_study,
    pair_study,
    render_job,
    sittings_needed,
)

PROTOCOLS = (
    "2afc",
    "3afc",
    "abx",
    "abx-stopping",
    "adjustment",
    "attribution",
    "attribution-pairs",
    "duo-trio",
    "free-listening",
    "multi-stimulus",
    "preference",
    "rating",
    "same-different",
    "short",
    "small-impairment",
    "survival",
    "tetrad",
    "threshold",
    "triangle",
    "tuning",
    "unreliable-labels",
)


@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_the_untouched_template_says_precisely_what_to_fill_in(tmp_path, protocol):
    path = new_study(tmp_path / "s", protocol)
    rows = path.read_text().split("\n")
    marked = [number for number, row in enumerate(rows, start=1) if "FILL IN" in row]
    folders = [number for number, row in enumerate(rows, start=1) if row.startswith("responses = ")]
    faults = check_study(path.parent)
    # Of recordings a line holds a file for each clip.
    assert sorted(marked + folders) == sorted({fault.line for fault in faults})
    assert len(faults) == len(marked + folders) + 4 * sum('five = ""' in row for row in rows)
    assert all(fault.problem in ("empty: to be filled in", "matches no file") for fault in faults)
    assert all(fault.remedy for fault in faults)


def test_templates_hold_every_protocol_there_is():
    assert list_protocols() == PROTOCOLS


def filled(path, noise, response, *, seconds=4.0):
    """Fill a template in, as a user would: texts, numbers, measurements and clips."""
    for folder in (path.parent / "measurements").iterdir():
        for number in (1, 2):
            if folder.is_dir():
                (folder / f"{number}.txt").write_text(response(number + len(folder.name), "\t"))
    (path.parent / "measurements/target.txt").write_text(response(30, "\t"))
    noise(path.parent / "clips/a.wav", seconds=seconds)
    text = path.read_text().replace('file = "" ', 'file = "clips/a.wav" ')
    for name in ("b", "c"):
        empty = 'one = "", two = "", three = "", four = "", five = ""'
        if empty in text:
            noise(path.parent / f"clips/{name}.wav", seconds=seconds)
            files = ", ".join(f'{clip} = "clips/{name}.wav"' for clip in ("one", "two", "three", "four", "five"))
            text = text.replace(empty, files, 1)
    text = (
        text.replace('attribute = "" ', 'attribute = "bass" ')
        .replace('target = ""', 'target = "measurements/target.txt"')
        .replace('planned = "" ', "planned = 24 ")
    )
    return re.sub(r'^(title|reviewer|name|rig) = "" ', r'\1 = "x" ', text, flags=re.MULTILINE)


@pytest.mark.parametrize(
    ("protocol", "conditions", "claims"),
    [
        ("abx", ["first", "second"], []),
        ("2afc", ["first", "second"], ["attribute"]),
        ("3afc", ["first", "second"], ["attribute"]),
        ("free-listening", ["first", "second"], ["keeps listening"]),
        ("preference", ["first", "second"], ["preferred"]),
        ("short", ["first", "second"], ["preferred"]),
        ("survival", ["first", "second", "low-anchor", "high-anchor"], ["rated"]),
        ("tuning", ["native", "corrected"], ["heard", "preferred"]),
        ("unreliable-labels", ["first", "second"], ["rated"]),
        ("attribution", [*(f"first@response{r}hump{h}" for h in "-+" for r in "-+"), "low-anchor"], ["stage"]),
    ],
)
def test_the_template_filled_in_is_a_right_study(tmp_path, noise, response, protocol, conditions, claims):
    path = new_study(tmp_path / "s", protocol)
    path.write_text(filled(path, noise, response))
    assert [str(fault) for fault in check_study(path.parent)] == []
    study = load_study(path.parent)
    assert [condition.id for condition in render_job(study).conditions] == conditions
    assert [claim.kind for claim in study.claims] == claims
    assert set(study.reaches) == {claim.id for claim in study.claims} | ({"heard"} if not claims else set())
    assert all(reach.can_fail for reach in study.reaches.values())


@pytest.mark.parametrize("protocol", ["survival", "tuning"])
def test_the_template_filled_in_can_be_rendered(tmp_path, noise, response, protocol):
    path = new_study(tmp_path / "s", protocol)
    path.write_text(filled(path, noise, response))
    rendered = render(render_job(load_study(path.parent)), path.parent / "stimuli")
    study = load_study(path.parent)
    assert {(one.clip, one.condition) for one in rendered.stimuli} == {
        (clip.id, condition.id) for clip in study.clips for condition in study.conditions
    }
    heard = [row.heard_after for row in rendered.table if row.clip == study.clips[0].id]
    # our rule for stimuli of a clip: equally loud as heard, to the rounding of 24 bit
    assert max(heard) - min(heard) < 0.01


@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_every_commented_key_of_the_template_is_right_too(tmp_path, noise, response, protocol):
    path = new_study(tmp_path / "s", protocol)
    text = filled(path, noise, response, seconds=13)
    (path.parent / "consent.md").write_text("You may stop at any time.")
    (path.parent / "measurements/field.txt").write_text(response(3, "\t"))
    text, count = re.subn(r"^# (?=\[\[?[a-z.]+\]\]?|[a-z_.]+ = )", "", text, flags=re.MULTILINE)
    assert count > 15
    path.write_text(text)
    assert [str(fault) for fault in check_study(path.parent)] == []


def test_a_single_reviewer_is_told_how_many_days_a_survival_study_takes(tmp_path, noise, response):
    path = new_study(tmp_path / "s", "survival")
    text = filled(path, noise, response).replace("planned = 24 ", "planned = 1 ")
    path.write_text(text)
    (fault,) = check_study(path.parent)
    assert "the claim can't fail: a plan like this can reach no verdict at all" in fault.problem
    assert fault.got == "one listener, 2 labelled and 2 blind sittings, margin 8"
    # 3 clips, once each: residual 2 x 144 / 3, and 36 between days
    days = sittings_needed(ratings=3, margin=8, kept=2 / 3)
    assert f"one listener needs {days} labelled and {days} blind days" in fault.remedy
    changes = f"\n[protocol.changes]\nblind.sittings = {days}\nlabelled.sittings = {days}\n"
    path.write_text(text + changes)
    assert [str(fault) for fault in check_study(path.parent)] == []
    path.write_text(text + changes.replace(str(days), str(days - 1)))
    assert "ends as" not in str(check_study(path.parent)[0])
    assert "would end as 'vanishes' with chance 0.4" in check_study(path.parent)[0].problem


def test_template_has_folders_with_words_in_them(tmp_path):
    path = new_study(tmp_path / "deep/er/s")
    made = {entry.relative_to(path.parent).as_posix() for entry in path.parent.rglob("*")}
    assert made == {
        "study.toml",
        "study.schema.json",
        "measurements",
        "measurements/README.txt",
        "measurements/first",
        "measurements/second",
        "measurements/worn",
        "clips",
        "clips/README.txt",
    }
    umask = os.umask(0)
    os.umask(umask)
    assert stat.S_IMODE(path.parent.stat().st_mode) == 0o777 & ~umask


def test_a_folder_with_something_in_it_is_refused_and_left_alone(tmp_path):
    (tmp_path / "mine.txt").write_text("keep")
    with pytest.raises(BlindtestError, match="this folder exists and isn't empty; choose another name"):
        new_study(tmp_path)
    assert [entry.name for entry in tmp_path.iterdir()] == ["mine.txt"]
    (tmp_path / "empty").mkdir()
    assert new_study(tmp_path / "empty").is_file()
    with pytest.raises(BlindtestError, match="this is a file, not a folder"):
        new_study(tmp_path / "mine.txt")
    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["empty", "mine.txt"]


def test_an_unknown_protocol_writes_nothing(tmp_path):
    with pytest.raises(BlindtestError, match=r"no protocol of this name, got 'abc' \(allowed: .*abx.*mean 'abx'"):
        new_study(tmp_path / "s", "abc")
    assert list(tmp_path.iterdir()) == []


def test_a_protocol_of_ones_own_is_copied_into_the_study(tmp_path):
    own = tmp_path / "mine.toml"
    own.write_text(
        'format = 1\ntitle = "t"\ndecides = ["heard"]\nsource = "s"\n'
        '[[block]]\nid = "only"\nphase = "blind"\nmethod = "abx"\ntrials = 40\nmargin = 0.4\n'
    )
    path = new_study(tmp_path / "s", str(own))
    assert (path.parent / "protocols/mine.toml").read_text() == own.read_text()
    assert 'use = "protocols/mine.toml"' in path.read_text()
    assert "# only.trials = 40\n# only.margin = 0.4" in path.read_text()
    assert "protocol" not in " ".join(fault.key for fault in check_study(path.parent))


def test_two_recordings_make_a_study_that_is_right_at_once(tmp_path, noise):
    noise(tmp_path / "one.wav", seconds=3)
    noise(tmp_path / "two.flac", seconds=2.5, seed=2)
    path = pair_study(tmp_path / "s", tmp_path / "one.wav", tmp_path / "two.flac")
    assert check_study(path.parent) == ()
    study = load_study(path.parent)
    assert study.title == "one.wav against two.flac"
    assert (study.rendering.over, study.playback, study.rendering.rate_hz) == ("worn", None, None)
    assert study.clips[0].out_s == 2.5
    assert (path.parent / "clips/b.flac").read_bytes() == (tmp_path / "two.flac").read_bytes()
    job = render_job(study)
    assert [stage.align for condition in job.conditions for stage in condition.stages] == [False, False]
    assert job.conditions[1].recording.files == {"pair": path.parent / "clips/b.flac"}


def test_recordings_at_two_rates_are_brought_to_the_higher_one(tmp_path, noise):
    noise(tmp_path / "one.wav", rate=44_100)
    noise(tmp_path / "two.wav", rate=48_000, seed=2)
    path = pair_study(tmp_path / "s", tmp_path / "one.wav", tmp_path / "two.wav", align=True)
    study = load_study(path.parent)
    assert check_study(path.parent) == ()
    assert study.rendering.rate_hz == 48_000
    assert all(stage.align for condition in study.conditions for stage in condition.stages)


def test_names_of_recordings_may_hold_anything(tmp_path, noise):
    strange = tmp_path / 'a "quoted" [x] # \\ ä.wav'
    noise(strange)
    noise(tmp_path / "two.wav", seed=2)
    path = pair_study(tmp_path / "s", strange, tmp_path / "two.wav")
    assert check_study(path.parent) == ()
    assert load_study(path.parent).title == f"{strange.name} against two.wav"


def test_what_is_wrong_with_both_recordings_is_said_at_once_and_nothing_written(tmp_path, noise):
    (tmp_path / "text.wav").write_text("words, not sound")
    with pytest.raises(BlindtestError) as caught:
        pair_study(tmp_path / "s", tmp_path / "gone.wav", tmp_path / "text.wav")
    assert {fault.file for fault in caught.value.faults} == {str(tmp_path / "gone.wav"), str(tmp_path / "text.wav")}
    assert not (tmp_path / "s").exists()
    noise(tmp_path / "one.wav")
    with pytest.raises(BlindtestError, match="both are the same file"):
        pair_study(tmp_path / "s", tmp_path / "one.wav", tmp_path / "one.wav")
    soundfile.write(tmp_path / "blip.wav", [[0.1]] * 4800, 48_000)
    with pytest.raises(BlindtestError, match=r"too short to have a loudness .*got '0\.1 s'"):
        pair_study(tmp_path / "s", tmp_path / "one.wav", tmp_path / "blip.wav")
