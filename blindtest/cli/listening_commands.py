"""Commands under which somebody listens: demo, listen, panel, abandon."""

import sys
from pathlib import Path
from typing import Literal

import click

from blindtest.cli.asking import asked_passphrase
from blindtest.cli.options import FOLDER, HELPER, listed, speaks
from blindtest.cli.output import EXIT_INTERRUPTED, Output
from blindtest.errors import Fault, WrongUse

__all__ = ["abandon", "demo", "listen", "panel"]


@click.command()
@click.option("--listen", "sit", is_flag=True, help="Sit in the demo yourself, in the browser.")
@click.option("--no-browser", is_flag=True, help="With --listen: print the link, open nothing.")
@click.option("--seed", default=1, show_default=True, help="Seed of the simulated listeners and plans.")
@speaks
def demo(sit: bool, no_browser: bool, seed: int, output: Output) -> None:
    """Do the whole job on invented devices with simulated listeners, under ./blindtest-demo/."""
    from blindtest import steps

    with output.progress("demo") as report:
        if sit:
            folder = steps.demo_study(Path("blindtest-demo") / "listen", progress=report)
        else:
            shown = steps.demo(Path("blindtest-demo"), seed=seed, progress=report)
    if sit:
        sit_down(folder, listener="", browser=not no_browser, again=True, output=output)
    else:
        output.result("demo", shown.to_dict(), shown.text())


@click.command()
@click.argument("targets", nargs=-1, type=click.Path(path_type=Path))
@click.option("--listener", default="", envvar="BLINDTEST_LISTENER", help="Pseudonym; drawn where none is given.")
@click.option("--align", is_flag=True, help="With two files: shift the second so that both begin together.")
@click.option("--folder", type=click.Path(path_type=Path), help="With two files: where to make the study.")
@click.option("--again", is_flag=True, help="One more sitting than planned; it is reported, never counted.")
@click.option(
    "--same-day", default="", metavar="REASON", help="A phase's next sitting on the same day; it is recorded."
)
@click.option("--port", type=click.IntRange(1024, 65535), envvar="BLINDTEST_PORT", help="Else the study's own.")
@click.option("--no-browser", is_flag=True, help="Print the link, open nothing.")
@click.option(
    "--play", type=click.Choice(["auto", "device", "browser"]), default="auto", show_default=True,
    envvar="BLINDTEST_PLAY", help="What sounds; auto: the sound device where there is one.",
)  # fmt: skip
@click.option("--device", default="", envvar="BLINDTEST_DEVICE", help="Name of the sound device, or a part of it.")
@HELPER
@click.option(
    "--operator-at", default="", metavar="ADDRESS", envvar="BLINDTEST_OPERATOR_AT",
    help="Address of this machine at which another one opens the operator's page; else a screen of this one does.",
)  # fmt: skip
@speaks
def listen(
    targets: tuple[Path, ...],
    listener: str,
    align: bool,
    folder: Path | None,
    again: bool,
    same_day: str,
    port: int | None,
    no_browser: bool,
    play: Literal["auto", "device", "browser"],
    device: str,
    helper: bool,
    operator_at: str,
    output: Output,
) -> None:
    """Open the listener's page for a blind sitting.

    TARGETS is a study folder (default: the present one), or two audio files, which become a study at once.
    """
    from blindtest import steps

    if len(targets) > 2:
        raise WrongUse(Fault(problem="too many arguments", got=len(targets), allowed="a study folder, or two files"))
    if len(targets) == 2:
        study = steps.pair(targets[0], targets[1], folder=folder, align=align)
        output.note(f"Made the study {study}.")
    elif align or folder:
        raise WrongUse(Fault(problem="--align and --folder go with two audio files", remedy="name two files"))
    else:
        study = targets[0] if targets else Path()
        if not study.is_dir() and study.suffix.lower() not in ("", ".toml"):
            problem = "no study folder, and one file alone is held against nothing"
            raise WrongUse(Fault(problem=problem, got=str(study), allowed="a study folder, or two audio files"))
    sit_down(
        study, listener=listener, browser=not no_browser, again=again, output=output, port=port, same_day=same_day,
        play=play, device=device, helper=helper, operator_at=operator_at,
    )  # fmt: skip


