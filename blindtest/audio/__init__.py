"""Samples: (n, channels) float64, full scale = 1, and a rate in Hz; nothing here knows of devices or tests.

Clips are cut, faded, resampled and aligned (`clip`), read from files and written (`clip_files`); their loudness and
true peak measured after ITU-R BS.1770-5 (`loudness`, `peak`), also as heard behind a filter (`levels`), stimuli made
equally loud (`matching`), filters applied (`filtering`), and frames turned into whole numbers and plain WAV files
(`pcm`). What a chain that is patched from output to input makes of them is measured by `loopback` and judged by
`loop_verdict`. What tells headphones from loudspeakers, and left from right, is made by `screening_sounds`.
"""

from blindtest.audio.band import band_level
from blindtest.audio.channel_places import channel_places
from blindtest.audio.clip import Clip, aligned, excerpt, faded, resampled, resampled_blocks
from blindtest.audio.clip_files import decoded_blocks, libsndfile_version, promised_seconds, read_clip, write_clip
from blindtest.audio.decibel import from_db, to_db
from blindtest.audio.filtering import FilterRun, KeptSpectra, apply_and_sum, apply_firs
from blindtest.audio.level_noise import NOISE_S, level_noise
from blindtest.audio.levels import Levels, Meter
from blindtest.audio.likeness import channel_correlations
from blindtest.audio.loop_noise import RestNoise, noise_at_rest
from blindtest.audio.loop_spectra import BANDS_HZ
from blindtest.audio.loop_verdict import LoopbackResult, Passage, judged
from blindtest.audio.loopback import Looped, looped
from blindtest.audio.loudest import LouderEar, louder_ear, loudest_momentary, loudest_short_term
from blindtest.audio.loudness import (
    WEIGHTED_CHANNELS,
    a_weighted_level,
    gated_loudness,
    hop_edges,
    integrated_loudness,
    k_weighting,
    loudness_range,
    momentary_loudness,
    place_weights,
    rms_level,
    short_term_loudness,
)
from blindtest.audio.matching import MatchRow, OutOfHeadroom, matching_gains
from blindtest.audio.pcm import (
    noise_length,
    quantised,
    sample_data,
    sample_places,
    samples_to_frames,
    triangular_dither,
    wav_bytes,
    wav_header,
    wav_samples,
)
from blindtest.audio.peak import RunningPeak, true_peak
from blindtest.audio.running_loudness import RunningLoudness
from blindtest.audio.screening_sounds import (
    antiphase_tones,
    channel_burst,
    dichotic_noises,
    gaussian,
    gaussian_length,
    screening_noise,
)
from blindtest.audio.tape import ClipTape, Frames, Part, WavTape, aligned_tapes, audio_extent, tape_extent

__all__ = [
    "BANDS_HZ",
    "NOISE_S",
    "WEIGHTED_CHANNELS",
    "Clip",
    "ClipTape",
    "FilterRun",
    "Frames",
    "KeptSpectra",
    "Levels",
    "LoopbackResult",
    "Looped",
    "LouderEar",
    "MatchRow",
    "Meter",
    "OutOfHeadroom",
    "Part",
    "Passage",
    "RestNoise",
    "RunningLoudness",
    "RunningPeak",
    "WavTape",
    "a_weighted_level",
    "aligned",
    "aligned_tapes",
    "antiphase_tones",
    "apply_and_sum",
    "apply_firs",
    "audio_extent",
    "band_level",
    "channel_burst",
    "channel_correlations",
    "channel_places",
    "decoded_blocks",
    "dichotic_noises",
    "excerpt",
    "faded",
    "from_db",
    "gated_loudness",
    "gaussian",
    "gaussian_length",
    "hop_edges",
    "integrated_loudness",
    "judged",
    "k_weighting",
    "level_noise",
    "libsndfile_version",
    "looped",
    "louder_ear",
    "loudest_momentary",
    "loudest_short_term",
    "loudness_range",
    "matching_gains",
    "momentary_loudness",
    "noise_at_rest",
    "noise_length",
    "place_weights",
    "promised_seconds",
    "quantised",
    "read_clip",
    "resampled",
    "resampled_blocks",
    "rms_level",
    "sample_data",
    "sample_places",
    "samples_to_frames",
    "screening_noise",
    "short_term_loudness",
    "tape_extent",
    "to_db",
    "triangular_dither",
    "true_peak",
    "wav_bytes",
    "wav_header",
    "wav_samples",
    "write_clip",
]
