"""Corrections in a study file: the keys, what they come to, and what is wrong with them."""

import numpy as np
import pytest

from blindtest.device import Section, interpolated
from blindtest.render import CorrectionStage, SectionStage
from blindtest.study import check_study, load_study, render_job, study_files, target_words
from blindtest.study.material import examine

LAST = 'id = "plover"\nstages = [{ response = "plover" }]'
OWN = "type,frequency_hz,gain_db,q\nlow-shelf,90,4.5,0.7\npeaking,3150,-6,2.25\n"


@pytest.fixture
def corrected(folder, changed, response):
    """A study whose second condition corrects its unit by the keys given, towards measurements/goal.txt or not."""
    (folder / "measurements/goal.txt").write_text(response(5, "\t"))
    (folder / "measurements/own.csv").write_text(OWN)

    def with_keys(keys, *pairs):
        stage = f'{{ response = "plover" }}, {{ correction = {{ unit = "plover", {keys} }} }}'
        return changed((LAST, f'id = "plover"\nstages = [{stage}]'), *pairs)

    return with_keys


def stage_of(folder):
    return render_job(load_study(folder)).conditions[1].stages[1]


def faults(folder):
    return [str(fault).partition(": ")[2] for fault in check_study(folder)]


def test_a_correction_as_before_is_what_it_was(corrected):
    """Facts decide which stimuli are made again: those of an older study must stay alike."""
    stage = stage_of(corrected('target = "measurements/goal.txt"'))
    assert isinstance(stage, CorrectionStage)
    assert sorted(stage.facts()) == [
        "align_hz", "band_hz", "kind", "max_boost_db", "response", "rules", "target",
    ]  # fmt: skip
    assert stage.limits is None


def test_sections_are_fitted_within_the_users_limits(corrected):
    folder = corrected(
        'target = "measurements/goal.txt", sections = 4, max_gain_db = 5, max_q = 3, smoothing = "1/6", '
        "without_hz = [[20, 60]]"
    )
    assert check_study(folder) == ()
    stage = stage_of(folder)
    assert isinstance(stage, SectionStage)
    assert (stage.count, stage.max_gain_db, stage.max_q, stage.smoothing) == (4, 5, 3, 1 / 6)
    made = stage.correction
    assert made.rate == 48_000
    assert 0 < len(made.chain) <= 4
    assert all(abs(one.gain_db) <= 5 and one.q <= 3 and one.frequency_hz > 60 for one in made.chain)
    at = np.geomspace(100, 7000, 50)
    assert stage.level_db(at) == pytest.approx(np.interp(at, made.frequency, made.gain_db), abs=0.02)


def test_the_users_own_sections_are_read_and_part_of_the_study(corrected):
    rate = 'unit = "plover"\n\n[[condition]]', 'unit = "plover"\n\n[rendering]\nrate_hz = 44_100\n\n[[condition]]'
    folder = corrected('target_field = "flat", sections = "measurements/own.csv"', rate)
    assert check_study(folder) == ()
    made = stage_of(folder).correction
    assert made.chain == (
        Section(type="low-shelf", frequency_hz=90, gain_db=4.5, q=0.7),
        Section(type="peaking", frequency_hz=3150, gain_db=-6, q=2.25),
    )
    assert made.rate == 44_100
    assert made.max_boost_db is None
    assert "measurements/own.csv" in study_files(load_study(folder))
    before = stage_of(folder).facts()
    (folder / "measurements/own.csv").write_text(OWN.replace("4.5", "4.6"))
    assert stage_of(folder).facts() != before


def test_a_list_of_sections_that_is_wrong_is_told_with_its_line(corrected):
    folder = corrected('target_field = "flat", sections = "measurements/own.csv"')
    (folder / "measurements/own.csv").write_text(OWN + "peak,100,1,1\npeaking,100,99,1\n")
    assert [str(fault).partition("measurements/")[2] for fault in check_study(folder)] == [
        "own.csv:4: type: no section of this type, got 'peak' (allowed: peaking, low-shelf, high-shelf); "
        "did you mean 'peaking'?",
        "own.csv:5: gain_db: out of range, got '99' (allowed: a number from -40 to 40)",
    ]


