"""What a study's record says: the sittings under one seal, their answers, and the conclusion.

The sealed records are read, never the study file as it stands now: what was planned is what was sealed.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from blindtest.design import Plan, plan_from_record
from blindtest.errors import BlindtestError, Fault
from blindtest.methods import METHODS
from blindtest.session.register import WITHHELD
from blindtest.stats import (
    Conclusion,
    PlanChances,
    adjust_p_values,
    conclude,
    plan_chances,
)

if TYPE_CHECKING:
    from blindtest.session.register import SealEntry, SittingEntry
    from blindtest.session.store import Store

__all__ = ["Answers", "ListenerAnswers", "SittingAnswers", "read_answers"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SittingAnswers:
    """One sitting with its plan drawn again and its rows."""

    entry: "SittingEntry"
    plan: Plan
    rows: tuple[Mapping[str, Any], ...]
    beyond_plan: bool

    @property
    def counted_planned(self) -> int:
        """Planned trials that count."""
        return sum(block.trials for block in self.plan.protocol.blocks if block.counted)

    @property
    def counted(self) -> tuple[Mapping[str, Any], ...]:
        """Rows that count, in the order of trials."""
        return tuple(sorted((row for row in self.rows if row["phase"] == "blind"), key=lambda row: int(row["trial"])))

    @property
    def correct(self) -> int:
        """Right answers among those that count."""
        return sum(row["correct"] is True for row in self.counted)

    @property
    def unanswered(self) -> int:
        """Planned trials that count and have no answer; none while the sitting is open."""
        return 0 if self.entry.state == "open" else self.counted_planned - len(self.counted)


@dataclass(frozen=True, slots=True, kw_only=True)
class ListenerAnswers:
    """One listener's answers over the counted sittings."""

    listener: str
    correct: int
    trials: int
    unanswered: int
    conclusion: Conclusion
    adjusted_p_value: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Answers:
    """All that was answered under one study seal."""

    seal: "SealEntry"
    sittings: tuple[SittingAnswers, ...]
    """Under this seal, counted and beyond the plan, ended and open."""
    method: str
    margin: float | None
    alpha: float
    conclusion: Conclusion | None
    """None where no counted trial was planned in a sitting that has ended."""
    listeners: tuple[ListenerAnswers, ...]
    chances: PlanChances | None
    """Of the counted, ended sittings together; None without a margin."""
    withheld: int
    """Sittings whose listener had them erased."""

    @property
    def counted(self) -> tuple[SittingAnswers, ...]:
        """Sittings that enter the analysis: ended, planned, not erased."""
        return tuple(sitting for sitting in self.sittings if _counts(sitting))

    @property
    def planned_trials(self) -> int:
        """Counted trials planned in the sittings that enter the analysis."""
        return sum(sitting.counted_planned for sitting in self.counted)


def _counts(sitting: SittingAnswers) -> bool:
    return sitting.entry.state != "open" and not sitting.beyond_plan and sitting.entry.forgotten is None


def read_answers(store: "Store") -> Answers:
    """Return the answers under the study seal of the latest sitting.

    Raises
    ------
    BlindtestError
        Nobody has sat yet.
    """
    entries = store.sittings()
    if not entries:
        raise BlindtestError(
            Fault(problem="nobody has listened yet", file=str(store.path), remedy="run blindtest listen")
        )
    seal = next(seal for seal in store.seals() if seal.commitment == entries[-1].study_seal)
    sittings = tuple(_sitting(store, entry) for entry in entries if entry.study_seal == seal.commitment)
    record = seal.record
    blocks = [block for block in record["protocol"]["blocks"] if block["phase"] != "practice"]
    methods = sorted({block["method"] for block in blocks})
    if len(methods) != 1 or METHODS[methods[0]].guess_rate is None:
        raise BlindtestError(
            Fault(problem="not yet: an analysis of these methods together", got=", ".join(methods), allowed="abx")
        )
    method, alpha, margin = methods[0], float(record["alpha"]), record["claims"][0]["margin"]
    counted = [sitting for sitting in sittings if _counts(sitting)]
    planned = sum(sitting.counted_planned for sitting in counted)
    return Answers(
        seal=seal,
        sittings=sittings,
        method=method,
        margin=margin,
        alpha=alpha,
        conclusion=_concluded(counted, method, margin, alpha) if planned else None,
        listeners=_listeners(counted, method, margin, alpha),
        chances=plan_chances(planned, method=method, margin=margin, alpha=alpha) if planned and margin else None,
        withheld=sum(sitting.entry.listener == WITHHELD for sitting in sittings),
    )


def _sitting(store: "Store", entry: "SittingEntry") -> SittingAnswers:
    opened = store.sealed(entry.commitment)
    plan = plan_from_record(
        opened.record, opened.nonce, expected=entry.commitment, public=store.public(entry.commitment)
    )
    return SittingAnswers(
        entry=entry,
        plan=plan,
        rows=store.rows(entry.number),
        beyond_plan=bool(opened.record.get("beyond_plan", False)),
    )


def _concluded(sittings: Sequence[SittingAnswers], method: str, margin: float | None, alpha: float) -> Conclusion:
    return conclude(
        sum(sitting.correct for sitting in sittings),
        sum(len(sitting.counted) for sitting in sittings),
        method=method,
        margin=margin,
        alpha=alpha,
        unanswered=sum(sitting.unanswered for sitting in sittings),
    )


def _listeners(
    sittings: Sequence[SittingAnswers], method: str, margin: float | None, alpha: float
) -> tuple[ListenerAnswers, ...]:
    names = list(dict.fromkeys(sitting.entry.listener for sitting in sittings))
    own = {name: [sitting for sitting in sittings if sitting.entry.listener == name] for name in names}
    found = {name: _concluded(theirs, method, margin, alpha) for name, theirs in own.items()}
    adjusted: list[float] | list[None] = [None] * len(names)
    if len(names) > 1:
        adjusted = [float(p) for p in adjust_p_values([found[name].difference.p_value for name in names])]
    return tuple(
        ListenerAnswers(
            listener=name,
            correct=found[name].correct,
            trials=found[name].trials,
            unanswered=found[name].unanswered,
            conclusion=found[name],
            adjusted_p_value=p_value,
        )
        for name, p_value in zip(names, adjusted, strict=True)
    )
