"""A study that comes from an older one: what is kept, where from, and what is left to fill in."""

import hashlib
import re
import tomllib

import pytest

from blindtest.errors import BlindtestError
from blindtest.render import render
from blindtest.study import (
    check_study,
    load_study,
    new_study,
    new_study_from,
    pair_study,
    read_origin,
    render_job,
    study_files,
)


def fill_in(path, response, *, more=()):
    """Fill in what `new --from` leaves open, and put measurements of the later device into their folder."""
    text = path.read_text()
    for name in ("title", "name"):
        text = re.sub(rf'^{name} = "" ', f'{name} = "x" ', text, flags=re.MULTILINE)
    for old, new in more:
        assert old in text, old
        text = text.replace(old, new)
    path.write_text(text)
    if (path.parent / "measurements/later").is_dir():
        (path.parent / "measurements/later/1.txt").write_text(response(5, "\t"))


def test_the_old_study_is_kept_and_a_later_device_has_room(folder, tmp_path, response):
    kept = new_study_from(tmp_path / "new", folder, plans_sealed=3)
    assert [str(fault) for fault in check_study(tmp_path / "new") if "FILL" in str(fault)] == []
    problems = {(fault.key, fault.problem) for fault in check_study(tmp_path / "new")}
    assert problems == {
        ("title", "empty: to be filled in"),
        ("unit.later.name", "empty: to be filled in"),
        ("unit.later.responses", "matches no file"),
    }
    fill_in(kept.path, response)
    assert [str(fault) for fault in check_study(tmp_path / "new")] == []
    old, new = load_study(folder), load_study(tmp_path / "new")
    assert new.units[:2] == old.units
    assert new.unit("later").rig == "ear simulator 2"
    assert (new.playback, new.rendering, new.clips) == (old.playback, old.rendering, old.clips)
    assert new.conditions[:2] == old.conditions
    assert new.reviewer == old.reviewer
    (claim,) = new.claims
    assert (claim.kind, claim.device, claim.comparator) == ("heard", "later", "heron")
    assert (kept.units, kept.conditions, kept.clips) == (("heron", "plover"), ("heron", "plover"), ("strings",))
    assert kept.unfixed == ("strings",)


def test_files_are_the_same_bytes_and_the_origin_is_sealed_with_them(folder, tmp_path, response):
    kept = new_study_from(tmp_path / "new", folder, plans_sealed=3)
    for name in kept.copied:
        assert (tmp_path / "new" / name).read_bytes() == (folder / name).read_bytes()
    assert "clips/strings.wav" in kept.copied
    fill_in(kept.path, response)
    # SHA-256 by Python's hashlib of the old study file.
    expected = hashlib.sha256((folder / "study.toml").read_bytes()).hexdigest()
    assert read_origin(tmp_path / "new").study_sha256 == expected
    assert kept.path.read_text().count(expected) == 1
    assert "origin.toml" in study_files(load_study(tmp_path / "new"))
    assert "origin.toml" not in study_files(load_study(folder))
    assert read_origin(folder) is None


def test_the_register_counts_through_all_studies_it_came_from(folder, tmp_path, response):
    first = new_study_from(tmp_path / "second", folder, plans_sealed=3)
    fill_in(first.path, response)
    second = new_study_from(tmp_path / "third", tmp_path / "second", plans_sealed=2)
    assert second.origin.plans_sealed == 5
    assert read_origin(tmp_path / "third") == second.origin
    assert second.later == "later-2"
    assert second.origin.folder == "../second"


def test_loudness_comes_from_the_first_rendering(folder, tmp_path, response):
    render(render_job(load_study(folder)), folder / "stimuli")
    fixed = tomllib.loads((folder / "stimuli/fixed.toml").read_text())["loudness_lufs"]["strings"]
    kept = new_study_from(tmp_path / "new", folder)
    assert kept.loudness_lufs == {"strings": fixed}
    assert kept.unfixed == ()
    fill_in(kept.path, response)
    assert load_study(tmp_path / "new").clips[0].loudness_lufs == fixed


def test_clips_elsewhere_are_named_from_the_new_folder(changed, folder, tmp_path, noise, response):
    noise(folder.parent / "music/far.wav")
    changed(("clips/strings.wav", "../music/far.wav"))
    kept = new_study_from(tmp_path / "deep/er/new", folder)
    assert kept.referenced == ("../../../music/far.wav",)
    fill_in(kept.path, response)
    assert check_study(tmp_path / "deep/er/new") == ()


