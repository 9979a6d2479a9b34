"""Field references: the level at the eardrum minus the level in the field, averages of real ears.

ISO 11904-1:2002, "Acoustics - Determination of sound immission from sound sources placed close to the ear, part 1",
tables for the diffuse field and for the free field with frontal incidence, in third-octave bands. The values from
200 Hz to 12.5 kHz were compared with the printed tables; those at 100, 125, 160 Hz and 16 kHz are from memory.

A head simulator has its own curves (ITU-T P.58, IEC 60318-7): import the rig's, and never mix curves and responses of
different rigs. Where the user's own is missing these stand in, and the result has to say so.
"""

import numpy as np
from numpy.typing import NDArray

from .response import Response

__all__ = ["diffuse_field_curve", "free_field_curve"]

BANDS_HZ: tuple[float, ...] = (
    100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000, 1250,
    1600, 2000, 2500, 3150, 4000, 5000, 6300, 8000, 10_000, 12_500, 16_000,
)  # fmt: skip
DIFFUSE_FIELD_DB: tuple[float, ...] = (
    0.0, 0.2, 0.4, 0.6, 0.8, 1.1, 1.5, 2.1, 2.8, 3.3, 4.1, 5.5,
    7.7, 11.0, 15.3, 15.7, 12.9, 10.6, 9.4, 9.5, 6.8, 3.8, 0.7,
)  # fmt: skip
FREE_FIELD_DB: tuple[float, ...] = (
    0.0, 0.2, 0.4, 0.6, 0.8, 1.1, 1.5, 2.0, 2.3, 3.1, 2.7, 2.9,
    5.8, 12.4, 15.7, 14.9, 13.2, 8.9, 3.1, -1.4, -3.8, -0.1, -0.4,
)  # fmt: skip


def diffuse_field_curve() -> Response:
    """Return eardrum minus diffuse field of ISO 11904-1:2002, dB; 100 to 160 Hz and 16 kHz from memory."""
    return _curve("diffuse field", DIFFUSE_FIELD_DB)


def free_field_curve() -> Response:
    """Return eardrum minus frontal free field of ISO 11904-1:2002, dB; 100 to 160 Hz and 16 kHz from memory."""
    return _curve("frontal free field", FREE_FIELD_DB)


def _curve(field: str, levels: tuple[float, ...]) -> Response:
    magnitude: NDArray[np.float64] = np.array(levels)[:, None]
    return Response(
        frequency=np.array(BANDS_HZ),
        magnitude=magnitude,
        remarks=(
            f"ISO 11904-1:2002, {field}: averages of real ears, not of this rig; 100 to 160 Hz and 16 kHz from memory",
        ),
        sources=("ISO 11904-1:2002",),
    )
