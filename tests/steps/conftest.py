"""A study of own files: nothing of the demo in it, responses in several dialects, clips in several formats."""

import shutil
from pathlib import Path

import numpy as np
import pytest
import soundfile

from blindtest.cli.commands import main


def _levels(frequency, bass, peak, ripple, noise, seed):
    rng = np.random.default_rng(seed)
    level = 88 + bass / (1 + (frequency / 130) ** 2) + peak * np.exp(-((np.log2(frequency / 3100) / 0.55) ** 2))
    return level + ripple * np.sin(2.3 * np.log2(frequency)) + rng.normal(0, noise, len(frequency))


def _write_responses(folder: Path) -> None:
    frequency = np.geomspace(16, 20_500, 260)
    one, other, worn = (folder / "measurements" / name for name in ("first", "second", "worn"))
    for place in (one, other, worn):
        place.mkdir(exist_ok=True)
    for seating in range(3):
        a = _levels(frequency, 4, 9, 1.5, 0.2, seating)
        lines = [f"{f:.3f}\t{level:.3f}" for f, level in zip(frequency, a, strict=True)]
        (one / f"take {seating}.txt").write_text("* own bench\n* Freq [Hz]\tSPL [dB]\n" + "\n".join(lines) + "\n")
        b = _levels(frequency, -3, 12, 3.0, 0.2, 10 + seating)
        rows = [f"{f:.3f};{left:.3f};{left + 0.3:.3f}".replace(".", ",") for f, left in zip(frequency, b, strict=True)]
        text = "Frequenz (Hz);links (dB);rechts (dB)\r\n" + "\r\n".join(rows) + "\r\n"
        (other / f"s{seating}.csv").write_bytes(text.encode("utf-16"))
    c = _levels(frequency, 1, 10, 0.5, 0.0, 20)
    rows = [f"{f / 1000:.6f},{level:.3f}" for f, level in zip(frequency[::-1], c[::-1], strict=True)]
    (worn / "only.csv").write_text("kHz,dB\n" + "\n".join(rows) + "\n")


def _write_clips(folder: Path) -> None:
    rng = np.random.default_rng(404)
    rate = 44_100
    t = np.arange(int(3.5 * rate)) / rate
    tone = sum(np.sin(2 * np.pi * h * 98 * t + h) / h for h in range(1, 40)) * (0.6 + 0.4 * np.sin(2 * np.pi * 1.5 * t))
    hiss = rng.standard_normal((len(t), 2)) * 0.3
    tune = tone[:, None] + hiss
    soundfile.write(folder / "clips" / "tune.flac", 0.4 * tune / np.abs(tune).max(), rate, subtype="PCM_16")
    rate = 48_000
    t = np.arange(4 * rate) / rate
    beat = rng.standard_normal((len(t), 2)) * np.exp(-6 * ((t * 2.5) % 1))[:, None]
    soundfile.write(folder / "clips" / "beat.mp3", 0.4 * beat / np.abs(beat).max(), rate, format="MP3")


FILLED = {
    'title = ""                               # FILL IN: a line': 'title = "My two headphones"  # a line',
    'reviewer = ""': 'reviewer = "R-test"',
    'name = ""': 'name = "A headphone"',
    'rig = ""': 'rig = "own coupler"',
    'file = ""': 'file = "clips/tune.flac"',
    'title = ""                               # FILL IN: what': 'title = "A tune"  # what',
}


@pytest.fixture(scope="session")
def fill_in():
    """Do what a user does between `new` and `check`: drop in files, fill in study.toml, fewer trials."""

    def fill(folder: Path, trials: int = 28, practice: int = 1) -> None:
        _write_responses(folder)
        _write_clips(folder)
        path = folder / "study.toml"
        text = path.read_text(encoding="utf-8")
        for blank, filled in FILLED.items():
            assert blank in text, blank
            text = text.replace(blank, filled)
        second = '[[clip]]\nid = "beat"\nfile = "clips/beat.mp3"\nin_s = 0.5\nout_s = 3.5\n\n\n# What is claimed.'
        text = text.replace("# What is claimed.", second)
        text += f"\n[protocol.changes]\npractice.trials = {practice}\ntest.trials = {trials}\n"
        path.write_text(text, encoding="utf-8")

    return fill


@pytest.fixture(scope="session")
def own_template(tmp_path_factory, fill_in):
    """A study folder made by `new`, filled in; not to be changed."""
    folder = tmp_path_factory.mktemp("own") / "my-study"
    main(["new", str(folder), "--quiet"], standalone_mode=False)
    fill_in(folder)
    return folder


@pytest.fixture
def own_study(own_template, tmp_path):
    """A copy of it, to be changed at will."""
    return Path(shutil.copytree(own_template, tmp_path / "my-study"))
