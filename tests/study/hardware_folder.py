"""A study of two invented amplifiers, to be spoilt by the tests: matched within 0.1 dB, switched by an operator."""

from pathlib import Path

import numpy as np
import soundfile

OPERATOR = """\
format = 1
title = "Two amplifiers, one pair of loudspeakers"
reviewer = "R-7f3a"

[rendering]
over = "worn"

[hardware]
route = "operator"
switch = "a passive switch box with an open position between inputs"
measured_with = "a true-r.m.s. meter at the loudspeaker's terminals"
operator_knows = false
operator_place = "behind a screen"
switch_s = 2

[[condition]]
id = "heron-amp"
stages = []
[condition.hardware]
unit = "Heron amplifier, 0417"
connect = "input 1"
volts_100_hz = [2.000, 2.004]
volts_1_khz = [2.001, 2.003]
volts_10_khz = [1.998, 2.000]

[[condition]]
id = "plover-amp"
stages = []
[condition.hardware]
unit = "Plover amplifier, 0233"
connect = "input 2"
volts_100_hz = [2.010, 2.002]
volts_1_khz = [2.005, 2.001]
volts_10_khz = [2.012, 2.008]

[[clip]]
id = "strings"
file = "clips/strings.wav"
licence = "CC0-1.0"

[[clip]]
id = "voice"
file = "clips/voice.wav"
licence = "CC0-1.0"

[[claim]]
id = "heard"
kind = "heard"
device = "heron-amp"
comparator = "plover-amp"
margin = 0.5

[protocol]
use = "abx"
"""
OUTPUTS = (
    OPERATOR.replace('route = "operator"', 'route = "outputs"')
    .replace('operator_knows = false\noperator_place = "behind a screen"\nswitch_s = 2\n', "")
    .replace('connect = "input 1"', "outputs = [1, 2]")
    .replace('connect = "input 2"', "outputs = [3, 4]")
)


def write(folder: Path, text: str = OPERATOR, *, seconds: float = 2.0) -> Path:
    """Write the study with two clips of noise, and return its folder."""
    (folder / "clips").mkdir(parents=True)
    for seed, name in enumerate(("strings", "voice")):
        frames = np.random.default_rng(seed).normal(0, 0.05, (round(seconds * 48_000), 2))
        soundfile.write(folder / "clips" / f"{name}.wav", frames, 48_000, subtype="PCM_24")
    (folder / "study.toml").write_text(text)
    return folder
