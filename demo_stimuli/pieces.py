"""The demo's clips: seven short pieces written for it, one for each kind of sound a listener would want to try.

Each piece is a function of a seeded generator that returns stereo frames (n, 2) and their rate, not yet at its level.
Beats are counted from 0; panning runs from -1 (left) to 1 (right).
"""

from collections.abc import Callable

import instruments as play
import numpy as np
from numpy.typing import NDArray
from scipy.signal import fftconvolve

Stereo = NDArray[np.float64]


class Score:
    """A stereo recording tape: notes are laid onto it, then it gets a room."""

    def __init__(self, seconds: float, rate: int) -> None:
        self.rate = rate
        self.frames = np.zeros((int(seconds * rate), 2))
        self.room = np.zeros_like(self.frames)

    def lay(
        self, start_s: float, note: NDArray[np.float64], *, pan: float = 0.0, level: float = 1.0, far: float = 0.3
    ) -> None:
        """Add a mono note at `start_s`: constant power over `pan`, later in the far ear, `far` of it to the room."""
        angle = (pan + 1.0) * np.pi / 4.0
        late = int(abs(pan) * 0.00022 * self.rate)
        for channel, gain in enumerate((np.cos(angle), np.sin(angle))):
            delay = late if (channel == 0) == (pan > 0) else 0
            first = max(0, int(start_s * self.rate)) + delay
            part = note[: max(0, len(self.frames) - first)] * gain * level
            self.frames[first : first + len(part), channel] += part
            self.room[first : first + len(part), channel] += far * part

    def finished(self, rng: np.random.Generator, *, decay: float, wet: float, drive: float = 0.0) -> Stereo:
        """Return the mix with its room; `drive` > 0 rounds the highest peaks off, as a tape would."""
        echo = room(rng, self.rate, decay)
        crossed = self.room + 0.35 * self.room[:, ::-1]
        wet_part = np.stack([fftconvolve(crossed[:, c], echo[:, c])[: len(self.frames)] for c in range(2)], axis=1)
        mix = self.frames + wet * wet_part
        if drive > 0:
            size = np.quantile(np.abs(mix), 0.9995) / drive
            mix = size * np.tanh(mix / size)
        return mix


def room(rng: np.random.Generator, rate: int, decay: float) -> Stereo:
    """Return a stereo echo: a few early reflections, then noise whose treble dies before its bass."""
    n = int(1.3 * decay * rate)
    t = np.arange(n) / rate
    echo = np.zeros((n, 2))
    for channel in range(2):
        for low, high, share in ((90, 400, 1.15), (400, 1600, 1.0), (1600, 5000, 0.75), (5000, 12000, 0.42)):
            tail = play.shaped(rng.standard_normal(n), rate, low, high) * np.exp(-6.9 * t / (decay * share))
            echo[:, channel] += tail * np.clip((t - 0.012) / 0.02, 0, 1)
        for _ in range(9):
            place = int(rng.uniform(0.007, 0.06) * rate)
            echo[place, channel] += rng.choice([-1.0, 1.0]) * 3.5 * np.exp(-place / (0.05 * rate))
    return echo / np.sqrt((echo**2).sum(axis=0)) * 1.0


def plucked(rng: np.random.Generator) -> tuple[Stereo, int]:
    """Two plucked instruments: broken chords on one, a tune on the other; E minor, 92 beats a minute."""
    rate, beat = 48_000, 60.0 / 92.0
    score = Score(13.2, rate)
    chords = [
        (40, 52, 55, 59, 64, 67),
        (45, 52, 57, 60, 64, 69),
        (43, 50, 55, 59, 62, 67),
        (47, 54, 57, 63, 66, 71),
        (40, 52, 55, 59, 64, 66),
    ]
    figure = (0, 2, 3, 4, 1, 3, 5, 4)
    for bar, chord in enumerate(chords):
        for k, string in enumerate(figure):
            if bar == 4 and k > 0:
                break
            push = rng.normal(0, 0.005)
            start = 0.15 + (4 * bar + 0.5 * k) * beat + push
            force = 0.62 + 0.2 * (k == 0) + rng.normal(0, 0.04)
            note = play.plucked(rng, rate, chord[string], 2.6, force, ring=3.4, bright=0.5)
            for frequency, q, gain_db in ((105, 4, 5), (215, 5, 4), (430, 4, 2)):
                note = play.resonance(note, rate, frequency, q, gain_db)
            score.lay(start, note, pan=-0.3 + 0.1 * string, level=0.8)
    for k, pitch in enumerate(chords[4][1:]):
        note = play.plucked(rng, rate, pitch, 3.0, 0.6, ring=4.0, bright=0.5)
        score.lay(0.15 + 16 * beat + 0.035 * (k + 1), note, pan=-0.3 + 0.1 * k, level=0.75)
    tune = [
        (2, 71, 0.7),
        (2.5, 74, 0.6),
        (3, 76, 0.9),
        (5, 72, 0.7),
        (6, 76, 0.8),
        (6.5, 74, 0.6),
        (7, 72, 0.6),
        (7.5, 71, 0.6),
        (8, 74, 0.9),
        (9.5, 79, 0.8),
        (10, 78, 0.7),
        (11, 74, 0.6),
        (12, 75, 0.9),
        (13.5, 78, 0.7),
        (14, 81, 0.8),
        (15, 78, 0.6),
        (16, 79, 0.9),
    ]
    for place, pitch, force in tune:
        note = play.plucked(rng, rate, pitch, 2.2, force, ring=2.0, bright=0.85, place=0.08)
        score.lay(0.15 + place * beat + rng.normal(0, 0.006), note, pan=0.45, level=0.62)
    return score.finished(rng, decay=1.1, wet=0.5, drive=0.9), rate


