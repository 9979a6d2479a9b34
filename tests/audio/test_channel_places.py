"""Where a file's channels belong, and what they count in a loudness: by written headers, BS.1770 and libebur128."""

import ctypes
import struct
from ctypes.util import find_library

import numpy as np
import pytest
import soundfile

from blindtest.audio import channel_places, integrated_loudness, place_weights
from blindtest.errors import BlindtestError

RATE = 48_000


def wav(path, frames, mask, *, before=b""):
    """Write WAVE_FORMAT_EXTENSIBLE of 16 bits by hand, other chunks ahead of its format."""
    channels = frames.shape[1]
    data = np.round(frames * 2**15).astype("<i2").tobytes()
    form = struct.pack("<HHIIHHHHI", 0xFFFE, channels, RATE, RATE * 2 * channels, 2 * channels, 16, 22, 16, mask)
    form += b"\x01\x00\x00\x00\x00\x00\x10\x00\x80\x00\x00\xaa\x00\x38\x9b\x71"  # integers (KSDATAFORMAT_SUBTYPE_PCM)
    body = b"WAVE" + before + b"fmt " + struct.pack("<I", 40) + form + b"data" + struct.pack("<I", len(data)) + data
    path.write_bytes(b"RIFF" + struct.pack("<I", len(body)) + body)
    return path


def noise(channels, seconds=2):
    return 0.05 * np.random.Generator(np.random.PCG64(1770)).standard_normal((seconds * RATE, channels))


@pytest.mark.parametrize(
    ("mask", "places"),
    [
        (0x3, ("L", "R")),
        (0xB, ("L", "R", "LFE")),
        (0x7, ("L", "R", "C")),
        (0x33, ("L", "R", "Lb", "Rb")),
        (0x3F, ("L", "R", "C", "LFE", "Lb", "Rb")),
        (0x60F, ("L", "R", "C", "LFE", "Ls", "Rs")),
        (0x63F, ("L", "R", "C", "LFE", "Lb", "Rb", "Ls", "Rs")),
        (0x10B, ("L", "R", "LFE", "Cb")),
    ],
)
def test_a_mask_says_where_channels_belong(tmp_path, mask, places):
    """Bits of Microsoft's paper of 2001, lowest first (from memory); a chunk of odd length ahead of the format."""
    junk = b"JUNK" + struct.pack("<I", 5) + b"12345\0"
    path = wav(tmp_path / "a.wav", np.zeros((480, len(places))), mask, before=junk)
    assert soundfile.info(str(path)).channels == len(places)
    assert channel_places(path, len(places)) == places


@pytest.mark.parametrize(
    ("format_", "places"),
    [
        ("FLAC", ("L", "R", "C", "LFE", "Cb", "Ls", "Rs")),  # RFC 9639, 9.1.3
        ("OGG", ("L", "C", "R", "Ls", "Rs", "Cb", "LFE")),  # Vorbis I specification, 4.3.9
        ("WAV", None),
    ],
)
def test_without_a_mask_the_format_says_it(tmp_path, format_, places):
    path = tmp_path / "a"
    soundfile.write(path, np.zeros((4800, 7)), RATE, format=format_)
    assert channel_places(path, 7) == places
    soundfile.write(path, np.zeros((4800, 2)), RATE, format=format_)
    assert channel_places(path, 2) is None


def test_a_flac_may_hold_a_mask_as_a_tag(tmp_path):
    """RFC 9639, 8.6.2: WAVEFORMATEXTENSIBLE_CHANNEL_MASK=0xB is left, right and low-frequency effects."""
    path = tmp_path / "a.flac"
    soundfile.write(path, np.zeros((4800, 3)), RATE)
    whole = path.read_bytes()
    tag = b"WAVEFORMATEXTENSIBLE_CHANNEL_MASK=0xB"
    block = struct.pack("<I", 0) + struct.pack("<II", 1, len(tag)) + tag
    first = bytearray(whole[:42])  # the marker and STREAMINFO, which comes first (8.2)
    first[4] &= 0x7F
    last = b"\x81" + (1).to_bytes(3, "big") + b"\0"  # padding
    rest = whole[42:]
    while True:  # the blocks that were there go, the frames stay
        done, size = rest[0] >> 7, int.from_bytes(rest[1:4], "big")
        rest = rest[4 + size :]
        if done:
            break
    path.write_bytes(bytes(first) + b"\x04" + len(block).to_bytes(3, "big") + block + last + rest)
    assert soundfile.read(path)[0].shape == (4800, 3)
    assert channel_places(path, 3) == ("L", "R", "LFE")


