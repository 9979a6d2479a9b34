"""Samples: (n, channels) float64, full scale = 1, and a rate in Hz; nothing here knows of devices or tests.

Clips are read and written, cut, faded, resampled and aligned (`clip`); their loudness and true peak measured after
ITU-R BS.1770-5 (`loudness`, `peak`), stimuli made equally loud (`matching`), filters applied (`filtering`), and
frames turned into whole numbers and plain WAV files (`pcm`).
"""

from blindtest.audio.clip import Clip, aligned, excerpt, faded, read_clip, resampled, write_clip
from blindtest.audio.decibel import from_db, to_db
from blindtest.audio.filtering import apply_firs
from blindtest.audio.loudness import (
    a_weighted_level,
    integrated_loudness,
    k_weighting,
    loudness_range,
    momentary_loudness,
    rms_level,
    short_term_loudness,
)
from blindtest.audio.matching import MatchRow, OutOfHeadroom, matching_gains
from blindtest.audio.pcm import noise_length, quantised, samples_to_frames, wav_bytes, wav_samples
from blindtest.audio.peak import true_peak

__all__ = [
    "Clip",
    "MatchRow",
    "OutOfHeadroom",
    "a_weighted_level",
    "aligned",
    "apply_firs",
    "excerpt",
    "faded",
    "from_db",
    "integrated_loudness",
    "k_weighting",
    "loudness_range",
    "matching_gains",
    "momentary_loudness",
    "noise_length",
    "quantised",
    "read_clip",
    "resampled",
    "rms_level",
    "samples_to_frames",
    "short_term_loudness",
    "to_db",
    "true_peak",
    "wav_bytes",
    "wav_samples",
    "write_clip",
]
