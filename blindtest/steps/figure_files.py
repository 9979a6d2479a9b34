"""Figures as files: SVG, PNG, text alternative and data, in a folder that is replaced whole."""

import csv
import io
import shutil
import tempfile
from collections.abc import Iterable, Mapping
from pathlib import Path

from blindtest.errors import BlindtestError, Fault
from blindtest.report.figures import Figure

__all__ = ["MANIFEST", "refuse_foreign", "write_figure_file", "write_figures"]

MANIFEST = ".blindtest-figures"
_MADE = "Made by blindtest; replaced as a whole when it is made again.\n"


def refuse_foreign(place: Path, *, key: str = "--figures") -> None:
    """Refuse a folder that holds something that was not made here, before anything is measured."""
    if place.exists() and not place.is_dir():
        raise BlindtestError(Fault(problem="this is a file, no folder for figures", file=str(place), key=key))
    if place.is_dir() and any(place.iterdir()) and not (place / MANIFEST).is_file():
        raise BlindtestError(
            Fault(
                problem="this folder holds something that blindtest did not make",
                file=str(place),
                key=key,
                remedy="name another folder, or move it away; nothing was overwritten",
            )
        )


def write_figures(
    figures: Iterable[Figure], place: Path, *, also: Mapping[str, str] | None = None, key: str = "--figures"
) -> tuple[Path, ...]:
    """Write each figure as NAME.svg, NAME.png, NAME.txt (its text alternative) and NAME.csv (its data).

    The folder is written under another name and put in place of an older one. Returns the SVG files and `also`.

    Parameters
    ----------
    also : further texts by the names of their files
    key : the option that named the place

    Raises
    ------
    BlindtestError
        It holds something else, or can't be written.
    """
    refuse_foreign(place, key=key)
    made = list(figures)
    try:
        place.parent.mkdir(parents=True, exist_ok=True)
        draft = Path(tempfile.mkdtemp(prefix=".figures-", dir=place.parent))
        try:
            draft.chmod(0o755)
            for one in made:
                (draft / f"{one.name}.svg").write_text(one.svg, encoding="utf-8", newline="\n")
                (draft / f"{one.name}.png").write_bytes(one.png)
                text = f"{one.title}\n\n{one.description}\n"
                (draft / f"{one.name}.txt").write_text(text, encoding="utf-8", newline="\n")
                (draft / f"{one.name}.csv").write_text(_table(one), encoding="utf-8", newline="\n")
            for name, text in (also or {}).items():
                (draft / name).write_text(text, encoding="utf-8", newline="\n")
            (draft / MANIFEST).write_text(_MADE, encoding="utf-8")
            old = place.with_name(f".{place.name}-old")
            shutil.rmtree(old, ignore_errors=True)
            if place.exists():
                place.rename(old)
            draft.rename(place)
            shutil.rmtree(old, ignore_errors=True)
        finally:
            shutil.rmtree(draft, ignore_errors=True)
    except OSError as error:
        raise BlindtestError(
            Fault(problem=f"figures can't be written: {error.strerror}", file=str(place), key=key)
        ) from error
    return (*(place / f"{one.name}.svg" for one in made), *(place / name for name in also or {}))


def write_figure_file(figure: Figure, path: Path, *, key: str = "--figure") -> None:
    """Write one figure as SVG or PNG, by the name of the file: the whole of it, or nothing.

    Raises
    ------
    BlindtestError
        It can't be written; what was there before is untouched.
    """
    try:
        descriptor, name = tempfile.mkstemp(prefix=".figure-", dir=path.parent)
        draft = Path(name)
        try:
            with open(descriptor, "wb") as stream:
                stream.write(figure.svg.encode() if path.suffix.lower() == ".svg" else figure.png)
            draft.chmod(0o644)
            draft.replace(path)
        finally:
            draft.unlink(missing_ok=True)
    except OSError as error:
        fault = Fault(problem=f"the figure can't be written: {error.strerror}", file=str(path), key=key)
        raise BlindtestError(fault) from error


def _table(figure: Figure) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(figure.columns)
    for row in figure.rows:
        writer.writerow(["" if cell != cell else f"{cell:.6g}" if isinstance(cell, float) else cell for cell in row])
    return text.getvalue()
