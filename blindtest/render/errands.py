"""A clip's rendering as an errand that another machine can run: everything that goes in travels with it.

Nothing is shared but the network: files go out as bytes, and stimuli come back as bytes. What an errand brings follows
from its content alone, so it can be sent again when the machine that had it is lost, and where it is done does not
matter. Only who sends errands writes into the study's folder.
"""

import hashlib
import tempfile
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Protocol, TypeVar

from blindtest.errors import BlindtestError, Fault

from .fixed import FIXED_NAME, Fixed
from .job import RenderJob

__all__ = ["Brought", "Errand", "Hands", "errand_for", "placed", "run_all"]

T = TypeVar("T")


class _Promise(Protocol):
    def result(self) -> Any:
        """Return what was computed, or raise what went wrong."""

    def cancel(self) -> Any:
        """Give up what has not begun."""


class Hands(Protocol):
    """Whoever runs errands: processes elsewhere."""

    @property
    def width(self) -> int:
        """How many errands they run at once."""

    def submit(self, call: Callable[..., Any], /, *arguments: Any) -> _Promise:
        """Begin a call."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Errand:
    """The rendering of one clip."""

    job: RenderJob
    """Of this clip alone, with all its conditions; paths are those of whoever sends it."""
    files: Mapping[Path, bytes]
    """What lies under these paths."""
    fixed: Fixed
    """What the first rendering fixed, and what this one has fixed so far."""
    folder: Path
    """Where the stimuli will lie, as their sender knows it."""
    wanted: Mapping[str, str] = field(default_factory=dict)
    """Key of each stimulus to be made, to a condition that has it; empty where only levels are asked for."""


@dataclass(slots=True, kw_only=True)
class Brought:
    """What an errand brings back: the bytes made from each key. Stands where `folder.Making` does at home."""

    files: dict[str, bytes] = field(default_factory=dict)

    def put(self, key: str, data: bytes) -> str:
        """Keep the bytes made from `key`; return their SHA-256 (hex)."""
        self.files[key] = data
        return hashlib.sha256(data).hexdigest()


def errand_for(
    job: RenderJob, clip: str, fixed: Fixed, folder: Path, wanted: Mapping[str, str] | None = None
) -> Errand:
    """Return the errand of one clip of `job`, its files read; OSError as it comes."""
    (source,) = (one for one in job.clips if one.id == clip)
    recordings = (one.recording for one in job.conditions if one.recording is not None)
    paths = {source.path, *(recording.files[clip] for recording in recordings)}
    return Errand(
        job=replace(job, clips=(source,)),
        files={path: path.read_bytes() for path in sorted(paths)},
        fixed=fixed,
        folder=folder,
        wanted=wanted or {},
    )


@contextmanager
def placed(errand: Errand) -> Iterator[tuple[RenderJob, Path]]:
    """Lay an errand's files down for as long as it runs; yields its job with their places, and an empty folder.

    Faults name the files as their sender knows them.
    """
    with tempfile.TemporaryDirectory(prefix="blindtest-") as made:
        place = Path(made)
        places = {path: place / f"{number}{path.suffix}" for number, path in enumerate(errand.files)}
        for path, content in errand.files.items():
            places[path].write_bytes(content)
        (source,) = errand.job.clips
        stimuli = place / "stimuli"
        job = replace(
            errand.job,
            clips=(replace(source, path=places[source.path]),),
            conditions=tuple(_moved(condition, source.id, places) for condition in errand.job.conditions),
        )
        at_home = {str(there): str(path) for path, there in places.items()}
        at_home[str(stimuli / FIXED_NAME)] = str(errand.folder / FIXED_NAME)
        try:
            yield job, stimuli
        except BlindtestError as error:
            raise type(error)(*(_named(fault, at_home) for fault in error.faults)) from None


def _named(fault: Fault, at_home: Mapping[str, str]) -> Fault:
    return replace(fault, file=at_home.get(fault.file, fault.file))


def _moved(condition: Any, clip: str, places: Mapping[Path, Path]) -> Any:
    own = condition.recording
    if own is None:
        return condition
    moved = replace(own, files={clip: places[own.files[clip]]})
    return replace(condition, stages=tuple(moved if stage is own else stage for stage in condition.stages))


def run_all(
    hands: Hands, call: Callable[[Errand], T], errands: Sequence[Callable[[], Errand]], take: Callable[[int, T], None]
) -> None:
    """Run errands, each made up only when its turn comes, and hand what they bring to `take`, with their place.

    No more are under way than keep the hands busy: what comes back waits in their memory until it is taken.

    Raises
    ------
    BlindtestError
        The faults of all of them together, at the end; any other exception at once.
    """
    waiting: deque[_Promise] = deque()
    sent = 0
    faults: list[Fault] = []
    try:
        for place in range(len(errands)):
            while sent < len(errands) and len(waiting) < 2 * max(1, hands.width):
                waiting.append(hands.submit(call, errands[sent]()))
                sent += 1
            try:
                brought = waiting.popleft().result()
            except BlindtestError as error:
                told = {str(fault) for fault in faults}
                faults.extend(fault for fault in error.faults if str(fault) not in told)
            else:
                take(place, brought)
    finally:
        for promise in waiting:
            promise.cancel()
    if faults:
        raise BlindtestError.of(faults)
