"""What was measured, and what follows from it: responses, their averages, filters made from them.

Usable alone on anybody's files. Frequencies in Hz ascending (bins,), levels in dB (bins, channels), phase in rad.
"""

from .correction import Correction, correction_fir
from .correction_curve import CorrectionCurve, HeldBack, correction_curve
from .drive import Amplifier, Demand, Sensitivity, demand, power_mw, source_emf
from .excess_phase import ExcessPhase, excess_phase, mean_excess_phase
from .exposure import (
    LIMITS,
    ExposureLimit,
    a_weighting_db,
    dose,
    exposure_pa2h,
    field_level_dba,
    programme_signal_db,
    seconds_allowed,
)
from .field import diffuse_field_curve, free_field_curve
from .filter_files import correction_text, correction_wav, impulse_wav
from .fir import LengthCheck, check_length, minimum_phase_fir, minimum_phase_impulse, taps_for
from .harmonic_table import db_to_percent, parse_harmonics, percent_to_db, read_harmonics, total_harmonic_distortion
from .harmonics import HarmonicStage, harmonic_stage
from .impedance import Impedance, divider_response, parse_impedance, read_impedance
from .impulse import (
    ImpulseFacts,
    ImpulseResponse,
    at_rate,
    impulse_facts,
    impulse_response_of,
    read_impulse_responses,
    windowed,
)
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
    "LIMITS",
    "Amplifier",
    "Correction",
    "CorrectionCurve",
    "Demand",
    "ExcessPhase",
    "ExposureLimit",
    "HarmonicStage",
    "HeldBack",
    "Impedance",
    "ImpulseFacts",
    "ImpulseResponse",
    "LengthCheck",
    "RegularisedInverse",
    "Response",
    "SeatingAverage",
    "Sensitivity",
    "a_weighting_db",
    "at_rate",
    "average_seatings",
    "channel_mean",
    "check_length",
    "correction_curve",
    "correction_fir",
    "correction_text",
    "correction_wav",
    "db_to_percent",
    "demand",
    "diffuse_field_curve",
    "divider_response",
    "dose",
    "excess_phase",
    "exposure_pa2h",
    "field_level_dba",
    "free_field_curve",
    "harmonic_stage",
    "impulse_facts",
    "impulse_response_of",
    "impulse_wav",
    "interpolated",
    "level_at",
    "level_between",
    "mean_excess_phase",
    "minimum_phase_fir",
    "minimum_phase_impulse",
    "parse_harmonics",
    "parse_impedance",
    "parse_response",
    "percent_to_db",
    "power_mw",
    "programme_signal_db",
    "read_harmonics",
    "read_impedance",
    "read_impulse_responses",
    "read_response",
    "regularised_inverse_db",
    "seconds_allowed",
    "smooth",
    "source_emf",
    "taps_for",
    "total_harmonic_distortion",
    "windowed",
]
