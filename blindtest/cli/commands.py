"""The commands. Each reads as parse, call, print; whatever is slow is imported inside the command that needs it."""

import sys
from collections.abc import Callable, Sequence
from functools import wraps
from pathlib import Path
from typing import Any, Literal, TypeVar

import click

from blindtest import __version__
from blindtest.cli.output import EXIT_FAULT, EXIT_INTERRUPTED, Output, faults, print_error
from blindtest.cli.unit_options import measure_folder, refuse_unit_options, unit_options
from blindtest.errors import BlindtestError, Fault, FoundWanting, WrongUse

__all__ = ["commands", "main"]

F = TypeVar("F", bound=Callable[..., Any])

_FOLDER = click.argument("folder", type=click.Path(path_type=Path), default=Path())


def speaks(command: F) -> F:
    """Give a command the options --json, --quiet and --plain, and pass them on as one `Output`."""

    @click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of text.")
    @click.option("--quiet", is_flag=True, help="No progress, no notes; errors all the same.")
    @click.option("--plain", is_flag=True, envvar="BLINDTEST_PLAIN", help="No bars; good for screen readers.")
    @wraps(command)
    def spoken(*args: Any, as_json: bool, quiet: bool, plain: bool, **options: Any) -> Any:
        return command(*args, output=Output(json=as_json, quiet=quiet, plain=plain), **options)

    return spoken  # type: ignore[return-value]


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="blindtest")
def commands() -> None:
    """Turn a listening impression of audio equipment into a claim that can fail, and test it blind."""


@commands.command()
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
        _sit(folder, listener="", browser=not no_browser, again=True, output=output)
    else:
        output.result("demo", shown.to_dict(), shown.text())


@commands.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--protocol", help="abx (the default), tuning, preference, survival, unreliable-labels or short.")
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
        f"{folder / 'study.toml'}, then run: blindtest check {folder}",
    )


@commands.command()
@_FOLDER
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
        folder, words=words, unit=unit, against=against, clips=_listed(clips), knew=_listed(knew), worn=worn, by=by
    )
    output.result("impression", shown.to_dict(), shown.text())


def _listed(text: str) -> tuple[str, ...]:
    return tuple(part.strip() for part in text.split(",") if part.strip())


_CLUSTER = click.option(
    "--cluster",
    default="",
    envvar="BLINDTEST_CLUSTER",
    metavar="tcp://HOST:PORT",
    help="Dask scheduler whose workers compute; the results are the same, byte for byte.",
)
_UNSEEN = click.option("--unseen", is_flag=True, help="Keep what was found in unseen/, and show nothing of it.")


@commands.command()
@_FOLDER
@_UNSEEN
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


def _asked(question: str) -> None:
    """Go on where somebody says yes; where nobody is there to answer, say how to do without."""
    try:
        click.confirm(question, abort=True, err=True)
    except click.Abort as stopped:
        if isinstance(stopped.__context__, EOFError):
            click.echo(err=True)
            raise WrongUse(
                Fault(problem="there is nobody to answer the question; nothing was done", remedy="answer it by --yes")
            ) from None
        raise


def _loopback(folder: Path, *, device: str, into: str, unseen: bool, yes: bool, output: Output) -> None:
    from blindtest import steps

    for caution in steps.LOOPBACK_CAUTIONS:
        click.echo(caution, err=True)
    if not yes:
        _asked("Is the output patched to the input, and nobody listening?")
    with output.progress("loopback") as report:
        shown = steps.loopback(folder, device=device, into=into, progress=report)
    if unseen:
        kept = steps.keep_unseen(folder, "loopback", shown.whole())
        output.result("check", kept.to_dict(), kept.text())
    else:
        output.result("check", shown.to_dict(), shown.text())
    if not shown.ok:
        sys.exit(FoundWanting.exit_code)


@commands.command()
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@_UNSEEN
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


