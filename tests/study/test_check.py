"""Single mistakes in a study that is right otherwise, and what check has to say about one that is right."""

import pytest

from blindtest.errors import BlindtestError
from blindtest.study import check_study, compared, examine, load_study, primary_claim, study_files
from blindtest.study import tested_clips as clips_tested


def said(folder) -> str:
    return "\n".join(str(fault) for fault in check_study(folder))


def only(folder) -> str:
    faults = check_study(folder)
    assert len(faults) == 1, [str(fault) for fault in faults]
    return str(faults[0])


def test_a_right_study_has_no_faults_and_loads(folder):
    assert check_study(folder) == ()
    study = load_study(folder)
    assert compared(study) == ("heron", "plover")
    assert clips_tested(study) == ("strings",)
    assert study.unit("heron").responses == tuple(f"measurements/heron/seating-{n}.txt" for n in range(3))
    assert study.protocol.blocks[1].trials == 28
    assert (study.reach.shown_from, study.reach.negligible_to) == (19, 16)


def test_the_study_file_itself_may_be_named_instead_of_its_folder(folder):
    assert load_study(folder / "study.toml") == load_study(folder)


def test_notes_are_no_faults(changed):
    folder = changed(('licence = "CC0-1.0"\n', ""), ("out_s = 3.75", "out_s = 3.0"))
    examined = examine(folder)
    notes = "\n".join(str(note) for note in examined.notes)
    assert examined.faults == ()
    assert "clip.strings: no licence: its audio never enters a bundle" in notes
    assert "the excerpt lasts 2.5 s; under 3 s it has no loudness range" in notes
    assert "unit.heron: 3 seatings only" in notes
    assert "19 or more right show a difference (chance 0.86" in notes
    assert "(chance 0.83 for a guesser)" in notes
    assert "ISO 11904-1 stands in" in notes


def test_responses_of_different_rigs_are_never_combined(changed):
    folder = changed(
        ('rig = "ear simulator 2"\nmeasured = 2026-02-11', 'rig = "ear simulator 3"\nmeasured = 2026-02-11')
    )
    text = only(folder)
    assert "condition.heron.stages.#1.response: responses of different rigs are never combined" in text
    assert "got 'heron: ear simulator 2' (allowed: plover: ear simulator 3)" in text


def test_a_unit_that_no_condition_uses_may_be_of_another_rig(changed):
    folder = changed(
        (
            "[playback]",
            '[[unit]]\nid = "other"\nname = "Other"\nkind = "headphone"\nrig = "ear simulator 9"\nlevel = "relative"\n'
            'reference_point = "free-field"\nresponses = ["measurements/plover/0.csv"]\n\n[playback]',
        )
    )
    assert check_study(folder) == ()
    assert "unit.other: no condition uses this unit" in "\n".join(str(note) for note in examine(folder).notes)


def test_reference_points_are_never_mixed(changed):
    folder = changed(
        (
            'reference_point = "eardrum"\nresponses = ["measurements/heron',
            'reference_point = "diffuse-field"\nresponses = ["measurements/heron',
        )
    )
    assert "different reference points are never combined" in only(folder)


def test_inverse_needs_playback(changed):
    assert "playback: [playback] is missing" in only(changed(('[playback]\nunit = "plover"\n', "")))


def test_worn_refuses_rendered_responses(changed):
    folder = changed(('[[condition]]\nid = "heron"', "[rendering]\nover = 'worn'\n[[condition]]\nid = \"heron\""))
    faults = check_study(folder)
    assert [fault.key for fault in faults] == [f"condition.{name}.stages.#1.response" for name in ("heron", "plover")]
    assert all("over = 'worn' sends the clip to the unit as it is" in fault.problem for fault in faults)


def test_worn_needs_no_playback_and_no_units(folder):
    path = folder / "study.toml"
    text = path.read_text()
    head, tail = text[: text.index("[[unit]]")], text[text.index("[[condition]]") :]
    tail = tail.replace('{ response = "heron" }', "").replace('{ response = "plover" }', "{ gain_db = -1 }")
    path.write_text(head + '[rendering]\nover = "worn"\n' + tail)
    assert check_study(folder) == ()


def test_three_conditions_need_a_claim_that_says_which_two(changed):
    folder = changed(("[[clip]]", '[[condition]]\nid = "clip"\nstages = []\n\n[[clip]]'))
    assert "which two are compared?, got 'heron, plover, clip'" in only(folder)
    claim = '[[claim]]\nid = "c"\nkind = "heard"\ndevice = "plover"\ncomparator = "clip"\n\n[protocol]'
    changed(("[protocol]", claim))
    assert check_study(folder) == ()
    assert compared(load_study(folder)) == ("plover", "clip")


