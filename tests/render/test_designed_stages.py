"""Corrections, anchors and decoys in a chain: on top of what was measured, and on the written files."""

from itertools import pairwise

import numpy as np
import pytest

from blindtest.audio import read_clip
from blindtest.device import correction_curve
from blindtest.render import Condition, GainStage, RenderJob, ResponseStage, common_curve, condition_curve_db, render
from blindtest.render.anchors import AnchorStage, TiltStage
from blindtest.render.correction_stage import CorrectionStage
from blindtest.render.curves import zero_curve

BAND = (20.0, 10_000.0)


def correction(bench, **changes):
    given = {"align_hz": (300.0, 3000.0), "band_hz": (20.0, 12_000.0), "max_boost_db": 6.0, **changes}
    return CorrectionStage(unit_id="plover", response=bench.plover, target=bench.heron, **given)


def band_levels(frames, rate):
    """Power in sixths of octaves from 40 Hz to 16 kHz, dB, by one transform of the whole file."""
    # Without a window the ends of the file would leak over what a low-pass leaves.
    spectrum = np.abs(np.fft.rfft(frames[:, 0] * np.hanning(len(frames)))) ** 2
    frequency = np.fft.rfftfreq(len(frames), 1 / rate)
    edges = 40 * 2 ** (np.arange(53) / 6)
    total = [spectrum[(frequency >= a) & (frequency < b)].sum() for a, b in pairwise(edges)]
    return np.sqrt(edges[:-1] * edges[1:]), 10 * np.log10(total)


def test_corrected_against_native_on_the_written_files(bench):
    """The listener wears the unit: the files differ by the correction's gain and one constant, and are equally loud.

    The gain within each band is weighted by the clip's own power there.
    """
    clip = bench.clip("noise", bench.pink(6.0))
    conditions = (Condition(id="native"), Condition(id="corrected", stages=(correction(bench),)))
    job = RenderJob(clips=(clip,), conditions=conditions, playback=bench.playback, over="worn")
    rendered = render(job, bench.stimuli)
    native, corrected = (read_clip(rendered.stimulus("noise", one.id).path) for one in conditions)
    _, before = band_levels(native.frames, native.rate)
    _, after = band_levels(corrected.frames, corrected.rate)
    frequency = np.fft.rfftfreq(len(native.frames), 1 / native.rate)[1:]
    gain = correction_curve(bench.plover, bench.heron, band_hz=(20, 12_000)).gain_at(frequency)
    shaped = np.fft.rfft(native.frames[:, 0])[1:] * 10 ** (gain / 20)
    _, expected = band_levels(np.fft.irfft(np.concatenate(([0], shaped)), len(native.frames))[:, None], native.rate)
    assert np.ptp(expected - before) > 6
    assert np.ptp((after - before) - (expected - before)) < 0.05
    heard = [rendered.stimulus("noise", one.id).loudness for one in conditions]
    assert heard[0] == pytest.approx(heard[1], abs=0.01)
    assert rendered.limits == ()


def test_a_correction_goes_on_top_of_a_rendered_device(bench):
    """Everywhere, also outside the trusted band, and up to no constant at all."""
    plain = bench.condition("plover", bench.plover)
    stage = correction(bench, band_hz=(30.0, 14_000.0))
    with_it = Condition(id="corrected", stages=(*plain.stages, stage, GainStage(gain_db=1.0)))
    common = common_curve([plain, with_it], bench.playback)
    assert not common.untouched
    frequency = np.geomspace(5, 23_000, 3001)
    a, b = (condition_curve_db(one, bench.playback, common, BAND, frequency) for one in (plain, with_it))
    assert b - a == pytest.approx(stage.level_db(frequency), abs=1e-9)
    other = common_curve([plain], bench.playback)
    assert other.level_db == pytest.approx(common.level_db)


def test_anchors_hold_at_every_frequency(bench):
    """The poor one stays low up to half the rate, whatever band is trusted."""
    clip = bench.clip("noise", bench.pink(3.0))
    conditions = tuple(
        Condition(id=stage.kind + str(number), stages=(stage,))
        for number, stage in enumerate(
            (AnchorStage(quality="good"), AnchorStage(quality="poor"), TiltStage(tilt_db_per_octave=-0.8))
        )
    )
    devices = (bench.condition("heron", bench.heron),)
    rendered = render(
        RenderJob(clips=(clip,), conditions=(*devices, *conditions), playback=bench.playback), bench.stimuli
    )
    good, poor, tilted = (rendered.stimulus("noise", one.id) for one in conditions)
    levels = []
    for one in (good, poor, tilted):
        frames = read_clip(one.path).frames
        centre, level = band_levels(frames, one.rate)
        levels.append(level - one.gain_db)
    assert (levels[1] - levels[0])[centre < 3200] == pytest.approx(0.0, abs=0.05)
    assert np.all((levels[1] - levels[0])[centre > 4800] < -50)
    inside = (centre > 45) & (centre < 15_000)
    assert (levels[2] - levels[0])[inside] == pytest.approx(-0.8 * np.log2(centre[inside] / 1000), abs=0.06)
    raw, written = read_clip(clip.path).frames, read_clip(good.path).frames
    assert written == pytest.approx(raw * 10 ** (good.gain_db / 20), abs=2**-22)


def test_designed_stages_leave_the_common_curve_at_zero(bench):
    conditions = [bench.condition("heron", bench.heron), Condition(id="poor", stages=(AnchorStage(quality="poor"),))]
    assert common_curve(conditions, bench.playback).untouched
    assert not conditions[1].measured
    assert conditions[1].filtered
    frequency = np.geomspace(20, 20_000, 100)
    assert condition_curve_db(conditions[1], bench.playback, zero_curve(), BAND, frequency) == pytest.approx(
        AnchorStage(quality="poor").level_db(frequency)
    )


def test_a_response_still_can_not_be_rendered_over_a_worn_unit(bench):
    clip = bench.clip("noise", bench.pink(1.0))
    stages = (ResponseStage(unit_id="heron", response=bench.heron), correction(bench))
    with pytest.raises(ValueError, match="can't be rendered over a unit that is worn"):
        RenderJob(clips=(clip,), conditions=(Condition(id="a", stages=stages), Condition(id="b")), over="worn")
