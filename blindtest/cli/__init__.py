"""The command line: parse, call a step, print."""

from blindtest.cli.commands import main

__all__ = ["main"]
