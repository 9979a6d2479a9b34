"""Clips read from files and written to them."""

import os
import struct

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from blindtest.audio import Clip, aligned, read_clip, wav_bytes, write_clip
from blindtest.errors import BlindtestError


def _noise(n: int, channels: int = 2, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).uniform(-0.9, 0.9, (n, channels))


def _refusal(path) -> str:
    with pytest.raises(BlindtestError) as refusal:
        read_clip(path)
    text = str(refusal.value)
    assert text.startswith(f"{path}: ")
    assert "\n" not in text
    return text


# -- reading


@pytest.mark.parametrize(
    ("kind", "subtype"), [("wav", "PCM_16"), ("wav", "PCM_24"), ("flac", "PCM_16"), ("flac", "PCM_24")]
)
def test_integers_are_divided_by_half_their_range(tmp_path, kind, subtype):
    # Written by libsndfile from integers, so that no scaling of ours takes part.
    bits = int(subtype[-2:])
    whole = np.array([[0, 1], [-1, 2], [2 ** (bits - 1) - 1, -(2 ** (bits - 1))]], dtype=np.int64)
    path = tmp_path / f"tiny.{kind}"
    soundfile.write(path, (whole << (32 - bits)).astype(np.int32), 44_100, subtype=subtype)
    clip = read_clip(path)
    assert (clip.rate, clip.channels, clip.name) == (44_100, 2, "tiny")
    assert np.array_equal(clip.frames * 2.0 ** (bits - 1), whole)
    assert not clip.frames.flags.writeable


@pytest.mark.parametrize(
    ("name", "options", "worst"),
    [
        ("a.wav", {"subtype": "FLOAT"}, 1e-7),
        ("a.wav", {"subtype": "DOUBLE"}, 0.0),
        ("a.WAV", {"subtype": "PCM_16", "format": "WAV"}, 1e-4),
        ("a.flac", {"subtype": "PCM_24"}, 1e-6),
        ("a.ogg", {"format": "OGG", "subtype": "VORBIS"}, 0.2),
        ("a.mp3", {"format": "MP3", "subtype": "MPEG_LAYER_III"}, 0.2),
    ],
)
def test_the_four_formats(tmp_path, name, options, worst):
    tone = 0.5 * np.sin(np.arange(30_000) * 0.05)[:, None] * [1.0, -0.5]
    path = tmp_path / name
    soundfile.write(path, tone, 48_000, **options)
    clip = read_clip(path)
    assert clip.rate == 48_000
    assert clip.channels == 2
    shift = aligned(clip.frames, tone, 48_000, 0.1)  # coders may add silence in front
    n = min(len(clip.frames) - shift, len(tone)) - 2000
    assert n > 20_000
    assert np.abs(clip.frames[shift + 1000 : shift + n] - tone[1000:n]).max() <= worst


def test_mono_is_one_column(tmp_path):
    soundfile.write(tmp_path / "m.wav", _noise(10, 1), 8000)
    assert read_clip(tmp_path / "m.wav").frames.shape == (10, 1)


def test_a_long_clip_is_read_in_blocks(tmp_path, monkeypatch):
    monkeypatch.setattr("blindtest.audio.clip_files._BLOCK", 1000)
    for n in (999, 1000, 1001, 5000):
        frames = np.round(_noise(n) * 2**15) / 2**15
        soundfile.write(tmp_path / "long.flac", (frames * 2**15).astype(np.int16), 48_000)
        assert np.array_equal(read_clip(tmp_path / "long.flac").frames, frames)


def test_names_beyond_ascii(tmp_path):
    path = tmp_path / "Bläser – für später.wav"
    soundfile.write(path, _noise(10), 48_000)
    assert read_clip(str(path)).name == "Bläser – für später"


def test_files_that_are_not_there_or_not_files(tmp_path):
    assert "no such file; look at the path's spelling" in _refusal(tmp_path / "gone.wav")
    assert "is a folder, not an audio file (allowed: WAV, FLAC, Ogg or MP3)" in _refusal(tmp_path)


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="permissions don't bind this user")
def test_a_file_without_permission(tmp_path):
    path = tmp_path / "locked.wav"
    path.write_bytes(b"RIFF")
    path.chmod(0)
    assert "may not be read; give yourself permission" in _refusal(path)


