"""Filters to take away: an impulse response as a WAV file for a convolver, a level curve as text. Pure functions.

A convolver that reads floating point gets the filter as it is. In 24 bits nothing above full scale can be written, and
a convolver should not be driven over it either: there the filter is written lowered by its headroom. No tap of a filter
is larger than its highest gain (|h| <= the mean of |H|), so it always fits.
"""

import struct
from collections.abc import Sequence
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from blindtest.audio import from_db, wav_bytes

from .correction import Correction

__all__ = ["correction_text", "correction_wav", "impulse_wav"]

_FULL_SCALE = 2**23


def correction_wav(correction: Correction, *, form: Literal["float32", "pcm24"] = "float32") -> bytes:
    """Return a correction's impulse response as the bytes of a mono WAV file.

    Parameters
    ----------
    form : "float32" | "pcm24"
        32-bit floating point, the filter as it is; or 24-bit integers, lowered by `correction.headroom_db`.
    """
    lowered = correction.headroom_db if form == "pcm24" else 0.0
    return impulse_wav(correction.impulse * from_db(-lowered), correction.rate, form=form)


def impulse_wav(fir: ArrayLike, rate: int, *, form: Literal["float32", "pcm24"] = "float32") -> bytes:
    """Return a filter (taps,) or (taps, channels) as the bytes of a WAV file: its samples, and no word about it.

    24 bits are rounded to, without dither: a filter is no signal. Exactly +1 is written as the largest sample.

    Raises
    ------
    ValueError
        A tap beyond full scale in 24 bits, or one that is no number.
    """
    taps = np.asarray(fir, dtype=np.float64)
    taps = taps[:, None] if taps.ndim == 1 else taps
    if taps.ndim != 2 or not taps.size:
        raise ValueError(f"fir must be (taps,) or (taps, channels), got shape {np.shape(fir)}")
    if not np.all(np.isfinite(taps)):
        raise ValueError("all taps must be finite")
    if form == "float32":
        return _float_wav(taps, rate)
    if form != "pcm24":
        raise ValueError(f"form must be 'float32' or 'pcm24', got {form!r}")
    largest = float(np.max(np.abs(taps)))
    if largest > 1 + 0.5 / _FULL_SCALE:
        raise ValueError(f"the largest tap is {largest:.6f} of full scale: lower the filter by its headroom first")
    return wav_bytes(np.clip(np.rint(taps * _FULL_SCALE), -_FULL_SCALE, _FULL_SCALE - 1).astype(np.int32), rate)


def correction_text(correction: Correction, *, about: Sequence[str] = ()) -> str:
    """Return a correction's level curve as text: `frequency_hz,gain_db` a line, under comments that begin with `#`.

    It runs from where the gain begins to where it ends, 1/3 octave outside the band on both sides; outside of that
    it is 0 dB.

    Parameters
    ----------
    about : lines of text
        Put first, each as a comment: what is corrected towards what.
    """
    curve = correction.curve
    (align_low, align_high), (low, high) = curve.align_hz, curve.band_hz
    facts = [
        *about,
        "correction: level of a minimum-phase filter, 0 dB outside these frequencies",
        f"aligned_hz: {align_low:g} to {align_high:g}; corrected_hz: {low:g} to {high:g}",
        f"largest_boost_allowed_db: {curve.max_boost_db:g}; lower_programme_by_db: {correction.headroom_db:.2f}",
        f"error_db: rms {correction.rms_before_db:.2f} before, {correction.rms_error_db:.2f} after; "
        f"worst {correction.worst_error_db:+.2f} at {correction.worst_error_hz:.0f} Hz",
        *(
            f"held_back_by_{band.by}: {band.low_hz:.0f} to {band.high_hz:.0f} Hz, leaves {band.worst_db:.2f} dB"
            for band in curve.held_back
        ),
        *(
            f"uncertain: {band.low_hz:.0f} to {band.high_hz:.0f} Hz, seatings {band.worst_db:.1f} dB apart (s.d.)"
            for band in curve.uncertain
        ),
        *(f"switched_off: {low:g} to {high:g} Hz" for low, high in curve.without_hz),
        *curve.remarks,
    ]
    comments = [f"# {line}" for fact in facts for line in fact.splitlines()]
    # A gain of -0.0000 would say nothing more than 0.
    rows = [
        f"{hz:.4f},{round(float(gain), 4) + 0.0:.4f}" for hz, gain in zip(curve.frequency, curve.gain_db, strict=True)
    ]
    return "\n".join([*comments, "frequency_hz,gain_db", *rows]) + "\n"


def _float_wav(taps: np.ndarray[tuple[int, ...], np.dtype[np.float64]], rate: int) -> bytes:
    """A WAV file of 32-bit floats; the format asks for a fact chunk wherever samples aren't PCM."""
    count, channels = taps.shape
    data = np.ascontiguousarray(taps, dtype="<f4").tobytes()
    chunks = b"".join(
        (
            struct.pack("<4sIHHIIHHH", b"fmt ", 18, 3, channels, rate, rate * channels * 4, channels * 4, 32, 0),
            struct.pack("<4sII", b"fact", 4, count),
            struct.pack("<4sI", b"data", len(data)),
            data,
        )
    )
    return struct.pack("<4sI4s", b"RIFF", 4 + len(chunks), b"WAVE") + chunks
