"""A study rendered at two rates, for browsers whose own output runs at one or the other: neither has to convert.

The second set holds the same clips in the same conditions. Each clip is as loud as the first rendering fixed, and the
curve outside the trusted band is the one it fixed, so that both sets are matched alike. Which of them a listener hears
is settled before the sitting is sealed, by the rate that the browser names, and stands in the sitting's plan.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from blindtest.nouns import number_of
from blindtest.render import Hands, Rendered, RenderJob, load_rendered, render
from blindtest.steps.answers.sitting import SittingAnswers
from blindtest.steps.place import Progress
from blindtest.study import Study

__all__ = [
    "load_both",
    "rates_heard",
    "render_both",
    "sealed_stimuli",
    "second_dict",
    "second_folder",
    "second_record",
    "second_words",
]


def second_folder(study: Study) -> Path:
    """Return where the second set lies."""
    return study.folder / f"stimuli-{study.rendering.second_rate_hz}"


def render_both(
    study: Study,
    job: RenderJob,
    folder: Path,
    *,
    progress: Progress | None = None,
    dry_run: bool = False,
    hands: Hands | None = None,
) -> Rendered:
    """Make what is missing in `folder`, and of the second set where the study has one; see `render.render`.

    In a dry run the second set is looked at once the first is there: before, its loudness isn't fixed.
    """
    first = render(job, folder, progress=progress, dry_run=dry_run, hands=hands)
    rate = study.rendering.second_rate_hz
    if rate is None or (dry_run and first.made):
        return first
    other = replace(job, rate_hz=rate)
    second = render(other, second_folder(study), progress=progress, dry_run=dry_run, hands=hands, alike=folder)
    return replace(first, second=second)


def load_both(study: Study, job: RenderJob, folder: Path) -> Rendered:
    """Return the stimuli in `folder`, and the second set where the study has one; see `render.load_rendered`."""
    first = load_rendered(job, folder)
    rate = study.rendering.second_rate_hz
    if rate is None:
        return first
    return replace(first, second=load_rendered(replace(job, rate_hz=rate), second_folder(study), alike=folder))


def second_record(rendered: Rendered) -> dict[str, Any]:
    """Return what the study seal holds of the second set; nothing where there is none."""
    if rendered.second is None:
        return {}
    stimuli: dict[str, dict[str, str]] = {}
    for one in rendered.second.stimuli:
        stimuli.setdefault(one.clip, {})[one.condition] = one.sha256
    return {"second_rate": {"rate_hz": _rate(rendered.second), "stimuli": stimuli}}


def sealed_stimuli(record: Mapping[str, Any], rate_hz: int | None) -> Mapping[str, Mapping[str, str]]:
    """Return the sealed hashes, by clip and condition, of the set that a sitting at `rate_hz` hears."""
    second = record.get("second_rate")
    if second is not None and second["rate_hz"] == rate_hz:
        return dict(second["stimuli"])
    return dict(record["stimuli"])


def second_words(rendered: Rendered) -> list[str]:
    """Return what was made of the second set, and how far it is from the first in loudness; nothing where there is
    none."""
    if rendered.second is None:
        return []
    return [
        f"The same at {_rate(rendered.second)} Hz: "
        f"{number_of(rendered.second.made, 'stimulus', 'stimuli')} made, "
        f"{number_of(rendered.second.reused, 'was', 'were')} "
        f"there already; as loud as at {_rate(rendered)} Hz within {_apart(rendered):.3f} LU."
    ]


def second_dict(rendered: Rendered) -> dict[str, Any]:
    """Return the same as JSON can hold."""
    if rendered.second is None:
        return {}
    return {
        "second": {
            "rate_hz": _rate(rendered.second),
            "made": rendered.second.made,
            "reused": rendered.second.reused,
            "apart_lu": _apart(rendered),
        }
    }


def rates_heard(sittings: Sequence[SittingAnswers]) -> tuple[str, ...]:
    """Return at which rates sittings were heard, in words; nothing where there was one set only."""
    counted = Counter(rate for one in sittings if (rate := one.plan.record.get("rate_hz")) is not None)
    if not counted:
        return ()
    heard = ", ".join(f"{count} at {rate} Hz" for rate, count in sorted(counted.items()))
    return (
        f"everything was rendered at two rates, matched alike, and each sitting got the set of its browser's own rate: "
        f"{heard}",
    )


def _rate(rendered: Rendered) -> int:
    return next(iter(rendered.rates.values()))


def _apart(rendered: Rendered) -> float:
    """Return the largest difference of loudness between a stimulus and the same one of the second set, LU."""
    second = rendered.second
    if second is None:
        return 0.0
    there = {(one.clip, one.condition): one.loudness for one in second.stimuli}
    pairs = [(one.loudness, there.get((one.clip, one.condition))) for one in rendered.stimuli]
    return max((abs(a - b) for a, b in pairs if b is not None), default=0.0)