def test_a_file_that_the_system_refuses(tmp_path, monkeypatch):
    path = tmp_path / "locked.wav"
    path.write_bytes(b"RIFF")

    def refuse(*_arguments, **_named):
        raise PermissionError(13, "denied")

    monkeypatch.setattr("pathlib.Path.open", refuse)
    assert "may not be read; give yourself permission" in _refusal(path)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "is empty, got '0 bytes'; copy or export it again"),
        (b"once upon a time there was no sound at all", "can't be read as audio (Format not recognised)"),
        (b"\x00\x00\x00\x20ftypM4A isom", "is an MPEG-4 file, which is not read (allowed: WAV, FLAC, Ogg or MP3)"),
        (b"\x00\x00\x00\x20ftypM4P isom", "is an MPEG-4 file and copy-protected, which is not read"),
        (wav_bytes(np.zeros((0, 2), dtype=np.int32), 48_000), "holds no audio, got '0 frames'"),
        (
            wav_bytes(np.zeros((9, 2), dtype=np.int32), 48),
            "sample rate out of range, got 48 (allowed: 8000 to 768000 Hz)",
        ),
        (wav_bytes(np.zeros((9, 11), dtype=np.int32), 48_000), "too many channels, got 11 (allowed: 1 to 8)"),
    ],
)
def test_files_that_hold_no_usable_audio(tmp_path, content, message):
    path = tmp_path / "odd.wav"
    path.write_bytes(content)
    assert message in _refusal(path)


def _float_wav(values: list[float]) -> bytes:
    data = struct.pack(f"<{len(values)}f", *values)
    form = struct.pack("<HHIIHH", 3, 1, 48_000, 192_000, 4, 32)
    body = b"WAVEfmt " + struct.pack("<I", 16) + form + b"data" + struct.pack("<I", len(data)) + data
    return b"RIFF" + struct.pack("<I", len(body)) + body


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ([0.1, 0.2, float("nan")], "a sample is not a number (frame 2), got nan (allowed: finite samples)"),
        ([float("-inf"), 0.2], "a sample is not a number (frame 0), got -inf"),
        (
            [0.5, 32767.0],
            "samples far beyond full scale, got 32767.0 (allowed: up to 100, full scale is 1); were integers",
        ),
    ],
)
def test_samples_that_are_none(tmp_path, values, message):
    path = tmp_path / "float.wav"
    path.write_bytes(_float_wav(values))
    assert message in _refusal(path)


def test_floating_point_over_full_scale_is_kept(tmp_path):
    path = tmp_path / "hot.wav"
    path.write_bytes(_float_wav([1.5, -2.0]))
    assert read_clip(path).frames.tolist() == [[1.5], [-2.0]]


def test_a_flac_cut_short_is_refused(tmp_path):
    path = tmp_path / "cut.flac"
    soundfile.write(path, _noise(48_000), 48_000, subtype="PCM_16")
    path.write_bytes(path.read_bytes()[:60_000])
    text = _refusal(path)
    assert "ends before its header says" in text or "can't be read as audio" in text


def test_a_damaged_mp3_is_not_called_missing(tmp_path):
    path = tmp_path / "torn.mp3"
    soundfile.write(path, _noise(3000), 44_100, format="MP3", subtype="MPEG_LAYER_III")
    path.write_bytes(path.read_bytes()[:300])
    assert "can't be read as audio (" in _refusal(path)
    assert "does not exist" not in _refusal(path)


def test_a_header_that_promises_a_year_costs_no_memory(tmp_path):
    path = tmp_path / "year.flac"
    soundfile.write(path, _noise(4800), 48_000, subtype="PCM_16")
    data = bytearray(path.read_bytes())
    # FLAC (RFC 9639, 8.2): the number of samples is the 36 bits ending at byte 18 of the stream info block.
    data[8 + 13] |= 0x0F
    data[8 + 14 : 8 + 18] = b"\xff\xff\xff\xff"
    path.write_bytes(bytes(data))
    text = _refusal(path)
    assert "ends before its header says" in text or "can't be read as audio" in text


