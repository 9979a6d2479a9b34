"""A clip that is streamed from file to file gives the same bytes and numbers as one that is held in memory."""

import errno
import hashlib
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import soundfile

from blindtest.audio import (
    Clip,
    ClipTape,
    FilterRun,
    Meter,
    RunningLoudness,
    RunningPeak,
    WavTape,
    aligned,
    aligned_tapes,
    apply_and_sum,
    clip_files,
    true_peak,
    wav_bytes,
)
from blindtest.device import ExcessPhase, Response
from blindtest.errors import BlindtestError
from blindtest.render import (
    ClipSource,
    Condition,
    DistortionStage,
    ExcessPhaseStage,
    GainStage,
    Playback,
    RecordingStage,
    RenderJob,
    ResponseStage,
    load_rendered,
    long_clips,
    long_programmes,
    render,
)
from blindtest.render.drafts import dither, loudness
from blindtest.render.noise import DitherStream

RATE = 48_000
GRID = np.geomspace(20, 20_000, 60)


def music(seconds, seed=1, channels=2):
    """Noise whose level moves by 20 dB within seconds."""
    rng = np.random.default_rng(seed)
    count = round(seconds * RATE)
    level = np.interp(
        np.arange(count),
        np.arange(0, count + RATE, RATE // 4),
        rng.uniform(-20, 0, count * 4 // RATE + 5)[: len(np.arange(0, count + RATE, RATE // 4))],
    )
    return 0.1 * rng.standard_normal((count, channels)) * 10 ** (level[:, None] / 20)


def unit(name, shape):
    return ResponseStage(
        unit_id=name, response=Response(frequency=GRID, magnitude=shape(np.log2(GRID / 1000))[:, None])
    )


def excess():
    frequency = np.arange(8193) * (RATE / 16384)
    phase = -2 * np.arctan(frequency / 300)
    phase[-1] = -np.pi
    return ExcessPhase(frequency=frequency, phase=phase, delay_s=0.0, inverted=False, band_hz=(20, 20_000), rate=RATE)


@pytest.fixture
def job(tmp_path):
    soundfile.write(tmp_path / "stereo.flac", music(6.0), RATE, subtype="PCM_24")
    soundfile.write(tmp_path / "mono.wav", music(3.3, 2, 1), RATE, subtype="FLOAT")
    heron, plover = unit("heron", lambda x: 4 * np.sin(x)), unit("plover", lambda x: -2 * np.cos(2 * x))
    return RenderJob(
        clips=(
            ClipSource(id="part", path=tmp_path / "stereo.flac", in_s=2.34567, out_s=5.1),
            ClipSource(id="mono", path=tmp_path / "mono.wav", in_s=0.01),
        ),
        conditions=(
            Condition(id="heron", stages=(heron,)),
            Condition(id="late", stages=(heron, ExcessPhaseStage(unit_id="heron", excess=excess()))),
            Condition(id="softer", stages=(plover, GainStage(gain_db=-1.0))),
            Condition(id="clip"),
        ),
        playback=Playback(unit_id="plover", response=plover.response),
    )


def found(rendered):
    return {(one.clip, one.condition): (one.sha256, one.frames, one.loudness, one.gain_db) for one in rendered.stimuli}


@pytest.mark.parametrize("workers", [pytest.param(1, marks=pytest.mark.long), 2])
def test_streamed_stimuli_are_the_same_bytes(tmp_path, job, monkeypatch, workers):
    held = render(job, tmp_path / "held")
    calls = []
    monkeypatch.setattr(long_clips, "LONG_FRAMES", 1)
    monkeypatch.setattr(long_clips, "BLOCK", 4711)
    monkeypatch.setattr(long_clips.LongClip, "drafts", _counted(long_clips.LongClip.drafts, calls))
    streamed = render(job, tmp_path / "streamed", workers=workers)
    assert len(calls) == len(job.clips)
    assert found(streamed) == found(held)
    assert [one.true_peak for one in streamed.stimuli] == pytest.approx(
        [one.true_peak for one in held.stimuli], abs=1e-9
    )
    assert sorted(p.name for p in (tmp_path / "streamed").iterdir()) == sorted(
        p.name for p in (tmp_path / "held").iterdir()
    )
    for one in streamed.stimuli:
        assert hashlib.sha256(one.path.read_bytes()).hexdigest() == one.sha256
    assert load_rendered(job, tmp_path / "streamed").made == 0
    # A condition that comes later, and a file that was lost: no draft waits for them.
    lost = streamed.stimulus("part", "softer").path
    lost.unlink()
    again = render(job, tmp_path / "streamed", workers=workers)
    assert again.made == 1
    assert found(again) == found(held)


def _counted(call, calls):
    def counted(*arguments):
        calls.append(arguments)
        return call(*arguments)

    return counted


def test_what_is_not_audio_is_not_streamed(job, monkeypatch):
    monkeypatch.setattr(long_clips, "LONG_FRAMES", 1)
    source = job.clips[0]
    assert long_clips.streams(source)
    assert not long_clips.streams(replace(source, path=source.path.with_name("none.wav")))


def harmonics():
    rows = [
        (hz, level, n, -35.0 - 5 * n - np.log2(hz / 100))
        for hz in (100, 3000)
        for level in (94.0, 104.0)
        for n in (2, 3)
    ]
    return pd.DataFrame(rows, columns=["frequency_hz", "level_db", "order", "distortion_db"])


def changed(job, place, kind):
    """The job with something that can't be read at any place of the clip's own file, and the largest step apart."""
    heron, clip = job.conditions[0].stages[0], job.conditions[-1]
    job = replace(job, clips=job.clips[:1])
    if kind == "rate":
        return replace(job, rate_hz=44_100, conditions=job.conditions[1:], match="file"), 0
    if kind in ("mp3", "ogg", "1khz"):
        job = replace(job, conditions=job.conditions[:2])
    if kind == "mp3":
        soundfile.write(place / "lossy.mp3", music(4.0, 5), RATE, format="MP3")
        return replace(job, clips=(replace(job.clips[0], path=place / "lossy.mp3", in_s=0.7, out_s=3.2),)), 0
    if kind == "ogg":
        soundfile.write(place / "lossy.ogg", 0.5 * music(4.0, 6)[:, :1], RATE, format="OGG", subtype="VORBIS")
        return replace(job, clips=(replace(job.clips[0], path=place / "lossy.ogg", in_s=0.7, out_s=3.2),)), 0
    if kind == "1khz":
        return replace(job, match="1khz"), 0
    if kind.startswith("recording"):
        late = np.concatenate([np.zeros((777, 2)), soundfile.read(job.clips[0].path)[0]])
        soundfile.write(place / "late.flac", 0.7 * late, RATE, subtype="PCM_24")
        soundfile.write(place / "unlike.flac", music(3.5, 8), RATE, subtype="PCM_24")
        recordings = tuple(
            Condition(id=name, stages=(RecordingStage(files={"part": place / f"{name}.flac"}, align=align),))
            for name, align in (("late", True), ("unlike", False))
        )
        job = replace(job, conditions=(job.conditions[0], *recordings, clip))
        return (job, 0) if kind == "recording" else (replace(job, match="1khz"), 1)
    # Half of a full-scale sine is the table's highest level in the second of these: the programme goes beyond it.
    level = 98.0 if kind == "harmonics" else 116.0
    bent = tuple(
        Condition(
            id=topology,
            stages=(DistortionStage(unit_id="heron", table=harmonics(), full_scale_db=level, topology=topology), heron),
        )
        for topology in ("after", "before")
    )
    more = (Condition(id="later", stages=(*bent[0].stages, *job.conditions[1].stages[1:])),)
    return replace(job, conditions=(*bent, *more, clip)), 0 if kind == "harmonics" else 1


@pytest.mark.parametrize(
    ("kind", "workers"),
    [
        ("rate", 2),
        ("mp3", 1),
        pytest.param("ogg", 2, marks=pytest.mark.long),
        pytest.param("1khz", 2, marks=pytest.mark.long),
        ("recording", 2),
        ("recording at 1 kHz", 2),
        ("harmonics", 2),
        pytest.param("beyond", 2, marks=pytest.mark.long),
    ],
)
def test_what_is_not_read_from_its_own_file_is_streamed_too(tmp_path, job, monkeypatch, kind, workers):
    """Bit for bit; within one step of 24 bits where a table of harmonics is exceeded, and of recordings at 1 kHz."""
    own, apart = changed(job, tmp_path, kind)
    held = render(own, tmp_path / "held")
    calls = []
    monkeypatch.setattr(long_clips, "LONG_FRAMES", 1)
    monkeypatch.setattr(long_clips, "BLOCK", 4711)
    monkeypatch.setattr(clip_files, "_BLOCK", 10_007)
    monkeypatch.setattr(long_clips.LongClip, "drafts", _counted(long_clips.LongClip.drafts, calls))
    streamed = render(own, tmp_path / "streamed", workers=workers)
    assert len(calls) == len(own.clips)
    assert {p.name for p in tmp_path.iterdir()} >= {"held", "streamed"}
    assert not [p for p in tmp_path.iterdir() if p.name.startswith("tmp")]
    assert [one.shift for one in streamed.stimuli] == [one.shift for one in held.stimuli]
    if not apart:
        assert found(streamed) == found(held)
        return
    for one, other in zip(held.stimuli, streamed.stimuli, strict=True):
        steps = [soundfile.read(place.path, dtype="int32")[0] >> 8 for place in (one, other)]
        assert np.abs(steps[0] - steps[1]).max() <= apart
        assert np.mean(steps[0] != steps[1]) < (0.5 if own.match == "1khz" else 1e-3)
        assert one.gain_db == pytest.approx(other.gain_db, abs=5e-6)


def test_a_disk_that_is_full_is_one_line(tmp_path, job, monkeypatch):
    own, _ = changed(job, tmp_path, "rate")
    monkeypatch.setattr(long_clips, "LONG_FRAMES", 1)

    def full(self, frames):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(long_programmes.Store, "add", full)
    with pytest.raises(BlindtestError, match=r"can't be written \(No space left on device\); make room"):
        render(own, tmp_path / "stimuli")


@pytest.mark.parametrize("late", [0, 431, -1000])
def test_tapes_are_aligned_as_arrays_are(late):
    """Against `aligned`, over several blocks of the correlation."""
    sound = music(14.0, 9)
    other = np.roll(sound, late, axis=0) + 0.02 * np.random.default_rng(1).standard_normal(sound.shape)
    assert aligned_tapes(other, sound, RATE, 0.05) == aligned(other, sound, RATE, 0.05) == late
    assert aligned_tapes(np.zeros((10, 2)), sound, RATE, 0.05) == 0
    assert aligned_tapes(np.zeros((0, 2)), sound, RATE, 0.05) == 0


def test_loudness_in_pieces_is_that_of_the_whole():
    for count, scale in ((3 * RATE + 17, 1.0), (int(0.3 * RATE), 1.0), (2 * RATE, 1e-6)):
        sound = scale * music(4.0, 2)[:count]
        running = RunningLoudness(count, RATE, 2)
        for start in range(0, count, 4999):
            running.add(sound[start : start + 4999])
        assert running.level() == pytest.approx(loudness(sound, RATE), abs=1e-9)
    running = RunningLoudness(100_000, RATE, 2)
    running.add(np.zeros((100_000, 2)))
    assert running.level() == -np.inf


FAULTS = {
    "nan": ("nan.wav", {}),
    "short": ("stereo.flac", {"in_s": 3, "out_s": 3.2}),
    "beyond": ("stereo.flac", {"in_s": 3, "out_s": 30}),
    "loud": ("stereo.flac", {"loudness_lufs": -5.0}),
    "silent": ("silent.wav", {}),
    "gate": ("stereo.flac", {"loudness_lufs": -69.95}),
    "cut": ("cut.flac", {}),
}


@pytest.mark.parametrize(
    "case", [pytest.param(name, marks=pytest.mark.long if name in ("silent", "gate", "cut") else ()) for name in FAULTS]
)
def test_faults_are_those_of_a_clip_in_memory(tmp_path, job, monkeypatch, case):
    broken = music(2.0)
    broken[70_000, 1] = np.nan
    soundfile.write(tmp_path / "nan.wav", broken, RATE, subtype="DOUBLE")
    soundfile.write(tmp_path / "silent.wav", np.zeros((RATE, 2)), RATE, subtype="PCM_24")
    whole = (tmp_path / "stereo.flac").read_bytes()
    (tmp_path / "cut.flac").write_bytes(whole[: len(whole) // 2])
    name, more = FAULTS[case]
    job = replace(
        job,
        clips=(ClipSource(id="one", path=tmp_path / name, **more),),
        conditions=(job.conditions[0], job.conditions[-1]),
    )

    def said(folder):
        with pytest.raises(BlindtestError) as raised:
            render(job, folder)
        assert not [*folder.glob("*.wav"), *folder.glob("*.part")]
        return {str(fault) for fault in raised.value.faults}

    held = said(tmp_path / "stimuli")
    monkeypatch.setattr(long_clips, "LONG_FRAMES", 1)
    streamed = said(tmp_path / "stimuli")
    if case == "gate":
        assert held <= streamed  # each thread names its first
    elif case == "cut":  # where a damaged file ends is seen at another frame
        assert all("cut.flac" in one and ("ends before" in one or "can't be read as audio" in one) for one in streamed)
    else:
        assert streamed == held


@pytest.mark.parametrize("cuts", [(1, 31, 32, 33, 500), (4096,), (20_000, 1, 7)])
def test_a_peak_is_found_whatever_the_blocks(cuts):
    """Against `true_peak` of the whole; with a burst across a border, and the peak at either end."""
    rng = np.random.default_rng(len(cuts))
    for place in (0, 5, 40_000, 63_990, 63_999):
        frames = 0.2 * rng.standard_normal((64_000, 2))
        frames[max(0, place - 2) : place + 3, place % 2] = 0.99 * (-1.0) ** np.arange(
            len(frames[max(0, place - 2) : place + 3])
        )
        running, at, turn = RunningPeak(2), 0, 0
        while at < len(frames):
            running.add(frames[at : at + cuts[turn % len(cuts)]])
            at, turn = at + cuts[turn % len(cuts)], turn + 1
        assert running.level() == pytest.approx(true_peak(frames, RATE), abs=1e-9)
    assert RunningPeak(2).level() == -np.inf


@pytest.mark.parametrize("place", [0, 30_000, 63_990])
def test_a_peak_in_full_is_found_among_coarse_blocks(place):
    """Against `true_peak` of the whole: float32 alone misses it, and few blocks are asked for in full."""
    rng = np.random.default_rng(place)
    count = 64_000
    frames = 0.2 * rng.standard_normal((count, 2)) * np.linspace(0.5, 1.0, count)[:, None]
    frames[place : place + 8, 1] = 0.987654321 * (-1.0) ** np.arange(len(frames[place : place + 8]))
    running, asked = RunningPeak(2), []
    for start in range(0, count, 4000):
        block = frames[start : start + 4000]
        if start + 4000 < count:
            coarse = block.astype(np.float32) * np.float32(1 + 2e-6 * (-1) ** (start // 4000))
            running.add(coarse, lambda block=block: asked.append(1) or block)
        else:
            running.add(block)
    assert running.level() == pytest.approx(true_peak(frames, RATE), abs=1e-9)
    assert len(asked) <= 12  # of 15
    coarse = RunningPeak(2)
    coarse.add(frames.astype(np.float32))
    assert coarse.level() != pytest.approx(true_peak(frames, RATE), abs=1e-9)


def test_a_coarse_run_gives_its_blocks_in_full_too():
    """Against the same filters in memory; the sums are those of a run in full, to the last bit."""
    rng = np.random.default_rng(4)
    frames, before = rng.standard_normal((40_000, 2)), rng.standard_normal((900, 2))
    firs = [rng.standard_normal(length) / length for length in (900, 900, 50)]
    summed, edges = [firs[0], firs[2], firs[1]], np.arange(0, 40_001, 4000)
    results, sums = apply_and_sum(frames, firs, summed, edges, before=before)
    run, at = FilterRun(frames, firs, summed, edges, before=before, coarse=True), 0
    for start, piece in run.pieces():
        made = run.through(start, piece)
        for place, (block, whole) in enumerate(zip(made.blocks, results, strict=True)):
            wanted = whole[at : at + len(block)]
            assert block.dtype == np.float32
            assert np.abs(block - wanted).max() < 1e-6 * np.abs(whole).max()
            assert np.array_equal(run.fine(made, place), wanted)
        at += len(made.blocks[0])
        run.give_back(made)
    assert at == 40_000 > 3 * len(made.blocks[0])
    assert all(np.array_equal(one, other) for one, other in zip(run.sums, sums, strict=True))


def test_dither_is_the_same_in_pieces():
    whole = dither("a key", 10_000, 2)
    stream = DitherStream("a key", 2)
    assert np.array_equal(np.concatenate([stream.next(n) for n in (1, 999, 33, 8967)]), whole)


def test_tapes_give_what_the_files_hold(tmp_path):
    frames = np.round(music(2.0, 3) * 2**23) / 2**23
    soundfile.write(tmp_path / "a.flac", frames, RATE, subtype="PCM_24")
    meter = Meter(RATE, np.array([0.9, 0.2]))
    with ClipTape(tmp_path / "a.flac") as tape:
        for span in (slice(0, 10), slice(5, 40_000), slice(39_000, 39_000), slice(100, 300), slice(95_000, 99_000)):
            assert np.array_equal(tape[span], frames[span])
        assert meter.levels(tape) == meter.levels(frames)
    samples = np.rint(frames * 2**23).astype(np.int32)
    (tmp_path / "b.wav").write_bytes(wav_bytes(samples, RATE))
    with WavTape(tmp_path / "b.wav", *samples.shape) as tape:
        assert np.array_equal(tape[7:3000], samples[7:3000])
        assert meter.levels(tape, full_scale=2.0**23) == meter.levels(samples, full_scale=2.0**23)
    assert Clip(frames=frames, rate=RATE).duration == 2
