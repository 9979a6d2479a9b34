"""All commands, and `main`, which runs them.

Each reads as parse, call, print; whatever is slow is imported inside the command that needs it.
"""

import sys
from collections.abc import Sequence

import click

from blindtest import __version__
from blindtest.cli.help_commands import doctor, guide, schema
from blindtest.cli.listening_commands import abandon, demo, listen, panel
from blindtest.cli.output import EXIT_FAULT, EXIT_INTERRUPTED, print_error
from blindtest.cli.record_commands import compare, forget, report, seal, verify
from blindtest.cli.statistics_commands import analyze, power
from blindtest.cli.study_commands import check, impression, measure, new, render
from blindtest.errors import BlindtestError, Fault, WrongUse

__all__ = ["commands", "main"]


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="blindtest")
def commands() -> None:
    """Turn a listening impression of audio equipment into a claim that can fail, and test it blind."""


for _command in (
    demo,
    new,
    impression,
    check,
    measure,
    render,
    listen,
    panel,
    abandon,
    analyze,
    power,
    seal,
    report,
    verify,
    compare,
    forget,
    schema,
    doctor,
    guide,
):
    commands.add_command(_command)


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
