"""The demo: three small studies of invented devices with simulated listeners, their truth beside every verdict.

Is there a difference at all? What is left of two impressions without the names? Is a correction heard, and is it
preferred? Each is done as a user does it: impressions put on record before anything is measured, and claimed; stimuli
rendered, the study sealed, sittings held over several days, results analysed, a report written.

Everything follows from a seed: nonces and salts by hashing, the listeners' noise from numpy generators, times from a
simulated calendar. Nothing is written outside the folder that is given.
"""

import tomllib
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from blindtest.design import sittings_of
from blindtest.errors import Fault, WrongUse
from blindtest.render import Rendered, render
from blindtest.session import (
    Acknowledged,
    Answer,
    SimulatedListener,
    rows_of,
    simulate_sitting,
    simulated_clock,
)
from blindtest.steps.analysis import Analysis, analyze
from blindtest.steps.beginning import new_sitting
from blindtest.steps.demo_folder import fresh_record, laid_out, marked, measured, refuse_foreign
from blindtest.steps.demo_listeners import LISTENERS, TUNERS, held_against, known, panel, truths
from blindtest.steps.demo_story import ChapterShown, DemoShown, StoryLine
from blindtest.steps.gathering.report import Truths
from blindtest.steps.impressions import impression
from blindtest.steps.place import Entropy, Progress, open_store, stimuli_folder
from blindtest.steps.prepared_sitting import PreparedSitting, study_id
from blindtest.steps.reporting import report
from blindtest.steps.sealing import ensure_sealed
from blindtest.study import Study, load_study, render_job

if TYPE_CHECKING:
    from blindtest.session.store import Store

__all__ = ["CHAPTERS", "Chapter", "Said", "demo", "demo_study"]

BEGINS = datetime(2026, 3, 1, 9, 0, tzinfo=UTC)
"""The day before the units were measured, as the study files have it."""
DAYS_BETWEEN = 2
"""Between a listener's sittings: another day in every time zone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """An impression as it goes on record."""

    words: str
    unit: str
    against: str
    knew: tuple[str, ...]
    worn: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Chapter:
    """One study of the demo."""

    name: str
    """Of its folder."""
    study_file: str
    listeners: Callable[[Study, np.random.Generator], Sequence[SimulatedListener]]
    claims: dict[str, str]
    """What is claimed, in words, by the claim's id."""
    said: dict[str, Said] = field(default_factory=dict)
    """Impressions, by the id of the claim that quotes them."""


CHAPTERS = (
    Chapter(
        name="difference",
        study_file="study.toml",
        listeners=lambda study, rng: LISTENERS,
        claims={"difference": "Heron and Plover can be told apart"},
    ),
    Chapter(
        name="impression",
        study_file="survival.toml",
        listeners=panel,
        claims={
            "heron-over-plover": "Heron is rated above Plover, also without its name",
            "finch-over-plover": "Finch is rated above Plover, also without its name",
        },
        said={
            "heron-over-plover": Said(
                words="Two evenings with Heron, and it is plainly better than Plover: more air, less boom.",
                unit="heron",
                against="plover",
                knew=("maker",),
                worn="two evenings",
            ),
            "finch-over-plover": Said(
                words="Finch looks like Plover, but you hear what it costs: everything is calmer and finer.",
                unit="finch",
                against="plover",
                knew=("price", "maker", "other-reviews"),
                worn="one hour",
            ),
        },
    ),
    Chapter(
        name="tuning",
        study_file="tuning.toml",
        listeners=lambda study, rng: TUNERS,
        claims={
            "heard": "the correction of Plover can be heard",
            "preferred": "the correction of Plover is preferred",
        },
    ),
)


def demo_study(folder: Path, *, progress: Progress = lambda done, total, what: None) -> Path:
    """Lay the demo's study of a difference out in `folder`, render its stimuli, and return the folder.

    Raises
    ------
    BlindtestError
        `folder` holds something that an earlier demo did not make.
    """
    refuse_foreign(folder)
    laid_out(folder, CHAPTERS[0].study_file)
    study = load_study(folder)
    render(render_job(study), stimuli_folder(study), progress=progress)
    marked(folder)
    return folder


def demo(folder: Path, *, seed: int = 1, progress: Progress = lambda done, total, what: None) -> DemoShown:
    """Do three studies under `folder`: render, impressions, seals, simulated sittings, analysis, reports.

    Raises
    ------
    BlindtestError
        `folder` holds something that an earlier demo did not make.
    WrongUse
        The seed is negative.
    """
    if seed < 0:
        raise WrongUse(Fault(problem="a seed is a whole number", key="--seed", got=seed, allowed="0 or more"))
    for place in (folder, *(folder / chapter.name for chapter in CHAPTERS)):
        refuse_foreign(place)
    folder.mkdir(parents=True, exist_ok=True)
    marked(folder)
    parts = [0, 25, 75, 100]
    told = tuple(
        _told(chapter, folder / chapter.name, seed, _part(progress, parts[number], parts[number + 1]))
        for number, chapter in enumerate(CHAPTERS)
    )
    shown = DemoShown(folder=folder, seed=seed, chapters=told)
    shown.page.write_text(shown.markdown(), encoding="utf-8", newline="\n")
    marked(folder)
    progress(100, 100, "")
    return shown