def bowed(rng: np.random.Generator) -> tuple[Stereo, int]:
    """Four bowed strings in slow four-part writing with suspensions; D minor to D major, 66 beats a minute."""
    rate, beat = 48_000, 60.0 / 66.0
    score = Score(13.6, rate)
    parts = {
        0.55: [(74, 2), (76, 1), (77, 1), (77, 1), (76, 2), (74, 1), (74, 1), (73, 1), (74, 3.6)],
        -0.55: [(69, 2), (69, 2), (70, 1), (69, 1), (67, 2), (69, 1), (69, 1), (69, 3.6)],
        0.25: [(65, 2), (64, 1), (62, 1), (62, 2), (60, 2), (62, 1), (64, 1), (66, 3.6)],
        -0.2: [(50, 2), (49, 1), (50, 1), (46, 2), (48, 2), (53, 1), (45, 1), (38, 3.6)],
    }
    for pan, part in parts.items():
        place = 0.0
        for pitch, beats in part:
            force = 0.6 + 0.25 * np.sin(np.pi * place / 12.5) + rng.normal(0, 0.02)
            seconds = beats * beat + 0.14
            note = play.bowed(
                rng, rate, pitch, seconds, force, attack=0.14 if place else 0.4, vibrato=0.16 if pitch < 55 else 0.22
            )
            level = 1.15 if pan == -0.2 else 1.0
            score.lay(0.1 + place * beat + rng.normal(0, 0.01), note, pan=pan, level=level, far=0.4)
            place += beats
    return score.finished(rng, decay=1.9, wet=0.55), rate


def drums(rng: np.random.Generator) -> tuple[Stereo, int]:
    """A drum kit and a plucked bass: four bars with ghost strokes and a fill; 104 beats a minute."""
    rate, beat = 48_000, 60.0 / 104.0
    score = Score(10.4, rate)

    def strike(place: float, sound: NDArray[np.float64], pan: float, level: float, far: float = 0.2) -> None:
        late = 0.018 if round(place * 4) % 2 else 0.0  # the off sixteenths drag a little
        score.lay(0.1 + place * beat + late + rng.normal(0, 0.003), sound, pan=pan, level=level, far=far)

    for bar in range(4):
        last = bar == 3
        for place, force in (
            ((0, 1.0), (1.75, 0.7), (2.5, 0.9)) if bar % 2 == 0 else ((0, 1.0), (0.75, 0.6), (2.25, 0.8), (2.5, 0.9))
        ):
            strike(4 * bar + place, play.kick(rng, rate, force), 0.0, 1.0, 0.08)
        for place, force in ((1, 0.95), (3, 1.0)) if not last else ((1, 0.95),):
            strike(4 * bar + place, play.snare(rng, rate, force), 0.08, 0.75, 0.45)
        for place in (0.75, 1.75, 2.25, 3.75):
            if not last:
                strike(4 * bar + place, play.snare(rng, rate, rng.uniform(0.1, 0.2)), 0.08, 0.75, 0.3)
        for eighth in range(8 if not last else 4):
            openly = eighth == 7 and bar % 2 == 1
            force = (0.75 if eighth % 2 == 0 else 0.45) + rng.normal(0, 0.04)
            strike(
                4 * bar + eighth / 2,
                play.cymbal(rng, rate, 0.28 if openly else 0.045, force, low=7000.0),
                0.4,
                0.6,
                0.1,
            )
    for k, (frequency, pan) in enumerate(
        [(210, 0.4), (210, 0.4), (165, 0.1), (165, 0.1), (125, -0.2), (125, -0.2), (92, -0.5), (92, -0.5)]
    ):
        strike(14 + k / 4, play.tom(rng, rate, frequency, 0.7 + 0.04 * k), pan, 0.8, 0.35)
    strike(16, play.cymbal(rng, rate, 0.9, 1.0, low=3500.0), -0.45, 0.9, 0.3)
    strike(16, play.kick(rng, rate, 1.0), 0.0, 1.0, 0.1)
    line = [
        (0, 33, 1.4),
        (1.75, 33, 0.4),
        (2.5, 36, 0.6),
        (3.25, 38, 0.5),
        (4, 33, 0.7),
        (4.75, 40, 0.5),
        (6.25, 38, 0.3),
        (6.5, 36, 0.9),
        (7.5, 31, 0.4),
        (8, 33, 1.4),
        (9.75, 33, 0.4),
        (10.5, 36, 0.6),
        (11.25, 38, 0.5),
        (12, 41, 0.7),
        (12.75, 40, 0.5),
        (13.5, 38, 0.5),
        (16, 33, 1.2),
    ]
    for place, pitch, beats in line:
        note = play.plucked(rng, rate, pitch, beats * beat + 0.12, 0.8, ring=2.5, bright=0.35, place=0.2)
        strike(place, play.resonance(note, rate, 90, 0.8, 4), -0.05, 0.8, 0.03)
    return score.finished(rng, decay=0.55, wet=0.6, drive=0.8), rate