@commands.command()
@_FOLDER
@click.option("--dry-run", is_flag=True, help="Say what would be rendered, write nothing.")
@_CLUSTER
@_UNSEEN
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


_HELPER = click.option(
    "--helper", is_flag=True, help="The plan lies under the passphrase of somebody else, who types it now."
)


def _asked_passphrase(new: bool) -> str:
    """Return the helper's passphrase: from the environment, else typed unseen; a new one twice."""
    import os

    given = os.environ.pop("BLINDTEST_HELPER_PASSPHRASE", None)
    if given is not None:
        return given
    click.echo("Helper: type your passphrase where the listener does not see it, and keep it to yourself.", err=True)
    typed: str = click.prompt("Passphrase", hide_input=True, confirmation_prompt=new, err=True)
    return typed


@commands.command()
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
@_HELPER
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
    _sit(
        study, listener=listener, browser=not no_browser, again=again, output=output, port=port, same_day=same_day,
        play=play, device=device, helper=helper, operator_at=operator_at,
    )  # fmt: skip


def _sit(
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
                passphrase=_asked_passphrase if helper else None, progress=report,
            )  # fmt: skip
        with prepared:
            output.note(prepared.announcement())
            ended = web.sit(
                prepared, port=port, say=say, open_browser=click.launch if browser else None, device=player.taken(),
                operator_at=operator_at,
            )  # fmt: skip
    output.result("listen", ended.to_dict(), ended.text())
    if ended.state == "open":
        # The server stops by itself only when the sitting is over.
        sys.exit(EXIT_INTERRUPTED)


@commands.command()
@_FOLDER
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
        folder, address=address, port=port, hosts=_listed(hosts), public_url=public_url, sounds_folder=sounds_folder,
        sounds_at=sounds_at, journal=journal, invitations=invitations, close=close, dry_run=dry_run, output=output,
    )  # fmt: skip


@commands.command()
@_FOLDER
@click.option("--sitting", type=int, help="Its number; else the open one, if there is only one.")
@click.option("--reason", default="", help="Why; it stands in the register.")
@_HELPER
@speaks
def abandon(folder: Path, sitting: int | None, reason: str, helper: bool, output: Output) -> None:
    """End an unfinished sitting for good. Its answers are kept, its unanswered trials count against any conclusion.

    A sitting under a helper's passphrase is opened with --helper, also when it has ended already.
    """
    from blindtest import steps

    ended = steps.abandon(folder, sitting=sitting, reason=reason, passphrase=_asked_passphrase if helper else None)
    output.result("abandon", ended.to_dict(), ended.text())


@commands.command()
@click.argument("target", type=click.Path(path_type=Path), default=Path())
@click.option("--method", help="For a table: the method that made it; abx if none is named.")
@click.option(
    "--column", "columns", multiple=True, metavar="NAME=COLUMN", help="For a table: listener=who, correct=ok."
)
@click.option("--margin", type=float, help="For a table: the smallest effect that would matter, in the method's unit.")
@click.option("--alpha", type=click.FloatRange(0, 0.5, min_open=True, max_open=True), help="For a table; .05 else.")
@click.option("--device", help="For a table: the claimed one of those compared.")
@click.option("--comparator", help="For a table: what it is compared with.")
@click.option("--planned", type=click.IntRange(min=1), help="For a table: trials fixed before the first one.")
@click.option("--one-sided", is_flag=True, help="For a table: the direction was fixed beforehand.")
@click.option("--formula", help="rating: the fixed part; read off the columns else.")
@click.option("--random", "groups", multiple=True, metavar="GROUP=FORMULA", help="rating: listener=1, clip=1.")
@click.option("--df", help="rating: satterthwaite or kenward-roger.")
@click.option("--guess", type=click.FloatRange(0, 1, max_open=True), help="threshold: how often a guess is right.")
@click.option("--link", help="threshold: normal, logistic or weibull.")
@click.option("--lapse", type=click.FloatRange(0, 1, max_open=True), help="threshold: fixed share of lapses.")
@click.option("--log-levels", is_flag=True, help="threshold: the curve runs over logarithms of the levels.")
@click.option("--while-open", default="", metavar="REASON", help="Analyse though a sitting is open; it is recorded.")
@speaks
def analyze(
    target: Path,
    method: str | None,
    columns: tuple[str, ...],
    groups: tuple[str, ...],
    while_open: str,
    output: Output,
    **asked: Any,
) -> None:
    """Print the statistics of a study, or of anybody's table (CSV or Parquet), a row for each answer."""
    from blindtest import steps

    given = {name: value for name, value in asked.items() if value is not None and value is not False}
    if target.is_file() and target.suffix.lower() != ".toml":
        if groups:
            given["random"] = _pairs(groups, option="--random", example="listener=1")
        shown = steps.analyze_table(target, method=method or "abx", columns=_pairs(columns), **given)
        output.result("analyze", shown.to_dict(), shown.text())
        return
    analysis = steps.analyze(target, while_open=while_open)
    output.result("analyze", analysis.to_dict(), analysis.text())


