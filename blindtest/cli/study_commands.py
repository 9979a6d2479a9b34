"""Commands that make a study and look at what it holds: new, impression, check, measure, render."""

import sys
from pathlib import Path
from shlex import quote
from typing import Any

import click

from blindtest.cli.asking import agreed
from blindtest.cli.options import CLUSTER, FOLDER, UNSEEN, listed, speaks
from blindtest.cli.output import Output, faults
from blindtest.cli.unit_options import measure_folder, refuse_unit_options, unit_options
from blindtest.errors import Fault, FoundWanting, WrongUse

__all__ = ["check", "impression", "measure", "new", "render"]


@click.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--protocol", help="A name in protocols/, or the path of a protocol file; abx else.")
@click.option("--from", "old", type=click.Path(path_type=Path), help="An older study whose clips and levels are kept.")
@speaks
def new(folder: Path, protocol: str | None, old: Path | None, output: Output) -> None:
    """Write a study folder to fill in."""
    from blindtest import steps

    written = steps.new(folder, protocol=protocol, old=old)
    output.result(
        "new",
        {"folder": str(folder), "files": [str(path) for path in written]},
        f"Wrote {folder}. Put responses into {folder / 'measurements'} and music into {folder / 'clips'}, fill in "
        f"{folder / 'study.toml'}, then run: blindtest check {quote(str(folder))}",
    )


@click.command()
@FOLDER
@click.option("--quote", "words", required=True, help="What was said, word for word.")
@click.option("--unit", required=True, help="Id of the unit it is about.")
@click.option("--against", default="", help="Id of the unit it was held against.")
@click.option("--clips", default="", help="Ids of clips, with commas between.")
@click.option("--knew", default="", help="What was known then: price,maker,graph,other-reviews.")
@click.option("--worn", default="", help="For how long the unit was worn.")
@click.option("--by", default="", help="Pseudonym; else the reviewer's.")
@speaks
def impression(
    folder: Path,
    words: str,
    unit: str,
    against: str,
    clips: str,
    knew: str,
    worn: str,
    by: str,
    output: Output,
) -> None:
    """Put what was said on record, before the graphs and before the test."""
    from blindtest import steps

    shown = steps.impression(
        folder, words=words, unit=unit, against=against, clips=listed(clips), knew=listed(knew), worn=worn, by=by
    )
    output.result("impression", shown.to_dict(), shown.text())


@click.command()
@FOLDER
@UNSEEN
@click.option("--loopback", is_flag=True, help="Play all stimuli into a patched input, and measure the chain.")
@click.option("--device", default="", envvar="BLINDTEST_DEVICE", help="--loopback: the output, or a part of its name.")
@click.option(
    "--input", "into", default="", help="--loopback: the input, or a part of its name; else the output's own."
)
@click.option("--yes", is_flag=True, help="--loopback: don't ask whether it is patched.")
@click.option("--before-return", is_flag=True, help="What can't be captured once the unit has gone back.")
@click.option("--unit", default="", help="--before-return: one unit only.")
@speaks
def check(
    folder: Path,
    unseen: bool,
    loopback: bool,
    device: str,
    into: str,
    yes: bool,
    before_return: bool,
    unit: str,
    output: Output,
) -> None:
    """Read everything, say everything that is wrong, change nothing.

    With --loopback, play the stimuli, record them by an input that the output is patched to, and compare; what was
    found is stored with the study.
    """
    from blindtest import steps

    if before_return:
        if loopback or unseen:
            raise WrongUse(Fault(problem="--before-return stands alone: it plays nothing and tells no figures"))
        shown = steps.before_return(folder, unit=unit)
        output.result("check", shown.to_dict(), shown.text())
        if not shown.ok:
            sys.exit(FoundWanting.exit_code)
        return
    if unit:
        raise WrongUse(Fault(problem="--unit goes with --before-return"))
    if loopback:
        _loopback(folder, device=device, into=into, unseen=unseen, yes=yes, output=output)
        return
    if device or into or yes:
        raise WrongUse(Fault(problem="--device, --input and --yes go with --loopback"))
    checked = steps.check(folder)
    if unseen and not checked.faults:
        kept = steps.keep_unseen(folder, "check", checked.to_dict())
        output.result("check", kept.to_dict(), kept.text())
        return
    if output.json:
        output.result("check", checked.to_dict(), "")
    else:
        faults(checked.faults)
        for note in checked.notes:
            output.note(f"note: {note}")
        click.echo(checked.text())
    if checked.faults:
        sys.exit(FoundWanting.exit_code)


def _loopback(folder: Path, *, device: str, into: str, unseen: bool, yes: bool, output: Output) -> None:
    from blindtest import steps

    for caution in steps.LOOPBACK_CAUTIONS:
        click.echo(caution, err=True)
    if not yes:
        agreed("Is the output patched to the input, and nobody listening?")
    with output.progress("loopback") as report:
        shown = steps.loopback(folder, device=device, into=into, progress=report)
    if unseen:
        kept = steps.keep_unseen(folder, "loopback", shown.whole())
        output.result("check", kept.to_dict(), kept.text())
    else:
        output.result("check", shown.to_dict(), shown.text())
    if not shown.ok:
        sys.exit(FoundWanting.exit_code)


@click.command()
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@UNSEEN
@unit_options
@speaks
def measure(files: tuple[Path, ...], unseen: bool, unit: dict[str, Any], output: Output) -> None:
    """Loudness, range and true peak of audio files; a summary of response files; all of one unit's folder.

    Name the folder of a unit's measurements alone: its files are sorted by what they hold, and averages, spread,
    imbalance, harmonics, impedance and delays are printed and drawn.
    """
    from blindtest import steps

    if len(files) == 1 and files[0].is_dir():
        measure_folder(files[0], unit, unseen=unseen, output=output)
        return
    refuse_unit_options(unit)
    with output.progress("measure") as report:
        measured = steps.measure(files, progress=report)
    _show("measure", measured, Path(), output, unseen=unseen)


@click.command()
@FOLDER
@click.option("--dry-run", is_flag=True, help="Say what would be rendered, write nothing.")
@CLUSTER
@UNSEEN
@speaks
def render(folder: Path, dry_run: bool, cluster: str, unseen: bool, output: Output) -> None:
    """Render level-matched stimuli, and print the match table."""
    from blindtest import steps

    with output.progress("render") as report:
        shown = steps.render(folder, dry_run=dry_run, cluster=cluster, progress=report)
    _show("render", shown, folder, output, unseen=unseen)


def _show(command: str, shown: Any, folder: Path, output: Output, *, unseen: bool) -> None:
    from blindtest import steps

    if unseen:
        shown = steps.keep_unseen(folder, command, shown.to_dict())
    output.result(command, shown.to_dict(), shown.text())
