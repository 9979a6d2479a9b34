"""Commands about the tool itself: schema, doctor, guide."""

import sys
from pathlib import Path

import click

from blindtest.cli.options import FOLDER, speaks
from blindtest.cli.output import Output
from blindtest.errors import Fault, FoundWanting, WrongUse

__all__ = ["doctor", "guide", "schema"]


@click.command()
@click.argument("kind", type=click.Choice(["study", "protocol"]), default="study")
def schema(kind: str) -> None:
    """Print the JSON Schema of study.toml or of a protocol, for editors."""
    import json

    from blindtest import steps

    click.echo(json.dumps(steps.schema(kind), indent=2))


@click.command()
@FOLDER
@speaks
def doctor(folder: Path, output: Output) -> None:
    """Say what this machine lacks, one line each, with the remedy."""
    from blindtest import steps

    looked = steps.doctor(folder)
    output.result("doctor", looked.to_dict(), looked.text())
    if not looked.ok:
        sys.exit(FoundWanting.exit_code)


@click.command()
@click.argument("topic", required=False)
def guide(topic: str | None) -> None:
    """Print a page of the guide, or the list of its pages."""
    from importlib.resources import files

    from blindtest.errors import did_you_mean

    found = files("blindtest").joinpath("guide").iterdir()
    pages = {page.name.removesuffix(".md"): page for page in found if page.name.endswith(".md")}
    if topic is None:
        wide = max(map(len, pages))
        for name in sorted(pages):
            title = pages[name].read_text(encoding="utf-8").partition("\n")[0].lstrip("# ")
            click.echo(f"{name:{wide}}  {title}")
    elif topic in pages:
        click.echo(_without_marks(pages[topic].read_text(encoding="utf-8")))
    else:
        remedy = did_you_mean(topic, pages) or "run blindtest guide for the list"
        raise WrongUse(Fault(problem="the guide has no such page", got=topic, remedy=remedy))


def _without_marks(page: str) -> str:
    """Return a page without the comments that say how its outputs were made."""
    import re

    return re.sub(r"(?m)^<!--.*?-->\n", "", page).rstrip()
