"""Many machines: a Dask cluster as the hands that render clips and simulate studies.

What is computed follows from what was sent alone: a task that was lost with its machine is run again elsewhere, and the
results are those of one machine, byte for byte. That holds where all compute alike; so everybody's versions are
compared first, and other ones are refused.
"""

import logging
import platform
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from blindtest.errors import Fault, Missing

__all__ = ["ClusterHands", "hands_at"]

WAIT_S = 5.0
"""For the scheduler, and for the first worker."""
COMPARED = ("blindtest", "numpy", "scipy", "pandas", "soundfile", "soxr")
"""What computes a result; another version may compute it otherwise."""


class _Task:
    """A call under way somewhere."""

    def __init__(self, future: Any) -> None:
        self._future = future

    def result(self) -> Any:
        """Return what was computed, or raise what went wrong."""
        from concurrent.futures import CancelledError

        from distributed import CancelledError as Lost
        from distributed import KilledWorker
        from distributed.comm.core import CommClosedError

        try:
            return self._future.result()
        except KilledWorker as reason:
            raise Missing(
                Fault(
                    problem="several workers died one after another at the same task",
                    key="--cluster",
                    remedy="look at their logs: most often it is memory (dask worker --memory-limit)",
                )
            ) from reason
        except (Lost, CancelledError, CommClosedError) as reason:
            raise Missing(
                Fault(
                    problem="the cluster's scheduler went away",
                    key="--cluster",
                    remedy="nothing was changed: start it again, and run the same command",
                )
            ) from reason

    def cancel(self) -> None:
        """Give the call up, whether it has begun or not."""
        self._future.cancel()


class ClusterHands:
    """A connected cluster. `submit` gives a promise of what a call returns, wherever it is made."""

    def __init__(self, client: Any) -> None:
        self._client = client

    @property
    def width(self) -> int:
        """How many calls it runs at once."""
        return max(1, int(sum(self._client.nthreads().values())))

    def submit(self, call: Callable[..., Any], /, *arguments: Any) -> _Task:
        """Begin a call; it is made again elsewhere if the worker that had it is lost."""
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", UserWarning)  # a clip's bytes are large on purpose
            # Not pure: two equal calls would share one result, and cancelling one would cancel the other.
            return _Task(self._client.submit(call, *arguments, pure=False))


def facts_of_machine() -> dict[str, str]:
    """Return what decides the last bit of a result here: processor's kind, Python and packages."""
    found = {"processor": platform.machine(), "python": ".".join(platform.python_version_tuple()[:2])}
    for name in COMPARED:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "none"
    return found


@contextmanager
def hands_at(address: str) -> Iterator[ClusterHands | None]:
    """Connect to the scheduler at `address`, tcp://host:port; '' gives None: this machine alone.

    Raises
    ------
    Missing
        Dask is not installed, nobody answers, no worker is there, or a worker computes with other versions.
    """
    if not address:
        yield None
        return
    try:
        from distributed import Client
    except ImportError:
        raise Missing(
            Fault(problem="a cluster needs Dask", key="--cluster", remedy="pip install 'blindtest[cluster]'")
        ) from None
    for name in ("distributed", "distributed.core", "distributed.client", "distributed.comm"):
        logging.getLogger(name).setLevel(logging.CRITICAL)  # what matters is said by us, in a line
    try:
        client: Any = Client(address, timeout=WAIT_S, set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, ValueError, TypeError) as reason:
        raise Missing(
            Fault(
                problem="no cluster answers",
                key="--cluster",
                got=address,
                allowed="tcp://host:port of a Dask scheduler",
                remedy="start one: dask scheduler --host 127.0.0.1; dask worker tcp://127.0.0.1:8786",
            )
        ) from reason
    with client:
        _refuse_unlike(client, address)
        yield ClusterHands(client)


def _refuse_unlike(client: Any, address: str) -> None:
    """Refuse a cluster without workers, and workers whose results may differ in the last bit."""
    try:
        client.wait_for_workers(1, timeout=WAIT_S)
    except Exception as reason:
        raise Missing(
            Fault(
                problem="the cluster has no worker",
                key="--cluster",
                got=address,
                remedy=f"start one where blindtest is installed: dask worker {address}",
            )
        ) from reason
    own = facts_of_machine()
    try:
        found = client.run(facts_of_machine)
    except Exception as reason:
        raise Missing(
            Fault(
                problem="a worker can't run blindtest",
                key="--cluster",
                got=f"{type(reason).__name__}: {reason}",
                remedy="install the same blindtest on every worker",
            )
        ) from reason
    faults = [
        Fault(
            problem=f"worker {worker} has another {name}: its results could differ in the last bit",
            key="--cluster",
            got=theirs.get(name, "none"),
            allowed=wanted,
            remedy="give every worker the versions of this machine (.ci/constraints.txt)",
        )
        for worker, theirs in sorted(found.items())
        for name, wanted in own.items()
        if theirs.get(name) != wanted
    ]
    if faults:
        raise Missing(*faults)
