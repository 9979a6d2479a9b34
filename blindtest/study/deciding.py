"""A study's protocol, with the changes that the study makes to it; and whether the claim can fail under it."""

from pathlib import Path
from typing import Any

from blindtest.design import METHODS, Protocol
from blindtest.errors import BlindtestError
from blindtest.study.findings import Findings
from blindtest.study.paths import PathTrouble, file_at
from blindtest.study.protocols import changed, is_path, later_changes, protocol_source, read_protocol
from blindtest.study.refutation import Reach, reach, trials_needed

__all__ = ["read_study_protocol"]

Tables = dict[str, Any]


def read_study_protocol(data: Tables, folder: Path, found: Findings) -> tuple[Protocol | None, Reach | None]:
    """Return the protocol with the study's changes made, and what it can show; None where it can't be used."""
    table = data.get("protocol", {})
    use = table.get("use")
    changes = {name: numbers for name, numbers in table.get("changes", {}).items() if isinstance(numbers, dict)}
    if not isinstance(use, str):
        return None, None
    if is_path(use):
        try:
            file_at(folder, use)
        except PathTrouble as trouble:
            found.fault(("protocol", "use"), trouble.problem, got=use, allowed=trouble.allowed, remedy=trouble.remedy)
            return None, None
    try:
        source = protocol_source(use, folder=folder)
    except BlindtestError as error:
        for fault in error.faults:
            if fault.file:
                found.faults.append(fault)
            else:
                found.fault(
                    ("protocol", "use"), fault.problem, got=fault.got, allowed=fault.allowed, remedy=fault.remedy
                )
        found.faults += later_changes(changes, found.source, ("protocol", "changes"))
        return None, None
    _, own = read_protocol(source, name=use)
    found.faults += own
    source, faults = changed(source, changes, found.source, ("protocol", "changes"))
    found.faults += faults
    if own or faults:
        return None, None
    protocol, after = read_protocol(source, name=Path(use).stem if is_path(use) else use)
    found.faults += after
    return (protocol, _can_fail(data, protocol, found)) if protocol is not None else (None, None)


def _can_fail(data: Tables, protocol: Protocol, found: Findings) -> Reach | None:
    claims = [claim for claim in data.get("claim", ()) if isinstance(claim, dict)]
    claim = claims[0] if claims else {}
    kind = claim.get("kind", "heard")
    if claims and "kind" in claim and kind not in protocol.decides:
        found.fault(
            ("claim", 0, "kind"),
            f"the protocol {protocol.name} doesn't decide claims of this kind",
            got=kind,
            allowed=", ".join(protocol.decides),
        )
    if found.is_touched("claim", 0, "kind") or found.is_touched("claim", 0, "margin"):
        return None
    blind = [block for block in protocol.blocks if block.counted]
    method = METHODS[blind[0].method]
    margin = claim.get("margin", next((block.margin for block in blind if block.margin is not None), None))
    place: tuple[str | int, ...] = ("protocol", "changes") if data["protocol"].get("changes") else ("protocol", "use")
    if "margin" in claim:
        place = ("claim", 0, "margin")
    if margin is None:
        where: tuple[str | int, ...] = ("claim", 0) if claims else place
        found.fault(
            where,
            "no margin: nothing could refute the claim",
            remedy="write margin = 0.5, the share of trials heard beyond guessing that would matter",
        )
        return None
    if margin >= 1 or method.guess_rate is None:
        return None
    plan = reach(sum(block.trials for block in blind), margin, method.guess_rate)
    _say_reach(plan, place, method.guess_rate, found)
    _spread(data, protocol, claim, place, found)
    return plan


def _say_reach(plan: Reach, place: tuple[str | int, ...], guess: float, found: Findings) -> None:
    fewest = trials_needed(plan.margin, guess) if not plan.can_fail or plan.shown_from is None else None
    remedy = f"{fewest} trials are the fewest that could" if fewest else "more trials, or a larger margin"
    got = f"{plan.trials} trials and margin {plan.margin:g}"
    if not plan.can_fail:
        at = (
            "no score would make it negligible"
            if plan.negligible_to is None
            else f"{plan.negligible_to} or fewer right would make it negligible, "
            f"which a guesser reaches with chance {plan.chance_negligible:.2f}"
        )
        found.fault(place, f"the claim can't fail: {at}", got=got, allowed="a chance of .50 or more", remedy=remedy)
    elif plan.shown_from is None:
        found.fault(place, "even all answers right would not show a difference", got=got, remedy=remedy)
    else:
        found.note(
            place,
            f"with {got}, {plan.shown_from} or more right show a difference (chance {plan.chance_shown:.2f} where the "
            f"margin is the truth), {plan.negligible_to} or fewer make it negligible "
            f"(chance {plan.chance_negligible:.2f} for a guesser)",
        )


def _spread(data: Tables, protocol: Protocol, claim: Tables, place: tuple[str | int, ...], found: Findings) -> None:
    clips = claim.get("clips", "all")
    count = len(clips) if isinstance(clips, list) else len(data.get("clip", ()))
    for block in protocol.blocks:
        if block.counted and count and block.trials % count:
            found.note(
                place,
                f"{block.trials} trials of block {block.id} don't spread evenly over {count} clips: "
                f"some are heard {block.trials // count + 1} times, some {block.trials // count}",
            )
