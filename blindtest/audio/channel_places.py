"""Where the channels of a file belong: what its header says, or the order that its format lays down.

A loudness depends on it: ITU-R BS.1770-5 leaves the channel for low-frequency effects out and counts the surrounds
1.5 dB more. The library that reads samples does not tell, so the few bytes are read here: the mask in the `fmt` chunk
of a WAVE_FORMAT_EXTENSIBLE file (Microsoft, *Multiple Channel Audio Data and WAVE Files*, 2001; bits from memory), the
order of FLAC's channels (RFC 9639, 9.1.3) and its mask as a tag (8.6.2), and the order of Vorbis' (*Vorbis I
specification*, 4.3.9), which Opus shares (RFC 7845, 5.1.1.2).
"""

import re
import struct
from pathlib import Path
from typing import BinaryIO

from blindtest.errors import BlindtestError, Fault

__all__ = ["channel_places"]

MASK_PLACES = (
    "L", "R", "C", "LFE", "Lb", "Rb", "Lc", "Rc", "Cb", "Ls", "Rs",
    "top C", "top L", "top front C", "top R", "top Lb", "top Cb", "top Rb",
)  # fmt: skip
"""By bit: b is back, c between the centre and a front one, s at the side."""
FLAC_ORDER = {
    3: ("L", "R", "C"),
    4: ("L", "R", "Lb", "Rb"),
    5: ("L", "R", "C", "Lb", "Rb"),
    6: ("L", "R", "C", "LFE", "Lb", "Rb"),
    7: ("L", "R", "C", "LFE", "Cb", "Ls", "Rs"),
    8: ("L", "R", "C", "LFE", "Lb", "Rb", "Ls", "Rs"),
}
VORBIS_ORDER = {
    3: ("L", "C", "R"),
    4: ("L", "R", "Lb", "Rb"),
    5: ("L", "C", "R", "Lb", "Rb"),
    6: ("L", "C", "R", "Lb", "Rb", "LFE"),
    7: ("L", "C", "R", "Ls", "Rs", "Cb", "LFE"),
    8: ("L", "C", "R", "Ls", "Rs", "Lb", "Rb", "LFE"),
}

_EXTENSIBLE = 0xFFFE
_FLAC_TAGS = 4  # the kind of metadata block that holds them
_MOST_TAGS = 1 << 20
_FLAC_MASK = re.compile(rb"WAVEFORMATEXTENSIBLE_CHANNEL_MASK=0x([0-9a-f]{1,8})", re.IGNORECASE)


def channel_places(path: Path, channels: int) -> tuple[str, ...] | None:
    """Return where each of a file's `channels` belongs, in their order; None where the file leaves it open.

    Names are those of `place_weights`. One and two channels are left open unless a mask says where they belong.

    Raises
    ------
    BlindtestError
        A mask that names fewer places than there are channels.
    """
    with path.open("rb") as file:
        start = file.read(4)
        if start in (b"RIFF", b"RF64", b"BW64"):
            mask, order = _wav_mask(file), None
        elif start == b"fLaC":
            mask, order = _flac_mask(file), FLAC_ORDER.get(channels)
        else:
            mask, order = 0, VORBIS_ORDER.get(channels) if start == b"OggS" else None
    if not mask:
        return order
    # More bits than channels: the lowest ones count, as Microsoft's paper says.
    places = tuple(name for bit, name in enumerate(MASK_PLACES) if mask >> bit & 1)[:channels]
    if len(places) < channels:
        raise BlindtestError(
            Fault(
                file=str(path),
                problem=f"its channel mask places {len(places)} of {channels} channels",
                got=f"0x{mask:X}",
                allowed="a place for each channel",
                remedy="export it again with the channels' places, or mix it down to two channels",
            )
        )
    return places


def _wav_mask(file: BinaryIO) -> int:
    """Return the mask in the `fmt` chunk; 0 where there is none."""
    file.seek(12)
    while len(head := file.read(8)) == 8:
        name, size = struct.unpack("<4sI", head)
        if name == b"fmt ":
            fields = file.read(min(size, 24))
            tag = int.from_bytes(fields[:2], "little")
            return int.from_bytes(fields[20:24], "little") if tag == _EXTENSIBLE and len(fields) == 24 else 0
        if name == b"data":  # comes after it, and may have no true size
            break
        file.seek(size + size % 2, 1)
    return 0


def _flac_mask(file: BinaryIO) -> int:
    """Return the mask among the tags; 0 where there is none."""
    last = 0
    while not last and len(head := file.read(4)) == 4:
        last, kind, size = head[0] >> 7, head[0] & 0x7F, int.from_bytes(head[1:], "big")
        if kind != _FLAC_TAGS:
            file.seek(size, 1)
        elif found := _FLAC_MASK.search(file.read(min(size, _MOST_TAGS))):
            return int(found[1], 16)
    return 0
