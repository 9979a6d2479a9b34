"""What was measured, and what follows from it: responses, their averages, filters made from them.

Usable alone on anybody's files. Frequencies in Hz ascending (bins,), levels in dB (bins, channels), phase in rad.
"""

from .correction import Correction, correction_fir
from .correction_curve import CorrectionCurve, HeldBack, correction_curve
from .field import diffuse_field_curve, free_field_curve
from .filter_files import correction_text, correction_wav, impulse_wav
from .fir import LengthCheck, check_length, minimum_phase_fir, minimum_phase_impulse, taps_for
from .inverse import RegularisedInverse, regularised_inverse_db
from .reading import parse_response, read_response
from .response import (
    Response,
    SeatingAverage,
    average_seatings,
    channel_mean,
    interpolated,
    level_at,
    level_between,
    smooth,
)

__all__ = [
    "Correction",
    "CorrectionCurve",
    "HeldBack",
    "LengthCheck",
    "RegularisedInverse",
    "Response",
    "SeatingAverage",
    "average_seatings",
    "channel_mean",
    "check_length",
    "correction_curve",
    "correction_fir",
    "correction_text",
    "correction_wav",
    "diffuse_field_curve",
    "free_field_curve",
    "impulse_wav",
    "interpolated",
    "level_at",
    "level_between",
    "minimum_phase_fir",
    "minimum_phase_impulse",
    "parse_response",
    "read_response",
    "regularised_inverse_db",
    "smooth",
    "taps_for",
]
