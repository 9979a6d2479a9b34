"""A sealed sitting with everything that the page needs, new or taken up again."""

from collections.abc import Callable, Iterable, Mapping
from datetime import datetime
from types import TracebackType
from typing import TYPE_CHECKING, Any, Literal, Self

import numpy as np
from numpy.typing import NDArray

from blindtest.design import Plan, plan_from_record
from blindtest.errors import BlindtestError, Fault
from blindtest.render import Rendered, Stimulus
from blindtest.session import Answer, Event, Route, Sitting, event_from_dict, event_to_dict, restored, rows_of
from blindtest.steps.attendance import elsewhere_words, unused_words
from blindtest.steps.ending import Ended, ended_sitting
from blindtest.steps.keeping import reminder_of
from blindtest.steps.place import Clock, Entropy
from blindtest.steps.playback import PlaybackRecord
from blindtest.steps.routes import routes_of
from blindtest.steps.sealing import StudySeal
from blindtest.steps.second_rate import sealed_stimuli
from blindtest.steps.stimulus_reading import stimulus_samples
from blindtest.study import PlayingLevel, Study

if TYPE_CHECKING:
    from concurrent.futures import Future

    from blindtest.session.register import Acknowledged, SittingEntry
    from blindtest.session.store import Store

__all__ = [
    "FindPlayer",
    "Forms",
    "PreparedSitting",
    "forms_of",
    "plan_sitting",
    "prepared",
    "resumed_sitting",
    "study_id",
]

STUDY_ID_LENGTH = 16


Forms = set[tuple[int, int]]
"""(rate in Hz, channels) of what may sound in a sitting."""


FindPlayer = Callable[[Sitting, Forms, Mapping[str, Route]], object]
"""Called with a sitting before it is sealed; raises where nothing can play it, and then nothing is sealed."""


class PreparedSitting:
    """A sealed sitting with everything the page needs; keeps answers in the store. A context manager."""

    def __init__(
        self,
        *,
        study: Study,
        store: "Store",
        entry: "SittingEntry",
        sitting: Sitting,
        study_seal: StudySeal,
        stimuli: dict[tuple[str, str], Stimulus],
        resumed: bool,
        clock: Clock,
        entropy: Entropy,
    ) -> None:
        self.study = study
        self.sitting = sitting
        self.entry = entry
        self.study_seal = study_seal
        self.resumed = resumed
        self.clock = clock
        self.entropy = entropy
        self.level: PlayingLevel | None = None
        """How loud it plays, where the chain is known; the page's volume goes no higher than it says."""
        self._store = store
        self._stimuli = stimuli
        self._rates = {clip: stimulus.rate for (clip, _), stimulus in stimuli.items()}

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._store.close()

    @property
    def under_helper(self) -> bool:
        """Whether the plan lies under a helper's passphrase."""
        return "helper" in self.sitting.plan.record

    def announcement(self) -> str:
        """Return what is printed before the first trial: the commitments, to publish elsewhere."""
        verb = "Going on with" if self.resumed else "Sealed"
        reminder = reminder_of(self.study, self._store.sittings(), self.clock())
        own = self.study_seal.commitment
        elsewhere = elsewhere_words(sum(entry.study_seal != own for entry in self._store.sittings()))
        unused = unused_words(self._store, own)
        return (
            f"{verb} sitting {self.entry.number} of {self.entry.listener}.\n"
            f"Study seal      {self.study_seal.commitment}\n"
            f"Sitting's plan  {self.entry.commitment}\n"
            "Publish both where others see them before you go on, if the result shall convince anybody else."
            + ("\nThe plan lies under the helper's passphrase until the sitting is over." if self.under_helper else "")
            + (f"\nCaution: {elsewhere}." if elsewhere else "")
            + (f"\nCaution: {unused}." if unused else "")
            + (f"\n{reminder}" if reminder else "")
        )

    # What the page's service calls; see blindtest.web.

    def answered(self, answer: Answer) -> None:
        """Keep an answer; durable when this returns."""
        self._store.append(self.entry.number, rows_of(answer))

    def answered_later(self, answer: Answer) -> "Future[Acknowledged]":
        """Keep an answer without waiting; durable when the Future is done."""
        return self._store.append_later(self.entry.number, rows_of(answer))

    def happened(self, event: Event) -> None:
        """Keep an event that the sitting is restored from."""
        self._store.add_event(self.entry.number, event_to_dict(event))

    def ended(self, sitting: Sitting, at: datetime) -> None:
        """Keep that the sitting is finished or abandoned."""
        state: Literal["finished", "abandoned"] = "finished" if sitting.step == "finished" else "abandoned"
        self._store.set_state(self.entry.number, state, at=at, reason=sitting.reason)

    def samples(self, clip: str, condition: str) -> NDArray[np.int32]:
        """Return the stored 24-bit samples (n, channels) of a stimulus."""
        return stimulus_samples(self._stimuli[clip, condition])

    def rate(self, clip: str) -> int:
        """Return the sample rate of a clip's stimuli in Hz."""
        return self._rates[clip]

    def forms(self) -> Forms:
        """Return (rate in Hz, channels) of all stimuli of this sitting's clips."""
        return forms_of(self._stimuli.values(), self.sitting)

    def routes(self) -> dict[str, Route]:
        """Return through which outputs each condition's real unit is fed, and its trim; {} where all is rendered."""
        return routes_of(self.study)

    def consent(self) -> str:
        """Return the text that is shown before the first question; empty where there is none."""
        name = self.study.listeners.consent
        return (self.study.folder / name).read_text(encoding="utf-8") if name else ""

    @property
    def language(self) -> str:
        """The language that the study file names for the pages; '' where it names none."""
        return self.study.listeners.language

    def spoken(self, language: str) -> None:
        """Keep that an answer was given to a page in this language."""
        self.playback().spoken(language)

    def playback(self) -> PlaybackRecord:
        """Return where it is noted what plays."""
        operated = self.study.hardware is not None and self.study.hardware.route == "operator"
        return PlaybackRecord(self._store, self.entry.number, sounds=self.sitting.has_level and not operated)

    def remembered(self, key: str) -> Any:
        """Return what an earlier run remembered for this study: its port, the secret of its cookie."""
        return self._store.remembered(key)

    def remember(self, key: str, value: object) -> None:
        """Remember it for the next run."""
        self._store.remember(key, value)

    def result(self) -> Ended:
        """Return how the sitting stands now; opens its nonce if it is over."""
        entry = self._store.sitting(self.entry.number)
        return ended_sitting(self._store, entry, self.study.folder, self.clock)


