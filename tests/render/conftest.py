"""What the tests of this room share: programmes, devices and jobs made of formulas and seeds."""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest

from blindtest.audio import Clip, write_clip
from blindtest.device import Response, diffuse_field_curve
from blindtest.render import ClipSource, Condition, Playback, RenderJob, ResponseStage

RATE = 48_000


class Bench:
    """Makes clips, devices and jobs in one folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.stimuli = folder / "stimuli"

    def pink(self, seconds: float, seed: int = 1, rate: int = RATE, peak: float = 0.25) -> np.ndarray:
        """Noise of equal power per octave, two channels that share nothing."""
        count = round(seconds * rate)
        spectrum = np.fft.rfft(np.random.Generator(np.random.PCG64(seed)).standard_normal((count, 2)), axis=0)
        spectrum[0] = 0
        spectrum[1:] /= np.sqrt(np.arange(1, len(spectrum)))[:, None]
        frames = np.fft.irfft(spectrum, count, axis=0)
        return peak * frames / np.abs(frames).max()

    def clip(self, name: str, frames: np.ndarray, rate: int = RATE, **source: object) -> ClipSource:
        path = self.folder / f"{name}.wav"
        write_clip(Clip(frames=frames, rate=rate), path, subtype="DOUBLE")
        return ClipSource(id=name, path=path, **source)

    def device(self, *bumps: tuple[float, float, float], level: float = 94.0, points: int = 300) -> Response:
        """A response of bumps (centre Hz, dB, width in octaves) on a level in dB SPL."""
        frequency = np.geomspace(15.0, 20_000.0, points)
        total = np.full(points, level)
        for centre, height, width in bumps:
            total += height * np.exp(-0.5 * (np.log2(frequency / centre) / width) ** 2)
        return Response(frequency=frequency, magnitude=total[:, None])

    def condition(self, name: str, response: Response) -> Condition:
        return Condition(id=name, stages=(ResponseStage(unit_id=name, response=response),))

    @property
    def heron(self) -> Response:
        return self.device((60, 4, 1.2), (3000, 5, 0.6), (7000, -6, 0.25))

    @property
    def plover(self) -> Response:
        return self.device((100, 8, 1.0), (2500, -7, 0.5), (5500, 5, 0.2), level=101.0, points=411)

    @property
    def playback(self) -> Playback:
        return Playback(
            unit_id="wren",
            response=self.device((40, 6, 1.5), (3200, -9, 0.4), (8500, -14, 0.12), level=88.0, points=250),
            field=diffuse_field_curve(),
            field_named="the diffuse-field curve of ISO 11904-1",
            max_boost_db=9.0,
            trusted_band_hz=(20.0, 10_000.0),
        )

    def job(self, *clips: ClipSource, **changes: object) -> RenderJob:
        job = RenderJob(
            clips=clips,
            conditions=(self.condition("heron", self.heron), self.condition("plover", self.plover)),
            playback=self.playback,
        )
        return replace(job, **changes)

    def names(self) -> set[str]:
        return {path.name for path in self.stimuli.iterdir()}

    def wavs(self) -> dict[str, bytes]:
        return {path.name: path.read_bytes() for path in self.stimuli.glob("*.wav")}


@dataclass
class Counted:
    """How often something was called."""

    calls: int = 0


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


@pytest.fixture
def counted_filtering(monkeypatch: pytest.MonkeyPatch) -> Counted:
    """Counts how often filters are applied, samples rounded or a true peak measured."""
    import blindtest.render.drafts as drafts

    counted = Counted()
    for name in ("apply_and_sum", "quantised", "true_peak"):
        original = getattr(drafts, name)

        def counting(*arguments: object, original=original, **more: object) -> object:
            counted.calls += 1
            return original(*arguments, **more)

        monkeypatch.setattr(drafts, name, counting)
    return counted
