"""Sounds of the screening, measured: levels, phases, loudness, and that neither channel alone tells the answer."""

import numpy as np
import pytest
from numpy.typing import NDArray

from blindtest.audio import (
    antiphase_tones,
    channel_burst,
    dichotic_noises,
    gaussian,
    gaussian_length,
    integrated_loudness,
    screening_noise,
)

RATES = (44_100, 48_000)


def normal(*shape: int, seed: int = 1) -> NDArray[np.float64]:
    return np.random.default_rng(seed).standard_normal(shape)


def tones(frames: NDArray[np.float64], rate: int) -> list[NDArray[np.float64]]:
    gap = rate // 2
    return [frames[gap + k * (rate + gap) :][:rate] for k in range(3)]


def noises(frames: NDArray[np.float64], rate: int) -> list[NDArray[np.float64]]:
    return [frames[rate + 2 * k * rate :][:rate] for k in range(3)]


def phase_between(sound: NDArray[np.float64], low: float, high: float, rate: int) -> NDArray[np.float64]:
    """Phase of the cross-spectrum of both channels, degrees, of the bins from low to high in Hz."""
    left, right = np.fft.rfft(sound, axis=0).T
    frequency = np.fft.rfftfreq(len(sound), 1 / rate)
    inside = (frequency >= low) & (frequency <= high)
    return np.abs(np.degrees(np.angle(left * np.conj(right))))[inside]


def level_db(samples: NDArray[np.float64]) -> NDArray[np.float64]:
    return 10 * np.log10(np.mean(samples**2, axis=0))


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize(("softer", "antiphase"), [(0, 1), (0, 2), (1, 0), (1, 2), (2, 0), (2, 1)])
def test_tones_are_those_of_the_paper(rate: int, softer: int, antiphase: int) -> None:
    # Woods et al. 2017: 200 Hz, one tone 6 dB softer, one 180 degrees apart between the channels.
    sounds = tones(antiphase_tones(rate, softer=softer, antiphase=antiphase), rate)
    for number, sound in enumerate(sounds):
        spectrum = np.abs(np.fft.rfft(sound[:, 0]))
        assert np.fft.rfftfreq(rate, 1 / rate)[np.argmax(spectrum)] == 200
        assert phase_between(sound, 200, 200, rate) == pytest.approx([180 if number == antiphase else 0], abs=1e-6)
        assert level_db(sound)[0] == pytest.approx(level_db(sound)[1], abs=1e-9)
        loudest = max(level_db(one)[0] for one in sounds)
        assert level_db(sound)[0] - loudest == pytest.approx(-6 if number == softer else 0, abs=1e-9)


def test_summed_as_before_loudspeakers_the_tone_in_antiphase_is_softest() -> None:
    # Woods et al. 2017, figure 2: more than 20 dB of attenuation where both loudspeakers reach an ear alike.
    sounds = tones(antiphase_tones(48_000, softer=0, antiphase=2), 48_000)
    summed = [float(np.mean(sound.sum(axis=1) ** 2)) for sound in sounds]
    assert summed[2] < 1e-12 * summed[0]


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("target", [0, 1, 2])
def test_the_band_of_the_dichotic_pitch_is_in_opposite_phase_in_the_target_alone(rate: int, target: int) -> None:
    # Milne et al. 2021: 180 degrees at 600 Hz +-6 %, elsewhere the same noise at both ears. The ramps smear each
    # bin into its neighbours, with other phases at the band's edges: it is looked at 4 Hz off them, at the median.
    sounds = noises(dichotic_noises(normal(3, rate), rate, target=target), rate)
    for number, sound in enumerate(sounds):
        inside = phase_between(sound, 568, 632, rate)
        assert np.median(inside) == pytest.approx(180 if number == target else 0, abs=4)
        for low, high in ((50, 560), (640, 12_000)):
            assert np.median(phase_between(sound, low, high, rate)) == pytest.approx(0, abs=0.5)