def voice(rng: np.random.Generator) -> tuple[Stereo, int]:
    """A wordless song for one voice, a second joining below, over a few plucked chords; G major, 76 beats a minute."""
    rate, beat = 48_000, 60.0 / 76.0
    score = Score(12.8, rate)
    tune = [
        (67, 1, "ma"),
        (71, 1, "o"),
        (74, 1.5, "sa"),
        (72, 0.5, "e"),
        (71, 1, "i"),
        (69, 1, "mo"),
        (67, 2, "ua"),
        (72, 1, "se"),
        (71, 0.5, "a"),
        (69, 0.5, "o"),
        (71, 1.5, "mi"),
        (69, 0.5, "e"),
        (67, 3, "mau"),
    ]
    below = [(59, 1, "ma"), (62, 0.5, "o"), (64, 0.5, "u"), (66, 1.5, "mi"), (66, 0.5, "e"), (62, 3, "mou")]
    score.lay(0.15, play.sung(rng, rate, [(p, b * beat, text) for p, b, text in tune], 0.9), pan=0.08, far=0.35)
    lower = play.sung(rng, rate, [(p, b * beat, text) for p, b, text in below], 0.6, size=0.9)
    score.lay(0.17 + 8 * beat, lower, pan=-0.35, far=0.45)
    chords = [
        (0, (43, 55, 59, 62)),
        (2, (47, 54, 59, 62)),
        (4, (40, 52, 55, 59)),
        (6, (48, 52, 55, 60)),
        (8, (45, 52, 57, 60)),
        (10.5, (50, 54, 57, 60)),
        (12, (43, 50, 55, 59, 62, 67)),
    ]
    for place, chord in chords:
        for k, pitch in enumerate(chord):
            note = play.plucked(rng, rate, pitch, 2.4, 0.5, ring=3.0, bright=0.4)
            score.lay(0.15 + place * beat + 0.03 * k + rng.normal(0, 0.004), note, pan=0.45 - 0.15 * k, level=0.42)
    return score.finished(rng, decay=1.6, wet=0.5), rate


