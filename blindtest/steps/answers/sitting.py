"""One sitting of the record: its plan drawn again, and the rows that were answered."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from blindtest.design import Plan, plan_from_record

if TYPE_CHECKING:
    from blindtest.session.record import Record
    from blindtest.session.register import SittingEntry

__all__ = ["SittingAnswers", "ended_by_rule", "recorded_sitting", "rights_by_listener", "trials_met"]

NEVER_COUNTED = ("practice", "control")
"""Phases of rows that no claim rests on."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SittingAnswers:
    """One sitting with its plan drawn again and its rows."""

    entry: "SittingEntry"
    plan: Plan
    rows: tuple[Mapping[str, Any], ...]
    beyond_plan: bool
    locked: bool = False
    """Under a helper's passphrase that was not given: the plan's numbers are its own, its draws and rows can't be read,
    and nothing in it was answered."""

    @property
    def enters(self) -> bool:
        """Whether it enters the analysis: ended, planned, not erased."""
        return self.entry.state != "open" and not self.beyond_plan and self.entry.forgotten is None

    @property
    def counted_planned(self) -> int:
        """Planned trials that count; of a sitting that its stopping rule ended, those up to that."""
        if trials_met(self.plan, self.rows) < self.plan.length:
            return self.counted_answered
        return sum(block.trials for block in self.plan.protocol.blocks if block.counted)

    @property
    def counted(self) -> tuple[Mapping[str, Any], ...]:
        """Rows that count, in the order of trials; a rating has one for each slot."""
        return tuple(
            sorted((row for row in self.rows if row["phase"] not in NEVER_COUNTED), key=lambda row: int(row["trial"]))
        )

    @property
    def counted_answered(self) -> int:
        """Trials that count and were answered."""
        return len({int(row["trial"]) for row in self.counted})

    def of_claim(self, claim: Mapping[str, Any]) -> tuple[Mapping[str, Any], ...]:
        """Return the counted rows that answer a sealed claim: of its blocks, on its clips."""
        return tuple(row for row in self.counted if row["block"] in claim["blocks"] and row["clip"] in claim["clips"])

    def of_blocks(self, blocks: Sequence[str]) -> tuple[Mapping[str, Any], ...]:
        """Return the counted rows of some blocks."""
        return tuple(row for row in self.counted if row["block"] in blocks)

    def planned_for(self, claim: Mapping[str, Any]) -> tuple[int, ...]:
        """Return the numbers of the trials that were planned for a sealed claim: of its blocks, on its clips."""
        own = (
            number
            for number in range(self.plan.length)
            if self.plan.place(number)[0].id in claim["blocks"] and self.plan.control(number) is None
        )
        if set(self.plan.clips) <= set(claim["clips"]):
            return tuple(own)
        return tuple(number for number in own if self.plan.trial(number).clip in claim["clips"])

    def unanswered_for(self, claim: Mapping[str, Any]) -> int:
        """Return how many of them nobody answered; none while the sitting is open."""
        if self.entry.state == "open":
            return 0
        return len(self.planned_for(claim)) - len({int(row["trial"]) for row in self.of_claim(claim)})


def recorded_sitting(store: "Record", entry: "SittingEntry") -> SittingAnswers:
    """Return a sitting as it stands in the record, its plan drawn again from what was sealed."""
    if store.locked(entry.commitment):
        record = store.record(entry.commitment)
        stand_in = plan_from_record(record, bytes(32), public=store.public(entry.commitment))
        beyond = bool(record.get("beyond_plan", False))
        return SittingAnswers(entry=entry, plan=stand_in, rows=(), beyond_plan=beyond, locked=True)
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


def ended_by_rule(plan: Plan, rows: Sequence[Mapping[str, Any]]) -> bool:
    """Return whether the rule of a plan's last block ended the sitting with these rows before its last trial."""
    block = plan.protocol.blocks[-1]
    if block.stopping is None:
        return False
    own = [row for row in rows if row["block"] == block.id and row["phase"] != "control"]
    own.sort(key=lambda row: int(row["trial"]))
    return block.stopping.ends_early([row["correct"] is True for row in own])


def trials_met(plan: Plan, rows: Sequence[Mapping[str, Any]]) -> int:
    """Return how many trials of a plan there were: all of them, but where its rule ended the sitting before."""
    return len({int(row["trial"]) for row in rows}) if ended_by_rule(plan, rows) else plan.length


def rights_by_listener(claim: Mapping[str, Any], sittings: Sequence[SittingAnswers]) -> tuple[tuple[int, int], ...]:
    """Return how many answers to a sealed claim were right, and how many there were, of each listener."""
    found: dict[str, list[int]] = {}
    for sitting in sittings:
        own = found.setdefault(sitting.entry.listener, [0, 0])
        for row in sitting.of_claim(claim):
            own[0] += row["correct"] is True
            own[1] += 1
    return tuple((right, of) for right, of in found.values() if of)
