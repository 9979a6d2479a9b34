"""Commands of statistics: power before anybody listens, analyze after."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from blindtest.cli.options import CLUSTER, listed, speaks
from blindtest.cli.output import Output
from blindtest.errors import BlindtestError, Fault, WrongUse

__all__ = ["analyze", "power"]


@click.command()
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
    if not target.exists() and target.suffix.lower() not in ("", ".toml"):
        problem = "there is no such table, and no such study folder"
        raise BlindtestError(Fault(problem=problem, file=str(target), remedy="look at the path's spelling"))
    named = {"method": method, "column": columns, "random": groups, **given}
    if of_a_table := [f"--{name.replace('_', '-')}" for name, value in named.items() if value or name in given]:
        raise WrongUse(
            Fault(
                problem="goes with a table; a study is analysed as its protocol and its claims say",
                key=", ".join(of_a_table),
                remedy="leave it out, or name a table",
            )
        )
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


@click.command()
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
@click.option(
    "--listeners",
    type=click.IntRange(1, 10_000),
    help="How many; abx, preference, 2afc: 1 else; rating: 1; contrast: 12; stages: 16.",
)
@click.option("--sittings", type=click.IntRange(1, 100), help="rating: in each mode; 2 else.")
@click.option("--clips", type=click.IntRange(1, 1000), help="rating, contrast: how many; 5 else; stages: 4.")
@click.option("--repeats", type=click.IntRange(1, 100), help="Of each clip; rating: 2 else, contrast: 1.")
@click.option("--labelled", type=float, help="rating: true labelled effect, points; 20 else.")
@click.option("--devices", type=click.IntRange(2, 100), help="contrast: how many are rated; 2 else.")
@click.option("--stages", type=click.IntRange(2, 8), help="stages: how many are switched on and off; 3 else.")
@click.option("--fraction", help="stages: how much of all combinations is heard, as 1/2; all else.")
@click.option("--difference", type=float, help="contrast: true difference assumed, points; 8 else.")
@click.option("--sd-listener", type=click.FloatRange(min=0), help="Of listeners' own differences (or shares, or d').")
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
@CLUSTER
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
        return tuple(float(part) for part in listed(text))
    except ValueError:
        raise WrongUse(
            Fault(problem="not numbers with commas between", key=option, got=text, remedy=f"{option} -2,-1,0,1,2")
        ) from None
