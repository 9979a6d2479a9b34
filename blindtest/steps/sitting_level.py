"""How loud the sittings of a study play, where its chain is known; computed from the stimuli as they lie there."""

from collections.abc import Callable, Iterable, Sequence
from typing import TYPE_CHECKING, Any

from blindtest.audio import louder_ear
from blindtest.render import Rendered, RenderJob, Stimulus
from blindtest.study import PlayingLevel, Study, full_scale_spl, playing_level, sitting_lengths

if TYPE_CHECKING:
    from blindtest.session.record import Record

__all__ = ["gains_of", "level_of_study", "played_words"]

FULL_SCALE = 2.0**23


def level_of_study(
    study: Study, job: RenderJob, rendered: Rendered, samples: Callable[[Stimulus], Any]
) -> PlayingLevel | None:
    """Return how loud the study plays with the page's volume at its top; None where its chain is unknown.

    `samples` reads a stimulus: whole numbers of 24 bits (n, channels). Every stimulus is read, so that no access tells.

    Raises
    ------
    BlindtestError
        The chain is too loud to be used, or an impedance can't be read.
    """
    if full_scale_spl(study) is None:
        return None
    rows = {(row.clip, row.condition): row for row in rendered.table}
    levels = []
    seconds: dict[str, float] = {}
    for stimulus in rendered.stimuli:
        frames = samples(stimulus) / FULL_SCALE
        seconds[stimulus.clip] = stimulus.frames / stimulus.rate
        levels.append((rows[stimulus.clip, stimulus.condition], louder_ear(frames, stimulus.rate)))
    minutes = max((one.minutes for one in sitting_lengths(study, seconds)), default=0.0)
    return playing_level(study, job.playback, levels, minutes)


def played_words(level: PlayingLevel | None, gains_db: Sequence[float]) -> str:
    """Return what a report says of the level at which sittings with these settings of the page's volume played."""
    if level is None:
        return "The level at the ear is not known to the tool: it has no drive data of the listener's equipment."
    if not gains_db:
        most = level.at(level.most_gain_db)
        return f"The sittings would play at {most:.0f} dB(A) at most, by {level.basis}: an estimate."
    low, high = level.at(min(gains_db)), level.at(max(gains_db))
    at = f"about {low:.0f} dB(A)" if round(low) == round(high) else f"about {low:.0f} to {high:.0f} dB(A)"
    share = 100 * level.week_share(max(gains_db))
    spent = f"{share:.2g} %" if share >= 0.05 else "less than 0.1 %"
    return (
        f"The sittings played at {at}, A-weighted and referred to the field, the loudest stimulus over its whole "
        f"length in the ear that gets most: an estimate from {level.basis}. The loudest of them, taken as "
        f"{level.minutes:.0f} min, spent {spent} of what WHO-ITU H.870 allows in a week."
    )


def gains_of(store: "Record", sittings: Iterable[int]) -> list[float]:
    """Return the setting of the page's volume with which each sitting went on, dB; those that set none are left out."""
    gains = []
    for number in sittings:
        own = [float(event["gain_db"]) for event in store.events(number) if event.get("event") == "level_set"]
        gains += own[-1:]
    return gains
