"""What `check` says of a seating unlike the others and of gaps between points; decibels worked by hand."""

import numpy as np
import pytest

from blindtest.study import examine

HERTZ = np.geomspace(20, 20_000, 121)


def said(changed, *levels, hertz=HERTZ):
    own = 'responses = ["measurements/heron/seating-*.txt"]'
    folder = changed((own, 'responses = ["measurements/own-*.txt"]'))
    for number, level in enumerate(levels):
        rows = "\n".join(f"{f:.3f}\t{db:.3f}" for f, db in zip(hertz, level, strict=True))
        (folder / f"measurements/own-{number}.txt").write_text(f"Freq(Hz)\tSPL(dB)\n{rows}\n")
    examined = examine(folder)
    assert not examined.faults
    return [str(note) for note in examined.notes if "unit.heron" in str(note)]


def flat(db=90.0):
    return np.full(len(HERTZ), db)


def test_seatings_alike_bring_no_word(changed):
    assert not [note for note in said(changed, *(flat(90 + k) for k in range(5))) if "lies" in note]


def test_a_seating_at_another_level_is_named(changed):
    (note,) = [note for note in said(changed, *[flat()] * 4, flat(78.0)) if "lies" in note]
    assert "own-4.txt lies -12.0 dB from the other seatings: measured at another level" in note


def test_a_seating_that_did_not_seal_is_named_with_its_octave(changed):
    leak = flat() - np.where(HERTZ < 80, 15.0, 0.0)
    (note,) = [note for note in said(changed, flat(), leak, flat(), flat()) if "lies" in note]
    assert "own-1.txt lies -15.0 dB from the other seatings in the octave about" in note
    assert "did it seal" in note


@pytest.mark.parametrize(("second", "named"), [(0.0, True), (88.0, False)])
def test_two_far_apart_are_named_together(changed, second, named):
    """Decibels re 1 kHz beside dB SPL: 90 dB apart, and nobody knows which is the stranger."""
    notes = " ".join(said(changed, flat(), flat(second)))
    assert ("own-0.txt lies +90.0 dB from own-1.txt" in notes) == named


def test_a_gap_between_points_is_told(changed):
    kept = (HERTZ < 300) | (HERTZ > 4000)
    notes = " ".join(said(changed, *[flat()[kept]] * 5, hertz=HERTZ[kept]))
    low, high = HERTZ[HERTZ < 300].max(), HERTZ[HERTZ > 4000].min()
    assert f"no point between {round(low, 3):g} and {round(high, 3):g} Hz" in notes
    assert notes.count("no point between") == 1


def test_octave_bands_have_no_gaps(changed):
    """The nominal frequencies of ISO 266 at an octave's distance: neighbours lie a factor of 1.97 to 2 apart."""
    bands = np.array([16, 31.5, 63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000])
    assert "no point" not in " ".join(said(changed, *[np.full(11, 90.0)] * 5, hertz=bands))
