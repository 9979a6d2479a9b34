"""Sections as files: our CSV in and out, and the coefficients of every sample rate. Pure functions but for the reading.

The CSV has one form: the header `type,frequency_hz,gain_db,q`, then a row for each section; lines that are empty or
begin with # say nothing. `type` is peaking, low-shelf or high-shelf, numbers have a decimal point. Everything that is
wrong with a file is said at once, each with its line.
"""

import json
import re
from collections.abc import Sequence
from pathlib import Path

from blindtest.errors import BlindtestError, Fault, did_you_mean

from .section_correction import SectionCorrection
from .sections import SECTION_TYPES, Section, sections_sos

__all__ = ["coefficients_json", "coefficients_text", "parse_sections", "read_sections", "sections_text"]

HEADER = "type,frequency_hz,gain_db,q"
MOST_SECTIONS = 64
MOST_BYTES = 1 << 20
RANGES = {"frequency_hz": (1.0, 96_000.0), "gain_db": (-40.0, 40.0), "q": (0.05, 100.0)}
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?")
_CSV_COLUMNS = "rate_hz,section,type,b0,b1,b2,a1,a2"


def read_sections(path: str | Path) -> tuple[Section, ...]:
    """Return the sections of a file, in its order.

    Raises
    ------
    BlindtestError
        The file can't be read, or isn't of the one form; all that is wrong at once.
    """
    file = str(path)
    try:
        with Path(path).open("rb") as stream:
            data = stream.read(MOST_BYTES + 1)
    except OSError as reason:
        problem = "no such file" if isinstance(reason, FileNotFoundError) else f"can't be read ({reason.strerror})"
        raise BlindtestError(Fault(problem=problem, file=file, remedy="look at the path's spelling")) from reason
    if len(data) > MOST_BYTES:
        raise BlindtestError(Fault(problem="too large for a list of sections", file=file, allowed="up to 1 MiB"))
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as reason:
        line = data[: reason.start].count(b"\n") + 1
        raise BlindtestError(
            Fault(problem="not text in UTF-8", file=file, line=line, remedy="save it as plain text, UTF-8")
        ) from reason
    return parse_sections(text, file=file)


def parse_sections(text: str, *, file: str = "") -> tuple[Section, ...]:
    """Return the sections that a text holds; `file` stands in the errors. Raises as `read_sections`."""
    lines = [(number, line.strip()) for number, line in enumerate(re.split(r"\r\n|\r|\n", text), start=1)]
    lines = [(number, line) for number, line in lines if line and not line.startswith("#")]
    if not lines:
        raise BlindtestError(Fault(problem="no header and no section", file=file, allowed=HEADER))
    number, header = lines[0]
    if [cell.strip() for cell in header.split(",")] != HEADER.split(","):
        raise BlindtestError(
            Fault(
                problem="not the header of a list of sections",
                file=file,
                line=number,
                got=header,
                allowed=HEADER,
                remedy="write the sections in this form, a row for each; no other is read",
            )
        )
    rows = lines[1:]
    if not rows:
        raise BlindtestError(
            Fault(problem="a header and no section", file=file, line=number, remedy="write a row for each section")
        )
    if len(rows) > MOST_SECTIONS:
        raise BlindtestError(
            Fault(problem="too many sections", file=file, line=rows[MOST_SECTIONS][0], got=len(rows),
                  allowed=f"up to {MOST_SECTIONS}")
        )  # fmt: skip
    sections: list[Section] = []
    faults: list[Fault] = []
    for number, line in rows:
        own, wrong = _row(line)
        faults += [
            Fault(problem=fault.problem, file=file, line=number, key=fault.key, got=fault.got, allowed=fault.allowed,
                  remedy=fault.remedy)
            for fault in wrong
        ]  # fmt: skip
        sections += own
    if faults:
        raise BlindtestError.of(faults)
    return tuple(sections)