def test_targets_are_made(corrected):
    """Shelves by the cookbook's closed form: half of the gain at their frequency; a tilt about 1 kHz."""
    folder = corrected('target_field = "flat", tilt_db_per_octave = -1, bass_db = 6, bass_hz = 100')
    assert check_study(folder) == ()
    target = stage_of(folder).target
    at = interpolated(target, np.array([100.0, 1000.0, 8000.0]))[:, 0]
    assert at == pytest.approx([3 + np.log2(10), 0, -3], abs=0.01)
    own = load_study(folder).conditions[1].stages[1].correction
    assert target_words(own) == "flat with -1 dB an octave, +6 dB of bass (100 Hz)"


def test_the_mean_of_units_is_a_target(corrected):
    folder = corrected('target_units = ["heron", "plover"]')
    assert check_study(folder) == ()
    stage = stage_of(folder)
    heron = render_job(load_study(folder)).conditions[0].stages[0].response
    apart = np.array([200.0, 5000.0])

    def step(one):
        return float(np.diff(interpolated(one, apart)[:, 0])[0])

    assert step(stage.target) == pytest.approx((step(heron) + step(stage.response)) / 2, abs=1e-3)


def test_the_spread_over_seatings_holds_boosts_back(corrected, changed):
    folder = corrected('target = "measurements/goal.txt"')
    plain = stage_of(folder).curve
    changed(('unit = "plover", target =', 'unit = "plover", seating_sd = 2, target ='))
    assert check_study(folder) == ()
    held = stage_of(folder).curve
    # Two seatings of plover are the sine of the fixture, shifted by 1 rad: 90 + 4 sin(ln f + 10) and + 11.
    frequency = held.frequency
    spread = np.abs(4 * np.sin(np.log(frequency) + 10) - 4 * np.sin(np.log(frequency) + 11)) / np.sqrt(2)
    # Where one rule holds and no other, and the spread hardly changes over the 1/3 octave it is averaged over.
    boosts = (plain.gain_db > 0.5) & (plain.gain_db < 4) & (frequency > 100) & (frequency < 6000)
    expected = plain.gain_db**2 / (plain.gain_db + 2 * spread)
    assert boosts.any()
    assert held.gain_db[boosts] == pytest.approx(expected[boosts], abs=0.15)
    assert "spread" in [one.by for one in held.held_back]
    assert stage_of(folder).facts()["spread"][1] == 2


@pytest.mark.parametrize(
    ("keys", "says"),
    [
        ("max_boost_db = 6", "correction.target: missing (allowed: a path relative to the study file, with /)"),
        (
            'target = "measurements/goal.txt", target_field = "flat"',
            "correction.target_field: a correction has one target",
        ),
        ('target_field = "fre"', "correction.target_field: not one of the words known here, got 'fre'"),
        ('target_units = ["heronn"]', "did you mean 'heron'?"),
        ('target_field = "flat", sections = 0', "correction.sections: neither a number of sections nor a file, got 0"),
        ('target_field = "flat", sections = "measurements/ow.csv"', "did you mean 'own.csv'?"),
        (
            'target_field = "flat", sections = "measurements/own.csv", max_q = 3',
            "max_q: your own sections are taken as they are",
        ),
        (
            'target_field = "flat", max_q = 3',
            "max_q: there are no sections to limit, got 3; write sections = 10 beside it",
        ),
        ('target_field = "flat", smoothing = "1/96"', "smoothing: not a part of an octave, got '1/96'"),
        ('target_field = "flat", without_hz = [[100, 20]]', "without_hz: the band ends before it begins"),
        ('target_field = "flat", without_hz = [[20]]', "without_hz: too few entries"),
        (
            'target_field = "flat", max_boost_points = [[100, 3], [20, 6]]',
            "max_boost_points: not a limit over frequency",
        ),
        ('target_field = "flat", seating_sd = 9', "seating_sd: out of range, got 9 (allowed: a number from 0 to 5)"),
    ],
)
def test_one_clear_line_for_each_mistake(corrected, keys, says):
    lines = faults(corrected(keys))
    assert any(says in line for line in lines), lines
    assert len(lines) == 1


def test_one_seating_holds_nothing_back(corrected, folder):
    corrected('target_field = "flat", seating_sd = 2')
    (folder / "measurements/plover/1.csv").unlink()
    assert any("seating_sd: one seating says nothing of how far seatings lie apart" in line for line in faults(folder))


def test_own_sections_that_lead_away_are_noted(corrected, folder):
    corrected('target_units = ["plover"], sections = "measurements/own.csv"')
    notes = [str(note) for note in examine(folder).notes]
    assert any("these sections lead away from the target: 0.00 dB r.m.s. without them" in note for note in notes)
