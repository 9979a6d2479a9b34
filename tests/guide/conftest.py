"""The guide's own example, made anew: invented measurements and clips, a listener who answers as a page says.

Nothing here draws from a library's random generator, so that what the pages print comes out alike everywhere.
"""

import _thread
import contextlib
import io
import os
import random
import re
import shutil
import threading
import time
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import numpy as np
import pytest
import soundfile

from blindtest import steps
from blindtest.cli.commands import main
from blindtest.design import Plan, plan_from_record
from blindtest.session import Abandoned, Began, Chosen, Confirmed, Continued, LevelSet, Loaded, Selected, after
from blindtest.session.store import Store

PROGRESS = re.compile(r"^[a-z]+: \d+ %\n", re.MULTILINE)
LINK = re.compile(r"http://127\.0\.0\.1:(\d+)/#(\w+)")
PATIENCE_S = 60.0


# --- invented material ---------------------------------------------------------------------------------------------


def _response(place: Path, *, bass: float, peak: float, ripple: float, seatings: int) -> None:
    """Write smooth invented curves; seatings differ a little below 100 Hz and above 5 kHz, as reseating does."""
    place.mkdir(parents=True, exist_ok=True)
    frequency = 20 * 2 ** (np.arange(0, 481) / 48)
    for seating in range(seatings):
        level = 90 + bass / (1 + (frequency / 120) ** 2) + peak * np.exp(-((np.log2(frequency / 3000) / 0.6) ** 2))
        level += ripple * np.sin(2 * np.log2(frequency)) - (seating - 2) * 0.4 / (1 + (frequency / 80) ** 2)
        level += (seating - 2) * 0.3 / (1 + (7000 / frequency) ** 4)
        rows = "".join(f"{f:.2f}\t{db:.2f}\n" for f, db in zip(frequency, level, strict=True))
        text = f"* invented for the guide, seating {seating + 1}\n* Freq(Hz)\tSPL(dB)\n{rows}"
        (place / f"seating-{seating + 1}.txt").write_text(text)


def measurements_and_clips(folder: Path) -> None:
    """Put the example's files where its study file looks for them."""
    for inner in ("first", "second", "worn"):
        shutil.rmtree(folder / "measurements" / inner, ignore_errors=True)
    _response(folder / "measurements/linnet", bass=5.0, peak=10.0, ripple=0.8, seatings=5)
    _response(folder / "measurements/siskin", bass=-2.0, peak=12.0, ripple=-1.5, seatings=5)
    _response(folder / "measurements/dunnock", bass=1.0, peak=11.0, ripple=0.3, seatings=5)
    rate, length_s = 44_100, 3.0
    t = np.arange(int(rate * length_s)) / rate
    noise = random.Random(16)
    hiss = np.array([noise.random() - 0.5 for _ in range(len(t))])
    tune = sum(np.sin(2 * np.pi * 110 * h * t + h) / h for h in range(1, 60)) * (0.6 + 0.4 * np.sin(2 * np.pi * t))
    beat = np.stack([hiss, np.roll(hiss, 999)], axis=1) * np.exp(-7 * (2 * t % 1))[:, None]
    (folder / "clips").mkdir(exist_ok=True)
    soundfile.write(folder / "clips/tune.flac", 0.3 * tune / np.abs(tune).max(), rate, subtype="PCM_16")
    soundfile.write(folder / "clips/beat.wav", 0.5 * beat / np.abs(beat).max(), rate, subtype="PCM_24")


# --- a listener who answers as a page says ---------------------------------------------------------------------------


