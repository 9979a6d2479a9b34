"""What a loopback says of the chain that a study is played by: worst figures over its stimuli, and what is wrong.

Nothing here names a condition: which of two stimuli is the louder would be a hint to whoever listens afterwards.

Limits: levels of a clip's stimuli within 0.1 dB and delays within a sample are the study's own rule; those of response,
noise, hum and what is left unexplained are common practice.
"""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from blindtest.audio.loop_noise import RestNoise
from blindtest.audio.loop_spectra import BANDS_HZ
from blindtest.audio.loopback import Looped
from blindtest.nouns import number_of

__all__ = [
    "ALIGNMENT_SAMPLES",
    "DRIFT_PPM",
    "HUM_DBFS",
    "LEVEL_DB",
    "NOISE_DBFS",
    "RESIDUAL_DB",
    "RESPONSE_DB",
    "LoopbackResult",
    "Passage",
    "judged",
]

LEVEL_DB = 0.1
ALIGNMENT_SAMPLES = 0.5
"""Rounded to whole samples, delays of a clip's stimuli are the same."""
RESPONSE_DB = 1.0
"""Third octaves from 20 Hz to 20 kHz, re 1 kHz."""
NOISE_DBFS = -70.0
"""Noise at rest, and hum in it, re full scale of what is played."""
HUM_DBFS = -80.0
RESIDUAL_DB = -40.0
"""One per cent."""
DRIFT_PPM = 1000.0
"""More than quartz clocks are ever apart: another rate."""
_OWN_CLOCK_PPM = 2.0
_BAND_ABOVE_NOISE = 100.0
_BAND_BELOW_TOP = 1e-6
_LEAST_ON_A_LINE = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Passage:
    """One stimulus of a clip that went through the chain."""

    clip: str
    at: int
    """Frame of the stream at which it began to be played."""
    sound: Looped


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopbackResult:
    """Worst figures over all stimuli; None where they can't be told."""

    stimuli: int
    clips: int
    level_db: float | None
    """Greatest difference of level between two stimuli of a clip, made by the chain, in any channel."""
    loudness_lu: float | None
    """The same by integrated loudness, all channels together."""
    alignment_samples: float | None
    """Greatest difference of delay between two stimuli of a clip."""
    delay_samples: float | None
    """Of the way out and back, median."""
    gain_db: float | None
    """Of the way out and back, median over channels and stimuli."""
    imbalance_db: float | None
    """Greatest difference of gain between channels, median over stimuli."""
    response_db: float | None
    """Greatest deviation in third octaves, re that at 1 kHz."""
    response_hz: float | None
    """Where that is."""
    response_band_hz: tuple[float, float] | None
    """Lowest and highest third octave in which the programme told the response."""
    cutoff_hz: float | None
    noise_dbfs: float
    """At rest, re full scale of what is played; -inf for digital silence."""
    hum_hz: float | None
    hum_dbfs: float
    residual_db: float | None
    """What a linear chain can't explain, of those that came back as they were."""
    drift_ppm: float | None
    dropouts: int
    jumps: int
    clipped: int
    exact: bool
    """Whether everything came back bit for bit."""
    findings: tuple[str, ...]
    """What is wrong, one sentence each; no condition is named."""
    notes: tuple[str, ...]
    """What should be known; it is the same for all stimuli."""

    @property
    def ok(self) -> bool:
        """Whether nothing is wrong."""
        return not self.findings

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold; no infinities: digital silence is null."""
        held = {key: _finite(value) for key, value in asdict(self).items()}
        return {**held, "findings": list(self.findings), "notes": list(self.notes), "ok": self.ok}


def _finite(value: Any) -> Any:
    if isinstance(value, float):
        return value if np.isfinite(value) else None
    return list(value) if isinstance(value, tuple) else value


def judged(passages: Sequence[Passage], noise: RestNoise, *, underruns: int = 0) -> LoopbackResult:
    """Return what all stimuli together tell of the chain.

    Parameters
    ----------
    passages : of all clips, in the order of playing, through one stream of one rate
    noise : of the same chain at rest
    underruns : how often the device itself said that blocks came too late

    Raises
    ------
    ValueError
        No passages.
    """
    if not passages:
        raise ValueError("nothing was played")
    by_clip: dict[str, list[Passage]] = {}
    for one in passages:
        by_clip.setdefault(one.clip, []).append(one)
    sounds = [one.sound for one in passages]
    alike = [one for one in passages if one.sound.alike]
    whole = len(alike) == len(passages)
    gains = [gain for one in alike for gain in one.sound.gain_db if gain is not None]
    gain = float(np.median(gains)) if gains else None
    level, level_clip = _worst({clip: _level_spread(own) for clip, own in by_clip.items()})
    loudness, loudness_clip = _worst({clip: _loudness_spread(own) for clip, own in by_clip.items()})
    drift = float(np.median([one.sound.drift_ppm for one in alike])) if alike else None
    lags = _lags(alike, drift)
    alignment, alignment_clip = _worst({clip: _spread([lags[id(o)] for o in own if id(o) in lags])
                                        for clip, own in by_clip.items()})  # fmt: skip
    response = _response(alike)
    played_noise = noise.level_dbfs - (gain or 0.0)
    hum = noise.hum_dbfs - (gain or 0.0)
    cutoffs = [s.cutoff_hz for s in sounds if s.cutoff_hz is not None]
    result = LoopbackResult(
        stimuli=len(passages),
        clips=len(by_clip),
        level_db=level,
        loudness_lu=loudness,
        alignment_samples=alignment,
        delay_samples=float(np.median([one.sound.lag for one in alike])) if alike else None,
        gain_db=gain,
        imbalance_db=_imbalance(alike),
        response_db=response[0] if response else None,
        response_hz=response[1] if response else None,
        response_band_hz=response[2] if response else None,
        cutoff_hz=min(cutoffs) if cutoffs else None,
        noise_dbfs=played_noise,
        hum_hz=noise.hum_hz,
        hum_dbfs=hum,
        residual_db=max((s.residual_db for s in sounds if s.alike), default=None),
        drift_ppm=drift,
        dropouts=sum(s.dropouts for s in sounds if s.alike),
        jumps=sum(s.jumps for s in sounds if s.alike),
        clipped=sum(s.clipped for s in sounds),
        exact=whole and all(s.exact for s in sounds),
        findings=(),
        notes=(),
    )
    findings = [*_of_chain(sounds, len(passages)), *_of_clips(result, level_clip, loudness_clip, alignment_clip)]
    findings += _of_noise(result)
    notes = _notes(result, sounds, underruns)
    held = {name: getattr(result, name) for name in LoopbackResult.__dataclass_fields__}
    return LoopbackResult(**{**held, "findings": tuple(findings), "notes": tuple(notes)})


def _worst(spreads: Mapping[str, float | None]) -> tuple[float | None, str]:
    told = {clip: spread for clip, spread in spreads.items() if spread is not None}
    if not told:
        return None, ""
    clip = max(told, key=lambda name: told[name])
    return told[clip], clip


def _spread(values: Sequence[float]) -> float | None:
    return float(max(values) - min(values)) if len(values) > 1 else None


def _level_spread(own: Sequence[Passage]) -> float | None:
    gains = [one.sound.gain_db for one in own if one.sound.alike]
    if len(gains) < 2:
        return None
    spreads = [_spread([g for g in channel if g is not None]) for channel in zip(*gains, strict=True)]
    told = [one for one in spreads if one is not None]
    return max(told) if told else None


def _loudness_spread(own: Sequence[Passage]) -> float | None:
    changes = [one.sound.loudness_change_lu for one in own if one.sound.alike]
    return _spread([change for change in changes if change is not None])


def _lags(alike: Sequence[Passage], drift: float | None) -> dict[int, float]:
    """Return each passage's delay, less what clocks that differ make of it; {} where that can't be told."""
    if drift is None:
        return {}
    lags = np.array([one.sound.lag for one in alike])
    if abs(drift) < _OWN_CLOCK_PPM:
        return {id(one): float(lag) for one, lag in zip(alike, lags, strict=True)}
    if len(alike) < _LEAST_ON_A_LINE:
        return {}
    at = np.array([one.at for one in alike], dtype=np.float64)
    first, second = np.triu_indices(len(at), 1)
    slope = float(np.median((lags[second] - lags[first]) / (at[second] - at[first])))
    return {id(one): float(rest) for one, rest in zip(alike, lags - slope * at, strict=True)}


def _imbalance(alike: Sequence[Passage]) -> float | None:
    spreads = [_spread([gain for gain in one.sound.gain_db if gain is not None]) for one in alike]
    told = [spread for spread in spreads if spread is not None]
    return float(np.median(told)) if told else None


def _response(alike: Sequence[Passage]) -> tuple[float, float, tuple[float, float]] | None:
    """Return the greatest deviation of the response re 1 kHz, where it is, and the band in which it was told."""
    if not alike:
        return None
    played, recorded, noise = (
        np.sum([getattr(one.sound, name) for one in alike], axis=0)
        for name in ("played_bands", "recorded_bands", "noise_bands")
    )
    told = (recorded > _BAND_ABOVE_NOISE * noise) & (played > _BAND_BELOW_TOP * played.max()) & (recorded > 0)
    # A band that was played loud enough and did not come back has no place in the record but as a hole.
    lost = (played > 1e-3 * played.max()) & ~told
    at_1k = BANDS_HZ.index(1000.0)
    if not told[at_1k]:
        return None
    with np.errstate(divide="ignore", invalid="ignore"):
        level = 10 * np.log10(np.maximum(recorded - noise, 1e-30) / played)
    deviation = np.where(told | lost, level - level[at_1k], 0.0)
    worst = int(np.argmax(np.abs(deviation)))
    bands = np.flatnonzero(told | lost)
    return float(deviation[worst]), BANDS_HZ[worst], (BANDS_HZ[bands[0]], BANDS_HZ[bands[-1]])


def _of_chain(sounds: Sequence[Looped], count: int) -> list[str]:
    """Return what is wrong with what came back at all."""
    out = []
    nothing = sum(not s.came_back for s in sounds)
    if nothing == count:
        return ["nothing came back: is the output patched to the input, and are both turned up?"]
    if nothing:
        out.append(f"{nothing} of {count} stimuli did not come back")
    ratios = sorted({s.ratio for s in sounds if s.ratio is not None})
    if ratios:
        out.append(
            "what was recorded runs at another rate than what was played: by a factor of "
            + ", ".join(f"{ratio:.4f}" for ratio in ratios)
        )
    other = sum(s.came_back and s.ratio is None and not s.alike for s in sounds)
    if other:
        out.append(f"what came back of {other} of {count} stimuli is not what was played")
    if any(s.swapped for s in sounds):
        out.append("left and right are exchanged")
    if missing := sorted({channel for s in sounds for channel in s.missing}):
        out.append(f"channel {', '.join(map(str, missing))} does not come back")
    if len({s.inverted for s in sounds if s.alike}) > 1:
        out.append("polarity is not the same for all stimuli")
    return out


def _of_clips(result: LoopbackResult, level_clip: str, loudness_clip: str, alignment_clip: str) -> list[str]:
    """Return what differs between stimuli of a clip, and what is not whole."""
    out = []
    if result.level_db is not None and result.level_db > LEVEL_DB:
        out.append(f"clip {level_clip}: the chain makes two stimuli differ by {result.level_db:.2f} dB in level")
    elif result.loudness_lu is not None and result.loudness_lu > LEVEL_DB:
        out.append(
            f"clip {loudness_clip}: the chain makes two stimuli differ by {result.loudness_lu:.2f} LU in loudness"
        )
    if result.alignment_samples is not None and result.alignment_samples > ALIGNMENT_SAMPLES:
        out.append(f"clip {alignment_clip}: two stimuli are apart in time by {result.alignment_samples:.1f} samples")
    if result.alignment_samples is None and result.drift_ppm is not None and abs(result.drift_ppm) >= _OWN_CLOCK_PPM:
        out.append(
            f"output and input have clocks of their own ({result.drift_ppm:+.1f} ppm apart): with so few stimuli it "
            "can't be told whether they are aligned; use one interface for both"
        )
    if result.dropouts:
        out.append(f"{_times(result.dropouts, 'dropout')}: parts of what was played did not come back")
    if result.jumps:
        out.append(f"{_times(result.jumps, 'jump')} in time: frames were lost or put in")
    if result.clipped:
        out.append(
            f"clipped: {number_of(result.clipped, 'sample')} in flat tops; turn the input, or what is before it, down"
        )
    return out


def _of_noise(result: LoopbackResult) -> list[str]:
    """Return what is wrong with response, noise, hum and what is left."""
    out = []
    if result.response_db is not None and abs(result.response_db) > RESPONSE_DB:
        out.append(f"the response is off by {result.response_db:+.1f} dB at {result.response_hz:.0f} Hz, re 1 kHz")
    if result.cutoff_hz is not None:
        out.append(
            f"nothing above {result.cutoff_hz / 1000:.1f} kHz came back of what was played there: the system "
            "resamples, or filters"
        )
    if result.noise_dbfs > NOISE_DBFS:
        out.append(f"noise at rest is {result.noise_dbfs:.0f} dB re full scale (allowed: {NOISE_DBFS:.0f} dB)")
    if result.hum_hz is not None and result.hum_dbfs > HUM_DBFS:
        out.append(f"hum at multiples of {result.hum_hz:.0f} Hz: {result.hum_dbfs:.0f} dB re full scale")
    if result.drift_ppm is not None and abs(result.drift_ppm) > DRIFT_PPM:
        out.append(f"the recording's clock is {result.drift_ppm:+.0f} ppm from the playing one's")
    unexplained = result.gain_db is not None and result.residual_db is not None and result.residual_db > RESIDUAL_DB
    if unexplained and not out and not _known(result):
        out.append(
            f"{result.residual_db:.0f} dB of what came back is not what a linear chain makes of what was played: "
            "distortion, effects, or other sounds"
        )
    return out


def _known(result: LoopbackResult) -> bool:
    """Return whether something that was found already leaves a residual; clocks of their own can't be bent exactly."""
    own_clock = result.drift_ppm is not None and abs(result.drift_ppm) >= _OWN_CLOCK_PPM
    return bool(result.dropouts or result.jumps or result.clipped or own_clock)


def _notes(result: LoopbackResult, sounds: Sequence[Looped], underruns: int) -> list[str]:
    """Return what is the same for all stimuli and should be known."""
    out = []
    if result.exact:
        out.append("everything came back bit for bit: nothing on the way mixes, resamples or changes levels")
    turned = {s.inverted for s in sounds if s.alike}
    if len(turned) == 1 and (channels := next(iter(turned))):
        out.append(f"polarity is turned in channel {', '.join(map(str, channels))}, alike for all stimuli")
    if result.drift_ppm is not None and _OWN_CLOCK_PPM <= abs(result.drift_ppm) <= DRIFT_PPM:
        out.append(f"output and input have clocks of their own, {result.drift_ppm:+.1f} ppm apart; reckoned with")
    if result.alignment_samples is None and result.level_db is None and result.stimuli > 1:
        out.append("no clip came back with two stimuli that can be compared")
    if underruns:
        out.append(f"the device reported {_times(underruns, 'block')} that came too late")
    return out


def _times(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"
