"""The demo: the whole job on invented devices with simulated listeners, whose truth is printed beside the result.

Everything follows from a seed: nonces and salts by hashing, the listeners' noise from a numpy generator, times from a
simulated clock. Nothing is written outside the folder that is given.
"""

import shutil
from dataclasses import dataclass
from datetime import UTC, datetime
from hashlib import sha256
from importlib.resources import as_file
from pathlib import Path
from typing import Any

import numpy as np

from blindtest.errors import BlindtestError, Fault
from blindtest.render import render
from blindtest.report import Truth
from blindtest.session import SimulatedListener, simulate_sitting, simulated_clock
from blindtest.stats import distinguishers, proportion_correct
from blindtest.steps.analysis import Analysis, analyze
from blindtest.steps.columns import columns
from blindtest.steps.listening import new_sitting, study_id
from blindtest.steps.place import Entropy, Progress, open_store, stimuli_folder
from blindtest.steps.reporting import ReportShown, report
from blindtest.study import load_study, render_job, resources

__all__ = ["LISTENERS", "DemoShown", "demo", "demo_study"]

LISTENERS = (
    SimulatedListener(pseudonym="keen", d_prime=2.6, rule="differencing"),
    SimulatedListener(pseudonym="trained", d_prime=1.8, rule="differencing"),
    SimulatedListener(pseudonym="hopeful", d_prime=0.0, rule="guesser"),
)
"""Invented listeners; d' is what they are made of."""
METHOD_OF = {"differencing": "abx", "independent": "abx-independent", "guesser": "abx"}
BEGINS = datetime(2026, 3, 4, 19, 0, tzinfo=UTC)
MADE = "made-by-blindtest-demo.txt"
_MADE_TEXT = "blindtest demo made this folder and replaces what is in it. Everything here is invented.\n"


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoShown:
    """What `blindtest demo` prints at its end."""

    folder: Path
    analysis: Analysis
    truth: tuple[Truth, ...]
    shown: ReportShown

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {
            "folder": str(self.folder),
            "invented": True,
            "analysis": self.analysis.to_dict(),
            "truth": [{name: getattr(one, name) for name in Truth.__dataclass_fields__} for one in self.truth],
            "report": self.shown.to_dict(),
        }

    def text(self) -> str:
        """Return result and truth side by side, and where the report lies."""
        rows = []
        for one, truth in zip(self.analysis.answers.listeners, self.truth, strict=True):
            tested = one.conclusion.answered or one.conclusion.difference
            low, high = tested.distinguishers_interval
            rows.append(
                (
                    one.listener,
                    f"{one.correct} of {one.trials}",
                    f"{100 * low:.0f} to {100 * high:.0f} %",
                    f"{100 * truth.share:.0f} %",
                    "yes" if low <= truth.share <= high else "no",
                    one.conclusion.word,
                    fits(one.conclusion.word, truth.share, self.analysis.answers.margin),
                )
            )
        headings = ("listener", "right", "heard, 95 %", "truth", "inside", "alone", "is that so")
        return "\n".join(
            [
                "Everything in this demo is invented: devices, music, listeners.",
                "",
                self.analysis.text(),
                "",
                "Result and truth side by side (share of trials heard beyond guessing):",
                columns(headings, rows),
                "",
                self.shown.text(),
            ]
        )


def fits(word: str, share: float, margin: float | None) -> str:
    """Return whether a verdict is true of a listener who hears the share `share` of trials."""
    if word == "open":
        return "undecided"
    true = share > 0 if word == "shown" else share < (margin or 0)
    return "right" if true else "WRONG"


def demo_study(folder: Path, *, progress: Progress = lambda done, total, what: None) -> Path:
    """Lay the demo's study out in `folder`, render its stimuli, and return the folder."""
    _laid_out(folder)
    study = load_study(folder)
    render(render_job(study), stimuli_folder(study), progress=progress)
    return folder


def _laid_out(folder: Path) -> None:
    """Copy the demo's files; a record of an earlier run is removed, rendered stimuli are kept."""
    if folder.exists() and any(folder.iterdir()) and not (folder / MADE).is_file():
        raise BlindtestError(
            Fault(
                problem="this folder holds something that blindtest demo did not make",
                file=str(folder),
                remedy="move it away; nothing was overwritten",
            )
        )
    folder.mkdir(parents=True, exist_ok=True)
    (folder / MADE).write_text(_MADE_TEXT, encoding="utf-8")
    with as_file(resources("demo_stimuli")) as source:
        for name in ("measurements", "clips"):
            shutil.rmtree(folder / name, ignore_errors=True)
            shutil.copytree(source / name, folder / name)
        shutil.copyfile(source / "study.toml", folder / "study.toml")


def _fresh_record(folder: Path) -> None:
    for path in folder.glob("study.db*"):
        path.unlink()


def seeded_entropy(seed: int) -> Entropy:
    """Return `entropy(n)` that follows from a seed: for a demo that comes out alike on every run, never for a study."""
    drawn = 0

    def entropy(count: int) -> bytes:
        nonlocal drawn
        drawn += 1
        names = (f"blindtest demo/{seed}/{drawn}/{block}" for block in range(count // 32 + 1))
        return b"".join(sha256(name.encode()).digest() for name in names)[:count]

    return entropy


def demo(folder: Path, *, seed: int = 1, progress: Progress = lambda done, total, what: None) -> DemoShown:
    """Do the whole job under `folder`: render, seal, simulated sittings, analysis, report.

    Raises
    ------
    BlindtestError
        `folder` holds something that an earlier demo did not make.
    """
    place = folder / "study"
    # Rendering takes about half of the time; the other half is shared by sittings and report.
    demo_study(place, progress=lambda done, total, what: progress(50 * done // max(total, 1), 100, what))
    _fresh_record(place)
    study = load_study(place)
    rendered = render(render_job(study), stimuli_folder(study))
    entropy, rng = seeded_entropy(seed), np.random.default_rng(seed)
    clock = simulated_clock(BEGINS, rng)
    for number, listener in enumerate(LISTENERS):
        progress(50 + 5 * number, 100, f"sitting of {listener.pseudonym}")
        with new_sitting(
            study, rendered, open_store(study, entropy=entropy), listener=listener.pseudonym, clock=clock,
            entropy=entropy,
        ) as prepared:  # fmt: skip
            plan = prepared.sitting.plan
            sitting = simulate_sitting(plan, listener, rng, clock, study=study_id(plan.record), save=prepared.answered)
            prepared.ended(sitting, clock())
    truth = tuple(true_of(listener) for listener in LISTENERS)
    analysis = analyze(place, clock=clock, entropy=entropy)
    progress(70, 100, "report")
    shown = report(place, truth=truth, invented=True, clock=clock, entropy=entropy)
    progress(100, 100, "")
    return DemoShown(folder=place, analysis=analysis, truth=truth, shown=shown)


def true_of(listener: SimulatedListener) -> Truth:
    """Return what a simulated listener was made to be."""
    method = METHOD_OF[listener.rule]
    proportion = 0.5 if listener.rule == "guesser" else float(proportion_correct(listener.d_prime, method))
    return Truth(
        who=listener.pseudonym,
        proportion=proportion,
        share=distinguishers(proportion, method),
        d_prime=listener.d_prime,
        rule=listener.rule,
    )
