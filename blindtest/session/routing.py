"""Routes: through which outputs of the sound device a condition's real unit is fed, and how far it is trimmed.

Where units hang on outputs of their own, a trial's slots hold one clip, each on the outputs of its unit and silent on
all others; the switch between them is that of any sounds (5 ms out, 5 ms in). All slots of a trial have the same
shape, whichever unit they feed.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["Route", "on_outputs", "trimmed"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Route:
    """Where a condition sounds. Stays on the server."""

    outputs: tuple[int, ...] = ()
    """From 1; () leaves channels where they are."""
    trim_db: float = 0.0
    """At most 0."""


def trimmed(samples: ArrayLike, trim_db: float) -> NDArray[np.int32]:
    """Return 24-bit samples (n, channels) brought down by `trim_db` (dB, at most 0), rounded; at 0 as they are.

    Rounding stays within half of the last of 24 bits; the dither of each slot is added afterwards. At 0 as much is
    computed as elsewhere, so that the time it takes doesn't tell the softest unit.
    """
    if trim_db > 0:
        raise ValueError(f"a trim never turns up, got {trim_db} dB")
    brought: NDArray[np.int32] = np.rint(np.asarray(samples, dtype=np.int32) * 10.0 ** (trim_db / 20)).astype(np.int32)
    return brought


def on_outputs(frames: NDArray[np.float32], outputs: tuple[int, ...], channels: int) -> NDArray[np.float32]:
    """Return `frames` (n, own channels) on its outputs of a stream, (n, channels); mono goes to each of them.

    outputs : from 1, distinct; () leaves the frames as they are
    channels : of the stream
    """
    if not outputs:
        return frames
    if frames.shape[1] not in (1, len(outputs)) or max(outputs) > channels:
        raise ValueError(f"{frames.shape[1]} channels don't fit the outputs {outputs} of {channels}")
    spread = np.zeros((len(frames), channels), dtype=np.float32)
    spread[:, [output - 1 for output in outputs]] = frames
    return spread