def test_a_claims_margin_takes_the_place_of_the_protocols(changed):
    claim = '[[claim]]\nid = "c"\nkind = "heard"\ndevice = "plover"\ncomparator = "heron"\nmargin = 0.6\n'
    claim += 'clips = ["strings"]\n'
    study = load_study(changed(("[protocol]", claim + "[protocol]")))
    assert primary_claim(study).margin == 0.6
    assert [block.margin for block in study.protocol.blocks] == [None, 0.6]
    assert study.reach.margin == 0.6


def test_a_claim_that_nothing_could_refute_is_refused_with_its_chance(changed):
    # claims.md 2: with 16 trials and margin .3 at most 6 right would, which a guesser reaches with .23 only.
    folder = changed(('use = "abx"', 'use = "abx"\n[protocol.changes]\ntest.trials = 16\ntest.margin = 0.3'))
    text = only(folder)
    assert (
        "the claim can't fail: 6 or fewer right would make it negligible, which a guesser reaches with chance 0.23"
        in text
    )
    assert (
        "got '16 trials and margin 0.3' (allowed: a chance of .50 or more); 29 trials are the fewest that could" in text
    )


def test_a_plan_in_which_nothing_could_be_shown_is_refused(changed):
    folder = changed(('use = "abx"', 'use = "abx"\n[protocol.changes]\ntest.trials = 4\ntest.margin = 0.95'))
    assert "even all answers right would not show a difference" in only(folder)


def test_a_claim_without_margin_is_refused(changed, folder):
    (folder / "own.toml").write_text(
        'format = 1\ntitle = "t"\ndecides = ["heard"]\nsource = "s"\n'
        '[[block]]\nid = "test"\nphase = "blind"\nmethod = "abx"\ntrials = 28\n'
    )
    text = only(changed(('use = "abx"', 'use = "own.toml"')))
    assert "no margin: nothing could refute the claim; write margin = 0.5" in text


def test_a_margin_of_heard_is_a_share(changed):
    claim = '[[claim]]\nid = "c"\nkind = "heard"\ndevice = "plover"\ncomparator = "heron"\nmargin = 8\n'
    assert "claim.c.margin: out of range, got 8 (allowed: a number above 0 and below 1" in only(
        changed(("[protocol]", claim + "[protocol]"))
    )


def test_alike_conditions_are_refused(changed):
    folder = changed(('stages = [{ response = "heron" }]', 'stages = [{ response = "plover" }]'))
    assert "condition.plover.stages: the same stages as heron: nothing could be heard" in only(folder)


def test_a_band_beyond_the_measurement_is_refused_and_one_point_of_a_grid_is_not(changed, folder):
    for path in (folder / "measurements/heron").iterdir():
        rows = path.read_text().split("\n")
        path.write_text("\n".join([rows[0], *rows[5:]]))  # from 25.2 Hz on
    text = only(folder)
    assert "unit.heron.trusted_band_hz: the band reaches beyond what was measured, got '20 to 10000 Hz'" in text
    changed(("trusted_band_hz = [20, 10_000]", "trusted_band_hz = [26, 10_000]"))
    assert check_study(folder) == ()


def test_an_unreadable_response_has_its_file_and_line(folder):
    path = folder / "measurements/heron/seating-1.txt"
    path.write_text("frequency Hz\tlevel dB\n" + "".join(f"{f}\tn/a\n" for f in (20, 100, 1000)))
    faults = check_study(folder)
    assert [(fault.file, fault.line is not None) for fault in faults] == [(str(path), True)]


def test_case_mistakes_in_paths_are_named(changed):
    folder = changed(("measurements/plover/*.csv", "measurements/Plover/*.csv"))
    assert "there is no folder 'measurements/Plover'" in only(folder)
    assert "did you mean 'plover'? Upper and lower case differ" in only(folder)


def test_clips_may_lie_outside_and_nothing_else_may(changed, folder, noise):
    noise(folder.parent / "music/far.wav")
    changed(("clips/strings.wav", "../music/far.wav"))
    assert check_study(folder) == ()
    assert "../music/far.wav" in study_files(load_study(folder))
    changed(('unit = "plover"', 'unit = "plover"\nfield_curve = "../curve.txt"'))
    assert "the path leaves the study folder" in only(folder)