def sections_text(sections: Sequence[Section], *, about: Sequence[str] = ()) -> str:
    """Return sections in the form that `read_sections` reads, `about` in comments above.

    Numbers are rounded to what an equaliser lets one enter and no ear hears: 0.001 Hz, 0.001 dB, Q of 0.0001.
    """
    comments = [f"# {line}" for fact in about for line in fact.splitlines()]
    rows = [f"{one.type},{one.frequency_hz:.3f},{one.gain_db:.3f},{one.q:.4f}" for one in sections]
    return "\n".join([*comments, HEADER, *rows]) + "\n"


def coefficients_text(sections: Sequence[Section], rates: Sequence[int], *, about: Sequence[str] = ()) -> str:
    """Return the coefficients of a chain at every rate as CSV: `rate_hz,section,type,b0,b1,b2,a1,a2`, a0 = 1.

    Raises
    ------
    ValueError
        A section lies at or above half a rate.
    """
    says = "y[n] = b0 x[n] + b1 x[n-1] + b2 x[n-2] - a1 y[n-1] - a2 y[n-2], section after section"
    comments = [f"# {line}" for fact in (*about, says) for line in fact.splitlines()]
    rows = [
        ",".join([str(rate), str(number), section.type, *(f"{row[index]:.17g}" for index in (0, 1, 2, 4, 5))])
        for rate in rates
        for number, (section, row) in enumerate(zip(sections, sections_sos(sections, rate), strict=False), start=1)
    ]
    return "\n".join([*comments, _CSV_COLUMNS, *rows]) + "\n"


def coefficients_json(correction: SectionCorrection, rates: Sequence[int]) -> str:
    """Return sections and their coefficients at every rate as JSON: `sections`, `coefficients` by rate, `headroom_db`.

    Each row of coefficients is b0 b1 b2 a0 a1 a2 with a0 = 1. Raises as `coefficients_text`.
    """
    chain = correction.chain
    return (
        json.dumps(
            {
                "sections": [
                    {"type": one.type, "frequency_hz": one.frequency_hz, "gain_db": one.gain_db, "q": one.q}
                    for one in chain
                ],
                "columns": ["b0", "b1", "b2", "a0", "a1", "a2"],
                "coefficients": {str(rate): sections_sos(chain, rate).tolist() if chain else [] for rate in rates},
                "headroom_db": correction.headroom_db,
            },
            indent=1,
            allow_nan=False,
        )
        + "\n"
    )


def _row(line: str) -> tuple[list[Section], list[Fault]]:
    cells = [cell.strip() for cell in line.split(",")]
    names = HEADER.split(",")
    if len(cells) != len(names):
        more = len(cells) > len(names)
        remedy = "a decimal point, not a comma" if more else "separate the four by commas"
        return [], [Fault(problem=f"{len(cells)} cells in a row", got=line, allowed=HEADER, remedy=remedy)]
    faults = []
    if cells[0] not in SECTION_TYPES:
        faults.append(
            Fault(
                problem="no section of this type",
                key="type",
                got=cells[0],
                allowed=", ".join(SECTION_TYPES),
                remedy=did_you_mean(cells[0].lower(), SECTION_TYPES),
            )
        )
    values = {}
    for name, cell in zip(names[1:], cells[1:], strict=True):
        low, high = RANGES[name]
        allowed = f"a number from {low:g} to {high:g}"
        if not _NUMBER.fullmatch(cell):
            faults.append(Fault(problem="not a number", key=name, got=cell, allowed=allowed))
        elif not low <= float(cell) <= high:
            faults.append(Fault(problem="out of range", key=name, got=cell, allowed=allowed))
        else:
            values[name] = float(cell)
    if faults:
        return [], faults
    kind = next(known for known in SECTION_TYPES if known == cells[0])
    return [Section(type=kind, frequency_hz=values["frequency_hz"], gain_db=values["gain_db"], q=values["q"])], []
