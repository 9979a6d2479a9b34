"""All commands, and `main`, which runs them.

Each reads as parse, call, print; whatever is slow is imported inside the command that needs it.
"""

import errno
import sys
from collections.abc import Sequence
from contextlib import suppress
from typing import NoReturn

import click

from blindtest import __version__
from blindtest.cli.help_commands import doctor, guide, schema
from blindtest.cli.listening_commands import abandon, demo, listen, panel
from blindtest.cli.output import EXIT_FAULT, EXIT_INTERRUPTED, print_error
from blindtest.cli.record_commands import compare, forget, report, seal, verify
from blindtest.cli.statistics_commands import analyze, power
from blindtest.cli.study_commands import check, impression, measure, new, render
from blindtest.errors import BlindtestError, Fault, Missing, WrongUse

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
        _leave(error, as_json=as_json)
    except click.UsageError as error:
        _leave(WrongUse(_wrong_use(error, as_json=as_json)), as_json=as_json)
    except (KeyboardInterrupt, click.Abort):
        click.echo("Interrupted. What was answered and written so far is safe; run the same command again.", err=True)
        sys.exit(EXIT_INTERRUPTED)
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(EXIT_INTERRUPTED)
    except Exception as error:
        if isinstance(error, OSError) and error.errno in _NO_ROOM:
            _leave(_no_room(error), as_json=as_json)
        _leave(_unexpected(error), as_json=as_json)


def _leave(error: BlindtestError, *, as_json: bool) -> NoReturn:
    """Say what is wrong, where it can still be said, and leave with its code."""
    # A full disk or a closed pipe behind the stream takes the words, never the exit code.
    with suppress(OSError):
        print_error(error, as_json=as_json)
    sys.exit(error.exit_code)


def _wrong_use(error: click.UsageError, *, as_json: bool) -> Fault:
    command = error.ctx.command_path if error.ctx else "blindtest"
    message = error.format_message()
    if isinstance(error, click.exceptions.NoArgsIsHelpError):
        if not as_json:
            click.echo(message, err=True)
        message = "no command is named"
    # The sentence goes on with the remedy.
    return Fault(problem=message.removesuffix("."), remedy=f"see {command} --help")


_NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)


def _no_room(error: OSError) -> BlindtestError:
    return Missing(
        Fault(
            problem=f"no room is left to write to ({error.strerror})",
            file=str(error.filename or ""),
            remedy="make room, then run the same command again; nothing that was answered is lost",
        )
    )


class _Unexpected(BlindtestError):
    exit_code = EXIT_FAULT


def _unexpected(error: Exception) -> BlindtestError:
    """Write the trace of a fault of ours to a file, and return what is said: where it lies."""
    import tempfile
    import traceback

    trace = "".join(traceback.format_exception(error))
    try:
        with tempfile.NamedTemporaryFile(
            "w", prefix="blindtest-fault-", suffix=".txt", delete=False, encoding="utf-8"
        ) as kept:
            kept.write(trace)
        where = f"the trace is in {kept.name}"
    except OSError as reason:
        last = traceback.extract_tb(error.__traceback__)[-1]
        where = f"the trace can't be kept ({reason.strerror}), it ends in {last.filename}:{last.lineno}"
    return _Unexpected(
        Fault(
            problem=f"an unexpected fault, ours and not yours: {type(error).__name__}: {error}",
            remedy=f"nothing that was answered is lost; {where}",
        )
    )