def forms_of(stimuli: Iterable[Stimulus], sitting: Sitting) -> Forms:
    """Return (rate in Hz, channels) of the stimuli of a sitting's clips."""
    return {(s.rate, s.channels) for s in stimuli if s.clip in sitting.plan.clips}


def plan_sitting(plan: Plan, listener: str) -> Sitting:
    """Return the sitting of a plan before its first step."""
    return restored(plan, (), study=study_id(plan.record), listener=listener)


def study_id(record: Mapping[str, Any]) -> str:
    """Return the name of a study in the trial table: the beginning of its seal, which names nothing."""
    return str(record["study_seal"])[:STUDY_ID_LENGTH]


def resumed_sitting(
    study: Study, rendered: Rendered, store: "Store", entry: "SittingEntry", *, clock: Clock, entropy: Entropy
) -> PreparedSitting:
    """Return an open sitting as it stands on record."""
    opened = store.sealed(entry.commitment)
    plan = plan_from_record(
        opened.record, opened.nonce, expected=entry.commitment, public=store.public(entry.commitment)
    )
    sitting = restored(
        plan,
        store.rows(entry.number),
        study=study_id(plan.record),
        listener=entry.listener,
        events=[event_from_dict(held) for held in store.events(entry.number)],
    )
    if sitting.step == "finished":
        store.set_state(entry.number, "finished", at=clock())
    sealed_at = store.sealed_at(entry.study_seal)
    return prepared(
        study, rendered, store, entry, sitting,
        StudySeal(commitment=entry.study_seal, sealed_at=sealed_at, made_now=False),
        resumed=True, clock=clock, entropy=entropy,
    )  # fmt: skip


def prepared(
    study: Study,
    rendered: Rendered,
    store: "Store",
    entry: "SittingEntry",
    sitting: Sitting,
    study_seal: StudySeal,
    *,
    resumed: bool,
    clock: Clock,
    entropy: Entropy,
) -> PreparedSitting:
    """Return a sitting with the stimuli that were sealed for it; refuse where they are others."""
    chosen = rendered.at(sitting.plan.record.get("rate_hz"))
    stimuli = {(s.clip, s.condition): s for s in chosen.stimuli}
    _as_sealed(store, entry, stimuli)
    return PreparedSitting(
        study=study, store=store, entry=entry, sitting=sitting, study_seal=study_seal, stimuli=stimuli,
        resumed=resumed, clock=clock, entropy=entropy,
    )  # fmt: skip


def _as_sealed(store: "Store", entry: "SittingEntry", stimuli: dict[tuple[str, str], Stimulus]) -> None:
    """Refuse to go on with other stimuli than the sealed ones: the study was changed while the sitting was open."""
    sealed = sealed_stimuli(store.sealed(entry.study_seal).record, store.record(entry.commitment).get("rate_hz"))
    for clip, conditions in sealed.items():
        for condition, sha256 in conditions.items():
            there = stimuli.get((clip, condition))
            if there is None or there.sha256 != sha256:
                raise BlindtestError(
                    Fault(
                        problem=f"the study was changed while sitting {entry.number} was open: a stimulus of clip "
                        f"{clip!r} is not the one that was sealed",
                        remedy="undo the change, or end the sitting for good (blindtest abandon)",
                    )
                )
