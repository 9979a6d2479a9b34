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
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import httpx
import numpy as np
import pytest
import soundfile

from blindtest import steps
from blindtest.cli.commands import main
from blindtest.design import Plan, plan_from_record
from blindtest.session import Abandoned, Began, Chosen, Confirmed, Continued, LevelSet, Loaded, Selected, Sitting, after
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


def _answer(plan: Plan, trial: int, counted: int, right: int) -> str:
    """Return the answer to a trial: the first `right` of the counted trials right, the others wrong."""
    block, _ = plan.place(trial)
    key = str((plan.trial(trial).drawn.right or {})["choice"])
    if block.phase == "practice" or counted < right:
        return key
    return "B" if key == "A" else "A"


def sit(folder: Path, listener: str, *, right: int, answered: int, abandoned: bool) -> None:
    """Let a listener sit without a page: `right` of `answered` counted trials, then stop for good or be done."""
    with steps.prepare_sitting(folder, listener=listener) as prepared:
        sitting, counted = _past_level(prepared.sitting), 0
        while not sitting.over and counted < answered:
            now = datetime.now(UTC)
            trial, attempt = sitting.trial, sitting.attempt
            if sitting.step in ("feedback", "break"):
                sitting = after(sitting, Continued(trial=trial, at=now))
                continue
            blind = sitting.plan.place(trial)[0].phase == "blind"
            values = {"choice": _answer(sitting.plan, trial, counted, right)}
            sitting = after(sitting, Loaded(trial=trial, attempt=attempt, at=now))
            for slot in sitting.slot_names(trial):
                sitting = after(sitting, Selected(trial=trial, attempt=attempt, slot=slot, at=now))
            sitting = after(sitting, Chosen(trial=trial, attempt=attempt, values=values, confidence=None, at=now))
            sitting = after(sitting, Confirmed(trial=trial, attempt=attempt, values=values, at=now))
            prepared.answered(sitting.answers[-1])
            counted += blind
        if abandoned:
            event = Abandoned(reason="", at=datetime.now(UTC))
            sitting = after(sitting, event)
            prepared.happened(event)
        prepared.ended(sitting, datetime.now(UTC))


def _past_level(sitting: Sitting) -> Sitting:
    now = datetime.now(UTC)
    return after(after(sitting, Began(at=now)), LevelSet(gain_db=-20.0, at=now))


class Visitor(threading.Thread):
    """Sits before the page that `blindtest listen` serves: takes the link it prints, listens, answers over HTTP."""

    def __init__(self, folder: Path, printed: io.StringIO, right: int) -> None:
        super().__init__(daemon=True)
        self.folder, self.printed, self.right = folder, printed, right
        self.fault: Exception | None = None

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
            if time.monotonic() - begun > PATIENCE_S:
                raise TimeoutError("no link was printed")
            time.sleep(0.02)
        base = f"http://127.0.0.1:{found[1]}"
        with Store(self.folder / "study.db", create=False, entropy=os.urandom) as store:
            opened = store.sealed(store.sittings()[-1].commitment)
        plan, counted = plan_from_record(opened.record, opened.nonce), 0
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
                values = {"choice": _answer(plan, trial, counted, self.right)}
                counted += plan.place(trial)[0].phase == "blind"
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


def said_by(arguments: list[str], folder: Path, right: int | None = None) -> tuple[str, int]:
    """Run a command in `folder`; return what a terminal would show, progress left out, and the exit code.

    `right`: for `listen`, how many of the counted trials its listener answers right.
    """
    printed, code = io.StringIO(), 0
    with _inside(folder), contextlib.redirect_stdout(printed), contextlib.redirect_stderr(printed):
        visitor = None
        if right is not None:
            visitor = Visitor(folder / arguments[1], printed, right)
            visitor.start()
        try:
            main(arguments)
        except SystemExit as left:
            code = int(left.code or 0)
        if visitor is not None:
            visitor.join(PATIENCE_S)
            if visitor.fault is not None:
                raise visitor.fault
    return PROGRESS.sub("", printed.getvalue()), code


class Tools:
    """What plays a page."""

    run = staticmethod(said_by)
    sit = staticmethod(sit)
    material = staticmethod(measurements_and_clips)


@pytest.fixture(scope="session")
def guide_tools():
    """The class `Tools`, which test files can't import from here."""
    return Tools
