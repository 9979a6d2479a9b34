"""What was measured, and what follows from it: responses, their averages, filters made from them.

Usable alone on anybody's files. Frequencies in Hz ascending (bins,), levels in dB (bins, channels), phase in rad.
"""

from .binaural import (
    PATHS,
    BinauralResponse,
    LoudspeakerFacts,
    at_rate_binaural,
    binaural_level_db,
    ear_levels_db,
    loudspeaker_facts,
    read_binaural,
)
from .correction import BandError, Correction, FirCorrection, correction_fir
from .correction_curve import CorrectionCurve, HeldBack, correction_curve
from .correction_limits import Limits, Uncertain, spread_of
from .drive import Amplifier, Demand, Sensitivity, demand, power_mw, source_emf
from .excess_phase import ExcessPhase, excess_band, excess_phase, mean_excess_phase
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
from .fir import LengthCheck, check_length, checked_fir, minimum_phase_fir, minimum_phase_impulse, taps_for
from .group_delay import group_delay_s
from .harmonic_levels import HarmonicLevel, harmonic_levels
from .harmonic_table import db_to_percent, parse_harmonics, percent_to_db, read_harmonics, total_harmonic_distortion
from .harmonics import HarmonicStage, harmonic_stage
from .imbalance import Imbalance, channel_imbalance
from .impedance import Impedance, divider_response, parse_impedance, read_impedance
from .impulse import (
    ImpulseFacts,
    ImpulseResponse,
    at_rate,
    common_rate,
    impulse_facts,
    impulse_response_of,
    read_impulse_responses,
    windowed,
)
from .inverse import RegularisedInverse, regularised_inverse_db
from .phase_delay import PhaseDelay, delay_of_phase
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
from .section_correction import SectionCorrection, correction_sections, sections_towards
from .section_files import coefficients_json, coefficients_text, parse_sections, read_sections, sections_text
from .sections import Section, section_level_db, sections_impulse, sections_sos
from .taking import Taken, taken_for
from .targets import field_target, flat_target, shaped_target, target_of_devices

__all__ = [
    "LIMITS",
    "PATHS",
    "Amplifier",
    "BandError",
    "BinauralResponse",
    "Correction",
    "CorrectionCurve",
    "Demand",
    "ExcessPhase",
    "ExposureLimit",
    "FirCorrection",
    "HarmonicLevel",
    "HarmonicStage",
    "HeldBack",
    "Imbalance",
    "Impedance",
    "ImpulseFacts",
    "ImpulseResponse",
    "LengthCheck",
    "Limits",
    "LoudspeakerFacts",
    "PhaseDelay",
    "RegularisedInverse",
    "Response",
    "SeatingAverage",
    "Section",
    "SectionCorrection",
    "Sensitivity",
    "Taken",
    "Uncertain",
    "a_weighting_db",
    "at_rate",
    "at_rate_binaural",
    "average_seatings",
    "binaural_level_db",
    "channel_imbalance",
    "channel_mean",
    "check_length",
    "checked_fir",
    "coefficients_json",
    "coefficients_text",
    "common_rate",
    "correction_curve",
    "correction_fir",
    "correction_sections",
    "correction_text",
    "correction_wav",
    "db_to_percent",
    "delay_of_phase",
    "demand",
    "diffuse_field_curve",
    "divider_response",
    "dose",
    "ear_levels_db",
    "excess_band",
    "excess_phase",
    "exposure_pa2h",
    "field_level_dba",
    "field_target",
    "flat_target",
    "free_field_curve",
    "group_delay_s",
    "harmonic_levels",
    "harmonic_stage",
    "impulse_facts",
    "impulse_response_of",
    "impulse_wav",
    "interpolated",
    "level_at",
    "level_between",
    "loudspeaker_facts",
    "mean_excess_phase",
    "minimum_phase_fir",
    "minimum_phase_impulse",
    "parse_harmonics",
    "parse_impedance",
    "parse_response",
    "parse_sections",
    "percent_to_db",
    "power_mw",
    "programme_signal_db",
    "read_binaural",
    "read_harmonics",
    "read_impedance",
    "read_impulse_responses",
    "read_response",
    "read_sections",
    "regularised_inverse_db",
    "seconds_allowed",
    "section_level_db",
    "sections_impulse",
    "sections_sos",
    "sections_text",
    "sections_towards",
    "shaped_target",
    "smooth",
    "source_emf",
    "spread_of",
    "taken_for",
    "taps_for",
    "target_of_devices",
    "total_harmonic_distortion",
    "windowed",
]
