"""How like two pieces of sound are, channel by channel, once they run along together: sign and strength."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["channel_correlations"]


def channel_correlations(frames: ArrayLike, reference: ArrayLike) -> NDArray[np.float64]:
    """Return the correlation (channels,) of `frames` with `reference`, both (n, channels), without any shift.

    1: the same but for a gain. -1: the same upside down. nan where either channel is silent. Pearson's coefficient
    about zero, since sound has no mean of its own: sum(x y) / sqrt(sum(x x) sum(y y)).

    Raises
    ------
    ValueError
        Shapes that differ.
    """
    one, other = (np.asarray(value, dtype=np.float64) for value in (frames, reference))
    if one.ndim != 2 or one.shape != other.shape:
        raise ValueError(f"both must be (n, channels), got shapes {one.shape} and {other.shape}")
    power = np.sqrt(np.einsum("nc,nc->c", one, one) * np.einsum("nc,nc->c", other, other))
    with np.errstate(invalid="ignore", divide="ignore"):
        found: NDArray[np.float64] = np.einsum("nc,nc->c", one, other) / power
    return found
