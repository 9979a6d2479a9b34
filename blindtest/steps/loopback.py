"""The chain that a study is played by, measured: its stimuli out, back in by a patched input, compared.

What is printed are worst figures and clips, never a condition: whoever listens afterwards would know which of two is
the louder. Stimuli are played in a drawn order, which is kept nowhere, so that who happens to hear them learns nothing
either. The beginning is soft: silence, then a stimulus at -40 dB that tells whether anything comes back, whether it
howls, and whether the input would be overdriven.
"""

import os
from collections.abc import Callable
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from blindtest.audio import LoopbackResult, Looped, Passage, RestNoise, judged, looped, noise_at_rest, samples_to_frames
from blindtest.audio.loop_verdict import ALIGNMENT_SAMPLES, HUM_DBFS, LEVEL_DB, NOISE_DBFS, RESIDUAL_DB, RESPONSE_DB
from blindtest.design import Draws
from blindtest.errors import BlindtestError, Fault
from blindtest.nouns import number_of
from blindtest.render import Stimulus, load_rendered
from blindtest.session import LoopFacts, LoopStream
from blindtest.steps.place import Clock, Entropy, Progress, now, open_store, refuse_open_sittings, stimuli_folder
from blindtest.steps.playback import LOOPBACKS, stimuli_digest
from blindtest.steps.stimulus_reading import stimulus_samples
from blindtest.steps.storage import has_record
from blindtest.study import load_study, render_job, tested_clips

__all__ = ["LOOPBACK_CAUTIONS", "Chain", "LoopbackShown", "loopback"]

LOOPBACK_CAUTIONS = (
    "All stimuli are played, as loud as they are in a sitting at 0 dB. Take headphones off your ears, and unplug or "
    "switch off amplifiers and loudspeakers.",
    "Patch each output channel to an input of its own. Switch direct monitoring and phantom power off, and begin with "
    "the input turned low: a loop that is closed can howl.",
    "Nobody who is to listen should hear or watch this.",
    "Long listening at high level damages hearing for good. Local rules and licensed practice come before anything "
    "said here.",
)
SOFT_DB = -40.0
SOFT_S = 2.0
SETTLE_S = 1.0
REST_S = 2.0
LONGEST_DELAY_S = 1.5
"""Of a chain; sound servers need half a second at times."""
SPARE_S = 0.3
"""By which delays may grow after the first."""
HOWL = 0.5
"""So much coming back of a stimulus at -40 dB is a loop that feeds itself."""
HEADROOM = 0.99

Opened = Callable[..., LoopStream]


