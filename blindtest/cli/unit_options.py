"""Options of `blindtest measure` that go with a unit's folder."""

import sys
from collections.abc import Callable, Mapping
from fractions import Fraction
from functools import wraps
from pathlib import Path
from typing import Any, TypeVar

import click

from blindtest.cli.output import Output, faults
from blindtest.errors import Fault, FoundWanting, WrongUse

__all__ = ["measure_folder", "refuse_unit_options", "unit_options"]

F = TypeVar("F", bound=Callable[..., Any])

_DRIVE = {
    "millivolts": "sensitivity: mV for 94 dB SPL.",
    "db_per_volt": "sensitivity: dB SPL at 1 V.",
    "db_per_mw": "sensitivity: dB SPL at 1 mW (with --ohm).",
    "ohm": "rated impedance.",
    "level_db": "level to be reached, dB SPL.",
    "crest_db": "crest factor of the programme in dB; else that of a sine.",
    "amplifier_volts": "what the amplifier delivers, V r.m.s. of a sine.",
    "amplifier_into_ohm": "the load it delivers this into; else unloaded.",
    "amplifier_output_ohm": "its output impedance; else 0.",
}


def unit_options(command: F) -> F:
    """Give a command the options for a unit's folder, and pass them on as one mapping `unit`."""

    @wraps(command)
    def taken(*args: Any, **options: Any) -> Any:
        own = {name: options.pop(name) for name in (*_DRIVE, "power", "smooth", "target", "source_ohm", "figures")}
        return command(*args, unit=own, **options)

    wrapped: Any = taken
    for name, said in reversed(_DRIVE.items()):
        wrapped = click.option(f"--{name.replace('_', '-')}", type=float, default=None, help=f"Folder: {said}")(wrapped)
    for option in (
        click.option(
            "--figures", type=click.Path(path_type=Path), default=None, help="Folder: where figures go; else beside it."
        ),
        click.option("--source-ohm", default="", help="Folder: output impedances to show; else 0.1,10,120."),
        click.option(
            "--target", default="", help="Folder: hold the average against a response file, or flat, diffuse, free."
        ),
        click.option("--smooth", default="", help="Folder: smooth the average, 1/48 to 1 octave."),
        click.option("--power", is_flag=True, help="Folder: average powers instead of levels in dB."),
    ):
        wrapped = option(wrapped)
    result: F = wrapped
    return result


def refuse_unit_options(unit: Mapping[str, Any]) -> None:
    """Refuse options that go with a unit's folder where files were named."""
    given = [f"--{name.replace('_', '-')}" for name, value in unit.items() if value not in (None, "", False)]
    if given:
        raise WrongUse(
            Fault(problem="these go with the folder of one unit", got=", ".join(given), remedy="name its folder alone")
        )


def measure_folder(folder: Path, unit: Mapping[str, Any], *, unseen: bool, output: Output) -> None:
    """Print and draw what a unit's folder tells; exit code 1 where some of its files can't be used."""
    from blindtest import steps
    from blindtest.steps import figure_files

    place = unit["figures"] or steps.default_figures_folder(folder)
    if unseen and unit["figures"]:
        raise WrongUse(Fault(problem="--unseen keeps figures in unseen/ itself", key="--figures", got=str(place)))
    if not unseen:
        figure_files.refuse_foreign(place)
    ohms = unit["source_ohm"]
    with output.progress("measure") as report:
        measured = steps.measure_unit(
            folder,
            mean="power" if unit["power"] else "level",
            smoothing=_number(unit["smooth"], "--smooth") if unit["smooth"] else None,
            target=unit["target"],
            source_ohms=tuple(_number(part, "--source-ohm") for part in ohms.split(",")) if ohms else steps.SOURCE_OHMS,
            drive=steps.DriveAsked(**{name: unit[name] for name in _DRIVE}),
            progress=report,
        )
    wanting = len(measured.faults)
    if unseen:
        kept = steps.keep_unseen(Path(), "measure", measured.to_dict())
        steps.draw_unit(measured, kept.path.with_name(f"{kept.path.stem}-figures"))
        output.result("measure", kept.to_dict(), kept.text())
        if wanting and not output.json:
            files = "1 fault" if wanting == 1 else f"{wanting} faults"
            output.note(f"{files} in the files of the folder: named there")
    else:
        shown = steps.draw_unit(measured, place)
        if not output.json:
            faults(shown.faults)
        output.result("measure", shown.to_dict(), shown.text())
    if wanting:
        sys.exit(FoundWanting.exit_code)


def _number(text: str, option: str) -> float:
    try:
        return float(Fraction(text.strip().replace(" ", "")))
    except (ValueError, ZeroDivisionError, OverflowError):
        raise WrongUse(Fault(problem="not a number", key=option, got=text, allowed="such as 1/6 or 10")) from None