@pytest.mark.parametrize("target", [0, 1, 2])
def test_no_channel_alone_tells_the_target(target: int) -> None:
    """Its two channels have the same spectrum in magnitude, bin by bin; all intervals are equally loud at each ear."""
    rate = 48_000
    sounds = noises(dichotic_noises(normal(3, rate), rate, target=target), rate)
    ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(round(0.03 * rate)) + 0.5) / round(0.03 * rate))
    shape = np.concatenate([ramp, np.ones(rate - 2 * len(ramp)), ramp[::-1]])[:, np.newaxis]
    for sound in sounds:
        left, right = np.abs(np.fft.rfft(sound / shape, axis=0)).T
        np.testing.assert_allclose(left, right, rtol=1e-6, atol=1e-9)
        assert level_db(sound)[0] == pytest.approx(level_db(sound)[1], abs=0.01)
    assert np.ptp([level_db(sound)[1] for sound in sounds]) < 0.03
    # Summed, the band is missing from the target: 72 Hz of 24,000, or 0.013 dB, less than the noises differ anyway.
    assert np.ptp([float(level_db(sound.sum(axis=1))) for sound in sounds]) < 0.05


def test_a_channel_of_the_target_is_noise_like_any_other() -> None:
    """Over 60 draws, the right channel's power in the band against its neighbours doesn't differ from a non-target's.

    Two samples of 60 each; a shift of one standard deviation would be seen with certainty (Welch's |t| > 5).
    """
    rate, shares = 8_000, {True: [], False: []}
    frequency = np.fft.rfftfreq(rate, 1 / rate)
    band, beside = (abs(frequency - 600) <= 36), (abs(frequency - 600) > 40) & (abs(frequency - 600) <= 120)
    for seed in range(60):
        sounds = noises(dichotic_noises(normal(3, rate, seed=seed), rate, target=seed % 3), rate)
        for number in (seed % 3, (seed + 1) % 3):
            power = np.abs(np.fft.rfft(sounds[number][:, 1])) ** 2
            shares[number == seed % 3].append(10 * np.log10(power[band].mean() / power[beside].mean()))
    with_pitch, without = np.array(shares[True]), np.array(shares[False])
    spread = np.sqrt(with_pitch.var(ddof=1) / 60 + without.var(ddof=1) / 60)
    assert abs(with_pitch.mean() - without.mean()) / spread < 4


@pytest.mark.parametrize("rate", RATES)
def test_all_sounds_are_about_as_loud(rate: int) -> None:
    # ITU-R BS.1770-5 by our own meter, held against the standard's test signals in test_loudness.py.
    loud = [
        integrated_loudness(tones(antiphase_tones(rate, softer=0, antiphase=1), rate)[2], rate),
        integrated_loudness(noises(dichotic_noises(normal(3, rate), rate, target=0), rate)[1], rate),
        integrated_loudness(screening_noise(normal(4 * rate), rate), rate),
    ]
    assert loud == pytest.approx([-23, -23, -23], abs=0.3)


def test_a_burst_is_as_loud_from_either_side_as_from_the_middle() -> None:
    noise = normal(round(0.6 * 48_000))
    left, middle, right = (channel_burst(noise, 48_000, side=side) for side in ("left", "middle", "right"))
    assert np.all(left[:, 1] == 0)
    assert np.all(right[:, 0] == 0)
    np.testing.assert_array_equal(left[:, 0], right[:, 1])
    assert np.sum(middle**2) == pytest.approx(np.sum(left**2))
    np.testing.assert_array_equal(middle[:, 0], middle[:, 1])


def test_nothing_passes_full_scale() -> None:
    loudest = max(np.abs(dichotic_noises(normal(3, 8_000, seed=seed), 8_000, target=0)).max() for seed in range(20))
    assert loudest < 0.25


def test_uniform_bytes_become_normal_numbers() -> None:
    from scipy.stats import kstest

    count = 20_001
    made = gaussian(np.random.default_rng(3).bytes(gaussian_length(count)), count)
    assert len(made) == count
    # scipy's Kolmogorov-Smirnov test against the normal distribution.
    assert kstest(made, "norm").pvalue > 0.001
    assert np.corrcoef(made[:-1:2], made[1::2])[0, 1] == pytest.approx(0, abs=0.04)


def test_what_does_not_fit_is_refused() -> None:
    with pytest.raises(ValueError, match="two different intervals of 3 expected, got 1 and 1"):
        antiphase_tones(48_000, softer=1, antiphase=1)
    with pytest.raises(ValueError, match=r"noise must be \(3, 48000\) at 48000 Hz, got \(3, 100\)"):
        dichotic_noises(normal(3, 100), 48_000, target=0)
    with pytest.raises(ValueError, match="the target must be an interval of 3, got 3"):
        dichotic_noises(normal(3, 8_000), 8_000, target=3)
    with pytest.raises(ValueError, match="4 numbers take 16 bytes, got 4"):
        gaussian(b"1234", 4)
