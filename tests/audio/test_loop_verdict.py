"""What is told of a chain, from what became of each sound: figures put in by hand, and what they come to by hand.

Limits are those that the module states: 0.1 dB, half a sample, 1 dB re 1 kHz, -70, -80 and -40 dB, 1000 ppm.
"""

import math
from dataclasses import replace

import pytest

from blindtest.audio import BANDS_HZ, Passage, judged
from blindtest.audio.loop_noise import RestNoise
from blindtest.audio.loopback import Looped

SILENT = RestNoise(power=(0.0, 0.0), level_dbfs=-math.inf, hum_hz=None, hum_dbfs=-math.inf)
BANDS = len(BANDS_HZ)
GOOD = Looped(
    came_back=True,
    lag=700.0,
    gain_db=(0.0, 0.0),
    loudness_change_lu=0.0,
    played_bands=(1.0,) * BANDS,
    recorded_bands=(1.0,) * BANDS,
    noise_bands=(0.0,) * BANDS,
    residual_db=-60.0,
)


def told(*sounds, rest=SILENT, clips=None, **more):
    names = clips or ["reeds"] * len(sounds)
    passages = [
        Passage(clip=clip, at=1000 * place, sound=sound)
        for place, (clip, sound) in enumerate(zip(names, sounds, strict=True))
    ]
    return judged(passages, rest, **more)


def good(**more):
    return replace(GOOD, **more)


def bands(**at):
    """Return powers of 1, but those of single bands, named by their number as in `b17`."""
    return tuple(at.get(f"b{k}", 1.0) for k in range(BANDS))


def test_nothing_is_wrong_with_what_is_not():
    result = told(GOOD, GOOD)
    assert (result.findings, result.notes, result.ok) == ((), (), True)
    assert (result.response_db, result.response_band_hz) == (0.0, (BANDS_HZ[0], BANDS_HZ[-1]))
    assert (result.delay_samples, result.level_db, result.loudness_lu, result.gain_db) == (700.0, 0.0, 0.0, 0.0)
    amplified = good(recorded_bands=(100.0,) * BANDS, gain_db=(20.0, 20.0))
    louder = told(amplified, amplified)
    assert (louder.response_db, louder.gain_db, louder.ok) == (0.0, 20.0, True)


def test_one_stimulus_that_is_exchanged_is_enough():
    assert told(GOOD, good(swapped=True)).findings == ("left and right are exchanged",)


def test_what_is_left_is_that_of_the_worst_as_far_as_it_came_back():
    assert told(GOOD, good(residual_db=-39.0)).residual_db == -39.0
    assert told(good(residual_db=-39.0), GOOD).findings == (
        "-39 dB of what came back is not what a linear chain makes of what was played: "
        "distortion, effects, or other sounds",
    )
    assert told(GOOD, good(residual_db=-40.0)).ok, "the limit itself is allowed"
    # Something else came back: it is told as such, and no residual of it.
    assert told(GOOD, good(residual_db=-6.0)).residual_db == -60.0


@pytest.mark.parametrize("more", [{"dropouts": 1}, {"jumps": 1}, {"clipped": 9}])
def test_a_residual_that_is_explained_is_not_told_twice(more):
    (finding,) = told(GOOD, good(residual_db=-20.0, **more)).findings
    assert "linear chain" not in finding


def test_clocks_of_their_own_explain_a_residual():
    """Four stimuli whose delays lie on a line, 0.01 of a sample each 1000 frames: 10 ppm."""
    line = [good(lag=700 + 0.01 * k, drift_ppm=10.0, residual_db=-20.0) for k in range(4)]
    result = told(*line)
    assert result.findings == ()
    assert result.alignment_samples == pytest.approx(0, abs=1e-9)
    assert result.notes == ("output and input have clocks of their own, +10.0 ppm apart; reckoned with",)
    late = told(*line[:2], replace(line[2], lag=line[2].lag + 3), line[3])
    assert late.findings == ("clip reeds: two stimuli are apart in time by 3.0 samples",)
    assert told(*line[:3]).findings == (
        "output and input have clocks of their own (+10.0 ppm apart): with so few stimuli it "
        "can't be told whether they are aligned; use one interface for both",
    )
    assert told(*(good(lag=700 + 0.002 * k, drift_ppm=2.0) for k in range(4))).notes == (
        "output and input have clocks of their own, +2.0 ppm apart; reckoned with",
    )
    # Under 2 ppm it is one clock: nothing explains the residual, delays are taken as they are.
    one = told(*(replace(sound, drift_ppm=1.9) for sound in line))
    assert [finding[:6] for finding in one.findings] == ["-20 dB"]
    assert one.alignment_samples == pytest.approx(0.03)


@pytest.mark.parametrize(("ppm", "found"), [(1000.0, False), (-1000.1, True)])
def test_clocks_further_apart_than_quartz(ppm, found):
    result = told(*(good(lag=700 + ppm * 1e-3 * k, drift_ppm=ppm) for k in range(4)))
    assert [f"{ppm:+.0f} ppm from the playing one's" in finding for finding in result.findings] == [True] * found
    assert [f"{ppm:+.1f} ppm apart" in note for note in result.notes] == [True] * (not found)


