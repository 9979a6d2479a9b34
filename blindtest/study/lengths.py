"""How long a sitting is likely to take, and what the standards say of that: estimates and notes, never faults.

Nobody knows beforehand how long a listener listens. The estimate takes every sound as heard in full, one and a quarter
times in a choice and twice where it is rated, and some seconds for each value of the answer. So a pair of excerpts of
10 s takes 35 s, and a trial of ITU-R BS.1116-3 with 17 s two minutes, which is what its 10 to 15 trials in 20 to 30
minutes come to. These are our assumptions.

Sources: ITU-R BS.1116-3 (2015) for sessions of 20 to 30 minutes with 10 to 15 trials and a rest at least as long (from
a secondary source, the rest from memory), and excerpts of about 10 to 25 s (from memory); ISO 4120:2021 and ISO
10399:2017 for answers of one assessor that are replicates (scopes).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from blindtest.design import METHODS, Block, Setting, sittings_of
from blindtest.study.comparing import compared_by_block, tested_clips
from blindtest.study.findings import Findings
from blindtest.study.originals import ITEMS_PER_SYSTEM, LEAST_ITEMS, SMALL_IMPAIRMENT, check_excerpt
from blindtest.study.study import Study

__all__ = ["LONGEST_MIN", "SittingLength", "check_lengths", "sitting_lengths", "trial_seconds"]

HEARD_TO_CHOOSE, HEARD_TO_RATE = 1.25, 2.0
"""How often each sound is heard in full: our assumptions."""
SECONDS_A_VALUE = 10.0
"""To answer, for each value: our assumption."""
LONGEST_MIN = 30.0
"""BS.1116-3: 20 to 30 minutes, then a rest."""
MOST_TRIALS = 15
"""BS.1116-3: 10 to 15 trials a session."""
REPLICATED = {"triangle": "ISO 4120:2021", "duo-trio": "ISO 10399:2017"}


@dataclass(frozen=True, slots=True, kw_only=True)
class SittingLength:
    """What one sitting of a listener's series is likely to take."""

    name: str
    """'blind 1 of 2'; '' where there is only one sitting."""
    trials: int
    minutes: float
    without_rest: float
    """Minutes of its longest stretch in which no rest is offered."""


def trial_seconds(block: Block, conditions: Sequence[str], clip_s: float) -> float:
    """Return about how many seconds a trial of `block` takes with clips of `clip_s` seconds.

    Where the programme runs on it is its length.
    """
    method = METHODS[block.method]
    setting = Setting(conditions=tuple(conditions), numbers=block.numbers, labels=tuple(conditions))
    names = method.slot_names(setting)
    question = method.question(names, setting)
    if question.offered_after_s is not None:
        return clip_s
    heard = HEARD_TO_RATE if method.answer_kind == "rate" else HEARD_TO_CHOOSE
    return heard * len(names) * clip_s + SECONDS_A_VALUE * len(question.keys)


def sitting_lengths(study: Study, seconds: Mapping[str, float]) -> tuple[SittingLength, ...]:
    """Return what each sitting of a listener is likely to take; `seconds`: length of each clip by its id."""
    own = [seconds[clip] for clip in tested_clips(study) if clip in seconds]
    if not own:
        return ()
    mean = sum(own) / len(own)
    compared = compared_by_block(study)
    lengths = []
    series = sittings_of(study.protocol)
    for one in series:
        stretch = longest = total = 0.0
        for block in one.protocol.blocks:
            minutes = trial_seconds(block, compared[block.id], mean) / 60
            for number in range(block.length):
                clock = block.break_after_min is not None and stretch >= block.break_after_min
                if clock or (block.break_after and number and number % block.break_after == 0):
                    stretch = 0.0
                stretch += minutes
                total += minutes
                longest = max(longest, stretch)
        name = one.name if len(series) > 1 else ""
        lengths.append(SittingLength(name=name, trials=one.protocol.trials, minutes=total, without_rest=longest))
    return tuple(lengths)


def check_lengths(study: Study, seconds: Mapping[str, float], found: Findings) -> None:
    """Note what goes beyond the standards' lengths, and clips that end before their question comes."""
    for one in sitting_lengths(study, seconds):
        named = f"the sitting {one.name}" if one.name else "a sitting"
        if one.without_rest > LONGEST_MIN:
            found.note(
                ("protocol",),
                f"{named} goes on for about {one.without_rest:.0f} min without a rest (an estimate, {one.trials} "
                f"trials in about {one.minutes:.0f} min): ITU-R BS.1116-3 asks for a rest after 20 to 30 min; write "
                "break_after_min = 20 in its block, or fewer trials",
            )
    _small_impairment(study, seconds, found)
    _replicates(study, found)
    _too_short(study, seconds, found)
    for index, clip in enumerate(study.clips):
        # Where the study file says how long it is, that was noted when the tables were looked at.
        if clip.out_s is None and clip.id in seconds:
            check_excerpt({block.method for block in study.protocol.blocks}, index, seconds[clip.id], found)


def _small_impairment(study: Study, seconds: Mapping[str, float], found: Findings) -> None:
    blocks = [block for block in study.protocol.blocks if block.method == SMALL_IMPAIRMENT and block.counted]
    for block in blocks:
        between = block.break_after or block.length
        by_clock = block.break_after_min is not None and block.break_after_min <= LONGEST_MIN
        if min(between, block.length) > MOST_TRIALS and not by_clock:
            found.note(
                ("protocol",),
                f"block {block.id}: {min(between, block.length)} trials without a rest, ITU-R BS.1116-3 asks for 10 to "
                "15 in 20 to 30 min, then a rest at least as long: write break_after = 15",
            )
    if blocks:
        systems = sum(not one.anchor and not one.reference for one in study.conditions)
        least = max(LEAST_ITEMS, ITEMS_PER_SYSTEM * systems)
        if len(study.clips) < least:
            found.note(
                ("clip",),
                f"{len(study.clips)} excerpts: ITU-R BS.1116-3 asks for one and a half times as many as systems, five "
                f"at least, here {least:g}",
            )


def _replicates(study: Study, found: Findings) -> None:
    if study.listeners.planned < 2:
        return
    for block in study.protocol.blocks:
        if block.counted and block.method in REPLICATED and block.trials > 1:
            found.note(
                ("listeners", "planned"),
                f"block {block.id}: {block.trials} answers of each of {study.listeners.planned} listeners are "
                f"replicates, and {REPLICATED[block.method]} counts assessors, not answers: they count as independent "
                "only as far as listeners hear alike, which the report looks at",
            )


def _too_short(study: Study, seconds: Mapping[str, float], found: Findings) -> None:
    compared = compared_by_block(study)
    for block in study.protocol.blocks:
        method = METHODS[block.method]
        setting = Setting(conditions=compared[block.id], numbers=block.numbers, labels=compared[block.id])
        after_s = method.question(method.slot_names(setting), setting).offered_after_s
        for index, clip in enumerate(study.clips):
            if after_s is not None and clip.id in seconds and seconds[clip.id] <= after_s:
                found.note(
                    ("clip", index),
                    f"lasts {seconds[clip.id]:.3g} s, and block {block.id} offers its choice after {after_s:g} s of "
                    "sound: the track is over before anything can be chosen; take a longer one, or a smaller "
                    "choice_after_s",
                )
