"""Equal loudness: the gains that make a clip's stimuli equally loud, and the rows of the match table."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["MatchRow", "OutOfHeadroom", "matching_gains"]


class OutOfHeadroom(ValueError):
    """A stimulus would pass the ceiling at the loudness asked for.

    `asked` is that loudness, `reachable` the highest that all stimuli reach under the ceiling, both in LUFS;
    `stimulus` is the index of the one that stands in the way.
    """

    def __init__(self, *, asked: float, reachable: float, stimulus: int) -> None:
        self.asked = asked
        self.reachable = reachable
        self.stimulus = stimulus
        super().__init__(f"{asked:.2f} LUFS would pass the ceiling; all stimuli reach {reachable:.2f} LUFS")


@dataclass(frozen=True, slots=True, kw_only=True)
class MatchRow:
    """One stimulus in the match table: its levels by every measure, before and after its gain."""

    clip: str
    condition: str
    measure: str
    """What was matched: 'heard', 'file' or '1khz'."""
    heard_before: float
    """LUFS of what reaches the listener."""
    heard_after: float
    file_before: float
    """LUFS of the file itself."""
    file_after: float
    a_weighted_before: float
    """dB re an RMS of 1, A-weighted, of what is heard."""
    a_weighted_after: float
    rms_before: float
    """dB re an RMS of 1, unweighted, of what is heard."""
    rms_after: float
    gain_db: float
    true_peak_after: float
    """dBTP of the file."""


def matching_gains(loudness: ArrayLike, true_peak: ArrayLike, *, target: float, ceiling: float) -> NDArray[np.float64]:
    """Return the gain that brings each stimulus to the loudness its clip is played at.

    Parameters
    ----------
    loudness : (stimuli,) array_like, LUFS
        Integrated loudness by the measure that is matched (ITU-R BS.1770-5, annex 1); finite.
    true_peak : (stimuli,) array_like, dBTP
        True peak of the file before the gain; -inf is silence.
    target : float, LUFS
    ceiling : float, dBTP

    Returns
    -------
    (stimuli,) float64, dB

    Raises
    ------
    OutOfHeadroom
        A stimulus would pass the ceiling; carries the loudness that all could reach.
    """
    level = np.asarray(loudness, dtype=np.float64)
    peak = np.asarray(true_peak, dtype=np.float64)
    if level.ndim != 1 or level.shape != peak.shape or len(level) == 0:
        raise ValueError(f"loudness and true peak must be alike (stimuli,), got {level.shape} and {peak.shape}")
    if not np.all(np.isfinite(level)):
        raise ValueError(f"a stimulus without a loudness can't be matched, got {level.tolist()}")
    gain: NDArray[np.float64] = target - level
    worst = int(np.argmax(peak + gain))
    excess = float(peak[worst] + gain[worst]) - ceiling
    if excess > 0:
        raise OutOfHeadroom(asked=target, reachable=target - excess, stimulus=worst)
    return gain
