"""What is asked at the terminal: whether to go on, and a passphrase."""

import click

from blindtest.errors import Fault, WrongUse

__all__ = ["agreed", "asked_passphrase"]


def agreed(question: str) -> None:
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


def asked_passphrase(new: bool) -> str:
    """Return the helper's passphrase: from the environment, else typed unseen; a new one twice."""
    import os

    given = os.environ.pop("BLINDTEST_HELPER_PASSPHRASE", None)
    if given is not None:
        return given
    click.echo("Helper: type your passphrase where the listener does not see it, and keep it to yourself.", err=True)
    typed: str = click.prompt("Passphrase", hide_input=True, confirmation_prompt=new, err=True)
    return typed
