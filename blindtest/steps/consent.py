"""What listeners of a panel agreed to, and what became of them: counts for the report, nobody by name."""

from collections import Counter
from dataclasses import replace
from typing import TYPE_CHECKING

from blindtest.report import ConsentFacts, ReportInput
from blindtest.session.panel_reach import STEPS, reached
from blindtest.steps.screening import screening_found

if TYPE_CHECKING:
    from blindtest.session.record import Record
    from blindtest.steps.answers.study import Answers

__all__ = ["consent_found", "with_consent"]


def with_consent(facts: ReportInput, store: "Record", answers: "Answers") -> ReportInput:
    """Return the facts with what a panel's listeners agreed to; as they are where there was no panel."""
    return replace(facts, consent=consent_found(store, answers))


def consent_found(store: "Record", answers: "Answers") -> ConsentFacts | None:
    """Return who agreed to what, under the seal that is analysed; None where it is of no panel, or nobody came."""
    panelists, withdrawn = store.panelists(), store.withdrawn()
    if "panel" not in answers.seal.record or not (panelists or withdrawn):
        return None
    sat = {entry.listener for entry in store.sittings()}
    found = screening_found(store, answers)
    texts = Counter(one.consent_sha256 for one in panelists)
    never = [one for one in panelists if one.listener not in sat]
    last = Counter(reached(one) for one in never)
    return ConsentFacts(
        texts=tuple(sorted(texts.items(), key=lambda item: (-item[1], item[0]))),
        sealed=answers.seal.record.get("consent"),
        withdrawn=withdrawn,
        never_began=len(never),
        left_after=None if None in last else tuple((step, last[step]) for step in STEPS),
        tested=None if found is None else found.finished,
        failed=0 if found is None else found.failed,
        turned_away=0 if found is None else found.turned_away,
    )
