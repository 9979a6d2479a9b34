"""Reading, writing, cutting, fading, resampling, aligning."""

import os
import struct

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from blindtest.audio import Clip, aligned, excerpt, faded, read_clip, resampled, wav_bytes, write_clip
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
    monkeypatch.setattr("blindtest.audio.clip._BLOCK", 1000)
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


# -- cutting and fading


def test_an_excerpt_is_cut_to_the_nearest_frame():
    clip = Clip(frames=np.arange(1000.0)[:, None], rate=1000, name="c")
    part = excerpt(clip, 0.1004, 0.5)
    assert (part.frames[0, 0], len(part.frames), part.name, part.rate) == (100.0, 400, "c", 1000)
    assert len(excerpt(clip, 0.0, 1.0).frames) == 1000


@pytest.mark.parametrize(
    ("start", "end", "message"),
    [
        (0.5, 0.5, r"c: an excerpt must end after it begins, got '0\.5 to 0\.5 s'"),
        (-1.0, 0.5, "must end after it begins"),
        (0.5, 1.5, r"c: the excerpt reaches past the end of the clip, got .* \(allowed: within 0 to 1\.000 s\)"),
        (0.5, 0.5001, "the excerpt is empty"),
    ],
)
def test_excerpts_that_are_none(start, end, message):
    clip = Clip(frames=np.zeros((1000, 1)), rate=1000, name="c")
    with pytest.raises(BlindtestError, match=message):
        excerpt(clip, start, end)


def test_fades_are_raised_cosines():
    ones = np.ones((1000, 2))
    result = faded(ones, 1000, 0.1)
    # Half way through a raised cosine is one half; fade and its reversal add up to one.
    assert result[49:51, 0].mean() == pytest.approx(0.5)
    assert result[:100] + result[:100][::-1] == pytest.approx(np.ones((100, 2)))
    assert np.array_equal(result[100:900], ones[100:900])
    assert result == pytest.approx(result[::-1])
    assert ones.min() == 1.0
    assert np.array_equal(faded(ones, 1000, 0.0), ones)
    assert faded(np.ones((3, 1)), 1000, 1.0).shape == (3, 1)


# -- resampling


@pytest.mark.parametrize(("start", "end"), [(44_100, 48_000), (48_000, 44_100), (96_000, 48_000)])
def test_resampling_keeps_tones_and_stops_images(start, end):
    # Closed form: a tone stays the same tone. Shared measurements found 20 kHz within 0.01 dB and images under -180 dB.
    t = np.arange(start * 2) / start
    for frequency, worst_db in ((1000.0, 0.001), (18_000.0, 0.005), (20_000.0, 0.02)):
        tone = Clip(frames=0.5 * np.sin(2 * np.pi * frequency * t)[:, None], rate=start)
        moved = resampled(tone, end)
        assert moved.rate == end
        assert abs(len(moved.frames) - 2 * end) <= 1
        middle = moved.frames[end // 2 : end // 2 + end, 0]
        spectrum = np.abs(np.fft.rfft(middle * np.blackman(end))) / (0.42 * end / 2) / 0.5
        assert 20 * np.log10(spectrum[int(frequency)]) == pytest.approx(0.0, abs=worst_db)
        spectrum[int(frequency) - 20 : int(frequency) + 21] = 0.0
        assert spectrum.max() < 1e-5  # the window's own side lobes allow no more


def test_resampling_to_its_own_rate_is_the_clip_itself():
    clip = Clip(frames=_noise(10), rate=48_000)
    assert resampled(clip, 48_000) is clip
    with pytest.raises(ValueError, match="rate must be 8000 to 768000 Hz, got 48"):
        resampled(clip, 48)


# -- aligning


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 2**32), shift=st.integers(-400, 400), polarity=st.sampled_from([1, -1]), gain=st.floats(0.05, 4)
)
def test_a_known_shift_is_found(seed, shift, polarity, gain):
    source = np.random.default_rng(seed).standard_normal((4000, 2))
    reference, moved = source[500:3500], source[500 - shift : 3500 - shift] * polarity * gain
    assert aligned(moved, reference, 1000, 0.5) == shift
    assert aligned(reference, moved, 1000, 0.5) == -shift


def test_a_shift_beyond_the_limit_is_not_found():
    click = np.zeros((1000, 1))
    click[500] = 1.0
    assert aligned(np.roll(click, 50, axis=0), click, 1000, 0.06) == 50
    assert abs(aligned(np.roll(click, 50, axis=0), click, 1000, 0.04)) <= 40


def test_silence_and_nothing_lie_at_zero():
    assert aligned(np.zeros((100, 1)), np.zeros((100, 1)), 1000, 0.05) == 0
    assert aligned(np.zeros((0, 1)), np.zeros((100, 1)), 1000, 0.05) == 0
