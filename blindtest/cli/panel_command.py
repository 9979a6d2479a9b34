"""The command `panel`: many listeners on one port."""

import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from blindtest.cli.output import Output
from blindtest.errors import Fault, WrongUse

__all__ = ["run_panel"]


def run_panel(
    folder: Path,
    *,
    address: str,
    port: int | None,
    hosts: Sequence[str],
    public_url: str,
    sounds_folder: Path | None,
    sounds_at: str,
    journal: Path | None,
    invitations: int | None,
    close: bool,
    dry_run: bool,
    output: Output,
) -> None:
    """Serve the panel of the study in `folder`, or do the one other thing that was asked for."""
    from blindtest import steps

    if sum((invitations is not None, close, dry_run)) > 1:
        raise WrongUse(Fault(problem="--invite, --close and --dry-run stand alone"))
    if dry_run:
        looked = steps.look_at_panel(folder)
        output.result("panel", {"did": "look", **looked.to_dict()}, looked.text())
        return
    if close:
        closed = steps.close_panel(folder)
        output.result("panel", {"did": "close", **closed.to_dict()}, closed.text())
        return
    if invitations is not None:
        invited = steps.invite(folder, invitations, url=public_url)
        output.result("panel", {"did": "invite", **invited.to_dict()}, invited.text())
        output.note(
            f"{len(invited.links)} {'link' if len(invited.links) == 1 else 'links'}, each for one listener. Links are "
            "not kept here: only their hashes are. Names, if you need them, belong beside these links in a file of "
            "yours that no command reads."
        )
        return
    _serve(
        folder, output, address=address, port=port, hosts=hosts, public_url=public_url, sounds_folder=sounds_folder,
        sounds_at=sounds_at, journal=journal,
    )  # fmt: skip


def _serve(folder: Path, output: Output, *, public_url: str, sounds_at: str, **how: Any) -> None:
    from blindtest import steps, web

    def say(line: str) -> None:
        click.echo(line, err=True)

    if public_url:
        steps.public_origin(public_url)
    if not re.fullmatch(r"/[A-Za-z0-9_-]+/", sounds_at):
        raise WrongUse(
            Fault(problem="not a location of a web server", key="--sounds-at", got=sounds_at, allowed="as /laid/")
        )
    with output.progress("preparing") as report:
        panel = steps.open_panel(folder, progress=report)
    with panel:
        served = web.serve_panel(panel, public_url=public_url, sounds_at=sounds_at, say=say, **how)
    output.result("panel", {"did": "serve", **served.to_dict()}, served.text())
