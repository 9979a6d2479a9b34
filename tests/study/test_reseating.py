"""Seatings and samples as conditions, and how far they lie apart: closed forms on curves made for it."""

import numpy as np
import pytest

from blindtest.device import Response
from blindtest.errors import BlindtestError
from blindtest.study import apart_db, load_study, render_job, reseating_of, seating_response, units_apart

BAND = (20.0, 10_000.0)


def curve(level):
    grid = np.geomspace(10, 20_000, 500)
    return Response(frequency=grid, magnitude=level(np.log2(grid / 1000))[:, None])


def test_a_level_alone_is_no_difference_and_a_ripple_is_its_rms():
    """Closed form: a sine over log f of 2 dB has an RMS of 2/sqrt(2)."""
    flat = curve(lambda octaves: 0 * octaves)
    assert apart_db(flat, curve(lambda octaves: 0 * octaves + 7.5), BAND) == pytest.approx(0, abs=1e-9)
    octaves = np.log2(BAND[1] / BAND[0])
    start = np.log2(BAND[0] / 1000)
    ripple = curve(lambda x: 2 * np.sin(2 * np.pi * 6 * (x - start) / octaves))
    assert apart_db(flat, ripple, BAND) == pytest.approx(2 / np.sqrt(2), rel=0.01)
    with pytest.raises(ValueError, match="band in common"):
        apart_db(flat, flat, (30_000, 40_000))


def test_one_seating_stands_for_itself(changed):
    folder = changed(
        ('stages = [{ response = "heron" }]', 'stages = [{ seating = { unit = "heron", number = 2 } }]'),
    )
    study = load_study(folder)
    unit = study.unit("heron")
    job = render_job(study)
    applied = next(one for one in job.conditions if one.id == "heron").stages[0].response
    second = seating_response(study, unit, 2)
    assert applied.magnitude == pytest.approx(second.magnitude)
    assert applied.magnitude != pytest.approx(seating_response(study, unit, 1).magnitude)
    for number in (0, 4):
        with pytest.raises(BlindtestError, match="no such seating"):
            seating_response(study, unit, number)


def test_how_far_seatings_and_units_lie_apart(folder):
    """Curves of the fixture are sines of 4 dB over log f: each pair lies apart by a sum done here by hand."""
    study = load_study(folder)
    heron, plover = study.unit("heron"), study.unit("plover")
    found = reseating_of(study, heron, BAND)
    assert found.pairs == 3
    grid = BAND[0] * 2.0 ** np.arange(0, np.log2(BAND[1] / BAND[0]), 1 / 48)
    curves = [4 * np.sin(np.log(grid) + seed) for seed in range(3)]
    wanted = [np.std(curves[a] - curves[b]) for a, b in ((0, 1), (0, 2), (1, 2))]
    assert found.rms_db == pytest.approx(np.mean(wanted), rel=0.03)
    assert found.worst_rms_db == pytest.approx(max(wanted), rel=0.03)
    assert units_apart(study, heron, plover, BAND).pairs == 1


def test_wrong_seatings_and_samples_are_named(changed):
    folder = changed(
        ('stages = [{ response = "heron" }]', 'stages = [{ seating = { unit = "hern", number = 2 } }]'),
        ('rig = "ear simulator 2"\nmeasured = 2026-03-02', 'rig = "ear simulator 2"\nsample_of = "swift"'),
    )
    with pytest.raises(BlindtestError) as caught:
        load_study(folder)
    assert "stages.#1.seating.unit: no unit has this id" in str(caught.value)
    assert "sample_of: no unit has this id" in str(caught.value)
