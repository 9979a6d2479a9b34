"""A chain patched from output to input, stood in for by arithmetic: what was done to a sound is what is found.

Every fault is planted with a size, and the figure must be that size: gains, delays, ratios of rates and levels of tones
are exact by construction. Resampling is soxr's, filters are scipy's: both outside of what is tested.
"""

import numpy as np
import pytest
from scipy.signal import butter, sosfilt, sosfreqz

from blindtest.audio import BANDS_HZ, Passage, judged, looped, noise_at_rest

RATE = 48_000
SECONDS = 1.6
LAG = 700
NOISE_DB = -95.0


def programme(seed, tilt):
    """Return (n, 2) noise that falls with frequency and swells, as 24-bit stimuli hold it; `tilt` makes it brighter."""
    n = round(SECONDS * RATE)
    frequency = np.maximum(np.fft.rfftfreq(n, 1 / RATE), 1.0)
    shape = (frequency ** (tilt - 0.5) * (frequency > 20))[:, None]
    wave = np.fft.irfft(np.fft.rfft(np.random.default_rng(seed).standard_normal((n, 2)), axis=0) * shape, n, axis=0)
    wave *= (0.4 + 0.6 * np.sin(2 * np.pi * 1.1 * np.arange(n) / RATE) ** 2)[:, None]
    return np.round(wave / np.abs(wave).max() * 0.5 * 2**23) / 2**23


DULL, BRIGHT = programme(1, 0.0), programme(2, 0.2)


