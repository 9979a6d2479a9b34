"""What was measured, and what follows from it: responses, their averages, filters made from them.

Usable alone on anybody's files. Frequencies in Hz ascending (bins,), levels in dB (bins, channels), phase in rad.
"""

from .field import diffuse_field_curve, free_field_curve
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
    "LengthCheck",
    "RegularisedInverse",
    "Response",
    "SeatingAverage",
    "average_seatings",
    "channel_mean",
    "check_length",
    "diffuse_field_curve",
    "free_field_curve",
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
