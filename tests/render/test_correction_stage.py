"""The stage is the curve, whatever it is asked at; its facts are what went in."""

import json

import numpy as np
import pytest

from blindtest.device import Limits, Response, correction_curve
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


def test_the_spread_of_the_seatings_only_says_what_is_uncertain(stage, bench):
    """Unless limits bring a spread of their own, by which the boost is held back."""
    spread = Response(frequency=np.array([20.0, 20_000.0]), magnitude=np.full((2, 1), 3.0))
    frequency = np.geomspace(20, 8000, 200)
    plain, seated = stage(), stage(seatings=spread)
    assert plain.curve.uncertain == ()
    assert len(seated.curve.uncertain) == 1
    assert seated.level_db(frequency) == pytest.approx(plain.level_db(frequency), abs=1e-12)
    assert seated.facts() == plain.facts()
    wide = Response(frequency=spread.frequency, magnitude=np.full((2, 1), 5.0))
    held = stage(seatings=spread, limits=Limits(spread=wide))
    assert held.known_limits.spread is wide
    assert held.level_db(frequency).max() < plain.level_db(frequency).max() - 1
    assert set(held.facts()) - set(plain.facts()) == {"spread"}
    assert stage(limits=Limits(spread=wide, spread_sd=0.0)).facts() == plain.facts()


def test_what_is_not_used_is_not_among_the_facts(stage):
    """Plans made before it could be set are told by the same facts."""
    assert "smoothing" not in stage().facts()
    other = stage(smoothing=1 / 6)
    assert other.facts() == stage().facts() | {"smoothing": 1 / 6}
