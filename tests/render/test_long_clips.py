"""A clip that is streamed from file to file gives the same bytes and numbers as one that is held in memory."""

import hashlib
from dataclasses import replace

import numpy as np
import pytest
import soundfile

from blindtest.audio import Clip, ClipTape, Meter, RunningPeak, WavTape, true_peak, wav_bytes
from blindtest.device import ExcessPhase, Response
from blindtest.errors import BlindtestError
from blindtest.render import (
    ClipSource,
    Condition,
    ExcessPhaseStage,
    GainStage,
    Playback,
    RenderJob,
    ResponseStage,
    load_rendered,
    long_clips,
    render,
)
from blindtest.render.drafts import dither
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


def test_what_cannot_be_streamed_is_held_in_memory(job, monkeypatch):
    monkeypatch.setattr(long_clips, "LONG_FRAMES", 1)
    source = job.clips[0]
    assert long_clips.streams(source, plain=True, rate_hz=None)
    assert long_clips.streams(source, plain=True, rate_hz=RATE)
    assert not long_clips.streams(source, plain=True, rate_hz=44_100)
    assert not long_clips.streams(source, plain=False, rate_hz=None)
    assert not long_clips.streams(replace(source, path=source.path.with_name("none.wav")), plain=True, rate_hz=None)


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