def _launch(link: str) -> None:
    """Open the link, which stands printed too; without a browser the system's launcher would only fill the terminal."""
    import webbrowser

    try:
        webbrowser.get()
    except webbrowser.Error:
        return
    click.launch(link)


def sit_down(
    folder: Path,
    *,
    listener: str,
    browser: bool,
    again: bool,
    output: Output,
    port: int | None = None,
    same_day: str = "",
    play: Literal["auto", "device", "browser"] = "auto",
    device: str = "",
    helper: bool = False,
    operator_at: str = "",
) -> None:
    from blindtest import steps, web

    def say(line: str) -> None:
        click.echo(line, err=True)

    with steps.PlayerFound(play=play, device=device, say=say) as player:
        with output.progress("preparing") as report:
            prepared = steps.prepare_sitting(
                folder, listener=listener, again=again, same_day=same_day, find_player=player.find,
                passphrase=asked_passphrase if helper else None, progress=report,
            )  # fmt: skip
        with prepared:
            output.note(prepared.announcement())
            ended = web.sit(
                prepared, port=port, say=say, open_browser=_launch if browser else None, device=player.taken(),
                operator_at=operator_at,
            )  # fmt: skip
    output.result("listen", ended.to_dict(), ended.text())
    if ended.state == "open":
        # The server stops by itself only when the sitting is over.
        sys.exit(EXIT_INTERRUPTED)


@click.command()
@FOLDER
@click.option("--address", default="127.0.0.1", show_default=True, envvar="BLINDTEST_ADDRESS", help="What is bound.")
@click.option("--port", type=click.IntRange(1024, 65535), envvar="BLINDTEST_PORT", help="Else the panel's own.")
@click.option("--hosts", default="", metavar="HOST:PORT,...", help="Further names under which it is asked for.")
@click.option("--public-url", default="", metavar="URL", help="Where listeners reach it, behind a proxy with TLS.")
@click.option(
    "--sounds-folder", type=click.Path(path_type=Path), help="Lay sounds there for the web server in front to send."
)
@click.option("--sounds-at", default="/laid/", show_default=True, help="That folder as the web server names it.")
@click.option("--journal", type=click.Path(path_type=Path), help="Note what is refused or fails; never who asked.")
@click.option("--invite", "invitations", type=click.IntRange(1, 10_000), help="Write so many personal links, and end.")
@click.option("--close", is_flag=True, help="Let nobody begin any more.")
@click.option("--dry-run", is_flag=True, help="Say what listeners would meet; store and serve nothing.")
@speaks
def panel(
    folder: Path,
    address: str,
    port: int | None,
    hosts: str,
    public_url: str,
    sounds_folder: Path | None,
    sounds_at: str,
    journal: Path | None,
    invitations: int | None,
    close: bool,
    dry_run: bool,
    output: Output,
) -> None:
    """Serve the study to many listeners on one port."""
    from blindtest.cli.panel_command import run_panel

    run_panel(
        folder, address=address, port=port, hosts=listed(hosts), public_url=public_url, sounds_folder=sounds_folder,
        sounds_at=sounds_at, journal=journal, invitations=invitations, close=close, dry_run=dry_run, output=output,
    )  # fmt: skip


@click.command()
@FOLDER
@click.option("--sitting", type=int, help="Its number; else the open one, if there is only one.")
@click.option("--reason", default="", help="Why; it stands in the register.")
@HELPER
@speaks
def abandon(folder: Path, sitting: int | None, reason: str, helper: bool, output: Output) -> None:
    """End an unfinished sitting for good. Its answers are kept, its unanswered trials count against any conclusion.

    A sitting under a helper's passphrase is opened with --helper, also when it has ended already.
    """
    from blindtest import steps

    ended = steps.abandon(folder, sitting=sitting, reason=reason, passphrase=asked_passphrase if helper else None)
    output.result("abandon", ended.to_dict(), ended.text())
