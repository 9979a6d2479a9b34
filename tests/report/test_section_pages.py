"""A correction by sections in a report: the sections as a table, what is left, what was switched off or uncertain."""

import re
from dataclasses import replace

import numpy as np
import pytest

from blindtest.device import (
    Limits,
    Response,
    Section,
    average_seatings,
    flat_target,
    section_level_db,
    sections_towards,
)
from blindtest.report import CorrectionFacts, html
from blindtest.report.correction_figures import correction_figures

OWN = (
    Section(type="low-shelf", frequency_hz=90, gain_db=4.5, q=0.7),
    Section(type="peaking", frequency_hz=3150, gain_db=-6, q=2.25),
)


@pytest.fixture(scope="module")
def facts():
    """Own sections for an invented device whose five seatings disagree about 6 kHz by 4 dB (s.d.)."""
    frequency = np.geomspace(20, 20_000, 400)
    level = -section_level_db(OWN, frequency, 48_000)
    there = np.exp(-((np.log2(frequency / 6000) / 0.4) ** 2))
    seatings = [
        Response(frequency=frequency, magnitude=(level + 6 * (number - 2) * there)[:, None]) for number in range(5)
    ]
    limits = Limits(notches=False, without_hz=((20.0, 60.0),))
    average = average_seatings(seatings)
    made = sections_towards(OWN, average, flat_target(), 48_000, limits=limits)
    return made, CorrectionFacts.of(made, condition="heron", unit="Heron", target="flat", files=("a.csv",))


def test_the_page_holds_sections_and_what_they_leave(make_tuning_report, facts):
    made, own = facts
    text = re.sub(r"<[^>]+>", " ", html(make_tuning_report(corrections=(own,)), figures={}))
    text = re.sub(r"\s+", " ", text)
    for words in (
        "2 second-order sections after the Audio EQ Cookbook",
        "The sections of the filter",
        "low-shelf 90.0 4.50 0.70",
        "What the correction leaves, octave by octave",
        "It was switched off from 20 Hz to 60 Hz.",
        "too uncertain there to be corrected",
    ):
        assert words in text, words
    assert "with a boost of at most" not in text  # own sections have no limit
    assert len(own.bands) == 9
    assert made.uncertain[0].low_hz < 6000 < made.uncertain[0].high_hz


def test_the_figure_stands_without_a_limit(make_tuning_report, facts):
    report = make_tuning_report(corrections=(facts[1],))
    (figure,) = correction_figures(report)
    assert "may boost by at most" not in figure.description
    assert "boost limit" not in figure.svg
    assert "headroom" in figure.svg
    worse = replace(facts[1], rms_error_db=facts[1].rms_before_db + 1)
    (figure,) = correction_figures(make_tuning_report(corrections=(worse,)))
    assert "The error goes from" in figure.description
