"""The verifier inside the bundle: one short file, the standard library alone, run as a doubting reader runs it."""

import ast
import runpy
import subprocess
import sys
from fractions import Fraction
from pathlib import Path

import pytest
from scipy import stats

import blindtest

SOURCE = Path(blindtest.__file__).parent / "report" / "short_verifier.py"


def run(*arguments, script=SOURCE):
    """Run it without site packages and isolated from the environment: nothing of ours can be imported."""
    command = [sys.executable, "-S", "-I", str(script), *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, timeout=120, check=False, cwd="/")


def test_it_is_short_and_needs_the_standard_library_alone():
    text = SOURCE.read_text(encoding="utf-8")
    assert text.count("\n") <= 300
    assert max(map(len, text.splitlines())) <= 120
    names = {
        name.split(".")[0]
        for node in ast.walk(ast.parse(text))
        for name in (
            [alias.name for alias in node.names]
            if isinstance(node, ast.Import)
            else [node.module or ""]
            if isinstance(node, ast.ImportFrom)
            else []
        )
    }
    assert names <= set(sys.stdlib_module_names)


def test_its_exit_codes_are_those_of_the_tool(tmp_path):
    assert run("--help").returncode == 0
    used_wrongly = run("--publish", "00")
    assert used_wrongly.returncode == 2
    assert "--published HASH" in used_wrongly.stdout
    nothing = run(tmp_path)
    assert nothing.returncode == 3
    assert "no SHA256SUMS: this is no bundle" in nothing.stderr
    assert nothing.stderr.count("\n") == 1
    (tmp_path / "a.zip").write_bytes(b"PK")
    assert run(tmp_path / "a.zip").returncode == 3


def test_tails_are_those_of_scipy_also_of_many_trials():
    """Against scipy.stats.binom, of few trials and of as many as a large panel has."""
    tail = runpy.run_path(str(SOURCE))["upper_tail"]
    for right, trials, guess in ((0, 7, "1/2"), (5, 7, "1/3"), (8, 7, "1/2"), (5_100, 10_000, "1/2"), (1, 9, "19/20")):
        found = float(tail(right, trials, Fraction(guess)))
        assert found == pytest.approx(stats.binom.sf(right - 1, trials, float(Fraction(guess))), rel=1e-9)
