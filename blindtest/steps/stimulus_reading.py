"""The stored samples of a stimulus, read so that nothing tells which one sounded."""

import os
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from blindtest.audio import wav_samples
from blindtest.errors import BlindtestError, Fault
from blindtest.render import Stimulus

__all__ = ["stimulus_samples"]


def stimulus_samples(stimulus: Stimulus) -> NDArray[np.int32]:
    """Read a stimulus anew for every slot it sounds in.

    Kept in memory, one that comes twice in a trial would be ready sooner than two that differ, and the time until the
    trial is there would tell so.
    """
    import hashlib

    try:
        data = _read_untouched(stimulus.path)
    except OSError as error:
        raise BlindtestError(
            Fault(problem=f"a stimulus can't be read: {error.strerror}", file=str(stimulus.path), remedy=_AGAIN)
        ) from error
    if hashlib.sha256(data).hexdigest() != stimulus.sha256:
        raise BlindtestError(
            Fault(problem="a stimulus is not the one that was sealed", file=str(stimulus.path), remedy=_AGAIN)
        )
    return wav_samples(data)[0]


def _read_untouched(path: Path) -> bytes:
    """Return a file's bytes and leave its time of access as it was, where the system can: it tells what sounded."""
    plain = os.O_RDONLY | getattr(os, "O_BINARY", 0)
    try:
        handle = os.open(path, plain | getattr(os, "O_NOATIME", 0))
    except PermissionError:
        # Only its owner may leave no trace.
        handle = os.open(path, plain)
    with os.fdopen(handle, "rb") as file:
        return file.read()


_AGAIN = "run blindtest render: it makes the same files again, byte for byte"