def _part(progress: Progress, begins: int, ends: int) -> Progress:
    def within(done: int, total: int, what: str) -> None:
        progress(begins + (ends - begins) * done // max(total, 1), 100, what)

    return within


def _told(chapter: Chapter, place: Path, seed: int, progress: Progress) -> ChapterShown:
    """Do one study from its files to its report."""
    entropy = seeded_entropy(seed, chapter.name)
    rng = np.random.default_rng([seed, *chapter.name.encode()])
    calendar = Calendar(BEGINS, rng)
    laid_out(place, chapter.study_file, measured=False)
    fresh_record(place)
    for claim, said in chapter.said.items():
        _put_on_record(place, claim, said, calendar, entropy)
    measured(place, chapter.study_file)
    calendar.another_day()
    study = load_study(place)
    rendered = render(render_job(study), stimuli_folder(study), progress=_part(progress, 0, 40))
    listeners = chapter.listeners(study, rng)
    with open_store(study, entropy=entropy) as store:
        ensure_sealed(study, rendered, store, at=calendar(), entropy=entropy)
        _sittings(study, rendered, store, listeners, rng, calendar, entropy, _part(progress, 40, 80))
    true = truths(study, listeners)
    progress(80, 100, "report")
    analysis = analyze(place, clock=calendar, entropy=entropy)
    shown = report(place, truths=true, invented=True, clock=calendar, entropy=entropy)
    marked(place, sittings=len(analysis.answers.sittings))
    return ChapterShown(
        name=chapter.name,
        folder=place,
        analysis=analysis,
        truths=true,
        lines=tuple(_lines(chapter, analysis, true)),
        shown=shown,
    )


def _lines(chapter: Chapter, analysis: Analysis, true: Truths) -> Iterator[StoryLine]:
    for one in analysis.answers.claims:
        truth = known(one.record, true)
        yield StoryLine(
            study=chapter.name,
            claim=chapter.claims[one.record["id"]],
            verdict=one.word,
            truth=truth.words,
            so_it_is=held_against(one.word, truth),
        )


def _put_on_record(place: Path, claim: str, said: Said, calendar: "Calendar", entropy: Entropy) -> None:
    """Put an impression on record and write its hash into the claim that quotes it, as a user does."""
    shown = impression(
        place,
        words=said.words,
        unit=said.unit,
        against=said.against,
        knew=said.knew,
        worn=said.worn,
        clock=calendar,
        entropy=entropy,
    )
    path = place / "study.toml"
    text = path.read_text(encoding="utf-8")
    quote = next(one["quote"] for one in tomllib.loads(text)["claim"] if one["id"] == claim)
    line = f'quote = "{quote}"\n'
    path.write_text(text.replace(line, f'{line}impression = "{shown.hash[:16]}"\n'), encoding="utf-8", newline="\n")


def _sittings(
    study: Study,
    rendered: Rendered,
    store: "Store",
    listeners: Sequence[SimulatedListener],
    rng: np.random.Generator,
    calendar: "Calendar",
    entropy: Entropy,
    progress: Progress,
) -> None:
    """Hold all sittings: every listener's first, then on another day every listener's second, and so on."""
    rounds = len(sittings_of(study.protocol))
    for sitting in range(rounds):
        calendar.another_day()
        for number, listener in enumerate(listeners):
            progress(sitting * len(listeners) + number, rounds * len(listeners), f"sitting of {listener.pseudonym}")
            prepared = new_sitting(study, rendered, store, listener=listener.pseudonym, clock=calendar, entropy=entropy)
            _sat(prepared, store, listener, rng, calendar)


def _sat(
    prepared: PreparedSitting,
    store: "Store",
    listener: SimulatedListener,
    rng: np.random.Generator,
    calendar: "Calendar",
) -> None:
    plan = prepared.sitting.plan
    written: list[Future[Acknowledged]] = []

    def save(answer: Answer) -> None:
        written.append(store.append_later(prepared.entry.number, rows_of(answer)))

    ended = simulate_sitting(plan, listener, rng, calendar, study=study_id(plan.record), save=save)
    for one in written:
        one.result()
    prepared.ended(ended, calendar())


class Calendar:
    """A clock that goes on by about three seconds whenever it is read, and to another morning when told."""

    def __init__(self, begins: datetime, rng: np.random.Generator) -> None:
        self._morning = begins
        self._rng = rng
        self._clock = simulated_clock(begins, rng)

    def __call__(self) -> datetime:
        """Return the time now."""
        return self._clock()

    def another_day(self) -> None:
        """Go on to the morning of the next day on which anybody listens."""
        self._morning += timedelta(days=DAYS_BETWEEN)
        self._clock = simulated_clock(self._morning, self._rng)


def seeded_entropy(seed: int, name: str) -> Entropy:
    """Return `entropy(n)` that follows from a seed: for a demo that comes out alike on every run, never for a study."""
    drawn = 0

    def entropy(count: int) -> bytes:
        nonlocal drawn
        drawn += 1
        names = (f"blindtest demo/{seed}/{name}/{drawn}/{block}" for block in range(count // 32 + 1))
        return b"".join(sha256(one.encode()).digest() for one in names)[:count]

    return entropy
