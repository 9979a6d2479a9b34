"""What must hold of [panel]: its files and questions, what listeners agree to, and what can be heard far away."""

from itertools import pairwise
from pathlib import Path

from blindtest.design import Protocol
from blindtest.study.findings import Findings
from blindtest.study.panel import Panel
from blindtest.study.paths import PathTrouble, file_at
from blindtest.study.reading import Tables
from blindtest.study.screening_tables import check_screening, note_screening

__all__ = ["LONGEST_TEXT", "check_panel", "check_panel_protocol", "check_second_rate", "note_panel"]

LONGEST_TEXT = 100_000
"""Bytes of the invitation, and of the consent text."""
RATHER_NOT_SAY = "I would rather not say"
"""What the page offers beside the options of a question."""


def check_panel(data: Tables, folder: Path, found: Findings) -> None:
    """Gather what is wrong with a panel, and with what listeners agree to where there is none, in tables that were
    pruned of what the schema refused.
    """
    consent = data.get("listeners", {}).get("consent")
    _text(consent, ("listeners", "consent"), folder, found)
    panel = data.get("panel")
    if not isinstance(panel, dict):
        return
    _text(panel.get("invitation"), ("panel", "invitation"), folder, found)
    if consent is None and not found.is_touched("listeners"):
        found.fault(
            ("panel",),
            "a panel needs a consent text: nobody is asked or listens before they have agreed",
            remedy="write consent = 'consent.md' under [listeners]: what is kept, for how long, how it is erased",
        )
    if "public_places" in panel and not panel.get("public", False) and not found.is_touched("panel", "public"):
        found.fault(("panel", "public_places"), "there is no public link", remedy="write public = true, or take it out")
    if "hardware" in data:
        found.fault(
            ("panel",),
            "real units can't be switched where listeners sit at home",
            remedy="render the conditions for a panel, in a study of its own",
        )
    check_screening(data, found)
    seen: dict[str, int] = {}
    for index, question in enumerate(panel.get("question", ())):
        if isinstance(question, dict):
            _question(question, index, seen, found)


def _text(name: object, path: tuple[str, str], folder: Path, found: Findings) -> None:
    """Check a text that is shown to listeners; where there is no such file, that is said elsewhere for the consent."""
    if not isinstance(name, str):
        return
    try:
        place = file_at(folder, name)
    except PathTrouble as trouble:
        if path[0] == "panel":
            found.fault(path, trouble.problem, got=name, allowed=trouble.allowed, remedy=trouble.remedy)
        return
    try:
        raw = place.read_bytes()
        text = raw.decode("utf-8")
    except OSError as error:
        found.fault(path, f"can't be read: {error.strerror}", got=name)
        return
    except UnicodeDecodeError:
        found.fault(path, "not UTF-8", got=name, remedy="save it as UTF-8")
        return
    if len(raw) > LONGEST_TEXT:
        found.fault(path, "too long for a page", got=f"{len(raw)} bytes", allowed=f"up to {LONGEST_TEXT}")
    elif not text.strip():
        found.fault(path, "empty: listeners would read nothing", got=name, remedy="write what they are to know")


def _question(question: Tables, index: int, seen: dict[str, int], found: Findings) -> None:
    path = ("panel", "question", index)
    own = question.get("id")
    if own in seen:
        line = found.source.line("panel", "question", seen[own], "id")
        found.fault((*path, "id"), f"another question has this id, in line {line}", got=own)
    elif isinstance(own, str):
        seen[own] = index
    kind = question.get("kind")
    if kind not in ("choice", "band"):
        return
    wanted, others = ("options", ("bands", "unit")) if kind == "choice" else ("bands", ("options",))
    for key in others:
        if key in question:
            found.fault((*path, key), f"does not go with kind = '{kind}'", remedy=f"take it out, write {wanted}")
    if wanted not in question:
        if not found.is_touched(*path, wanted):
            example = "options = ['headphones', 'loudspeakers']" if kind == "choice" else "bands = [18, 30, 45, 60]"
            found.fault((*path, wanted), "missing: what can be answered?", remedy=f"write {example}")
        return
    given = question[wanted]
    if kind == "choice" and len({str(one).strip().casefold() for one in given}) < len(given):
        found.fault((*path, "options"), "an answer stands there twice", got=given)
    elif (
        kind == "choice"
        and question.get("rather_not_say", True)
        and any(str(one).strip().casefold() == RATHER_NOT_SAY.casefold() for one in given)
    ):
        found.fault(
            (*path, "options"),
            f"{RATHER_NOT_SAY!r} is offered anyhow",
            remedy="take it out of the options, or write rather_not_say = false",
        )
    if kind == "band" and any(high <= low for low, high in pairwise(given)):
        found.fault((*path, "bands"), "the numbers do not rise", got=given)


