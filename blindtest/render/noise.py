"""A clip's dither as a stream: the same numbers as `drafts.dither` gives in one piece, block by block."""

import sys

import numpy as np
from numpy.typing import NDArray

from blindtest.audio import noise_length, triangular_dither

from .drafts import dither_seed

__all__ = ["DitherStream"]


class DitherStream:
    """The triangular dither of a key, in steps, from its beginning on."""

    def __init__(self, key: str, channels: int) -> None:
        # Python's own SHAKE gives its output in one piece only: 1.4 GB for an hour.
        from cryptography.hazmat.primitives.hashes import SHAKE256, XOFHash

        self._channels = channels
        self._source = XOFHash(SHAKE256(digest_size=sys.maxsize))
        self._source.update(dither_seed(key))

    def next(self, frames: int) -> NDArray[np.float64]:
        """Return the dither (frames, channels) of the next frames."""
        return self.dither_of(self.bytes_of(frames))

    def bytes_of(self, frames: int) -> bytes:
        """Return what the dither of the next frames is made of, drawn in their order."""
        return self._source.squeeze(noise_length(frames, self._channels))

    def dither_of(self, noise: bytes) -> NDArray[np.float64]:
        """Return the dither (frames, channels) that is made of `noise`, in any thread."""
        frames = len(noise) // noise_length(1, self._channels)
        return np.asfortranarray(triangular_dither(noise, (frames, self._channels)))