@dataclass(kw_only=True)
class Answers:
    """What a listener answers, trial by trial, whatever has been drawn: the counts that a page names come out."""

    right: int = 0
    """Of the blind trials that have a right answer; the right ones are spread evenly over them."""
    answered: int = 0
    """Where fewer of them than planned are answered: so many."""
    prefers: str = ""
    wins: int = 0
    """Pairs in which that condition is preferred: one half of them heard first, the other second."""
    points: Mapping[str, float] = field(default_factory=dict)
    """True quality by condition, of 100."""
    by_name: Mapping[str, float] = field(default_factory=dict)
    """Points that a name adds where it is read."""
    given: Counter = field(default_factory=Counter)

    def values(self, plan: Plan, trial: int) -> dict[str, float | str]:
        """Return the answer to the next trial."""
        block, _ = plan.place(trial)
        planned = plan.trial(trial)
        counted = block.phase != "practice"
        if block.method in ("rating", "rating-single"):
            return {
                slot.name: self._points(plan, block.phase, planned.clip, slot.condition) for slot in planned.drawn.slots
            }
        if block.method == "preference":
            return {"choice": self._preferred(planned.drawn.slots, counted)}
        right = str((planned.drawn.right or {})["choice"])
        self.given["choices"] += counted
        number, of = self.given["choices"], self.answered or block.trials
        if not counted or number * self.right // of > (number - 1) * self.right // of:
            return {"choice": right}
        method, setting = plan.method(block), plan.setting(block)
        options = method.question(method.slot_names(setting), setting).options
        return {"choice": next(str(value) for value, _ in options if value != right)}

    def _preferred(self, slots: tuple, counted: bool) -> str:
        place = next((slot.name for slot in slots if slot.condition == self.prefers), "1")
        if not counted:
            return place
        self.given[place] += 1
        wins = (self.wins + 1) // 2 if place == "1" else self.wins // 2
        return place if self.given[place] <= wins else {"1": "2", "2": "1"}[place]

    def _points(self, plan: Plan, phase: str, clip: str, condition: str) -> float:
        """Return a rating: the truth, what a name adds, and scatter of the sitting and of the single answer."""
        named = self.by_name.get(condition, 0.0) if phase in ("worn", "labelled") else 0.0
        sitting = f"{plan.record['sitting']} {condition}"
        self.given[sitting, clip, phase] += 1
        own = f"{sitting} {clip} {phase} {self.given[sitting, clip, phase]}"
        rating = self.points[condition] + named + 2.5 * _scatter(sitting) + 5 * _scatter(own)
        return float(min(100, max(0, round(rating))))


def _scatter(name: str) -> float:
    """Return a number of roughly a standard normal distribution that belongs to a name."""
    drawn = random.Random(name)
    return sum(drawn.random() for _ in range(12)) - 6


def sit(folder: Path, listener: str, answers: Answers, *, in_days: int = 0, stop_after: int = 0) -> None:
    """Let a listener sit without a page, some days from now; `stop_after` so many counted trials they stop for good."""

    def clock() -> datetime:
        return datetime.now(UTC) + timedelta(days=in_days)

    with steps.prepare_sitting(folder, listener=listener, clock=clock) as prepared:
        sitting, counted = after(prepared.sitting, Began(at=clock())), 0
        if sitting.has_level:
            sitting = after(sitting, LevelSet(gain_db=-20.0, at=clock()))
        while not sitting.over and (not stop_after or counted < stop_after):
            trial, attempt = sitting.trial, sitting.attempt
            if sitting.step in ("feedback", "break"):
                sitting = after(sitting, Continued(trial=trial, at=clock()))
                continue
            values = answers.values(sitting.plan, trial)
            if sitting.sounds(trial):
                sitting = after(sitting, Loaded(trial=trial, attempt=attempt, at=clock()))
                for slot in sitting.slot_names(trial):
                    sitting = after(sitting, Selected(trial=trial, attempt=attempt, slot=slot, at=clock()))
            sitting = after(sitting, Chosen(trial=trial, attempt=attempt, values=values, confidence=None, at=clock()))
            sitting = after(sitting, Confirmed(trial=trial, attempt=attempt, values=values, at=clock()))
            prepared.answered(sitting.answers[-1])
            counted += sitting.plan.place(trial)[0].counted
        if not sitting.over:
            event = Abandoned(reason="", at=clock())
            sitting = after(sitting, event)
            prepared.happened(event)
        prepared.ended(sitting, clock())


