"""Tables of tracks: invented listeners, tracks and conditions."""

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import pytest


def tracks_table(rows: list[dict[str, Any]]) -> pd.DataFrame:
    """Return a table of tracks; what a row leaves out is a plain default."""
    plain = {"listener": "L1", "order": "A=heron|B=plover"}
    return pd.DataFrame([{"track": f"t{n:02d}", **plain, **row} for n, row in enumerate(rows, start=1)])


def simulated(
    seed: int,
    *,
    listeners: int = 1,
    tracks: int = 10,
    conditions: tuple[str, ...] = ("heron", "plover"),
    share: float = 0.5,
    decimals: int = 1,
) -> pd.DataFrame:
    """Return a table with everything in it, drawn from a seed; `share` is that of the first condition."""
    rng = np.random.default_rng(seed)
    slots = "ABCDEF"[: len(conditions)]
    rest = (1 - share) / (len(conditions) - 1)
    weights = np.array([share, *[rest] * (len(conditions) - 1)])
    rows = []
    for listener in range(1, listeners + 1):
        for track in range(1, tracks + 1):
            drawn = rng.permutation(conditions)
            seconds = np.round(100 * rng.dirichlet(4 * weights), decimals)
            rows.append(
                {
                    "listener": f"L{listener}",
                    "track": f"t{track:02d}",
                    "order": "|".join(f"{s}={c}" for s, c in zip(slots, drawn, strict=True)),
                    "start": str(rng.choice(list(slots))),
                    "chosen": str(rng.choice(conditions, p=weights)),
                    "dwell": "|".join(f"{c}={s}" for c, s in zip(conditions, seconds.tolist(), strict=True)),
                    "skipped_at_s": round(float(rng.exponential(90)), 1),
                    "censored": bool(rng.random() < 0.4),
                }
            )
    return pd.DataFrame(rows)


@pytest.fixture(scope="session")
def table_of_tracks() -> Callable[..., pd.DataFrame]:
    return tracks_table


@pytest.fixture(scope="session")
def simulated_tracks() -> Callable[..., pd.DataFrame]:
    return simulated
