"""What listeners wrote: remarks on single trials, and why they stopped.

Shown when nobody listens any more, and only where the organiser asks for them.

They lie among the events of a sitting, apart from its answers: no row, no statistic and no seal holds them, and
`forget` erases them with their listener's answers.
"""

from dataclasses import replace
from typing import TYPE_CHECKING

from blindtest.errors import BlindtestError, Fault
from blindtest.report import ReportInput
from blindtest.session.own_words import OWN_WORDS

if TYPE_CHECKING:
    from blindtest.session.record import Record

__all__ = ["refuse_while_open", "remarks_of", "with_remarks"]


def refuse_while_open(store: "Record") -> None:
    """Refuse to tell remarks before the last sitting has ended, whatever reason there is to look at the rest.

    Raises
    ------
    BlindtestError
        A sitting is open.
    """
    still = ", ".join(str(entry.number) for entry in store.sittings() if entry.state == "open")
    if still:
        raise BlindtestError(
            Fault(
                problem=f"sitting {still} is open: remarks are told when nobody listens any more",
                key="--comments",
                remedy="report without them, or wait until it has ended",
            )
        )


def remarks_of(store: "Record", sitting: int) -> dict[int, str]:
    """Return the last remark on each trial of a sitting, by its number from 0; what was taken back is none."""
    last = {int(held["trial"]): str(held["text"]) for held in store.events(sitting) if held["event"] == "commented"}
    return {trial: text.strip() for trial, text in last.items() if text.strip()}


def with_remarks(facts: ReportInput, store: "Record") -> ReportInput:
    """Return the facts with what listeners wrote beside each trial, and where they stopped."""
    written = {number: remarks_of(store, number) for number in {trial.sitting for trial in facts.trials}}
    reasons = {entry.number: entry.reason for entry in store.sittings()}
    return replace(
        facts,
        sittings=tuple(
            replace(one, reason=one.reason.replace(OWN_WORDS, reasons[one.number])) for one in facts.sittings
        ),
        trials=tuple(replace(one, remark=written[one.sitting].get(one.trial - 1, "")) for one in facts.trials),
    )
