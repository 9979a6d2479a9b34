"""Sound exposure: A-weighting, levels referred to the field, and the share of an allowance that a sitting spends.

These are estimates from what was measured and entered, not a guarantee: the level at the ear depends on fit, seal and
volume. Where work is concerned local rules and licensed practice decide.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .field import diffuse_field_curve, free_field_curve
from .response import interpolated

__all__ = [
    "LIMITS",
    "ExposureLimit",
    "a_weighting_db",
    "dose",
    "exposure_pa2h",
    "field_level_dba",
    "programme_signal_db",
    "seconds_allowed",
]

Floats = NDArray[np.float64]
Limit = Literal["who", "who-sensitive", "niosh"]

REFERENCE_PA = 20e-6

THIRD_OCTAVES_HZ: tuple[float, ...] = (
    20, 25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000, 1250, 1600, 2000, 2500, 3150,
    4000, 5000, 6300, 8000, 10_000, 12_500, 16_000, 20_000,
)  # fmt: skip
PROGRAMME_SIGNAL_DB: tuple[float, ...] = (
    -13.5, -10.2, -7.4, -5.2, -3.5, -2.3, -1.4, -0.9, -0.5, -0.2, -0.1, 0, 0, 0, 0, 0, 0, -0.1, -0.3, -0.6, -1, -1.6,
    -2.5, -3.7, -5.1, -7, -9.4, -11.9, -14.8, -18.2, -21.6,
)  # fmt: skip
"""IEC 60268-1, Table II: simulated programme signal, power in third-octave bands from 20 Hz to 20 kHz."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ExposureLimit:
    """An allowance: `level_dba` for `seconds`; `exchange_db` more halve the time."""

    level_dba: float
    seconds: float
    exchange_db: float
    period: Literal["day", "week"]
    source: str


LIMITS: dict[str, ExposureLimit] = {
    "who": ExposureLimit(
        level_dba=80.0, seconds=40 * 3600.0, exchange_db=10 * float(np.log10(2)), period="week",
        source="WHO-ITU H.870: 80 dB(A) for 40 h a week, by energy",
    ),
    "who-sensitive": ExposureLimit(
        level_dba=75.0, seconds=40 * 3600.0, exchange_db=10 * float(np.log10(2)), period="week",
        source="WHO-ITU H.870, sensitive users: 75 dB(A) for 40 h a week, by energy (from memory)",
    ),
    "niosh": ExposureLimit(
        level_dba=85.0, seconds=8 * 3600.0, exchange_db=3.0, period="day",
        source="NIOSH 98-126 (1998): 85 dB(A) for 8 h, exchange rate 3 dB",
    ),
}  # fmt: skip


def a_weighting_db(frequency: ArrayLike) -> Floats:
    """Return the A-weighting (bins,) in dB at `frequency` (bins,) Hz, by the formula of IEC 61672-1 (annex E)."""
    squared = np.asarray(frequency, dtype=np.float64) ** 2
    f1, f2, f3, f4 = 20.598997, 107.65265, 737.86223, 12194.217
    gain = (f4**2 * squared**2) / (
        (squared + f1**2) * np.sqrt((squared + f2**2) * (squared + f3**2)) * (squared + f4**2)
    )
    at_1khz = (f4**2 * 1e12) / ((1e6 + f1**2) * np.sqrt((1e6 + f2**2) * (1e6 + f3**2)) * (1e6 + f4**2))
    weighting: Floats = 20 * np.log10(gain / at_1khz)
    return weighting


def programme_signal_db() -> tuple[Floats, Floats]:
    """Return third-octave bands (31,) in Hz and the power (31,) in dB of the simulated programme signal."""
    return np.array(THIRD_OCTAVES_HZ), np.array(PROGRAMME_SIGNAL_DB, dtype=np.float64)


def field_level_dba(
    frequency: ArrayLike, level_db: ArrayLike, *, referred: Literal["diffuse-field", "free-field", "none"]
) -> float:
    """Return the A-weighted level in dB of band levels at the eardrum, referred to the field.

    L = 10 lg sum 10^((L_ear - D + A) / 10), D the eardrum's level over the field's (ISO 11904-1:2002).

    Parameters
    ----------
    frequency, level_db : (bands,) Hz, dB SPL
    referred : "diffuse-field" or "free-field" takes the published table; "none" for levels that are the field's own
    """
    hertz = np.asarray(frequency, dtype=np.float64)
    levels = np.asarray(level_db, dtype=np.float64)
    if hertz.shape != levels.shape or hertz.ndim != 1 or not len(hertz):
        raise ValueError(f"need bands and their levels, got {hertz.shape} and {levels.shape}")
    if referred == "none":
        over = np.zeros(len(hertz))
    elif referred in ("diffuse-field", "free-field"):
        curve = diffuse_field_curve() if referred == "diffuse-field" else free_field_curve()
        over = interpolated(curve, hertz)[:, 0]
    else:
        raise ValueError(f"referred must be 'diffuse-field', 'free-field' or 'none', got {referred!r}")
    return float(10 * np.log10(np.sum(10 ** ((levels - over + _band_weighting_db(hertz)) / 10))))


def _band_weighting_db(hertz: Floats) -> Floats:
    """Return the A-weighting of bands: IEC 61672-1's table (a tenth of a decibel, exact midbands) for third octaves."""
    if not np.all(np.isin(hertz, THIRD_OCTAVES_HZ)):
        return a_weighting_db(hertz)
    return np.round(a_weighting_db(10 ** (np.round(10 * np.log10(hertz)) / 10)), 1)


def dose(level_dba: ArrayLike, duration_s: ArrayLike, *, limit: Limit = "who") -> float:
    """Return the share of an allowance that is spent: 1 is all of it.

    Parameters
    ----------
    level_dba : dB(A), field-referred; one level, or (parts,) of stretches whose shares add up
    duration_s : s, of each
    limit : "who" (80 dB(A) for 40 h a week), "who-sensitive" (75 dB(A)) or "niosh" (85 dB(A) for 8 h a day)
    """
    allowed = _limit(limit)
    levels, seconds = np.broadcast_arrays(
        np.asarray(level_dba, dtype=np.float64), np.asarray(duration_s, dtype=np.float64)
    )
    if np.any(seconds < 0) or np.any(np.isnan(levels)) or np.any(np.isnan(seconds)):
        raise ValueError("durations are 0 s or more, levels are numbers")
    share = seconds / allowed.seconds * 2.0 ** ((levels - allowed.level_dba) / allowed.exchange_db)
    return float(np.sum(share))


def seconds_allowed(level_dba: float, *, limit: Limit = "who") -> float:
    """Return for how many seconds a level in dB(A) may last until the allowance is spent."""
    return 1 / dose(level_dba, 1.0, limit=limit)


def exposure_pa2h(level_dba: ArrayLike, duration_s: ArrayLike) -> float:
    """Return the sound exposure in Pa^2 h: the A-weighted squared pressure over time (IEC 61252).

    Parameters
    ----------
    level_dba, duration_s : (stretches,) array_like, dB(A) re 20 uPa and s; all stretches add up
    """
    squared = REFERENCE_PA**2 * 10 ** (np.asarray(level_dba, dtype=np.float64) / 10)
    return float(np.sum(squared * np.asarray(duration_s, dtype=np.float64) / 3600))


def _limit(name: str) -> ExposureLimit:
    if name not in LIMITS:
        raise ValueError(f"limit must be one of {', '.join(LIMITS)}, got {name!r}")
    return LIMITS[name]
