"""A drawing as a PNG of at most 256 colours: a third of the bytes, and no colour that fills an area is another.

A drawing has few colours and many blends of them along its edges. The colours that are there most often stay as they
are; the blends get the nearest of a palette that leaves none far from it (greedy k-centre: Gonzalez 1985, "Clustering
to minimize the maximum intercluster distance", Theoretical Computer Science 38).
"""

import struct
import zlib
from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["nearest_in_palette", "palette_png"]

COLOURS = 256
"""What a byte a pixel can name (PNG, ISO/IEC 15948, colour type 3)."""
KEPT = 128
"""Colours that are kept as they are, by how often they are there."""


def palette_png(pixels: "NDArray[np.uint8]", *, dpi: int, words: Mapping[str, str]) -> bytes:
    """Return pixels (height, width, 3) as the bytes of a PNG; words : its texts by keyword."""
    palette, indices = nearest_in_palette(pixels)
    height, width = indices.shape
    per_metre = round(dpi / 0.0254)
    lines = np.zeros((height, width + 1), dtype=np.uint8)  # each line begins with its filter: none
    lines[:, 1:] = indices
    return b"".join(
        (
            b"\x89PNG\r\n\x1a\n",
            _chunk(b"IHDR", struct.pack(">2I5B", width, height, 8, 3, 0, 0, 0)),
            *(_chunk(b"iTXt", key.encode() + b"\0\0\0\0\0" + text.encode()) for key, text in words.items()),
            _chunk(b"pHYs", struct.pack(">2IB", per_metre, per_metre, 1)),
            _chunk(b"PLTE", palette.tobytes()),
            _chunk(b"IDAT", zlib.compress(lines.tobytes(), 9)),
            _chunk(b"IEND", b""),
        )
    )


def _chunk(kind: bytes, content: bytes) -> bytes:
    return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))


def nearest_in_palette(pixels: "NDArray[np.uint8]") -> "tuple[NDArray[np.uint8], NDArray[np.uint8]]":
    """Return a palette (colours, 3) of pixels (height, width, 3), and the index (height, width) of each pixel in it."""
    wide = pixels.astype(np.uint32)
    packed = (wide[..., 0] << 16) | (wide[..., 1] << 8) | wide[..., 2]
    found, inverse, counts = np.unique(packed, return_inverse=True, return_counts=True)
    colours = np.stack([found >> 16, found >> 8 & 255, found & 255], axis=-1).astype(np.int64)
    if len(colours) <= COLOURS:
        chosen = np.arange(len(colours))
    else:
        chosen = _spread(colours, np.argsort(-counts, kind="stable")[:KEPT])
    apart = ((colours[:, None, :] - colours[None, chosen, :]) ** 2).sum(axis=-1)
    nearest = apart.argmin(axis=1).astype(np.uint8)
    return colours[chosen].astype(np.uint8), nearest[inverse.reshape(packed.shape)]


def _spread(colours: "NDArray[np.int64]", first: "NDArray[np.int64]") -> "NDArray[np.int64]":
    """Return `first` and, one after the other, the colour that is farthest from all before it, up to `COLOURS`."""
    chosen = list(first)
    far = ((colours[:, None, :] - colours[None, first, :]) ** 2).sum(axis=-1).min(axis=1)
    while len(chosen) < COLOURS:
        chosen.append(int(far.argmax()))
        far = np.minimum(far, ((colours - colours[chosen[-1]]) ** 2).sum(axis=-1))
    return np.array(chosen)
