"""The audio oracle's signals and values; tests/references/audio has its source."""

import ast
import importlib.util
import json
from collections.abc import Callable
from functools import cache, lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

REFERENCES = Path(__file__).parent.parent / "references" / "audio"


@cache
def _signals() -> Any:
    spec = importlib.util.spec_from_file_location("oracle_signals", REFERENCES / "signals.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@cache
def _cases() -> list[dict[str, Any]]:
    return json.loads((REFERENCES / "expected.json").read_text())["loudness"]


@lru_cache(maxsize=1)
def _made(signal: str) -> tuple[int, NDArray[np.float64]]:
    """Return (rate, frames) of a signal named as in expected.json: `programme(3)`."""
    call = ast.parse(signal, mode="eval").body
    arguments = [ast.literal_eval(value) for value in call.args]
    named = {keyword.arg: ast.literal_eval(keyword.value) for keyword in call.keywords}
    rate, frames = getattr(_signals(), call.func.id)(*arguments, **named)
    frames.flags.writeable = False
    return rate, frames


@pytest.fixture(scope="session")
def oracle_signal() -> Callable[[str], tuple[int, NDArray[np.float64]]]:
    """A function: the name of a signal in expected.json in, rate and frames out."""
    return _made


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Give every test with an argument `oracle_case` one run for each loudness case of expected.json.

    Of session scope, so that pytest runs all tests of a case one after the other and its signal is made once.
    """
    if "oracle_case" in metafunc.fixturenames:
        metafunc.parametrize("oracle_case", _cases(), ids=[case["signal"] for case in _cases()], scope="session")