def test_a_mask_for_fewer_channels_is_refused(tmp_path):
    path = wav(tmp_path / "a.wav", np.zeros((480, 3)), 0x3)
    with pytest.raises(BlindtestError, match=r"a\.wav: its channel mask places 2 of 3 channels, got '?0x3'? \(allowed"):
        channel_places(path, 3)
    # Places of more channels than there are: the lowest count; of none: it is left open.
    assert channel_places(wav(path, np.zeros((480, 3)), 0x3F), 3) == ("L", "R", "C")
    assert channel_places(wav(path, np.zeros((480, 3)), 0), 3) is None


@pytest.mark.parametrize("length", [0, 3, 11, 14, 20, 36, 43])
def test_a_header_that_ends_early_says_nothing(tmp_path, length):
    path = wav(tmp_path / "a.wav", np.zeros((480, 3)), 0xB)
    path.write_bytes(path.read_bytes()[:length])
    assert channel_places(path, 3) is None


# libebur128 1.2.6, ebur128.h: positions of ITU-R BS.1770-5, annex 3, and BS.2051.
POSITIONS = {"LFE": 0, "L": 1, "R": 2, "C": 3, "Ls at 110": 4, "Rs at 110": 5, "Ls": 11, "Rs": 12, "Lb": 13, "Rb": 14}


@pytest.mark.parametrize(
    ("mask", "positions"),
    [
        (0xB, ("L", "R", "LFE")),
        (0x33, ("L", "R", "Ls at 110", "Rs at 110")),
        (0x3F, ("L", "R", "C", "LFE", "Ls at 110", "Rs at 110")),
        (0x63F, ("L", "R", "C", "LFE", "Lb", "Rb", "Ls", "Rs")),
    ],
)
def test_channels_count_as_libebur128_counts_them(tmp_path, require, mask, positions):
    found = find_library("ebur128")
    require("libebur128", found is not None, "libebur128 is not installed (Debian: libebur128-1)")
    library = ctypes.CDLL(found)
    path = wav(tmp_path / "a.wav", noise(len(positions)), mask)
    frames = np.ascontiguousarray(soundfile.read(path, always_2d=True)[0])
    library.ebur128_init.restype = ctypes.c_void_p
    state = ctypes.c_void_p(library.ebur128_init(len(positions), ctypes.c_ulong(RATE), 5))  # 5: integrated
    for channel, position in enumerate(positions):
        assert library.ebur128_set_channel(state, channel, POSITIONS[position]) == 0
    library.ebur128_add_frames_double(state, frames.ctypes.data_as(ctypes.c_void_p), ctypes.c_size_t(len(frames)))
    theirs = ctypes.c_double()
    assert library.ebur128_loudness_global(state, ctypes.byref(theirs)) == 0
    library.ebur128_destroy(ctypes.byref(state))
    ours = integrated_loudness(frames, RATE, weights=place_weights(channel_places(path, len(positions))))
    assert ours == pytest.approx(theirs.value, abs=0.001)


def test_weights_are_those_of_bs1770():
    """ITU-R BS.1770-5, annex 1: 1.41 (1.5 dB) for the surrounds, none for LFE; annex 3: 1 behind 120 degrees."""
    assert list(place_weights(("L", "R", "LFE"))) == [1.0, 1.0, 0.0]
    assert list(place_weights(("L", "R", "C", "LFE", "Lb", "Rb"))) == [1.0, 1.0, 1.0, 0.0, 1.41, 1.41]
    assert list(place_weights(("Lb", "Rb", "Ls", "Rs", "Cb", "top L"))) == [1.0, 1.0, 1.41, 1.41, 1.0, 1.0]


@pytest.mark.parametrize("weights", [[1.0], [1.0, -1.0], [1.0, np.nan]])
def test_each_channel_needs_a_weight(weights):
    with pytest.raises(ValueError, match="a weight of 0 or more for each of 2 channels"):
        integrated_loudness(noise(2), RATE, weights=weights)
