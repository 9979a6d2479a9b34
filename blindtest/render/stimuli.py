"""Clips x conditions: stimuli of equal loudness, named by their content, and the match table.

`render` makes what is missing and leaves the rest alone: each stimulus is known by a hash of everything that went into
it, so that a second run computes no sound, and a changed clip, response or number makes anew what it changed and no
more. `load_rendered` only looks them up.
"""

import os
from dataclasses import replace
from pathlib import Path

from blindtest.errors import BlindtestError, Fault

from .errands import Hands
from .fixed import Fixed, read_fixed
from .folder import whole_files
from .job import RenderJob
from .rendered import Rendered
from .rendering import Rendering
from .workers import Progress

__all__ = ["load_rendered", "render"]


def render(
    job: RenderJob,
    folder: Path,
    *,
    progress: Progress | None = None,
    workers: int | None = None,
    dry_run: bool = False,
    hands: Hands | None = None,
    alike: Path | None = None,
) -> Rendered:
    """Make the stimuli of `job` in `folder`, as far as they aren't there, and return all of them.

    Parameters
    ----------
    progress : called with (steps done, steps in all, what was done), by one thread at a time
    workers : threads over clips; as many as processors, up to 8, if left out
    dry_run : change nothing; `made` counts what would be made, `stimuli` holds what is there
    hands : processes elsewhere that render clips; the bytes are the same. Clips that are streamed stay here
    alike : folder of another rendering: what that one fixed of loudness and of the common curve holds here too

    Raises
    ------
    BlindtestError
        All faults at once: files that can't be read or used, clips without a loudness, a condition that can't reach
        its clip's loudness under the ceiling (never a limiter), a filter that is too long, a folder that can't be
        written. The folder is then as it was before.
    """
    try:
        rendering = Rendering(job, folder, progress, fixed=_fixed_alike(folder, alike))
        rendering.hands = hands
        return rendering.planned() if dry_run else rendering.done(workers or min(8, os.cpu_count() or 1))
    except OSError as reason:
        raise BlindtestError(
            Fault(
                file=str(reason.filename or folder),
                problem=f"the stimuli can't be written ({reason.strerror or reason})",
                remedy="make room or give permission, then render again; what was there before is untouched",
            )
        ) from reason


def _fixed_alike(folder: Path, alike: Path | None) -> Fixed | None:
    """Return what is fixed for `folder` by the rendering in `alike`, and the lengths of filters of its own."""
    return None if alike is None else replace(read_fixed(alike), taps=read_fixed(folder).taps)


def load_rendered(job: RenderJob, folder: Path, *, alike: Path | None = None) -> Rendered:
    """Return the stimuli of `job` as they lie in `folder`, each file proved by its hash; computes no sound.

    alike : see `render`

    Raises
    ------
    BlindtestError
        Not everything is there, something that went in has changed since, or a file isn't what was written.
    """
    rendering = Rendering(job, folder, None, fixed=_fixed_alike(folder, alike))
    shelved = rendering.shelved(rendering.keys())
    if len(shelved) < len(rendering.pairs):
        raise BlindtestError(
            Fault(
                file=str(folder),
                problem="not rendered, or something that goes in has changed since",
                got=f"{len(shelved)} of {len(rendering.pairs)} stimuli",
                remedy="run blindtest render",
            )
        )
    damaged = sorted({one.file for one in shelved.values()} - whole_files(folder, shelved.values()))
    if damaged:
        raise BlindtestError(
            *(
                Fault(
                    file=str(folder / name),
                    problem="this stimulus is missing or was changed since it was rendered",
                    remedy="run blindtest render, which makes it again",
                )
                for name in damaged
            )
        )
    return rendering.result(shelved, made=0, reused=len(set(rendering.keys().values())))