def _pairs(given: Sequence[str], *, option: str = "--column", example: str = "correct=right") -> dict[str, str]:
    pairs = {}
    for pair in given:
        name, equals, found = pair.partition("=")
        if not (name and equals and found):
            raise WrongUse(Fault(problem=f"{option} needs two names", got=pair, remedy=f"for example {example}"))
        pairs[name] = found
    return pairs


@commands.command()
@click.option(
    "--method",
    default="abx",
    show_default=True,
    help="abx and its family, preference, rating (labelled and blind), contrast (ratings of two devices), 2-ac, "
    "same-different, threshold, free-listening, stages (which of them is heard), stage-pairs.",
)
@click.option("--trials", type=click.IntRange(1, 100_000), help="Trials of the plan; threshold: at each level.")
@click.option("--minutes", type=click.FloatRange(min=0, min_open=True), help="Time there is, instead of a number.")
@click.option("--seconds", type=float, help="With --minutes: time a trial takes; 35 else.")
@click.option("--practice", type=int, help="With --minutes: trials that come before; 4 else.")
@click.option("--margin", type=click.FloatRange(0, 100, min_open=True), help="Smallest effect that would matter.")
@click.option("--alpha", type=click.FloatRange(0, 0.5, min_open=True), default=0.05, show_default=True)
@click.option("--one-sided", is_flag=True, help="The direction is sealed beforehand.")
@click.option("--stopping", help="A rule that may end it early: group-sequential, sprt or e-process.")
@click.option("--looks", metavar="N | N,N,...", help="group-sequential: how many looks, or after which trials; 4 else.")
@click.option("--beta", type=click.FloatRange(0, 0.5, min_open=True), help="group-sequential, sprt: as alpha else.")
@click.option("--spending", help="group-sequential: obrien-fleming, pocock or linear.")
@click.option("--preference", type=click.FloatRange(0.5, 1, min_open=True), help="preference: the true one assumed.")
@click.option("--listeners", type=click.IntRange(1, 10_000), help="How many; rating: 1 else, contrast: 12, stages: 16.")
@click.option("--sittings", type=click.IntRange(1, 100), help="rating: in each mode; 2 else.")
@click.option("--clips", type=click.IntRange(1, 1000), help="rating, contrast: how many; 5 else; stages: 4.")
@click.option("--repeats", type=click.IntRange(1, 100), help="Of each clip; rating: 2 else, contrast: 1.")
@click.option("--labelled", type=float, help="rating: true labelled effect, points; 20 else.")
@click.option("--devices", type=click.IntRange(2, 100), help="contrast: how many are rated; 2 else.")
@click.option("--stages", type=click.IntRange(2, 8), help="stages: how many are switched on and off; 3 else.")
@click.option("--fraction", help="stages: how much of all combinations is heard, as 1/2; all else.")
@click.option("--difference", type=float, help="contrast: true difference assumed, points; 8 else.")
@click.option("--sd-listener", type=click.FloatRange(min=0), help="Of listeners' own differences (or shares).")
@click.option("--sd-clip", type=click.FloatRange(min=0), help="contrast: of clips' differences; 4 else.")
@click.option("--sd-residual", type=click.FloatRange(min=0), help="contrast: of a rating; 12 else.")
@click.option("--these-clips", is_flag=True, help="contrast: the claim is about these clips only.")
@click.option(
    "--d-prime",
    type=click.FloatRange(min=0),
    help="2-ac, same-different: the true d' (1.5 else). 2afc, 3afc: the margin.",
)
@click.option("--tau", type=click.FloatRange(min=0), help="2-ac, same-different: the criterion.")
@click.option("--share", type=click.FloatRange(0, 1), help="free-listening: the device's true share; .7 else.")
@click.option("--sd-track", type=click.FloatRange(0, 0.5), help="free-listening: of the share from track to track.")
@click.option("--levels", metavar="X,X,...", help="threshold: where answers are asked for.")
@click.option("--threshold", type=float, help="threshold: the true one assumed.")
@click.option("--slope", type=click.FloatRange(min=0, min_open=True), help="threshold: of the true curve, per level.")
@click.option("--guess", type=click.FloatRange(0, 1, max_open=True), help="threshold: how often a guess is right.")
@click.option("--link", help="threshold: normal, logistic or weibull.")
@click.option("--studies", type=click.IntRange(1, 100_000), help="Simulate so many, on all cores.")
@click.option("--seed", type=click.IntRange(min=0), help="Of what is simulated; 1 else.")
@click.option("--map", is_flag=True, help="rating: how often the verdict is wrong, over all that could be true.")
@_CLUSTER
@click.option("--figure", type=click.Path(path_type=Path), help="Write the chances over the plan's size: .svg or .png.")
@speaks
def power(method: str, alpha: float, cluster: str, figure: Path | None, output: Output, **asked: Any) -> None:
    """Say before anybody listens what a plan can and cannot show."""
    from blindtest import steps

    given = {name: value for name, value in asked.items() if value is not None and value is not False}
    if "levels" in given:
        given["levels"] = _numbers(given["levels"], "--levels")
    if "looks" in given:
        given["looks"] = _numbers(given["looks"], "--looks")
    shown = steps.planned(method, alpha=alpha, cluster=cluster, **given)
    if figure is not None:
        steps.write_figure(shown.curves, figure)
        output.note(f"Wrote {figure}.")
    output.result("power", shown.to_dict(), shown.text())