def test_hum_and_noise_are_told_re_full_scale_of_what_is_played():
    """A chain that loses 10 dB: what is recorded at -95 is as loud as -85 played."""
    lost = good(gain_db=(-10.0, -10.0))
    rest = RestNoise(power=(1e-8, 1e-8), level_dbfs=-80.0, hum_hz=50.0, hum_dbfs=-90.0)
    result = told(lost, lost, rest=rest)
    assert (result.noise_dbfs, result.hum_dbfs) == (-70.0, -80.0)
    assert result.ok, "both at their limits"
    louder = told(lost, lost, rest=replace(rest, level_dbfs=-79.0, hum_dbfs=-89.0))
    assert louder.findings == (
        "noise at rest is -69 dB re full scale (allowed: -70 dB)",
        "hum at multiples of 50 Hz: -79 dB re full scale",
    )


AT_1K = BANDS_HZ.index(1000.0)


def test_bands_that_were_hardly_played_or_drown_tell_nothing():
    """Told is what came back 20 dB over the noise, of what was played within 60 dB of the loudest band."""
    # Hardly played: what comes back in that band is no response of the chain.
    faint = good(played_bands=bands(b3=1e-6), recorded_bands=bands(b3=1.0))
    assert told(faint, faint).response_db == 0.0
    # Under the noise, and played 30 dB under the top at most: neither told nor lost.
    drowned = good(played_bands=bands(b0=1e-3), recorded_bands=bands(b0=0.9e-4), noise_bands=bands(**dict.fromkeys(
        [f"b{k}" for k in range(1, BANDS)], 0.0), b0=1e-6))  # fmt: skip
    result = told(drowned, drowned)
    assert (result.response_db, result.response_band_hz) == (0.0, (BANDS_HZ[1], BANDS_HZ[-1]))
    # Played loud and not come back: a hole, -20 dB re 1 kHz, the noise taken off.
    hole = replace(drowned, played_bands=bands(), recorded_bands=bands(b0=0.011), noise_bands=bands(**dict.fromkeys(
        [f"b{k}" for k in range(1, BANDS)], 0.0), b0=0.001))  # fmt: skip
    assert told(hole, hole).findings == ("the response is off by -20.0 dB at 20 Hz, re 1 kHz",)
    # Nothing at 1 kHz: nothing to tell a response by.
    dumb = good(recorded_bands=bands(**{f"b{AT_1K}": 0.0}))
    assert told(dumb, dumb).response_db is None


@pytest.mark.parametrize(("change", "found"), [(0.99, False), (-0.99, False), (1.01, True), (-1.01, True)])
def test_the_response_is_within_a_decibel(change, found):
    sound = good(recorded_bands=bands(b30=10 ** (change / 10)))
    assert [f"off by {change:+.1f} dB at 19953 Hz" in finding for finding in told(sound, sound).findings] == (
        [True] if found else []
    )


def test_the_lowest_end_is_told():
    assert told(GOOD, good(cutoff_hz=20_500.0), good(cutoff_hz=16_040.0)).findings == (
        "nothing above 16.0 kHz came back of what was played there: the system resamples, or filters",
    )


def test_where_no_clip_came_back_twice():
    note = "no clip came back with two stimuli that can be compared"
    assert note not in told(GOOD).notes
    assert told(GOOD, GOOD, clips=["reeds", "drums"]).notes == (note,)
    gone = told(GOOD, Looped(came_back=False))
    assert gone.findings == ("1 of 2 stimuli did not come back",)
    assert gone.notes == (note,)
    assert told(GOOD, GOOD, GOOD, clips=["reeds", "drums", "drums"]).notes == ()


def test_the_worst_clip_is_named_and_figures_are_those_of_the_clips_own():
    """Levels of different clips are never held against each other: 0.05 and 0.3 dB within a clip, 5 dB between."""
    sounds = [good(gain_db=(g, 0.0), lag=lag) for g, lag in ((0, 700), (0.05, 702), (5, 800), (5.3, 800))]
    result = told(*sounds, clips=["reeds", "reeds", "drums", "drums"])
    assert result.level_db == pytest.approx(0.3)
    assert result.findings == (
        "clip drums: the chain makes two stimuli differ by 0.30 dB in level",
        "clip reeds: two stimuli are apart in time by 2.0 samples",
    )
    assert told(GOOD, good(loudness_change_lu=0.1)).ok
    louder = told(GOOD, good(loudness_change_lu=0.2))
    assert louder.findings == ("clip reeds: the chain makes two stimuli differ by 0.20 LU in loudness",)
    assert result.imbalance_db == pytest.approx(2.525), "median of 0, 0.05, 5 and 5.3"


def test_polarity_of_what_is_something_else_is_not_counted():
    odd = told(GOOD, GOOD, good(inverted=(1,), residual_db=-3.0))
    assert odd.findings == ("what came back of 1 of 3 stimuli is not what was played",)
    assert told(GOOD, good(inverted=(2,))).findings == ("polarity is not the same for all stimuli",)
    assert told(good(inverted=(2,)), good(inverted=(2,))).notes == (
        "polarity is turned in channel 2, alike for all stimuli",
    )


def test_exact_is_said_of_all_or_not_at_all():
    assert told(good(exact=True), good(exact=True)).exact
    assert not told(good(exact=True), GOOD).exact
    assert not told(good(exact=True), Looped(came_back=False, exact=True)).exact


def test_late_blocks_are_counted():
    assert told(GOOD, GOOD, underruns=1).notes == ("the device reported 1 block that came too late",)
    assert told(GOOD, GOOD, underruns=2).notes == ("the device reported 2 blocks that came too late",)
