import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

# The machine that runs the tests may be busy: time is no property of a count.
settings.register_profile("no deadline", settings(), deadline=None)
settings.load_profile("no deadline")

REFERENCES = Path(__file__).parents[1] / "references" / "stats"


@pytest.fixture(scope="session")
def references() -> Path:
    return REFERENCES


@pytest.fixture(scope="session")
def expected() -> Callable[[str], Any]:
    """Return what a file of tests/references/stats expects; its README names the makers."""

    def load(name: str) -> Any:
        return json.loads((REFERENCES / f"{name}.json").read_text(encoding="utf-8"))["expected"]

    return load
