"""What each part of a measured chain contributes to the curve that is applied, so that it can be shown part by part."""

import numpy as np
from numpy.typing import NDArray

from blindtest.device import level_between

from .chain import Condition, ResponseStage, Stage, is_measured
from .curves import trusted_weight
from .grid import fine_grid
from .playback import Playback, playback_inverse_db

__all__ = ["measured_shares_db"]

Floats = NDArray[np.float64]


def measured_shares_db(
    condition: Condition, playback: Playback | None, band_hz: tuple[float, float], frequency: Floats
) -> tuple[Floats | None, tuple[tuple[Stage, Floats], ...]]:
    """Return what the shared inverse (bins,) and each response of a chain (bins,) add to its curve, in dB.

    Each has a mean of 0 dB over the trusted band `band_hz` and fades out outside it, as the curve itself does: inside
    the band they add up to `condition_curve_db`, less what is designed. The inverse is None where the playback unit's
    response is unknown.
    """
    weight = trusted_weight(frequency, band_hz)
    own = [stage for stage in condition.stages if is_measured(stage)]
    known = None if playback is None else playback.response
    measured = [stage.response for stage in own if isinstance(stage, ResponseStage)]
    fine = fine_grid(*measured, *([] if known is None else [known]))
    responses = tuple(
        (stage, weight * (stage.level_db(frequency) - level_between(fine, stage.level_db(fine), *band_hz)))
        for stage in own
    )
    if known is None:
        return None, responses
    inverse = playback_inverse_db(playback, frequency)
    return weight * (inverse - level_between(fine, playback_inverse_db(playback, fine), *band_hz)), responses