def test_another_protocol_brings_what_it_needs(folder, tmp_path, response):
    kept = new_study_from(tmp_path / "new", folder, "survival")
    fill_in(kept.path, response, more=[('planned = "" ', "planned = 40 "), ("in_s = 0.5", "in_s = 0.25")])
    study = load_study(tmp_path / "new")
    assert [condition.anchor for condition in study.conditions] == [None, None, None, "low", "high"]
    assert [claim.kind for claim in study.claims] == ["rated"]
    assert study.protocol.name == "survival"


def test_the_old_protocol_its_changes_and_consent_go_along(changed, folder, tmp_path, response):
    (folder / "own.toml").write_text(
        'format = 1\ntitle = "t"\ndecides = ["heard"]\nsource = "s"\n'
        '[[block]]\nid = "a.b"\nphase = "blind"\nmethod = "abx"\ntrials = 28\nmargin = 0.5\n'
    )
    (folder / "consent.md").write_text("You may stop at any time.")
    changed(
        (
            'use = "abx"',
            'use = "own.toml"\n[protocol.changes]\n"a.b".trials = 30\n[listeners]\nconsent = "consent.md"\nplanned = 4',
        )
    )
    kept = new_study_from(tmp_path / "new", folder)
    fill_in(kept.path, response)
    study = load_study(tmp_path / "new")
    assert study.protocol.blocks[0].trials == 30
    assert (study.listeners.consent, study.listeners.planned) == ("consent.md", 4)
    assert (tmp_path / "new/own.toml").read_bytes() == (folder / "own.toml").read_bytes()


def test_recordings_and_corrections_have_their_own_kind_of_room(tmp_path, noise, response):
    noise(tmp_path / "one.wav")
    noise(tmp_path / "two.wav", seed=2)
    pair_study(tmp_path / "pair", tmp_path / "one.wav", tmp_path / "two.wav")
    kept = new_study_from(tmp_path / "new", tmp_path / "pair")
    assert {fault.key for fault in check_study(tmp_path / "new")} == {
        "title",
        "condition.later.stages.#1.recording.files.pair",
    }
    noise(tmp_path / "new/clips/c.wav", seed=3)
    fill_in(kept.path, response, more=[('pair = "" ', 'pair = "clips/c.wav" ')])
    assert check_study(tmp_path / "new") == ()


@pytest.mark.parametrize(
    "awkward", [r"""'a "b" \ c'""", r'"tab\tand\nmore\u00a0of it"', '"Ü — 漢字 \U0001f3a7"', '"# no comment"']
)
def test_texts_survive_being_written_again(changed, tmp_path, awkward, response):
    folder = changed(('name = "Heron, open-back headphone"', f"name = {awkward}"))
    old = load_study(folder)
    kept = new_study_from(tmp_path / "new", folder)
    fill_in(kept.path, response)
    assert load_study(tmp_path / "new").unit("heron").name == old.unit("heron").name


def test_what_is_wrong_with_the_old_study_is_said_and_nothing_is_written(changed, tmp_path):
    was = 'kind = "headphone"\nrig = "ear simulator 2"\nmeasured = 2026-03'
    folder = changed(("in_s = 0.5", "in_s = -1"), (was, was.replace("headphone", "x")))
    with pytest.raises(BlindtestError) as caught:
        new_study_from(tmp_path / "new", folder)
    assert {fault.key for fault in caught.value.faults} == {"clip.strings.in_s", "unit.heron.kind"}
    assert not (tmp_path / "new").exists()


def test_an_unfilled_old_study_and_a_full_new_folder_are_refused(folder, tmp_path):
    new_study(tmp_path / "empty")
    with pytest.raises(BlindtestError, match="empty: to be filled in"):
        new_study_from(tmp_path / "new", tmp_path / "empty")
    with pytest.raises(BlindtestError, match="this folder exists and isn't empty"):
        new_study_from(tmp_path / "empty", folder)
    with pytest.raises(BlindtestError, match="there is no study file here"):
        new_study_from(tmp_path / "new", tmp_path / "nowhere")


def test_a_broken_origin_is_refused(folder):
    (folder / "origin.toml").write_text('format = 1\ntitle = "x"\nplans_sealed = "many"\n')
    with pytest.raises(BlindtestError, match="folder, study_sha256, plans_sealed: not what `blindtest new --from`"):
        read_origin(folder)