def _numbers(text: str, option: str) -> tuple[float, ...]:
    try:
        return tuple(float(part) for part in _listed(text))
    except ValueError:
        raise WrongUse(
            Fault(problem="not numbers with commas between", key=option, got=text, remedy=f"{option} -2,-1,0,1,2")
        ) from None


@commands.command()
@_FOLDER
@speaks
def seal(folder: Path, output: Output) -> None:
    """Seal the study, and print its commitments, to publish elsewhere before anybody listens."""
    from blindtest import steps

    with output.progress("seal") as report:
        shown = steps.seal(folder, progress=report)
    output.result("seal", shown.to_dict(), shown.text())


@commands.command()
@_FOLDER
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


@commands.command()
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


@commands.command()
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


@commands.command()
@click.argument("pseudonym")
@_FOLDER
@click.option("--yes", is_flag=True, help="Don't ask.")
@speaks
def forget(pseudonym: str, folder: Path, yes: bool, output: Output) -> None:
    """Erase a listener's rows for good. The record stays verifiable."""
    from blindtest import steps

    if not yes:
        _asked(f"Erase all rows of {pseudonym} in {folder}? This can't be undone.")
    shown = steps.forget(folder, pseudonym)
    output.result("forget", shown.to_dict(), shown.text())


@commands.command()
@click.argument("kind", type=click.Choice(["study", "protocol"]), default="study")
def schema(kind: str) -> None:
    """Print the JSON Schema of study.toml or of a protocol, for editors."""
    import json

    from blindtest import steps

    click.echo(json.dumps(steps.schema(kind), indent=2))


