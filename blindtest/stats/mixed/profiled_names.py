"""Which parameters of a mixed model are profiled, by name."""

from collections.abc import Collection, Sequence

from blindtest.errors import BlindtestError, Fault, did_you_mean

__all__ = ["profiled_names"]


def profiled_names(names: Sequence[str] | str | None, known: Collection[str]) -> list[str]:
    """Return the names asked for, all that are known where none were.

    Raises
    ------
    BlindtestError
        No such parameter.
    """
    wanted = list(known) if names is None else [names] if isinstance(names, str) else list(names)
    unknown = [name for name in wanted if name not in known]
    if unknown:
        raise BlindtestError(
            *(
                Fault(
                    problem="no such parameter to profile",
                    key="profile",
                    got=name,
                    allowed=", ".join(known),
                    remedy=did_you_mean(name, known),
                )
                for name in unknown
            )
        )
    return wanted
