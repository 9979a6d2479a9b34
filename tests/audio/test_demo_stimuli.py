"""The demo's clips and measurements are what their README says, and can be made again."""

import sys
import tomllib
from pathlib import Path

import numpy as np
import pytest

from blindtest.audio import integrated_loudness, read_clip, true_peak
from blindtest.audio.decibel import to_db
from blindtest.device import interpolated, read_response
from blindtest.steps.demo_folder import demo_files
from blindtest.study import check_study

DEMO = Path(__file__).parents[2] / "demo_stimuli"
STUDIES = ("study.toml", "survival.toml", "tuning.toml")
STUDY = tomllib.loads((DEMO / "study.toml").read_text(encoding="utf-8"))
CLIPS = [clip["file"] for clip in STUDY["clip"]]


@pytest.fixture
def scripts(monkeypatch):
    """The folder's scripts import each other by their plain names."""
    monkeypatch.syspath_prepend(str(DEMO))
    monkeypatch.setattr(sys, "dont_write_bytecode", True)  # nothing else in the folder that is shipped
    names = ("make_demo", "pieces", "instruments", "devices")
    yield
    for name in names:
        sys.modules.pop(name, None)


def test_the_study_names_every_clip_that_is_there():
    assert sorted(CLIPS) == sorted(f"clips/{path.name}" for path in (DEMO / "clips").iterdir())


@pytest.mark.parametrize("file", CLIPS)
def test_a_clip_is_long_even_and_clear_of_full_scale(file):
    clip = read_clip(DEMO / file)
    assert 8.0 <= clip.duration <= 15.0
    assert clip.channels == 2
    assert clip.rate == (44_100 if "ensemble" in file else 48_000)
    assert integrated_loudness(clip.frames, clip.rate) == pytest.approx(-22.0, abs=0.01)
    assert true_peak(clip.frames, clip.rate) <= -3.0
    assert np.abs(clip.frames.mean(axis=0)).max() < 1e-4  # no offset
    left, right = np.sqrt(np.mean(clip.frames**2, axis=0))
    assert abs(float(to_db(left / right))) < 1.5
    # Both ends are quiet, so that a clip can be looped.
    assert np.abs(clip.frames[:20]).max() < 0.01
    assert np.abs(clip.frames[-20:]).max() < 0.01


def test_the_folder_stays_small():
    size = sum(path.stat().st_size for path in DEMO.rglob("*") if path.is_file() and "__pycache__" not in path.parts)
    assert size < 8_000_000


@pytest.mark.usefixtures("scripts")
@pytest.mark.parametrize("device", ["heron", "plover", "wren", "finch"])
def test_the_measurements_are_what_the_script_writes(device):
    import devices

    files = devices.measurement_files(device)
    assert len(files) == 5
    for place, content in files.items():
        assert (DEMO / "measurements" / place).read_bytes() == content


@pytest.mark.usefixtures("scripts")
def test_the_target_is_what_the_script_writes():
    import devices

    assert (DEMO / "measurements" / "target.txt").read_bytes() == devices.target_file()


def _mean_and_spread(device, frequency):
    """By hand: the mean over seatings and channels, and the standard deviation over seatings, channels together."""
    seatings = [
        interpolated(read_response(path), frequency)
        for path in sorted((DEMO / "measurements" / device).glob("seating-*.txt"))
    ]
    return np.mean(seatings, axis=(0, 2)), np.std(seatings, axis=0, ddof=1).mean(axis=1)


def test_finch_differs_from_plover_by_less_than_a_seating():
    """What makes 'you hear what it costs' false: the README says 0.16 dB, a quarter of the spread over seatings."""
    frequency = np.geomspace(25, 10_000, 400)
    (plover, spread), (finch, _) = (_mean_and_spread(name, frequency) for name in ("plover", "finch"))
    assert np.std(finch - plover) == pytest.approx(0.16, abs=0.01)
    assert np.std(finch - plover) < 0.3 * np.sqrt(np.mean(spread**2))


@pytest.mark.parametrize("name", STUDIES)
def test_a_study_of_the_demo_has_no_fault(name, tmp_path):
    for file in demo_files(DEMO, name):
        (tmp_path / file).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / file).write_bytes((DEMO / (name if file == "study.toml" else file)).read_bytes())
    assert check_study(tmp_path) == ()


@pytest.mark.usefixtures("scripts")
@pytest.mark.parametrize("name", ["bars", "noise"])
def test_a_clip_is_what_the_script_plays(name):
    import make_demo

    samples, rate = make_demo.clip_samples(name)
    clip = read_clip(DEMO / "clips" / f"{name}.flac")
    assert clip.rate == rate
    # Within two steps of 16 bits: other versions of numpy and scipy round elsewhere.
    assert np.abs(clip.frames * 2**15 - samples).max() <= 2.0
