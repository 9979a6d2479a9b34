"""Commands of the record: seal, report, verify, compare, forget."""

import sys
from pathlib import Path

import click

from blindtest.cli.asking import agreed
from blindtest.cli.options import FOLDER, speaks
from blindtest.cli.output import Output
from blindtest.errors import FoundWanting

__all__ = ["compare", "forget", "report", "seal", "verify"]


@click.command()
@FOLDER
@speaks
def seal(folder: Path, output: Output) -> None:
    """Seal the study, and print its commitments, to publish elsewhere before anybody listens."""
    from blindtest import steps

    with output.progress("seal") as report:
        shown = steps.seal(folder, progress=report)
    output.result("seal", shown.to_dict(), shown.text())


@click.command()
@FOLDER
@click.option("--while-open", default="", metavar="REASON", help="Report though a sitting is open; it is recorded.")
@click.option("--published", multiple=True, metavar="HASH", help="A commitment or head that was seen elsewhere.")
@click.option(
    "--comments", is_flag=True, help="Show what listeners wrote on trials, and why they stopped; not while one listens."
)
@click.option("--without-audio", is_flag=True, help="Put no audio into the evidence bundle, whatever its licence.")
@speaks
def report(
    folder: Path, while_open: str, published: tuple[str, ...], comments: bool, without_audio: bool, output: Output
) -> None:
    """Write the report: HTML to publish, Markdown to paste beside a review, and the evidence bundle."""
    from blindtest import steps

    with output.progress("report") as progress:
        shown = steps.report(
            folder,
            while_open=while_open,
            published=published,
            comments=comments,
            audio=not without_audio,
            progress=progress,
        )
    output.result("report", shown.to_dict(), shown.text())


@click.command()
@click.argument("path", type=click.Path(path_type=Path), default=Path())
@click.option("--published", multiple=True, metavar="HASH", help="A hash that was seen elsewhere.")
@click.option(
    "--authority",
    "authorities",
    multiple=True,
    metavar="PEM",
    type=click.Path(path_type=Path),
    help="Certificate of a time-stamp authority that you trust, in place of those in anchors/.",
)
@speaks
def verify(path: Path, published: tuple[str, ...], authorities: tuple[Path, ...], output: Output) -> None:
    """Check a study folder, or an evidence bundle with nothing but the bundle.

    PATH is a study folder, or a bundle: the folder or the ZIP that `blindtest report` made. Checked are seals, plans
    drawn again, the chain of answers and time stamps; of a bundle also every file, what was planned, every number of
    the results, and stimuli rendered and measured again, where their audio is there.
    """
    from blindtest import steps

    with output.progress("verify") as progress:
        verified = steps.verify(path, published=published, authorities=authorities, progress=progress)
    output.result("verify", verified.to_dict(), verified.text())
    if not verified.ok:
        sys.exit(FoundWanting.exit_code)


@click.command()
@click.argument("bundles", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="BUNDLE...")
@click.option("--claim", default="", metavar="ID", help="Which claim; the primary one of each else.")
@click.option("--effect", default="", metavar="NAME", help="Another of its estimates, as 'labelled effect'.")
@click.option("--out", type=click.Path(path_type=Path), help="Forest plot: FILE.svg, FILE.png, or a folder for all.")
@speaks
def compare(bundles: tuple[Path, ...], claim: str, effect: str, out: Path | None, output: Output) -> None:
    """Put the studies of several evidence bundles side by side, and pool them where they are alike."""
    from blindtest import steps

    with output.progress("compare") as report:
        shown = steps.compare(bundles, claim=claim, effect=effect, out=out, progress=report)
    output.result("compare", shown.to_dict(), shown.text())
    if shown.pooled is None:
        sys.exit(FoundWanting.exit_code)


@click.command()
@click.argument("pseudonym")
@FOLDER
@click.option("--yes", is_flag=True, help="Don't ask.")
@speaks
def forget(pseudonym: str, folder: Path, yes: bool, output: Output) -> None:
    """Erase a listener's rows for good. The record stays verifiable."""
    from blindtest import steps

    steps.record_to_erase_from(folder)
    if not yes:
        agreed(f"Erase all rows of {pseudonym} in {folder}? This can't be undone.")
    shown = steps.forget(folder, pseudonym)
    output.result("forget", shown.to_dict(), shown.text())