@commands.command()
@_FOLDER
@speaks
def doctor(folder: Path, output: Output) -> None:
    """Say what this machine lacks, one line each, with the remedy."""
    from blindtest import steps

    looked = steps.doctor(folder)
    output.result("doctor", looked.to_dict(), looked.text())
    if not looked.ok:
        sys.exit(FoundWanting.exit_code)


@commands.command()
@click.argument("topic", required=False)
def guide(topic: str | None) -> None:
    """Print a page of the guide, or the list of its pages."""
    from importlib.resources import files

    from blindtest.errors import did_you_mean

    found = files("blindtest").joinpath("guide").iterdir()
    pages = {page.name.removesuffix(".md"): page for page in found if page.name.endswith(".md")}
    if topic is None:
        for name in sorted(pages):
            title = pages[name].read_text(encoding="utf-8").partition("\n")[0].lstrip("# ")
            click.echo(f"{name:14} {title}")
    elif topic in pages:
        click.echo(_without_marks(pages[topic].read_text(encoding="utf-8")))
    else:
        remedy = did_you_mean(topic, pages) or "run blindtest guide for the list"
        raise WrongUse(Fault(problem="the guide has no such page", got=topic, remedy=remedy))


def _without_marks(page: str) -> str:
    """Return a page without the comments that say how its outputs were made."""
    import re

    return re.sub(r"(?m)^<!--.*?-->\n", "", page).rstrip()


def main(args: Sequence[str] | None = None, *, standalone_mode: bool = True) -> None:
    """Run a command and leave with its exit code; the one place where faults are caught.

    With `standalone_mode` off, nothing is caught and the function returns: for tests and other programs.
    """
    arguments = list(sys.argv[1:] if args is None else args)
    if not standalone_mode:
        commands.main(arguments, prog_name="blindtest", standalone_mode=False)
        return
    as_json = "--json" in arguments
    try:
        code = commands.main(arguments, prog_name="blindtest", standalone_mode=False)
        sys.exit(code if isinstance(code, int) else 0)
    except BlindtestError as error:
        print_error(error, as_json=as_json)
        sys.exit(error.exit_code)
    except click.UsageError as error:
        wrong = WrongUse(Fault(problem=error.format_message(), remedy=_help_hint(error)))
        print_error(wrong, as_json=as_json)
        sys.exit(WrongUse.exit_code)
    except (KeyboardInterrupt, click.Abort):
        click.echo("Interrupted. What was answered and written so far is safe; run the same command again.", err=True)
        sys.exit(EXIT_INTERRUPTED)
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(EXIT_INTERRUPTED)
    except Exception as error:
        _unexpected(error, as_json=as_json)
        sys.exit(EXIT_FAULT)


def _help_hint(error: click.UsageError) -> str:
    command = error.ctx.command_path if error.ctx else "blindtest"
    return f"see {command} --help"


class _Unexpected(BlindtestError):
    exit_code = EXIT_FAULT


def _unexpected(error: Exception, *, as_json: bool) -> None:
    """Write the trace of a fault of ours to a file, and say where."""
    import tempfile
    import traceback

    with tempfile.NamedTemporaryFile(
        "w", prefix="blindtest-fault-", suffix=".txt", delete=False, encoding="utf-8"
    ) as trace:
        traceback.print_exception(error, file=trace)
    fault = Fault(
        problem=f"an unexpected fault, ours and not yours: {type(error).__name__}: {error}",
        remedy=f"nothing that was answered is lost; the trace is in {trace.name}",
    )
    print_error(_Unexpected(fault), as_json=as_json)