def chained(sound, *, gain_db=0.0, lag=LAG, noise_db=NOISE_DB, seed=5, fault=lambda y: y):
    """Return what comes back: late, louder or softer, with a fault, and noise on top."""
    out = np.zeros((len(sound) + RATE // 10, 2))
    out[lag : lag + len(sound)] = sound * 10 ** (gain_db / 20)
    out = fault(out)
    if noise_db is None:
        return out
    return out + np.random.default_rng(seed).standard_normal(out.shape) * 10 ** (noise_db / 20)


def at_rest(noise_db=NOISE_DB, hum=lambda t: 0.0 * t):
    silence = np.zeros((RATE, 2)) + hum(np.arange(RATE) / RATE)[:, None]
    if noise_db is not None:
        silence = silence + np.random.default_rng(9).standard_normal(silence.shape) * 10 ** (noise_db / 20)
    return noise_at_rest(silence, RATE)


def verdict(first, second, rest=None, **more):
    """Return what is told of two stimuli of one clip, each as it came back."""
    rest = rest or at_rest()
    passages = [
        Passage(clip="reeds", at=5 * RATE * k, sound=looped(sound, back, RATE, noise=rest))
        for k, (sound, back) in enumerate(((DULL, first), (BRIGHT, second)))
    ]
    return judged(passages, rest, **more)


def both(**of):
    return verdict(chained(DULL, **of), chained(BRIGHT, **of, seed=6))


def test_a_digital_chain_is_bit_for_bit_and_nothing_is_found():
    found = verdict(chained(DULL, noise_db=None), chained(BRIGHT, noise_db=None), at_rest(None), underruns=0)
    assert found.ok
    assert found.exact
    assert found.findings == ()
    # Not nought: what stands still is taken off before.
    assert found.level_db < 1e-4
    assert found.alignment_samples < 0.01
    assert found.delay_samples == pytest.approx(LAG, abs=0.01)
    assert found.noise_dbfs == -np.inf
    assert found.to_dict()["noise_dbfs"] is None
    assert any("bit for bit" in note for note in found.notes)


def test_a_good_analogue_chain_passes_and_its_figures_are_those_put_in():
    found = both(gain_db=-6.5)
    assert found.findings == ()
    assert not found.exact
    assert found.gain_db == pytest.approx(-6.5, abs=0.005)
    assert found.level_db < 0.01
    assert found.loudness_lu < 0.01
    assert found.alignment_samples < 0.05
    assert found.delay_samples == pytest.approx(LAG, abs=0.05)
    assert abs(found.response_db) < 0.05
    # Noise re full scale of what is played: 6.5 dB above that at the input.
    assert found.noise_dbfs == pytest.approx(NOISE_DB + 6.5, abs=0.2)
    assert (found.dropouts, found.jumps, found.clipped, found.hum_hz) == (0, 0, 0, None)


@pytest.mark.parametrize(("error_db", "wrong"), [(0.08, False), (0.15, True), (-0.15, True), (1.0, True)])
def test_an_error_of_level_is_found_with_its_size(error_db, wrong):
    found = verdict(chained(DULL), chained(BRIGHT, gain_db=error_db))
    assert found.level_db == pytest.approx(abs(error_db), abs=0.01)
    assert found.loudness_lu == pytest.approx(abs(error_db), abs=0.01)
    assert found.ok != wrong
    if wrong:
        assert found.findings == (f"clip reeds: the chain makes two stimuli differ by {abs(error_db):.2f} dB in level",)


def test_an_error_of_level_in_one_channel_alone_is_found():
    found = verdict(chained(DULL), chained(BRIGHT, fault=lambda y: y * [1.0, 10 ** (0.15 / 20)]))
    assert found.level_db == pytest.approx(0.15, abs=0.01)
    assert not found.ok


@pytest.mark.parametrize(("shift", "wrong"), [(0, False), (1, True), (2, True), (-37, True)])
def test_a_shift_is_found_to_the_sample(shift, wrong):
    found = verdict(chained(DULL), chained(BRIGHT, lag=LAG + shift))
    assert found.alignment_samples == pytest.approx(abs(shift), abs=0.05)
    assert found.ok != wrong
    if wrong:
        assert found.findings == (f"clip reeds: two stimuli are apart in time by {abs(shift):.1f} samples",)


@pytest.mark.parametrize("at_s", [0.3, 1.0, 1.4])
def test_a_dropout_of_ten_milliseconds_is_found_and_where(at_s):
    def fault(y):
        y = y.copy()
        y[LAG + round(at_s * RATE) :][: RATE // 100] = 0
        return y

    rest = at_rest()
    sound = looped(BRIGHT, chained(BRIGHT, fault=fault), RATE, noise=rest)
    assert sound.dropouts == 1
    assert sound.first_dropout_s == pytest.approx(at_s, abs=0.003)
    found = verdict(chained(DULL), chained(BRIGHT, fault=fault))
    assert found.findings == ("1 dropout: parts of what was played did not come back",)


def test_lost_frames_are_a_jump_and_what_comes_after_is_known_again():
    found = verdict(
        chained(DULL), chained(BRIGHT, fault=lambda y: np.concatenate([y[:40_000], y[40_064:], np.zeros((64, 2))]))
    )
    assert found.jumps == 1
    assert "1 jump in time: frames were lost or put in" in found.findings
    assert not [words for words in found.findings if "not what was played" in words]


def test_clipping_is_found():
    found = both(fault=lambda y: np.clip(y, -0.25, 0.25))
    assert found.clipped > 10
    assert found.findings[0].startswith(f"clipped: {found.clipped} samples")


def test_hum_is_found_with_its_frequency_and_level():
    for mains in (50, 60):
        rest = at_rest(hum=lambda t, mains=mains: 1e-3 * np.sin(2 * np.pi * mains * t))
        # A sine of 1e-3: its r.m.s. is 3.01 dB below -60 dB.
        assert rest.hum_hz == mains
        assert rest.hum_dbfs == pytest.approx(-63.01, abs=0.1)
    found = verdict(chained(DULL), chained(BRIGHT), rest)
    assert any("hum at multiples of 60 Hz: -63 dB" in words for words in found.findings)


def test_noise_alone_is_no_hum_and_too_much_of_it_is_found():
    rest = at_rest(-60.0)
    assert rest.hum_hz is None
    assert rest.level_dbfs == pytest.approx(-60, abs=0.1)
    found = verdict(chained(DULL, noise_db=-60), chained(BRIGHT, noise_db=-60), rest)
    assert any(words.startswith("noise at rest is -60 dB") for words in found.findings)
    # What the noise adds is taken off the levels again.
    assert found.level_db < 0.01


def test_a_resampler_on_the_way_is_found_by_where_it_ends():
    import soxr

    def there_and_back(y):
        again = soxr.resample(soxr.resample(y, 48_000, 44_100), 44_100, 48_000)
        return np.concatenate([again, np.zeros((len(y), 2))])[: len(y)]

    found = both(fault=there_and_back)
    # Half of 44.1 kHz; soxr lets go of it from about 0.91 of that on.
    assert 19_500 < found.cutoff_hz < 22_050
    assert any("resamples, or filters" in words for words in found.findings)


@pytest.mark.parametrize("heard_at", [44_100, 96_000])
def test_another_rate_is_named(heard_at):
    import soxr

    found = both(fault=lambda y: np.concatenate([soxr.resample(y, 48_000, heard_at), np.zeros((len(y), 2))])[: len(y)])
    (words,) = found.findings
    assert words == (
        f"what was recorded runs at another rate than what was played: by a factor of {48_000 / heard_at:.4f}"
    )
    assert found.level_db is None


def test_the_response_of_the_chain_is_that_of_its_filter():
    corner = butter(1, 12_000, "low", fs=RATE, output="sos")
    found = both(fault=lambda y: sosfilt(corner, y, axis=0))
    frequency, response = sosfreqz(corner, 1 << 16, fs=RATE)
    power = np.abs(response) ** 2

    def in_band(middle):
        inside = (frequency >= middle * 10**-0.05) & (frequency < middle * 10**0.05)
        return 10 * np.log10(np.mean(power[inside]))

    assert found.response_hz == BANDS_HZ[-1]
    assert found.response_db == pytest.approx(in_band(BANDS_HZ[-1]) - in_band(1000), abs=0.4)
    assert any(words.startswith(f"the response is off by {found.response_db:+.1f} dB") for words in found.findings)


def test_a_blocking_capacitor_makes_no_fault():
    """A first-order high pass at 3 Hz turns phases at the bottom and is in every analogue chain."""
    high = butter(1, 3, "high", fs=RATE, output="sos")
    found = both(fault=lambda y: sosfilt(high, y, axis=0))
    assert found.findings == ()


def test_left_and_right_exchanged_one_missing_and_polarity():
    assert both(fault=lambda y: y[:, ::-1]).findings == ("left and right are exchanged",)
    assert both(fault=lambda y: y * [1, 0]).findings == ("channel 2 does not come back",)
    turned = both(fault=lambda y: -y)
    assert turned.ok, "alike for all"
    assert "polarity is turned in channel 1, 2, alike for all stimuli" in turned.notes
    one = verdict(chained(DULL), chained(BRIGHT, fault=lambda y: -y))
    assert one.findings == ("polarity is not the same for all stimuli",)


def test_nothing_and_something_else():
    nothing = verdict(chained(DULL, fault=lambda y: 0 * y), chained(BRIGHT, fault=lambda y: 0 * y))
    assert nothing.findings == ("nothing came back: is the output patched to the input, and are both turned up?",)
    other = verdict(chained(DULL), chained(programme(8, 0.0)))
    assert other.findings == ("what came back of 1 of 2 stimuli is not what was played",)
    assert other.level_db is None


def test_distortion_is_found_where_nothing_else_is_wrong():
    found = both(fault=lambda y: np.tanh(3 * y) / 3)
    assert found.residual_db > -40
    assert any("not what a linear chain makes" in words for words in found.findings)


def slow(sound, ppm):
    """Return a sound recorded by a clock that is slow by so much: eight times as many samples, lines between them."""
    n, more = len(sound), 8
    finer = np.fft.irfft(np.fft.rfft(sound, axis=0), more * n, axis=0) * more
    at = np.arange(n) * (1 + ppm * 1e-6) * more
    return np.stack([np.interp(at, np.arange(more * n), channel) for channel in finer.T], axis=1)


def test_two_clocks_are_told_and_what_they_hide_is_not_claimed():
    late = slow(np.concatenate([DULL, np.zeros((200, 2))]), 50)
    rest = at_rest()
    one = Passage(clip="reeds", at=0, sound=looped(DULL, chained(late), RATE, noise=rest))
    found = judged([one, one], rest)
    assert found.drift_ppm == pytest.approx(-50, abs=3)
    assert found.alignment_samples is None
    assert "clocks of their own" in found.findings[0]
    # With five stimuli the line on which delays lie is known, and one that leaves it is found.

    def five(shift):
        passages = []
        for k in range(5):
            start = 3 * RATE * k
            back = chained(late, lag=round(LAG - 50e-6 * start) + (shift if k == 2 else 0), seed=k)
            passages.append(Passage(clip="reeds", at=start, sound=looped(DULL, back, RATE, noise=rest)))
        return judged(passages, rest)

    assert five(3).alignment_samples > 2
    assert five(0).alignment_samples < 1.5, "delays were rounded to samples here"


def test_no_condition_can_be_named():
    """Exchanged, two stimuli give the same words: what is printed can't say which is the louder."""
    one = verdict(chained(DULL), chained(BRIGHT, gain_db=0.3)).findings
    rest = at_rest()
    other = judged(
        [
            Passage(clip="reeds", at=0, sound=looped(DULL, chained(DULL, gain_db=0.3), RATE, noise=rest)),
            Passage(clip="reeds", at=5 * RATE, sound=looped(BRIGHT, chained(BRIGHT), RATE, noise=rest)),
        ],
        rest,
    ).findings
    assert one == other == ("clip reeds: the chain makes two stimuli differ by 0.30 dB in level",)


def test_what_does_not_fit_is_refused():
    rest = at_rest()
    with pytest.raises(ValueError, match="don't fit"):
        looped(DULL, DULL[:-1], RATE, noise=rest)
    with pytest.raises(ValueError, match="a tenth of a second"):
        looped(DULL[:100], DULL, RATE, noise=rest)
    with pytest.raises(ValueError, match="half a second"):
        noise_at_rest(DULL[:100], RATE)
    with pytest.raises(ValueError, match="nothing was played"):
        judged([], rest)
