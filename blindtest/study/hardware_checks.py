"""What must hold between [hardware], the conditions' units and the protocol."""

from collections.abc import Sequence

from blindtest.design import METHODS, Protocol
from blindtest.study.findings import Findings
from blindtest.study.hardware import MATCH_DB, TRIM_HZ, Hardware, mismatches, trims_db
from blindtest.study.hardware_tables import VOLTS_KEYS, volts_of
from blindtest.study.reading import Tables

__all__ = ["check_hardware", "check_hardware_protocol", "note_hardware", "trims_wanted"]

_CHANNELS = ("left", "right")


def check_hardware(data: Tables, found: Findings) -> None:
    """Gather what is wrong with real units, in tables that were pruned of what the schema refused."""
    hardware = data.get("hardware")
    own = [(i, one) for i, one in enumerate(data.get("condition", ())) if isinstance(one, dict) and "id" in one]
    through = [(i, one) for i, one in own if isinstance(one.get("hardware"), dict)]
    if hardware is None:
        for index, _ in through[:1]:
            if not found.is_touched("hardware"):
                found.fault(
                    ("condition", index, "hardware"),
                    "[hardware] is missing: nothing says how units are switched",
                    remedy="write [hardware] with route = 'operator' or route = 'outputs'",
                )
        return
    for index, one in own:
        if one not in [each for _, each in through] and not found.is_touched("condition", index, "hardware"):
            found.fault(
                ("condition", index),
                "[condition.hardware] is missing: where units are switched every condition is heard through one",
                got=one["id"],
                remedy="write [condition.hardware] under it with unit = '...', also for controls and anchors",
            )
    if data.get("rendering", {}).get("over", "inverse") != "worn" and not found.is_touched("rendering"):
        found.fault(
            ("rendering", "over") if "over" in data.get("rendering", {}) else ("hardware",),
            "real units are fed the clip as it is: nothing is divided out of it",
            got=data.get("rendering", {}).get("over", "inverse (where nothing is written)"),
            allowed="'worn'",
            remedy="write over = 'worn' under [rendering]",
        )
    route = hardware.get("route")
    if route in ("operator", "outputs"):
        _operator(hardware, route, found)
        _connections(through, route, found)
    _volts(hardware, through, found)


def _operator(hardware: Tables, route: str, found: Findings) -> None:
    for key, remedy in (
        ("operator_knows", "write false where somebody else has connected the units behind neutral numbers, else true"),
        ("operator_place", "write 'another room', 'behind a screen' or 'in sight': the report says which"),
    ):
        if route == "operator" and key not in hardware and not found.is_touched("hardware", key):
            found.fault(("hardware", key), "missing: the report says what the operator knew and where", remedy=remedy)
        if route == "outputs" and key in hardware:
            found.fault(
                ("hardware", key), "outputs are switched by the program: there is no operator", remedy="take it out"
            )
    if route == "outputs" and "switch_s" in hardware:
        found.fault(("hardware", "switch_s"), "outputs are switched at once", remedy="take it out")


def _connections(through: Sequence[tuple[int, Tables]], route: str, found: Findings) -> None:
    wanted, other = ("connect", "outputs") if route == "operator" else ("outputs", "connect")
    seen: list[tuple[int, Tables]] = []
    for index, one in through:
        place = ("condition", index, "hardware")
        own = one["hardware"]
        if other in own:
            found.fault((*place, other), f"does not go with route = '{route}'", remedy=f"take it out, write {wanted}")
        if wanted not in own:
            if not found.is_touched(*place, wanted):
                remedy = "write connect = 'input 1'" if route == "operator" else "write outputs = [1, 2]"
                found.fault((*place, wanted), "missing: where is this unit connected?", remedy=remedy)
            continue
        if route == "outputs" and len(set(own["outputs"])) < len(own["outputs"]):
            found.fault((*place, "outputs"), "an output is named twice", got=own["outputs"])
            continue
        for before, earlier in seen:
            _apart(one, earlier, before, place, wanted, found)
        seen.append((index, one))


def _apart(
    one: Tables, earlier: Tables, before: int, place: tuple[str | int, ...], wanted: str, found: Findings
) -> None:
    """Refuse two units in one place; two conditions of one unit say the same of it."""
    own, other = one["hardware"], earlier["hardware"]
    if own == other:
        return
    line = found.source.line("condition", before, "hardware")
    if wanted == "outputs":
        if len(own[wanted]) != len(other[wanted]):
            found.fault(
                (*place, wanted), f"not as many outputs as {earlier['id']!r} has, in line {line}", got=own[wanted]
            )
        if set(own[wanted]) & set(other[wanted]):
            found.fault(
                (*place, wanted), f"another unit hangs on these outputs: {earlier['id']!r}, in line {line}",
                got=own[wanted], remedy="give each unit outputs of its own; never join outputs of amplifiers",
            )  # fmt: skip
    elif own[wanted].strip().casefold() == other[wanted].strip().casefold():
        found.fault(
            (*place, wanted), f"another unit is connected there: {earlier['id']!r}, in line {line}",
            got=own[wanted], remedy="give each unit a name of its own for the operator",
        )  # fmt: skip


