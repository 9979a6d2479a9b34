"""The stage is the curve, whatever it is asked at; its facts are what went in."""

import json

import numpy as np
import pytest

from blindtest.device import Response, correction_curve
from blindtest.errors import BlindtestError
from blindtest.render.correction_stage import CorrectionStage


@pytest.fixture
def stage(bench):
    def made(**changes):
        given = {
            "unit_id": "heron",
            "response": bench.heron,
            "target": bench.plover,
            "align_hz": (300.0, 3000.0),
            "band_hz": (20.0, 8000.0),
            "max_boost_db": 6.0,
        }
        return CorrectionStage(**{**given, **changes})

    return made


def test_it_says_the_gain_of_the_correction(stage, bench):
    frequency = np.geomspace(5, 24_000, 777)
    curve = correction_curve(bench.heron, bench.plover, band_hz=(20, 8000), max_boost_db=6)
    level = stage().level_db(frequency)
    assert np.array_equal(level, curve.gain_at(frequency))
    assert np.ptp(level) > 3.0
    assert level.max() <= 6.0
    outside = (frequency < 20 * 2 ** (-1 / 3)) | (frequency > 8000 * 2 ** (1 / 3))
    assert np.abs(level[outside]).max() < 1e-6


def test_what_decides_the_sound_is_in_its_facts_and_no_name_is(stage, bench):
    facts = json.dumps(stage().facts(), sort_keys=True)
    assert "heron" not in facts
    assert json.dumps(stage(unit_id="other").facts(), sort_keys=True) == facts
    moved = Response(frequency=bench.heron.frequency, magnitude=bench.heron.magnitude + 1e-6)
    others = [
        stage(response=moved),
        stage(target=bench.heron),
        stage(align_hz=(300.0, 2000.0)),
        stage(band_hz=(20.0, 9000.0)),
        stage(max_boost_db=5.0),
    ]
    assert len({facts, *(json.dumps(one.facts(), sort_keys=True) for one in others)}) == 6


def test_a_target_that_does_not_reach_is_refused_when_it_is_made(stage):
    short = Response(frequency=np.array([1000.0, 2000.0]), magnitude=np.zeros((2, 1)), sources=("goal.txt",))
    with pytest.raises(BlindtestError, match=r"goal\.txt: align_hz: the target doesn't cover the band"):
        stage(target=short)
