"""What sounds in a screening, as WAV bytes: from a place of it, its draws and a rate."""

import numpy as np
from numpy.typing import NDArray

from blindtest.audio import (
    antiphase_tones,
    channel_burst,
    dichotic_noises,
    gaussian,
    gaussian_length,
    noise_length,
    quantised,
    screening_noise,
    wav_bytes,
)
from blindtest.design import Draws
from blindtest.session.screening import Screening, ScreeningPlace

__all__ = ["SCREENING_RATE_HZ", "screening_frames", "screening_wav"]

SCREENING_RATE_HZ = 48_000
LEVEL_S = 4.0
BURST_S = 0.6


def screening_wav(screening: Screening, token: str, rate: int = SCREENING_RATE_HZ) -> bytes | None:
    """Return the sound under a token that the page is shown now; None under any other.

    All sounds of a test are equally long. Each is made when asked for, by the same work whatever is right, with dither
    of its own; nothing is kept.
    """
    now = screening.place
    if now is not None and token == screening.token(now):
        return _wav(screening.draws, screening_frames(screening, now, rate), now.name, rate)
    if token == screening.level_token:
        noise = _normal(screening.draws, "level", round(LEVEL_S * rate))
        return _wav(screening.draws, screening_noise(noise, rate), "level", rate)
    return None


def screening_frames(screening: Screening, now: ScreeningPlace, rate: int = SCREENING_RATE_HZ) -> NDArray[np.float64]:
    """Return the frames (n, 2) of the sound at a place."""
    truth = screening.truth(now)
    if now.test == "channels":
        return channel_burst(_normal(screening.draws, now.name, round(BURST_S * rate)), rate, side=truth.right)
    if now.test == "antiphase":
        assert truth.antiphase is not None
        return antiphase_tones(rate, softer=int(truth.right) - 1, antiphase=truth.antiphase)
    noise = _normal(screening.draws, now.name, 3 * rate).reshape(3, rate)
    return dichotic_noises(noise, rate, target=int(truth.right) - 1)


def _normal(draws: Draws, name: str, count: int) -> NDArray[np.float64]:
    return gaussian(draws.noise(f"screening/noise/{name}", gaussian_length(count)), count)


def _wav(draws: Draws, frames: NDArray[np.float64], name: str, rate: int) -> bytes:
    dither = draws.noise(f"screening/dither/{name}", noise_length(*frames.shape))
    return wav_bytes(quantised(frames, dither), rate)