@dataclass(frozen=True, slots=True, kw_only=True)
class Chain:
    """What was measured through one stream: stimuli of one rate."""

    facts: LoopFacts
    underruns: int
    result: LoopbackResult

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        facts = {**asdict(self.facts), "latency_s": list(self.facts.latency_s)}
        return {**facts, "underruns": self.underruns, **self.result.to_dict()}


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopbackShown:
    """What `blindtest check --loopback` prints."""

    folder: Path
    at: datetime
    chains: tuple[Chain, ...]
    stimuli: str
    """What was played: a digest of the hashes of all stimuli."""
    table: tuple[dict[str, Any], ...]
    """Each stimulus by itself, with its condition: only for who does not listen (--unseen)."""

    @property
    def ok(self) -> bool:
        """Whether nothing is wrong."""
        return all(chain.result.ok for chain in self.chains)

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold: worst figures, no condition."""
        return {
            "ok": self.ok,
            "loopback": [chain.to_dict() for chain in self.chains],
            "at": self.at.isoformat(timespec="seconds"),
            "stimuli_sha256": self.stimuli,
        }

    def whole(self) -> dict[str, Any]:
        """Return the same with each stimulus by itself."""
        return {**self.to_dict(), "table": list(self.table)}

    def text(self) -> str:
        """Return it in words and columns."""
        lines: list[str] = []
        for chain in self.chains:
            lines += [*_chain_lines(chain), ""]
        lines.append(
            "The chain keeps what was rendered." if self.ok else "The chain does not keep what was rendered; see above."
        )
        return "\n".join(lines)


def _chain_lines(chain: Chain) -> list[str]:
    from blindtest.steps.columns import columns

    result = chain.result
    rows = [
        ("level between stimuli of a clip", _told(result.level_db, "dB", 3), f"at most {LEVEL_DB:g} dB"),
        ("loudness between them", _told(result.loudness_lu, "LU", 3), f"at most {LEVEL_DB:g} LU"),
        ("time between them", _told(result.alignment_samples, "samples", 2), f"at most {ALIGNMENT_SAMPLES:g} samples"),
        ("response re 1 kHz, worst", _response(result), f"within {RESPONSE_DB:g} dB"),
        ("noise at rest re full scale", _told(result.noise_dbfs, "dB", 1), f"at most {NOISE_DBFS:g} dB"),
        ("hum re full scale", _told(result.hum_dbfs, "dB", 1), f"at most {HUM_DBFS:g} dB"),
        ("not explained", _told(result.residual_db, "dB", 1), f"at most {RESIDUAL_DB:g} dB"),
        ("dropouts, jumps in time", f"{result.dropouts}, {result.jumps}", "none"),
        ("clipped samples", f"{result.clipped}", "none"),
        ("way out and back", f"{_told(result.gain_db, 'dB', 2)}, {_told(result.delay_samples, 'samples', 1)}", ""),
    ]
    return [
        f"Played and recorded {number_of(result.stimuli, 'stimulus', 'stimuli')} of "
        f"{number_of(result.clips, 'clip')}: {chain.facts.sentence}.",
        columns(("worst of all", "found", "allowed"), rows),
        *(f"FOUND: {words}." for words in result.findings),
        *(f"Know that {words}." for words in result.notes),
    ]


def _told(value: float | None, unit: str, digits: int) -> str:
    if value is None:
        return "not told"
    return f"{value:.{digits}f} {unit}" if np.isfinite(value) else "none"


def _response(result: LoopbackResult) -> str:
    if result.response_db is None or result.response_band_hz is None:
        return "not told"
    low, high = result.response_band_hz
    return f"{result.response_db:+.2f} dB at {result.response_hz:.0f} Hz (told from {low:.0f} Hz to {high:.0f} Hz)"


def loopback(
    folder: Path,
    *,
    device: str = "",
    into: str = "",
    progress: Progress = lambda done, total, what: None,
    clock: Clock = now,
    entropy: Entropy = os.urandom,
    opened: Opened = LoopStream,
) -> LoopbackShown:
    """Play a study's stimuli through its output, record them, and store and return what became of them.

    Parameters
    ----------
    device, into : names of output and input, or parts of names; '' takes the system's default
    opened : makes the stream

    Raises
    ------
    BlindtestError
        The study can't be used or is not rendered, a sitting is open, or the devices can't be opened.
    """
    study = load_study(folder)
    if has_record(study):
        with open_store(study, create=False) as store:
            refuse_open_sittings(study, store, clock(), what="loopback")
    rendered = load_rendered(render_job(study), stimuli_folder(study))
    wanted = [s for s in rendered.stimuli if s.clip in tested_clips(study)]
    draws = Draws(entropy(32))
    forms = sorted({(s.rate, s.channels) for s in wanted})
    chains, table, done = [], [], 0
    for rate, channels in forms:
        own = draws.shuffled(
            f"loopback/{rate}/{channels}", tuple(s for s in wanted if (s.rate, s.channels) == (rate, channels))
        )
        stream = opened(rate=rate, channels=channels, output=device, into=into)
        try:
            began = done

            def told(count: int, began: int = began) -> None:
                progress(began + count, len(wanted), "playing")

            passages, noise = _measured(stream, own, told)
        finally:
            stream.close()
        done += len(own)
        chains.append(
            Chain(facts=stream.facts, underruns=stream.underruns,
                  result=judged([one for _, one in passages], noise, underruns=stream.underruns))
        )  # fmt: skip
        table += [_row(stimulus, one.sound) for stimulus, one in passages]
    shown = LoopbackShown(
        folder=study.folder,
        at=clock(),
        chains=tuple(chains),
        stimuli=stimuli_digest(rendered),
        table=tuple(sorted(table, key=lambda row: (row["clip"], row["condition"]))),
    )
    with open_store(study, entropy=entropy) as store:
        store.remember(LOOPBACKS, [*store.remembered(LOOPBACKS, []), shown.to_dict()])
    return shown


def _measured(
    stream: LoopStream, stimuli: tuple[Stimulus, ...], told: Callable[[int], None]
) -> tuple[list[tuple[Stimulus, Passage]], RestNoise]:
    """Return what became of each stimulus, in the order of playing, and the noise at rest."""
    rate = stream.facts.rate
    nothing = np.zeros((0, stream.facts.channels))
    stream.looped(nothing, round(SETTLE_S * rate))
    _, silence, _ = stream.looped(nothing, round(REST_S * rate))
    noise = noise_at_rest(silence, rate)
    first = samples_to_frames(stimulus_samples(stimuli[0]))
    tail = _tried(stream, first, noise)
    if tail is None:
        # Nothing comes back: there is no use in playing the rest.
        lost = Looped(came_back=False)
        return [(s, Passage(clip=s.clip, at=0, sound=lost)) for s in stimuli], noise
    passages = []
    for number, stimulus in enumerate(stimuli, start=1):
        frames = samples_to_frames(stimulus_samples(stimulus))
        played, recorded, at = stream.looped(frames, tail)
        passages.append(
            (stimulus, Passage(clip=stimulus.clip, at=at, sound=looped(played, recorded, rate, noise=noise)))
        )
        told(number)
    return passages, noise


def _tried(stream: LoopStream, frames: Any, noise: RestNoise) -> int | None:
    """Play the beginning of a stimulus softly; return how long to record on after each, or None: nothing comes back.

    Raises
    ------
    BlindtestError
        It howls, or the whole level would overdrive the input.
    """
    rate = stream.facts.rate
    soft = frames[: round(SOFT_S * rate)] * 10 ** (SOFT_DB / 20)
    if len(soft) < rate // 2:
        soft = np.concatenate([soft] * (1 + rate // (2 * len(soft))))
    played, recorded, _ = stream.looped(soft, round(LONGEST_DELAY_S * rate))
    loudest = float(np.max(np.abs(recorded)))
    if loudest > HOWL:
        raise BlindtestError(
            Fault(
                problem="what comes back is far louder than what was played: the loop feeds itself",
                got=f"{20 * np.log10(loudest):.1f} dB re full scale for {SOFT_DB:.0f} dB",
                remedy="switch direct monitoring off, and turn the input down",
            )
        )
    found = looped(played, recorded, rate, noise=noise)
    if not found.came_back:
        return None
    # What came back of the soft one is played again 40 dB up: its peak, and that of the loudest to come.
    gains = [gain for gain in found.gain_db if gain is not None]
    if found.alike and gains and (peak := 10 ** (max(gains) / 20) * float(np.max(np.abs(frames)))) > HEADROOM:
        raise BlindtestError(
            Fault(
                problem="at its whole level the sound would overdrive the input",
                got=f"{20 * np.log10(peak):+.1f} dB re full scale",
                remedy=f"turn the input down by {20 * np.log10(peak) + 1:.0f} dB, or the output",
            )
        )
    return round(max(found.lag, 0.0)) + round(SPARE_S * rate)


def _row(stimulus: Stimulus, sound: Looped) -> dict[str, Any]:
    """Return what is told of a single stimulus to who does not listen."""
    return {
        "clip": stimulus.clip,
        "condition": stimulus.condition,
        "came_back": sound.came_back,
        "gain_db": list(sound.gain_db),
        "loudness_change_lu": sound.loudness_change_lu,
        "delay_samples": sound.lag,
        "residual_db": sound.residual_db if np.isfinite(sound.residual_db) else None,
        "dropouts": sound.dropouts,
        "clipped": sound.clipped,
        "exact": sound.exact,
    }
