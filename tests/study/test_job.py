"""A study as a job for render: means counted by hand."""

import numpy as np
import pytest

from blindtest.errors import BlindtestError
from blindtest.study import examine, load_study, render_job, unit_response

GRID = (20, 50, 100, 500, 1000, 5000, 10000, 20000)


def write(path, *columns):
    rows = zip(GRID, *columns, strict=True)
    names = ["frequency Hz", "level dB"] if len(columns) == 1 else ["frequency Hz", "left dB", "right dB"]
    path.write_text(",".join(names) + "\n" + "\n".join(",".join(f"{cell:g}" for cell in row) for row in rows))


def test_seatings_and_channels_are_averaged_in_db(folder, changed):
    place = folder / "measurements/heron"
    for path in place.iterdir():
        path.unlink()
    write(place / "seating-1.txt", [80.0] * 8, [84.0] * 8)
    write(place / "seating-2.txt", [90.0] * 8, [98.0] * 8)
    study = load_study(folder)
    # ((80 + 90) / 2 + (84 + 98) / 2) / 2 = (85 + 91) / 2
    assert unit_response(study, study.unit("heron")).magnitude == pytest.approx(np.full((8, 1), 88.0))
    job = render_job(study)
    stage = job.conditions[0].stages[0]
    assert (stage.unit_id, stage.response.channels) == ("heron", ("both",))
    assert stage.response.magnitude == pytest.approx(np.full((8, 1), 88.0))


def test_seatings_are_averaged_by_power_where_asked(folder, changed):
    """By hand: 10 lg of the mean of 10^(80/10) and 10^(90/10) is 87.4 dB."""
    place = folder / "measurements/heron"
    for path in place.iterdir():
        path.unlink()
    write(place / "seating-1.txt", [80.0] * 8)
    write(place / "seating-2.txt", [90.0] * 8)
    line = 'responses = ["measurements/heron/seating-*.txt"]'
    changed((line, f'{line}\nseating_mean = "power"'))
    study = load_study(folder)
    assert unit_response(study, study.unit("heron")).magnitude == pytest.approx(np.full((8, 1), 87.4036), abs=1e-4)


def test_left_and_right_files_are_brought_to_their_mean(folder, changed):
    place = folder / "measurements/heron"
    write(place / "l.txt", [80.0] * 8)
    write(place / "r.txt", [86.0] * 8)
    changed(
        (
            'responses = ["measurements/heron/seating-*.txt"]',
            'left = ["measurements/heron/l.txt"]\nright = ["measurements/heron/r.txt"]',
        )
    )
    study = load_study(folder)
    assert unit_response(study, study.unit("heron")).magnitude == pytest.approx(np.full((8, 1), 83.0))


def test_field_curve_and_band(folder, changed):
    job = render_job(load_study(folder))
    assert "ISO 11904-1" in job.playback.field_named
    assert job.playback.trusted_band_hz == (20, 10_000)
    # ISO 11904-1:2002, diffuse field at 1 kHz: 4.1 dB (methods.md 4.4)
    at_1k = np.flatnonzero(job.playback.field.frequency == 1000)
    assert job.playback.field.magnitude[at_1k, 0] == pytest.approx([4.1])
    write(folder / "measurements/field.txt", [float(n) for n in range(8)])
    changed(('unit = "plover"', 'unit = "plover"\nfield_curve = "measurements/field.txt"\nmax_boost_db = 6'))
    job = render_job(load_study(folder))
    assert job.playback.field.magnitude[:, 0] == pytest.approx(range(8))
    assert "measurements/field.txt" in job.playback.field_named
    assert job.playback.max_boost_db == 6


def test_field_referred_units_need_no_field_curve(folder):
    path = folder / "study.toml"
    path.write_text(path.read_text().replace('"eardrum"', '"diffuse-field"'))
    job = render_job(load_study(folder))
    assert job.playback.field is None


def test_the_band_is_what_all_units_trust(changed):
    folder = changed(
        (
            'responses = ["measurements/plover/*.csv"]',
            'responses = ["measurements/plover/*.csv"]\ntrusted_band_hz = [40, 8000]',
        )
    )
    assert render_job(load_study(folder)).playback.trusted_band_hz == (40, 8000)


def test_bands_with_nothing_in_common_are_refused(folder):
    path = folder / "study.toml"
    text = path.read_text().replace("trusted_band_hz = [20, 10_000]", "trusted_band_hz = [20, 200]")
    csv = 'responses = ["measurements/plover/*.csv"]'
    path.write_text(text.replace(csv, csv + "\ntrusted_band_hz = [150, 8000]"))
    with pytest.raises(BlindtestError, match="less than an octave in common, got '150 to 200 Hz'"):
        render_job(load_study(folder))


def test_unreadable_measurements_are_all_named(folder):
    for name in ("heron/seating-0.txt", "plover/1.csv"):
        (folder / "measurements" / name).write_text("no numbers here\n")
    with pytest.raises(BlindtestError) as caught:
        render_job(load_study(folder))
    assert {fault.file for fault in caught.value.faults} == {
        str(folder / "measurements" / name) for name in ("heron/seating-0.txt", "plover/1.csv")
    }


