"""The door of `blindtest` and `python -m blindtest`: commands are imported while Ctrl-C is listened for."""

import sys

__all__ = ["main"]


def main() -> None:
    """Run a command; interrupted before one is there, say so without a trace, with the exit code of an interruption."""
    try:
        from blindtest.cli import main as run

        run()
    except KeyboardInterrupt:
        sys.stderr.write("Interrupted. What was answered and written so far is safe; run the same command again.\n")
        sys.exit(130)


if __name__ == "__main__":
    main()
