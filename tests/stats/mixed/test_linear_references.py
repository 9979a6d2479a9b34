"""Linear mixed models against lme4, lmerTest, pbkrtest and emmeans: every number that our results have."""

import importlib.util
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).with_name("against_lme4.py")
SPEC = importlib.util.spec_from_file_location("against_lme4", SCRIPT)
against_lme4 = importlib.util.module_from_spec(SPEC)
sys.modules["against_lme4"] = against_lme4
SPEC.loader.exec_module(against_lme4)


@pytest.mark.parametrize("name", against_lme4.FITS)
def test_every_number_is_that_of_r(name):
    # R 4.2.2, lme4 1.1.31, lmerTest 3.1.3, pbkrtest 0.5.2, emmeans 1.8.4.1; calls in tests/references/stats.
    numbers = against_lme4.compare(name)
    assert len(numbers) > 60
    beyond = [number for number in numbers if not number.within]
    assert not beyond, f"{len(beyond)} of {len(numbers)}, the first: {beyond[0]}"