def trims_wanted(hardware: Tables) -> bool:
    """Return whether the program brings units to one level: as written; else where outputs are switched."""
    return bool(hardware.get("trim", hardware.get("route") == "outputs"))


def _volts(hardware: Tables, through: Sequence[tuple[int, Tables]], found: Findings) -> None:
    accepted = "accept_unmatched" in hardware
    volts: dict[str, dict[int, tuple[float, ...]]] = {}
    for index, one in through:
        own = one["hardware"]
        held = {hz: volts_of(own[key]) for hz, key in VOLTS_KEYS.items() if key in own}
        missing = [
            key for hz, key in VOLTS_KEYS.items()
            if hz not in held and not found.is_touched("condition", index, "hardware", key)
        ]  # fmt: skip
        if missing and not accepted:
            found.fault(
                ("condition", index, "hardware", missing[0]),
                "missing: units are matched at 100 Hz, 1 kHz and 10 kHz",
                remedy=f"measure and write {', '.join(missing)}; or write accept_unmatched = 'why' under [hardware]",
            )
        if len({len(each) for each in held.values()}) > 1:
            found.fault(("condition", index, "hardware"), "not as many voltages at one frequency as at another")
            return
        if len(held) == len(VOLTS_KEYS):
            volts[one["id"]] = held
    counts = {name: len(next(iter(held.values()))) for name, held in volts.items()}
    if len(set(counts.values())) > 1:
        got = ", ".join(f"{name}: {count}" for name, count in counts.items())
        found.fault(("hardware",), "units were measured in different numbers of channels", got=got)
        return
    if accepted or len(volts) < len(through) or not volts:
        return
    trims = trims_db(volts) if trims_wanted(hardware) else {}
    places = {one["id"]: index for index, one in through}
    for far in mismatches(volts, trims):
        several = counts[far.condition] > 1
        channel = f", {_CHANNELS[far.channel] if counts[far.condition] == 2 else f'channel {far.channel + 1}'}"
        remedy = "match them again"
        if not trims and far.frequency == TRIM_HZ:
            remedy = "turn it down, or write trim = true under [hardware]: then the program does"
        found.fault(
            ("condition", places[far.condition], "hardware", VOLTS_KEYS[far.frequency]),
            f"{far.apart_db:.2f} dB above {far.against!r}{channel if several else ''}"
            + (" once trimmed at 1 kHz" if trims else ""),
            got=one_or_all(volts[far.condition][far.frequency]),
            allowed=f"within {MATCH_DB:g} dB of each other",
            remedy=f"{remedy}; or write accept_unmatched = 'why' under [hardware], which is sealed and reported",
        )


def one_or_all(values: Sequence[float]) -> object:
    """Return a single value, or the list."""
    return values[0] if len(values) == 1 else list(values)


def check_hardware_protocol(data: Tables, protocol: Protocol | None, found: Findings) -> None:
    """Refuse methods that an operator can't serve: sounds that don't wait, and levels that only rendering makes."""
    if protocol is None or data.get("hardware", {}).get("route") != "operator":
        return
    for block in protocol.blocks:
        method = METHODS[block.method]
        if method.adaptive or method.answer_kind == "adjust":
            why = "its levels are rendered, real units have none"
        elif "keeps listening" in method.decides:
            why = "its programme runs on and can't wait for a connection"
        else:
            continue
        found.fault(
            ("protocol", "use"), f"{block.method} can't be served by an operator: {why}",
            got=data.get("protocol", {}).get("use"), allowed="abx, preference, same-different, triangle, ...",
        )  # fmt: skip


def note_hardware(data: Tables, own: Hardware | None, found: Findings) -> None:
    """Note what the voltages make of the units, and what nobody can verify afterwards."""
    hardware = data.get("hardware")
    if hardware is None or own is None:
        return
    if own.apart_db:
        trims = ", ".join(f"{name} {db:+.2f} dB" for name, db in own.trims_db.items())
        apart = ", ".join(f"{db:.3f} dB at {hz:g} Hz" for hz, db in own.apart_db.items())
        trimmed = f"the program's trims are {trims}; " if own.trim else ""
        found.note(("hardware",), f"{trimmed}by their voltages the units are at most this far apart: {apart}")
    found.note(
        ("hardware",),
        "can't be verified from the record: that the units named were the ones connected, and that the voltages are as "
        "entered",
    )
    if hardware.get("route") == "operator":
        found.note(
            ("hardware",),
            "can't be verified from the record: that the operator connected what the page said, and that nothing seen, "
            "heard (the click of a switch) or said told the listener which it was",
        )
        if hardware.get("operator_knows"):
            found.note(
                ("hardware", "operator_knows"),
                "the operator knows which unit is connected: the sitting is blind, not double blind, and the report "
                "says so",
            )
        if hardware.get("operator_place") == "in sight":
            found.note(
                ("hardware", "operator_place"),
                "the listener sees the operator: face, hands and haste can tell; a screen between them costs little",
            )
    if "accept_unmatched" in hardware:
        found.note(
            ("hardware", "accept_unmatched"),
            "units are compared that are not matched within 0.1 dB: the louder of two equal sounds tends to win; the "
            "report says so first",
        )
