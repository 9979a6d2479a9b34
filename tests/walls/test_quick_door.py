"""The command line answers before anything slow is loaded."""

import subprocess
import sys

import pytest

SLOW = (
    "numpy", "scipy", "pandas", "statsmodels", "matplotlib", "pydantic", "sqlalchemy", "alembic", "rich",
    "starlette", "uvicorn", "soundfile", "sounddevice", "jinja2",
)  # fmt: skip


def loaded(code: str) -> set[str]:
    """Return the names of the modules a fresh interpreter holds after `code`."""
    printed = subprocess.run(
        [sys.executable, "-c", f"{code}\nimport sys\nprint(*sorted(sys.modules), sep='\\n')"],
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    return set(printed.split())


def test_the_command_line_imports_nothing_slow():
    assert not {m for m in loaded("import blindtest.cli") if m.split(".")[0] in SLOW}


@pytest.mark.parametrize("arguments", ["['--help']", "['--version']", "['listen', '--help']"])
def test_help_loads_nothing_slow(arguments):
    code = (
        "import contextlib, io, blindtest.cli\n"
        "with contextlib.redirect_stdout(io.StringIO()):\n"
        f"    blindtest.cli.main({arguments}, standalone_mode=False)"
    )
    assert not {m for m in loaded(code) if m.split(".")[0] in SLOW}


@pytest.mark.parametrize(
    ("module", "absent"),
    [
        ("blindtest.stats", ("scipy.stats", "pandas", "statsmodels", "matplotlib")),
        ("blindtest.study", ("scipy.stats", "scipy.signal", "pandas", "statsmodels", "matplotlib")),
        ("blindtest.session", ("sqlalchemy", "alembic", "sounddevice", "pandas")),
        ("blindtest.steps", ("pandas", "statsmodels", "matplotlib", "scipy.stats", "scipy.signal")),
    ],
)
def test_front_doors_stay_light(module, absent):
    assert not {m for m in loaded(f"import {module}") if m.startswith(absent)}
