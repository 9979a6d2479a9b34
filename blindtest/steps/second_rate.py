"""A study rendered at two rates, for browsers whose own output runs at one or the other: none has to convert.

The second set holds the same clips in the same conditions, each clip at the loudness that the first rendering fixed, so
that both sets are matched alike. A correction is the one designed for the first. Which set a listener gets is settled
before the sitting is sealed, by the rate that the browser says its output runs at, and stands in the sitting's plan.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from blindtest.errors import BlindtestError
from blindtest.render import Rendered, RenderJob, load_rendered, render
from blindtest.steps.place import Progress
from blindtest.study import Study

__all__ = ["RATE_KEY", "RenderedSets", "load_sets", "rates_words", "render_sets", "second_folder"]

RATE_KEY = "rate_hz"
"""Of a plan's record: the rate of the set that the sitting is heard at; left out where there is one set only."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class RenderedSets:
    """The stimuli of a study, at one rate or at two."""

    first: Rendered
    second: Rendered | None = None
    second_hz: int | None = None

    def at(self, rate_hz: float | None) -> Rendered:
        """Return the set for an output that runs at `rate_hz`; the first for any other than the second's."""
        return self.second if self.second is not None and rate_hz == self.second_hz else self.first

    def plan_record(self, rate_hz: float | None) -> dict[str, int]:
        """Return what a sitting's plan holds of the set that it is heard at; nothing where there is one only."""
        if self.second is None:
            return {}
        return {RATE_KEY: next(iter(self.at(rate_hz).rates.values()))}

    def of_plan(self, record: Mapping[str, Any]) -> Rendered:
        """Return the set that a plan names."""
        return self.at(record.get(RATE_KEY))

    def seal_record(self) -> dict[str, Any]:
        """Return what the study seal holds of the second set; nothing where there is none."""
        if self.second is None:
            return {}
        stimuli: dict[str, dict[str, str]] = {}
        for one in self.second.stimuli:
            stimuli.setdefault(one.clip, {})[one.condition] = one.sha256
        return {"second_rate": {"rate_hz": self.second_hz, "stimuli": stimuli}}


def second_folder(study: Study) -> Path:
    """Return where the second set lies."""
    return study.folder / f"stimuli-{study.rendering.second_rate_hz}"


def second_job(study: Study, job: RenderJob, first: Rendered) -> RenderJob:
    """Return what the second set is made from: every clip as loud as it was fixed, at the second rate."""
    fixed = first.fixed["loudness_lufs"]
    assert isinstance(fixed, Mapping)
    clips = tuple(
        clip if clip.loudness_lufs is not None else replace(clip, loudness_lufs=float(fixed[clip.id]))
        for clip in job.clips
    )
    return replace(job, clips=clips, rate_hz=study.rendering.second_rate_hz)


def render_sets(
    study: Study, job: RenderJob, folder: Path, *, progress: Progress | None = None, dry_run: bool = False
) -> RenderedSets:
    """Render what is missing of both sets; see `render.render`.

    In a dry run the second set is looked at only once the first is there: its loudness follows from it.
    """
    first = render(job, folder, progress=progress, dry_run=dry_run)
    rate = study.rendering.second_rate_hz
    if rate is None or (dry_run and first.made):
        return RenderedSets(first=first)
    second = _of_second(
        lambda: render(second_job(study, job, first), second_folder(study), progress=progress, dry_run=dry_run)
    )
    return RenderedSets(first=first, second=second, second_hz=rate)


def load_sets(study: Study, job: RenderJob, folder: Path) -> RenderedSets:
    """Return both sets as they lie there, each file proved by its hash; see `render.load_rendered`."""
    first = load_rendered(job, folder)
    rate = study.rendering.second_rate_hz
    if rate is None:
        return RenderedSets(first=first)
    second = load_rendered(second_job(study, job, first), second_folder(study))
    return RenderedSets(first=first, second=second, second_hz=rate)