def test_a_correction_is_designed_from_the_mean_of_the_seatings(folder, changed):
    place = folder / "measurements/heron"
    for path in place.iterdir():
        path.unlink()
    write(place / "seating-1.txt", [80.0] * 8, [84.0] * 8)
    write(place / "seating-2.txt", [90.0] * 8, [98.0] * 8)
    write(folder / "measurements/target.txt", [0.0] * 8)
    correction = '{ correction = { unit = "heron", target = "measurements/target.txt", max_boost_db = 4 } }'
    changed(
        ('stages = [{ response = "heron" }]', f'stages = [{{ response = "heron" }}, {correction}]'),
    )
    study = load_study(folder)
    stage = render_job(study).conditions[0].stages[1]
    # the mean of test_seatings_and_channels_are_averaged_in_db, counted there by hand
    assert stage.response.magnitude == pytest.approx(np.full((8, 1), 88.0))
    assert (stage.align_hz, stage.band_hz, stage.max_boost_db) == ((300, 3000), (20, 8000), 4)
    # a flat response needs no correction towards a flat target, at whatever levels the two stand
    assert stage.level_db(np.array([20.0, 1000.0, 5000.0])) == pytest.approx(np.zeros(3), abs=1e-6)


def test_a_correction_of_the_worn_unit(folder):
    path = folder / "study.toml"
    text = path.read_text()
    head, tail = text[: text.index("[[condition]]")], text[text.index("[[clip]]") :]
    write(folder / "measurements/target.txt", [float(n) for n in range(8)])
    path.write_text(
        head + '[rendering]\nover = "worn"\n[[condition]]\nid = "native"\nstages = []\n[[condition]]\nid = "mended"\n'
        'stages = [{ correction = { unit = "plover", target = "measurements/target.txt" } }]\n' + tail
    )
    job = render_job(load_study(folder))
    assert (job.over, job.playback.unit_id) == ("worn", "plover")
    assert [len(condition.stages) for condition in job.conditions] == [0, 1]
    path.write_text(path.read_text().replace('correction = { unit = "plover"', 'correction = { unit = "heron"'))
    with pytest.raises(BlindtestError, match=r"a correction of another unit than the one that is worn, got 'heron'"):
        load_study(folder)


def test_a_target_that_is_none_is_named_with_its_file(folder, changed):
    (folder / "measurements/target.txt").write_text("no numbers here\n")
    correction = '{ correction = { unit = "heron", target = "measurements/target.txt" } }'
    changed(('stages = [{ response = "heron" }]', f'stages = [{{ response = "heron" }}, {correction}]'))
    with pytest.raises(BlindtestError) as caught:
        render_job(load_study(folder))
    assert {fault.file for fault in caught.value.faults} == {str(folder / "measurements/target.txt")}


def test_anchors_and_decoys_are_stages_of_their_own(folder, changed):
    changed(
        (
            "[[clip]]",
            '[[condition]]\nid = "poor"\nanchor = "low"\nstages = [{ lowpass_hz = 3500 }]\n'
            '[[condition]]\nid = "tilted"\ndecoy = true\nstages = [{ tilt_db_per_octave = -0.5 }]\n[[clip]]',
        )
    )
    job = render_job(load_study(folder))
    # ITU-R BS.1534-3, 5.1 (methods.md 1.3): at least 25 dB down at 4 kHz, 50 dB at 4.5 kHz, +-0.1 dB below 3.5 kHz
    poor = job.conditions[2].stages[0].level_db(np.array([1000.0, 3500.0, 4000.0, 4500.0]))
    assert np.abs(poor[:2]).max() <= 0.1
    assert poor[2] <= -25
    assert poor[3] <= -50
    tilt = job.conditions[3].stages[0].level_db(np.array([500.0, 1000.0, 4000.0]))
    assert tilt == pytest.approx([0.5, 0.0, -1.0])  # an octave, none, two octaves


def test_a_unit_of_which_only_the_harmonics_or_the_impedance_is_taken_is_used(changed, folder):
    (folder / "measurements/h.csv").write_text("f (Hz),H2 (dB)\n100,-50\n1000,-55\n2000,-60\n")
    (folder / "measurements/z.csv").write_text("f (Hz),ohm,phase (deg)\n20,40,5\n1000,38,0\n20000,45,20\n")
    bench = 'rig = "bench"\nlevel = "relative"\nreference_point = "electrical"\n'
    units = (
        f'[[unit]]\nid = "amp"\nname = "Amp"\nkind = "electronics"\n{bench}harmonics = "measurements/h.csv"\n\n'
        f'[[unit]]\nid = "coil"\nname = "Coil"\nkind = "headphone"\n{bench}impedance = "measurements/z.csv"\n\n'
    )
    stages = (
        '{ harmonics = { unit = "amp", full_scale_db = 0 } }, { source_impedance = { unit = "coil", ohm = 50 } }, '
        '{ response = "heron" }'
    )
    changed(("[playback]\n", f"{units}[playback]\n"), ('stages = [{ response = "heron" }]', f"stages = [{stages}]"))
    examined = examine(folder)
    assert not examined.faults
    said = [str(note) for note in examined.notes if "unit.amp" in str(note) or "unit.coil" in str(note)]
    assert not [note for note in said if "no condition uses" in note or "seating" in note]
