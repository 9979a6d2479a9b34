"""Tables of ratings by several judges: how far they agree about the same targets."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from blindtest.errors import BlindtestError, Fault
from blindtest.nouns import number_of
from blindtest.stats import LongTable, Wanted, agreement
from blindtest.steps.columns import columns
from blindtest.steps.tables.contract import Asked, TableAnalysis
from blindtest.steps.tables.reading import faults_in, read

__all__ = ["agree"]

LONG = (
    Wanted(name="listener", also=("judge", "assessor", "rater", "subject", "who"), needed=False),
    Wanted(name="rating", kind="number", also=("response", "score", "grade"), needed=False),
    Wanted(name="target", also=("stimulus",), needed=False),
    Wanted(name="device", also=("condition", "system", "product"), needed=False),
    Wanted(name="clip", also=("item", "programme"), needed=False),
    Wanted(name="mode", also=("phase",), needed=False),
)
TARGETS = ("target", "device", "clip", "mode")


def agree(path: Path, asked: Asked) -> TableAnalysis:
    """Return how far judges agree: of a row for each rating, or of a row per target with a column per judge."""
    table = read(path, LONG, asked, beside=None)
    matrix, said = _spread(table) if table.has("listener") and table.has("rating") else _matrix(table)
    with faults_in(table):
        result = agreement(matrix, level=1 - asked.alpha)
    alphas = ", ".join(f"{name} {_two(value)}" for name, value in result.krippendorff_alpha.items())
    low, high = result.cronbach_alpha_interval
    lines = (
        f"Result: {result.sentence}",
        "",
        _forms(result.to_dict()["icc"]),
        "",
        f"Cronbach's alpha {_two(result.cronbach_alpha)} ({_two(low)} to {_two(high)}).",
        f"Krippendorff's alpha by level of measurement: {alphas}.",
        *(f"{assumption[0].upper()}{assumption[1:]}." for assumption in result.assumptions),
    )
    return TableAnalysis(
        file=table.file,
        method="agreement",
        understood=(*table.understood, said),
        lines=lines,
        values={"agreement": result.to_dict()},
    )


def _spread(table: LongTable) -> tuple[Any, str]:
    """Return a row per target, a column per judge, of a row for each rating."""
    keys = [name for name in TARGETS if table.has(name)]
    if not keys:
        raise BlindtestError(
            table.fault(
                "no column says what was rated",
                key="target",
                got=", ".join(table.table.columns),
                remedy="name it: device=COLUMN, clip=COLUMN or target=COLUMN",
            )
        )
    rows = table.table.dropna(subset=["listener", "rating", *keys])
    matrix = rows.pivot_table(index=keys, columns="listener", values="rating", aggfunc="mean")
    cells = int(matrix.notna().to_numpy().sum())
    said = f"{len(matrix)} targets ({' x '.join(keys)}), {matrix.shape[1]} judges"
    if cells < len(rows):
        said += f"; {number_of(len(rows) - cells, 'rating is a repeat,', 'ratings are repeats,')} and averaged"
    if len(rows) < len(table.table):
        said += f"; {number_of(len(table.table) - len(rows), 'row')} without some of it left out"
    return matrix.reset_index(drop=True), said


def _matrix(table: LongTable) -> tuple[Any, str]:
    """Return the columns that hold numbers, a judge each; a first column of text, or one called target, names rows."""
    frame = table.table
    named = "target" if table.has("target") else ""
    judges = [name for name in frame.columns if name != named]
    texts = [name for name in judges if frame[name].dtype == object and frame[name].notna().any()]
    if not named and texts and texts[0] == judges[0]:
        named = texts.pop(0)
        judges.remove(named)
    if texts:
        raise BlindtestError.of(_first_text(table, name) for name in texts)
    said = f"a row per target, a column per judge: {len(judges)} judges, {len(frame)} targets"
    return frame[judges], said + (f" named by {table.names.get(named, named)!r}" if named else "")


def _first_text(table: LongTable, name: str) -> Fault:
    cells = table.table[name].tolist()
    row = next(row for row, cell in enumerate(cells) if cell is not None and not _is_number(cell))
    return table.fault("no rating", row, key=name, got=cells[row], allowed="a number, or nothing")


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


def _forms(forms: list[Mapping[str, Any]]) -> str:
    rows = [
        (
            str(one["form"]),
            _two(one["estimate"]),
            f"{_two(one['ci_low'])} to {_two(one['ci_high'])}",
            _p(one["p_value"]),
        )
        for one in forms
    ]
    return columns(("form", "ICC", "interval", "p"), rows)


def _two(value: float | None) -> str:
    return "-" if value is None or value != value else f"{value:.2f}"


def _p(value: float | None) -> str:
    return "-" if value is None or value != value else f"{value:.3g}"
