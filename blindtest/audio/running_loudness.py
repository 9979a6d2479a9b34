"""The integrated loudness of a programme that comes block by block: the number that it has in one piece."""

import math

import numpy as np
from numpy.typing import NDArray

from blindtest.audio.loudness import CHUNK_HOPS, Hops, channel_weights, gated_loudness, hop_edges

__all__ = ["RunningLoudness"]


class RunningLoudness:
    """Measures `count` frames of so many channels at a rate in Hz, as they come (ITU-R BS.1770-5, annex 1)."""

    def __init__(self, count: int, rate: int, channels: int) -> None:
        self._edges = hop_edges(count, rate)
        self._hops = Hops(rate, channels)
        self._weights = channel_weights(channels)
        self._found: list[NDArray[np.float64]] = []
        self._waiting: list[NDArray[np.float64]] = []
        self._at = 0
        self._done = 0
        self._highest = 0.0

    def add(self, block: NDArray[np.float64]) -> None:
        """Take the next frames (n, channels)."""
        self._highest = max(self._highest, float(np.abs(block).max(initial=0.0)))
        self._waiting.append(np.array(block))
        self._at += len(block)
        while self._done < len(self._edges) - 1:
            inside = self._edges[self._done : self._done + CHUNK_HOPS + 1]
            if self._at < inside[-1]:
                break
            held = np.concatenate(self._waiting) if len(self._waiting) > 1 else self._waiting[0]
            first = int(inside[0]) - (self._at - len(held))
            length = int(inside[-1] - inside[0])
            self._found.append(self._hops.next(held[first : first + length], inside))
            self._waiting = [held[first + length :]]
            self._done += len(inside) - 1

    def level(self) -> float:
        """Return the loudness in LUFS, also of what is so low that the absolute gate shuts it out; -inf for silence."""
        if not self._found or self._highest == 0.0:
            return -math.inf
        energy = np.concatenate(self._found) @ self._weights
        level = gated_loudness(energy, self._edges)
        if level > -math.inf:
            return level
        return gated_loudness(energy / self._highest**2, self._edges) + 20.0 * math.log10(self._highest)