def check_panel_protocol(data: Tables, protocol: Protocol | None, found: Findings) -> None:
    """Refuse a protocol that needs the real unit at every listener's."""
    if protocol is None or not isinstance(data.get("panel"), dict):
        return
    worn = [block.id for block in protocol.blocks if block.phase == "worn"]
    if worn:
        found.fault(
            ("protocol", "use"),
            f"block {worn[0]!r} is for the real unit, which a panel's listeners do not have",
            remedy="use a protocol without a worn phase",
        )


def check_second_rate(data: Tables, found: Findings) -> None:
    """Refuse a second rate beside no first one, the same one, or without a panel whose browsers could say theirs."""
    rendering = data.get("rendering", {})
    second, rate = rendering.get("second_rate_hz"), rendering.get("rate_hz")
    if second is None or found.is_touched("rendering", "rate_hz"):
        return
    key = ("rendering", "second_rate_hz")
    if rate is None:
        found.fault(
            key, "there is no first rate", got=second, remedy="write rate_hz = 48_000, the rate of the first set"
        )
    elif rate == second:
        found.fault(key, "the first set has this rate already", got=second, allowed="another than rate_hz")
    if not isinstance(data.get("panel"), dict):
        found.fault(
            key,
            "only a panel asks its browsers for their rate",
            got=second,
            remedy="take it out; for one listener, set rate_hz to the rate of the sound device",
        )


def note_panel(data: Tables, panel: Panel | None, found: Findings) -> None:
    """Add what is worth knowing of a panel."""
    if panel is None:
        return
    found.note(
        ("panel",),
        "what panel listeners wear is unknown: results hold for one condition against another over whatever each "
        "listener wears, never for how a device sounds by itself",
    )
    note_screening(panel.screening, found)
    if data.get("playback") and data.get("rendering", {}).get("over", "inverse") == "inverse":
        found.note(
            ("playback",),
            "its response is divided out for everybody, also for those who wear something else: the difference between "
            "conditions stays, their common colour does not hold",
        )
    if data.get("listeners", {}).get("planned", 1) == 1:
        found.note(("panel",), "[listeners] plans one listener: write planned = N, the number that is sealed")
    if panel.public and panel.public_places is None and panel.closes is None:
        found.note(
            ("panel", "public"),
            f"the public link stays open until {panel.most_listeners} listeners have agreed: closes and public_places "
            "limit it",
        )
    _note_numbers(data, panel, found)
    keep_until = data.get("listeners", {}).get("keep_until")
    if keep_until is None:
        found.note(("listeners",), "no keep_until: say how long answers of others are kept")
    elif panel.closes is not None and panel.closes > keep_until:
        found.note(
            ("panel", "closes"),
            f"{panel.closes} is later than keep_until, {keep_until}: nobody is let in after that day, and sittings end "
            "with it",
        )


def _note_numbers(data: Tables, panel: Panel, found: Findings) -> None:
    """Say of numbers of listeners which of them can't be reached."""
    planned = data.get("listeners", {}).get("planned", 1)
    if panel.most_listeners < planned:
        found.note(
            ("panel", "most_listeners"),
            f"{panel.most_listeners} are let in and {planned} planned: the number that is sealed can't be reached",
        )
    if panel.public_places is not None and panel.public_places > panel.most_listeners:
        found.note(
            ("panel", "public_places"),
            f"the public link admits {panel.public_places}, the panel {panel.most_listeners} in all: fewer will get in "
            "by it",
        )