def ensemble(rng: np.random.Generator) -> tuple[Stereo, int]:
    """Everybody at once: strings, horns, kettledrums, harp and cymbals; C minor to C major, 84 beats a minute."""
    rate, beat = 44_100, 60.0 / 84.0
    score = Score(12.4, rate)
    harmony = [
        (0, 2, (36, 48, 55, 60, 63, 67, 72, 75)),
        (2, 2, (44, 51, 56, 60, 63, 68, 72, 80)),
        (4, 2, (41, 48, 56, 60, 65, 68, 72, 77)),
        (6, 1, (43, 50, 55, 60, 65, 67, 74, 79)),
        (7, 1, (43, 50, 55, 59, 65, 67, 74, 79)),
        (8, 2, (44, 51, 56, 60, 63, 68, 75, 84)),
        (10, 1, (46, 53, 58, 62, 65, 70, 74, 82)),
        (11, 1, (43, 50, 55, 59, 62, 67, 74, 79)),
        (12, 4, (36, 48, 52, 60, 64, 67, 76, 84)),
    ]
    for place, beats, chord in harmony:
        growth = 0.55 + 0.45 * place / 12
        seconds = beats * beat + 0.16
        for k, pitch in enumerate(chord):
            for desk in range(2 if k < 4 else 3):
                note = play.bowed(rng, rate, pitch + rng.normal(0, 0.05), seconds, growth, attack=0.1, vibrato=0.2)
                side = (0.7 - 0.2 * k) + 0.12 * desk
                score.lay(
                    place * beat + 0.1 + abs(rng.normal(0, 0.012)),
                    note,
                    pan=float(np.clip(side, -0.9, 0.9)),
                    level=0.42,
                    far=0.5,
                )
        for pitch, pan in ((chord[2], 0.2), (chord[3], 0.3), (chord[4], 0.4)):
            score.lay(place * beat + 0.11, play.brass(rng, rate, pitch, seconds, growth), pan=pan, level=0.5, far=0.6)
        drum = play.tom(rng, rate, play.hertz(chord[0] + 12 if chord[0] < 41 else chord[0]), growth)
        score.lay(place * beat + 0.1, drum, pan=-0.3, level=0.9, far=0.5)
    for place, _, chord in harmony:
        for k, pitch in enumerate((*chord[3:], chord[-1] + 12)):
            note = play.plucked(rng, rate, pitch, 1.8, 0.6, ring=2.5, bright=0.7)
            score.lay(0.1 + place * beat + 0.055 * k, note, pan=-0.6 + 0.05 * k, level=0.3, far=0.5)
    for k in range(14):
        score.lay(0.1 + (10.25 + k / 8) * beat, play.tom(rng, rate, 98.0, 0.2 + 0.05 * k), pan=-0.3, level=0.6, far=0.5)
    score.lay(0.1 + 12 * beat, play.cymbal(rng, rate, 1.3, 1.0, low=3000.0), pan=-0.1, level=0.8, far=0.4)
    score.lay(0.1 + 4 * beat, play.cymbal(rng, rate, 1.0, 0.6, low=3500.0), pan=0.2, level=0.6, far=0.4)
    return score.finished(rng, decay=2.2, wet=0.5, drive=0.8), rate


def bars(rng: np.random.Generator) -> tuple[Stereo, int]:
    """Struck metal bars in lazy chords over wooden ones and a brushed cymbal; F major, 112 beats a minute."""
    rate, beat = 48_000, 60.0 / 112.0
    score = Score(11.6, rate)
    chords = [
        (0, (65, 69, 72, 76)),
        (2.5, (64, 67, 72, 74)),
        (4, (62, 65, 69, 72)),
        (6.5, (60, 65, 69, 74)),
        (8, (58, 62, 65, 69)),
        (10.5, (58, 62, 67, 70)),
        (12, (60, 64, 67, 70)),
        (14.5, (60, 64, 69, 74)),
        (16, (65, 69, 72, 79)),
    ]
    for place, chord in chords:
        for k, pitch in enumerate(chord):
            note = play.bar(rng, rate, pitch, 3.0, 0.6 + rng.normal(0, 0.04))
            score.lay(0.1 + place * beat + 0.008 * k, note, pan=-0.5 + 0.3 * k, level=0.55)
    tune = [
        (0.67, 81),
        (1, 84),
        (1.67, 82),
        (2.5, 79),
        (4.67, 77),
        (5, 81),
        (5.67, 79),
        (6.5, 74),
        (8.67, 74),
        (9, 77),
        (9.67, 82),
        (10.5, 81),
        (12.67, 79),
        (13, 76),
        (13.67, 77),
        (14.5, 81),
        (16, 89),
    ]
    for place, pitch in tune:
        score.lay(0.1 + place * beat, play.bar(rng, rate, pitch, 2.4, 0.8 + rng.normal(0, 0.05)), pan=0.15, level=0.6)
    walk = (41, 45, 48, 50, 48, 46, 45, 43, 50, 48, 45, 46, 43, 46, 48, 52, 53)
    for place, pitch in enumerate(walk):
        score.lay(
            0.1 + place * beat, play.bar(rng, rate, pitch, 1.6, 0.85, metal=False), pan=-0.2, level=1.25, far=0.15
        )
    for place in range(17):
        for shift, force in ((0.0, 0.35), (0.67, 0.2)):
            if shift == 0 or place % 2:
                brush = play.cymbal(rng, rate, 0.12, force + rng.normal(0, 0.02), low=6000.0)
                score.lay(0.1 + (place + shift) * beat, brush, pan=0.5, level=0.9, far=0.2)
    return score.finished(rng, decay=1.0, wet=0.45, drive=0.9), rate


def noise(rng: np.random.Generator) -> tuple[Stereo, int]:
    """Pink noise, half of it common to both channels: the clip that shows a difference of response most plainly."""
    rate = 48_000
    n = 8 * rate
    common = play.pink(rng, n, rate)
    return np.stack([common + play.pink(rng, n, rate) for _ in range(2)], axis=1), rate


PIECES: dict[str, Callable[[np.random.Generator], tuple[Stereo, int]]] = {
    "plucked": plucked,
    "bowed": bowed,
    "drums": drums,
    "voice": voice,
    "ensemble": ensemble,
    "bars": bars,
    "noise": noise,
}
"""Clip ids of the study file, in its order."""