@settings(max_examples=150, deadline=None)
@given(data=st.data(), kind=st.sampled_from(["WAV", "FLAC", "OGG", "MP3"]))
def test_a_damaged_file_is_read_or_refused_in_one_line(data, kind, tmp_path_factory):
    folder = tmp_path_factory.getbasetemp()
    whole = folder / f"whole.{kind.lower()}"
    if not whole.exists():
        soundfile.write(whole, _noise(3000), 44_100, format=kind)
    content = bytearray(whole.read_bytes())
    for _ in range(data.draw(st.integers(1, 6))):
        content[data.draw(st.integers(0, min(200, len(content) - 1)))] = data.draw(st.integers(0, 255))
    damaged = folder / "damaged.audio"
    damaged.write_bytes(bytes(content[: data.draw(st.integers(1, len(content)))]))
    try:
        clip = read_clip(damaged)
    except BlindtestError as refusal:
        text = str(refusal)
    else:
        text = ""
        assert np.isfinite(clip.frames).all()
        assert len(clip.frames) > 0
    assert "\n" not in text


# -- writing


@pytest.mark.parametrize(
    ("name", "subtype", "bits"),
    [
        ("a.wav", "PCM_24", 24),
        ("a.flac", "PCM_24", 24),
        ("a.flac", "PCM_16", 16),
        ("a.wav", "PCM_32", 32),
    ],
)
def test_written_integers_come_back_exactly(tmp_path, name, subtype, bits):
    frames = np.round(_noise(500) * 2 ** (bits - 1)) / 2 ** (bits - 1)
    frames[0] = [-1.0, 1.0 - 2.0 ** -(bits - 1)]
    write_clip(Clip(frames=frames, rate=96_000), tmp_path / name, subtype=subtype)
    again = read_clip(tmp_path / name)
    assert again.rate == 96_000
    assert np.array_equal(again.frames, frames)
    assert os.listdir(tmp_path) == [name]


def test_floating_point_holds_what_integers_cannot(tmp_path):
    clip = Clip(frames=np.array([[1.5], [-3.0]]), rate=48_000)
    write_clip(clip, tmp_path / "a.wav", subtype="DOUBLE")
    assert read_clip(tmp_path / "a.wav").frames.tolist() == [[1.5], [-3.0]]
    with pytest.raises(BlindtestError, match=r"samples pass full scale.*got 3\.0 .*lower the level"):
        write_clip(clip, tmp_path / "b.wav")
    assert not (tmp_path / "b.wav").exists()


@pytest.mark.parametrize(
    ("name", "subtype", "message"),
    [
        ("a.xyz", "PCM_24", r"unknown ending for audio, got '\.xyz' \(allowed: \.wav, \.flac\)"),
        ("a.flac", "FLOAT", r"FLAC can't hold this sample format, got 'FLOAT' \(allowed: PCM_16, PCM_24\)"),
        ("a.wav", "TAPE", "WAV can't hold this sample format, got 'TAPE'"),
        ("gone/a.wav", "PCM_24", "can't be written"),
    ],
)
def test_what_cannot_be_written_is_said(tmp_path, name, subtype, message):
    with pytest.raises(BlindtestError, match=message):
        write_clip(Clip(frames=_noise(5), rate=48_000), tmp_path / name, subtype=subtype)
    assert os.listdir(tmp_path) == []


def test_a_failed_writing_leaves_the_older_file(tmp_path, monkeypatch):
    path = tmp_path / "a.wav"
    write_clip(Clip(frames=_noise(5), rate=48_000), path)
    older = path.read_bytes()

    def full(*_arguments, **_named):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(soundfile, "write", full)
    with pytest.raises(BlindtestError, match="No space left on device"):
        write_clip(Clip(frames=_noise(9), rate=48_000), path)
    assert path.read_bytes() == older
    assert os.listdir(tmp_path) == ["a.wav"]