class Visitor(threading.Thread):
    """Sits before the page that `blindtest listen` serves: takes the link it prints, listens, answers over HTTP."""

    def __init__(self, folder: Path, printed: io.StringIO, answers: Answers) -> None:
        super().__init__(daemon=True)
        self.folder, self.printed, self.answers = folder, printed, answers
        self.fault: Exception | None = None
        self.served = True

    def run(self) -> None:
        """Sit through the whole sitting."""
        try:
            self._sit()
        except Exception as fault:
            self.fault = fault
            _thread.interrupt_main()  # as Ctrl-C: the server stops, and the fault is raised where the test waits

    def _sit(self) -> None:
        begun = time.monotonic()
        while (found := LINK.search(self.printed.getvalue())) is None:
            if not self.served:
                return
            if time.monotonic() - begun > PATIENCE_S:
                raise TimeoutError("no link was printed")
            time.sleep(0.02)
        base = f"http://127.0.0.1:{found[1]}"
        with Store(self.folder / "study.db", create=False, entropy=os.urandom) as store:
            opened = store.sealed(store.sittings()[-1].commitment)
        plan = plan_from_record(opened.record, opened.nonce)
        # A connection for each request: on one that is kept open, small answers may wait for a delayed acknowledgement.
        headers = {"origin": base, "connection": "close"}
        with httpx.Client(base_url=base, headers=headers, timeout=PATIENCE_S) as page:
            page.post("/enter", json={"token": found[2]}).raise_for_status()
            name = page.get("/facts").raise_for_status().json()["sitting"]

            def tell(event: str, **more: object) -> dict:
                body = {"sitting": name, "event": {"event": event, **more}}
                return page.post("/event", json=body).raise_for_status().json()["view"]

            tell("began")
            view = tell("level_set", gain_db=-20.0)
            while view["step"] not in ("finished", "abandoned"):
                trial, attempt = view["trial"], view["attempt"]
                if view["step"] in ("feedback", "break"):
                    view = tell("continued", trial=trial)
                    continue
                if trial == 0:
                    for slot in view["slots"]:
                        assert page.get(f"/sound/{slot['token']}").raise_for_status().content[:4] == b"RIFF"
                tell("loaded", trial=trial, attempt=attempt)
                for slot in view["slots"]:
                    tell("selected", trial=trial, attempt=attempt, slot=slot["name"])
                values = self.answers.values(plan, trial)
                tell("chosen", trial=trial, attempt=attempt, values=values)
                view = tell("confirmed", trial=trial, attempt=attempt, values=values)


# --- commands --------------------------------------------------------------------------------------------------------


@contextlib.contextmanager
def _inside(folder: Path) -> Iterator[None]:
    before = Path.cwd()
    os.chdir(folder)
    try:
        yield
    finally:
        os.chdir(before)


def said_by(arguments: list[str], folder: Path, answers: Answers | None = None) -> tuple[str, int]:
    """Run a command in `folder`; return what a terminal would show, progress left out, and the exit code.

    `answers`: for `listen`, what its listener answers.
    """
    printed, code = io.StringIO(), 0
    with _inside(folder), contextlib.redirect_stdout(printed), contextlib.redirect_stderr(printed):
        visitor = None
        if answers is not None:
            visitor = Visitor(folder / arguments[1], printed, answers)
            visitor.start()
        try:
            main(arguments)
        except SystemExit as left:
            code = int(left.code or 0)
        if visitor is not None:
            visitor.served = False
            visitor.join(PATIENCE_S)
            if visitor.fault is not None:
                raise visitor.fault
    return PROGRESS.sub("", printed.getvalue()), code


class Tools:
    """What plays a page."""

    Answers = Answers
    run = staticmethod(said_by)
    sit = staticmethod(sit)
    material = staticmethod(measurements_and_clips)


@pytest.fixture(scope="session")
def guide_tools():
    """The class `Tools`, which test files can't import from here."""
    return Tools
