"""Second-order sections: peaking, low shelf, high shelf, and what a chain of them does.

Source: Audio EQ Cookbook (W3C Working Group Note, 2021-06-08). With A = 10^(gain/40), s in units of the section's own
frequency and Q as in the Note's alpha = sin(w0) / (2 Q):

    peaking     H(s) = (s^2 + s A/Q + 1) / (s^2 + s/(A Q) + 1)
    low shelf   H(s) = A (s^2 + s sqrt(A)/Q + A) / (A s^2 + s sqrt(A)/Q + 1)
    high shelf  H(s) = A (A s^2 + s sqrt(A)/Q + 1) / (s^2 + s sqrt(A)/Q + A)

The digital section is the bilinear transform of that, so that at a rate fs its level at f is the prototype's at
tan(pi f/fs) / tan(pi f0/fs): the same three numbers sound a little different at another rate, the nearer to half the
rate the more. All sections are minimum phase, and so are their inverses (the same with the gain's sign turned).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["SECTION_TYPES", "Section", "SectionType", "section_level_db", "sections_impulse", "sections_sos"]

Floats = NDArray[np.float64]
SectionType = Literal["peaking", "low-shelf", "high-shelf"]
SECTION_TYPES: tuple[SectionType, ...] = get_args(SectionType)

_NEAREST_TO_HALF = 1 - 1e-9
_SILENT = 1e-6
"""Of an impulse response's whole energy as amplitude: -120 dB."""
_SHORTEST, _LONGEST_S = 1024, 8.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """One second-order section by its three numbers.

    Raises
    ------
    ValueError
        A type that isn't known, a frequency or Q that isn't above 0, a number that isn't finite.
    """

    type: SectionType
    frequency_hz: float
    """Centre of a peak; where a shelf has half its gain in dB."""
    gain_db: float
    q: float

    def __post_init__(self) -> None:
        if self.type not in SECTION_TYPES:
            raise ValueError(f"type must be one of {', '.join(SECTION_TYPES)}, got {self.type!r}")
        if not (0 < self.frequency_hz < np.inf and 0 < self.q < np.inf and np.isfinite(self.gain_db)):
            raise ValueError(f"frequency and q must be above 0, all numbers finite, got {self}")

    def coefficients(self, rate: float) -> Floats:
        """Return b0 b1 b2 1 a1 a2 (6,) at `rate` Hz, a0 divided out; ValueError at or above half the rate."""
        if not self.frequency_hz < rate / 2:
            raise ValueError(f"a section at {self.frequency_hz:g} Hz needs a rate above {2 * self.frequency_hz:g} Hz")
        w0 = 2 * np.pi * self.frequency_hz / rate
        amplitude, c = 10 ** (self.gain_db / 40), np.cos(w0)
        alpha = np.sin(w0) / (2 * self.q)
        if self.type == "peaking":
            b = np.array([1 + alpha * amplitude, -2 * c, 1 - alpha * amplitude])
            a = np.array([1 + alpha / amplitude, -2 * c, 1 - alpha / amplitude])
        else:
            # The high shelf is the low one mirrored about half of half the rate: z to -z turns the cosine's sign.
            c = c if self.type == "low-shelf" else -c
            up, down, root = amplitude + 1, amplitude - 1, 2 * np.sqrt(amplitude) * alpha
            b = amplitude * np.array([up - down * c + root, 2 * (down - up * c), up - down * c - root])
            a = np.array([up + down * c + root, -2 * (down + up * c), up + down * c - root])
            if self.type == "high-shelf":
                b[1], a[1] = -b[1], -a[1]
        return np.asarray(np.concatenate((b, a)) / a[0], dtype=np.float64)


def sections_sos(sections: Sequence[Section], rate: float) -> Floats:
    """Return the coefficients of a chain (sections, 6) at `rate` Hz, as scipy.signal's functions of "sos" read them.

    No section at all comes out as the one that changes nothing. Raises ValueError as `Section.coefficients`.
    """
    if not sections:
        return np.array([[1.0, 0.0, 0.0, 1.0, 0.0, 0.0]])
    return np.stack([section.coefficients(rate) for section in sections])


def section_level_db(sections: Sequence[Section], frequency: ArrayLike, rate: float | None = None) -> Floats:
    """Return what a chain of sections does to the level (bins,) in dB at `frequency` (bins,) Hz.

    Parameters
    ----------
    rate : Hz, or None
        Of the programme: the level of the digital sections, held from half the rate on. None gives the prototypes'.
    """
    at = np.asarray(frequency, dtype=np.float64)
    total = np.zeros(at.shape)
    for section in sections:
        if rate is None:
            u = at / section.frequency_hz
        else:
            if not section.frequency_hz < rate / 2:
                raise ValueError(f"a section at {section.frequency_hz:g} Hz can't run at {rate:g} Hz")
            highest = rate / 2 * _NEAREST_TO_HALF
            u = np.tan(np.pi * np.minimum(at, highest) / rate) / np.tan(np.pi * section.frequency_hz / rate)
        total = total + _prototype_db(section, u)
    return total


def sections_impulse(sections: Sequence[Section], rate: int) -> Floats:
    """Return the impulse response of a chain (taps,), cut where less than -120 dB of its energy is left.

    Its length is a power of two of at least 1024 samples; 8 s is the longest.
    """
    from scipy.signal import sosfilt  # slow to import

    unit = np.zeros(1 << int(np.ceil(np.log2(max(_SHORTEST, _LONGEST_S * rate)))))
    unit[0] = 1.0
    whole: Floats = sosfilt(sections_sos(sections, rate), unit)
    left = np.sqrt(np.cumsum(whole[::-1] ** 2)[::-1])
    needed = int(np.count_nonzero(left > _SILENT * left[0]))
    return whole[: max(_SHORTEST, 1 << int(np.ceil(np.log2(max(1, needed)))))].copy()


def _prototype_db(section: Section, u: Floats) -> Floats:
    amplitude, square = 10 ** (section.gain_db / 40), u**2
    if section.type == "peaking":
        bell = (1 - square) ** 2
        above = bell + square * (amplitude / section.q) ** 2
        below = bell + square / (amplitude * section.q) ** 2
    else:
        width = square * amplitude / section.q**2
        near, far = (amplitude - square) ** 2 + width, (1 - amplitude * square) ** 2 + width
        above, below = (near, far) if section.type == "low-shelf" else (far, near)
        above = amplitude**2 * above
    return np.asarray(10 * np.log10(above / below), dtype=np.float64)
