"""The stage does what its coefficients do at the rate of the clip; its facts are what went in."""

import json

import numpy as np
import pytest
from scipy.signal import freqz_sos

from blindtest.device import Limits, Section
from blindtest.errors import BlindtestError
from blindtest.render import Condition, SectionStage

OWN = (
    Section(type="low-shelf", frequency_hz=90, gain_db=4.5, q=0.7),
    Section(type="peaking", frequency_hz=9000, gain_db=-6, q=1),
)


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
        return SectionStage(**{**given, **changes})

    return made


def test_at_each_rate_it_is_what_the_coefficients_do(stage):
    own = stage(own=OWN)
    frequency = np.geomspace(20, 20_000, 200)
    for rate in (44_100, 96_000):
        running = Condition(id="one", stages=(own,)).at_rate(rate).stages[0]
        transfer = freqz_sos(own.correction.sos(rate), frequency, fs=rate)[1]
        assert running.level_db(frequency) == pytest.approx(20 * np.log10(np.abs(transfer)), abs=1e-6)
    assert np.ptp(own.at_rate(44_100).level_db(frequency) - own.at_rate(96_000).level_db(frequency)) > 0.3


def test_a_section_beyond_half_the_rate_of_a_clip_is_told(stage):
    own = stage(own=(Section(type="peaking", frequency_hz=18_000, gain_db=3, q=1),))
    with pytest.raises(BlindtestError, match="a section lies at or above half the sample rate, got '18000 Hz at 32000"):
        own.at_rate(32_000)


def test_what_decides_the_sound_is_in_its_facts_and_no_name_is(stage):
    facts = json.dumps(stage(count=5).facts(), sort_keys=True)
    assert "heron" not in facts
    assert json.dumps(stage(count=5, unit_id="other").facts(), sort_keys=True) == facts
    others = [
        stage(count=6),
        stage(count=5, max_q=3.0),
        stage(count=5, max_gain_db=3.0),
        stage(count=5, smoothing=1 / 6),
        stage(count=5, rate=44_100),
        stage(count=5, limits=Limits(without_hz=((20.0, 60.0),))),
        stage(own=OWN),
        stage(own=OWN, limits=Limits(without_hz=((20.0, 100.0),))),
    ]
    assert len({facts, *(json.dumps(one.facts(), sort_keys=True) for one in others)}) == 9
    assert [one.frequency_hz for one in others[-1].correction.chain] == [9000]
