"""What several commands take: a study folder, how to print, where to compute."""

from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import Any, TypeVar

import click

from blindtest.cli.output import Output

__all__ = ["CLUSTER", "FOLDER", "HELPER", "UNSEEN", "listed", "speaks"]

F = TypeVar("F", bound=Callable[..., Any])


FOLDER = click.argument("folder", type=click.Path(path_type=Path), default=Path())


def speaks(command: F) -> F:
    """Give a command the options --json, --quiet and --plain, and pass them on as one `Output`."""

    @click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of text.")
    @click.option("--quiet", is_flag=True, help="No progress, no notes; errors all the same.")
    @click.option("--plain", is_flag=True, envvar="BLINDTEST_PLAIN", help="No bars; good for screen readers.")
    @wraps(command)
    def spoken(*args: Any, as_json: bool, quiet: bool, plain: bool, **options: Any) -> Any:
        return command(*args, output=Output(json=as_json, quiet=quiet, plain=plain), **options)

    return spoken  # type: ignore[return-value]


def listed(text: str) -> tuple[str, ...]:
    """Return the parts of a text with commas between."""
    return tuple(part.strip() for part in text.split(",") if part.strip())


CLUSTER = click.option(
    "--cluster",
    default="",
    envvar="BLINDTEST_CLUSTER",
    metavar="tcp://HOST:PORT",
    help="Dask scheduler whose workers compute; the results are the same, byte for byte.",
)


UNSEEN = click.option("--unseen", is_flag=True, help="Keep what was found in unseen/, and show nothing of it.")


HELPER = click.option(
    "--helper", is_flag=True, help="The plan lies under the passphrase of somebody else, who types it now."
)
