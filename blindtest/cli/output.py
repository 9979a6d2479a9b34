"""What leaves the commands: results on stdout, everything else on stderr, and the exit code.

Exit codes: 0 done; 1 a check or verification found something; 2 wrong usage; 3 input that can't be used; 4 something
needed isn't there; 70 an unexpected fault; 130 interrupted.
"""

import json
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import click

from blindtest.errors import BlindtestError, Fault

__all__ = ["EXIT_FAULT", "EXIT_INTERRUPTED", "SCHEMA_VERSION", "Output", "faults", "print_error"]

SCHEMA_VERSION = 1
"""Version of the form of what `--json` prints; the JSON Schema is in `blindtest/cli/results.schema.json`."""
EXIT_FAULT = 70
EXIT_INTERRUPTED = 130

Report = Callable[[int, int, str], None]
"""`report(done, total, what)`: how far a long step is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Output:
    """How a command was asked to speak."""

    json: bool = False
    quiet: bool = False
    plain: bool = False

    def result(self, command: str, value: Mapping[str, Any], text: str) -> None:
        """Print a command's result: `value` as one JSON object, or `text`."""
        if self.json:
            click.echo(json.dumps({"schema_version": SCHEMA_VERSION, "command": command, **value}, allow_nan=False))
        else:
            click.echo(text)

    def note(self, text: str) -> None:
        """Say something that is no result, on stderr."""
        if not self.quiet:
            click.echo(text, err=True)

    @contextmanager
    def progress(self, title: str) -> Iterator[Report]:
        """Show how far a long step is: a bar on a terminal, elsewhere a line every 10 %."""
        if self.quiet:
            yield lambda done, total, what: None
        elif sys.stderr.isatty() and not self.plain:
            with _bar(title) as report:
                yield report
        else:
            yield _lines(title)


def _lines(title: str) -> Report:
    shown = -1

    def report(done: int, total: int, what: str) -> None:
        nonlocal shown
        tenth = 10 * done // total if total else 10
        if tenth > shown:
            shown = tenth
            click.echo(f"{title}: {10 * tenth} %", err=True)

    return report


@contextmanager
def _bar(title: str) -> Iterator[Report]:
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TextColumn("{task.percentage:>3.0f} %"))
    with Progress(*columns, TimeElapsedColumn(), console=Console(stderr=True)) as bars:
        task = bars.add_task(title, total=None)

        def report(done: int, total: int, what: str) -> None:
            bars.update(task, completed=done, total=total)

        yield report


def print_error(error: BlindtestError, *, as_json: bool) -> None:
    """Print the faults of `error`, one a line on stderr, or as one JSON object on stdout."""
    if as_json:
        click.echo(
            json.dumps(
                {
                    "schema_version": SCHEMA_VERSION,
                    "error": {"exit_code": error.exit_code, "faults": [fault.to_dict() for fault in error.faults]},
                },
                allow_nan=False,
                default=str,
            )
        )
    else:
        faults(error.faults)


def faults(found: Iterable[Fault]) -> None:
    """Print faults, one a line, on stderr; never in a box, never silenced."""
    for fault in found:
        click.echo(str(fault), err=True)
