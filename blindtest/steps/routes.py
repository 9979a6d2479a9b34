"""Where the conditions of a study sound: the outputs and trims of real units."""

from blindtest.session import Route
from blindtest.study import Study

__all__ = ["routes_of"]


def routes_of(study: Study) -> dict[str, Route]:
    """Return through which outputs each condition's real unit is fed, and its trim; {} where all is rendered."""
    own = study.hardware
    if own is None:
        return {}
    trims = own.trims_db
    return {name: Route(outputs=one.outputs, trim_db=trims[name]) for name, one in own.connections.items()}