@pytest.mark.parametrize(
    ("path", "words"),
    [
        ("C:\\\\music\\\\a.wav", "write / between folders"),
        ("clips", "is a folder, not a file"),
        ("clips/a\\u0000b.wav", "this can't be a path"),
        ("clips/" + "x" * 300 + ".wav", "there is no such file"),
    ],
)
def test_strange_paths(changed, path, words):
    assert words in only(changed(("clips/strings.wav", path)))


def test_clips_at_several_rates_are_noted_and_recordings_at_another_refused(changed, folder, noise):
    noise(folder / "clips/b.wav", rate=44_100)
    noise(folder / "clips/c.wav", rate=44_100, seed=2)
    changed(
        ("[protocol]", '[[clip]]\nid = "b"\nfile = "clips/b.wav"\nlicence = "CC0-1.0"\n\n[protocol]'),
        (
            'stages = [{ response = "heron" }]',
            'stages = [{ recording = { files = { strings = "clips/c.wav", b = "clips/c.wav" } } }]',
        ),
    )
    examined = examine(folder)
    assert "different sample rates (44100 Hz, 48000 Hz)" in "\n".join(str(note) for note in examined.notes)
    assert [fault.key for fault in examined.faults] == ["condition.heron.stages.#1.recording.files.strings"]
    assert "write rate_hz = 48000 under [rendering]" in str(examined.faults[0])


def test_a_clip_without_a_recording_is_named(changed):
    folder = changed(
        ('[{ response = "heron" }]', '[{ gain_db = 1 }, { recording = { files = { brass = "clips/strings.wav" } } }]')
    )
    text = said(folder)
    assert "files.brass: no clip has this id, got 'brass' (allowed: strings)" in text
    assert "a clip has no recording, got 'strings'" in text
    assert "only the first stage can be one" in text


def test_left_and_right_in_several_files(changed, folder, response):
    for side in ("l", "r"):
        for number in (0, 1):
            (folder / "measurements/heron" / f"{side}{number}.txt").write_text(response(number, "\t"))
    changed(
        (
            'responses = ["measurements/heron/seating-*.txt"]',
            'left = ["measurements/heron/l*.txt"]\nright = ["measurements/heron/r*.txt"]',
        )
    )
    assert check_study(folder) == ()
    assert load_study(folder).unit("heron").seatings == 2


def test_load_raises_all_at_once(changed):
    folder = changed(("in_s = 0.5", 'in_s = "x"'), ("out_s = 3.75", "out_s = -1"), ('use = "abx"', 'use = "abc"'))
    with pytest.raises(BlindtestError) as caught:
        load_study(folder)
    assert [fault.key for fault in caught.value.faults] == ["clip.strings.in_s", "clip.strings.out_s", "protocol.use"]
    assert "did you mean 'abx'?" in str(caught.value)


def test_a_loudspeaker_is_not_rendered_over_a_headphone(changed):
    folder = changed(
        ('name = "Heron, open-back headphone"\nkind = "headphone"', 'name = "Heron"\nkind = "loudspeaker"')
    )
    assert "a loudspeaker is rendered only over the same loudspeaker" in only(folder)


def test_single_brackets_are_explained(folder):
    path = folder / "study.toml"
    path.write_text(path.read_text().replace("[[clip]]", "[clip]"))
    assert "clip: not a table of the right kind, got" in said(folder)
    assert "(allowed: written as [[clip]])" in said(folder)


def test_files_are_hashed_as_sha256sum_would(folder):
    import hashlib

    hashes = study_files(load_study(folder))
    assert hashes["study.toml"] == hashlib.sha256((folder / "study.toml").read_bytes()).hexdigest()
    assert set(hashes) == {
        "study.toml",
        "protocols/abx.toml",
        "clips/strings.wav",
        *(f"measurements/heron/seating-{n}.txt" for n in range(3)),
        *(f"measurements/plover/{n}.csv" for n in range(2)),
    }
    (folder / "clips/strings.wav").unlink()
    with pytest.raises(BlindtestError, match="there is no such file"):
        load_study(folder)


def test_checking_changes_nothing(folder):
    before = {path: path.stat().st_mtime_ns for path in folder.rglob("*")}
    check_study(folder)
    assert {path: path.stat().st_mtime_ns for path in folder.rglob("*")} == before


def test_what_a_user_typed_never_breaks_the_line_of_a_complaint(changed):
    folder = changed(
        ('rig = "ear simulator 2"\nmeasured = 2026-02-11', 'rig = "a\\nb"\nmeasured = 2026-02-11'),
    )
    assert r"(allowed: plover: a\nb)" in only(folder)
    assert "\n" not in only(folder)
