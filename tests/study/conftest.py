"""A study folder that is right, to be spoilt by the tests."""

from pathlib import Path

import numpy as np
import pytest
import soundfile

STUDY = """\
format = 1
title = "Heron against Plover"
reviewer = "R-7f3a"

[[unit]]
id = "heron"
name = "Heron, open-back headphone"
kind = "headphone"
rig = "ear simulator 2"
measured = 2026-03-02
level = "spl"
reference_point = "eardrum"
responses = ["measurements/heron/seating-*.txt"]
trusted_band_hz = [20, 10_000]

[[unit]]
id = "plover"
name = "Plover, closed-back headphone"
kind = "headphone"
rig = "ear simulator 2"
measured = 2026-02-11
level = "spl"
reference_point = "eardrum"
responses = ["measurements/plover/*.csv"]

[playback]
unit = "plover"

[[condition]]
id = "heron"
stages = [{ response = "heron" }]

[[condition]]
id = "plover"
stages = [{ response = "plover" }]

[[clip]]
id = "strings"
file = "clips/strings.wav"
in_s = 0.5
out_s = 3.75
licence = "CC0-1.0"

[protocol]
use = "abx"
"""


def response_text(seed: int, separator: str) -> str:
    frequency = np.geomspace(20, 20_000, 120)
    level = 90 + 4 * np.sin(np.log(frequency) + seed)
    rows = [f"{f:.4f}{separator}{db:.3f}" for f, db in zip(frequency, level, strict=True)]
    return f"frequency Hz{separator}level dB\n" + "\n".join(rows) + "\n"


def write_noise(path: Path, *, seconds: float = 4.0, rate: int = 48_000, channels: int = 2, seed: int = 1) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(seed)
    soundfile.write(path, rng.normal(0, 0.05, (round(seconds * rate), channels)), rate, subtype="PCM_24")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A right study: three and two seatings of two units, one clip of 4 s."""
    place = tmp_path / "my-study"
    for number in range(3):
        path = place / "measurements/heron" / f"seating-{number}.txt"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(response_text(number, "\t"))
    for number in range(2):
        path = place / "measurements/plover" / f"{number}.csv"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(response_text(number + 10, ","))
    write_noise(place / "clips/strings.wav")
    (place / "study.toml").write_text(STUDY)
    return place


@pytest.fixture
def noise():
    return write_noise


@pytest.fixture
def response():
    return response_text


@pytest.fixture
def changed(folder: Path):
    """Replace texts in study.toml; each must be there exactly once."""

    def change(*pairs: tuple[str, str]) -> Path:
        path = folder / "study.toml"
        text = path.read_text()
        for old, new in pairs:
            assert text.count(old) == 1, old
            text = text.replace(old, new)
        path.write_text(text)
        return folder

    return change
