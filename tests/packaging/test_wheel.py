"""The wheel carries what the job needs: built, installed elsewhere, run from another folder."""

import os
import subprocess
import sys
import sysconfig
import venv
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    """Build the wheel with hatchling, in this interpreter where it is there, else in an environment of its own."""
    place = tmp_path_factory.mktemp("wheel")
    arguments = ["wheel", "--no-deps", "--quiet", "--wheel-dir", str(place), str(ROOT)]
    try:
        import hatchling  # noqa: F401
    except ImportError:
        pass
    else:
        arguments.insert(1, "--no-build-isolation")
    subprocess.run([sys.executable, "-m", "pip", *arguments], check=True)
    (built,) = place.glob("*.whl")
    return built


def test_protocols_and_demo_stimuli_are_inside(wheel):
    names = zipfile.ZipFile(wheel).namelist()
    for wanted in (
        "blindtest/protocols/abx.toml",
        "blindtest/demo_stimuli/study.toml",
        "blindtest/guide/abx.md",
        "blindtest/cli/results.schema.json",
        "blindtest/web/templates/listen.html",
    ):
        assert wanted in names
    assert any(name.startswith("blindtest/session/migrations/") for name in names)
    assert not any(name.startswith(("tests/", ".ci/")) for name in names)


@pytest.fixture(scope="module")
def installed(wheel, tmp_path_factory):
    """Return (site folder, run) of an environment that has the package from the wheel and nothing of this folder."""
    place = tmp_path_factory.mktemp("elsewhere")
    venv.create(place, with_pip=False)
    python = place / ("Scripts/python.exe" if os.name == "nt" else "bin/python")

    def run(work, *arguments):
        return subprocess.run([str(python), *arguments], cwd=work, check=True, capture_output=True, text=True).stdout

    site = Path(run(place, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))").strip())
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(site)
    # The dependencies are those of this environment; the package itself must come from the wheel.
    (site / "dependencies.pth").write_text(sysconfig.get_path("purelib") + "\n")
    return site, run


@pytest.mark.slow
def test_it_works_from_another_folder(installed, tmp_path):
    site, run = installed
    assert run(tmp_path, "-c", "import blindtest; print(blindtest.__file__)").startswith(str(site))
    assert "Wrote my-study" in run(tmp_path, "-m", "blindtest", "new", "my-study", "--protocol", "abx")
    clip = next((site / "blindtest" / "demo_stimuli").rglob("*.flac"))
    assert "LUFS" in run(tmp_path, "-m", "blindtest", "measure", str(clip))
    assert "ABX" in run(tmp_path, "-m", "blindtest", "guide", "abx")
    assert [path.name for path in tmp_path.iterdir()] == ["my-study"]


@pytest.mark.long
def test_it_does_the_job_from_another_folder(installed, tmp_path):
    """The demo, which `.ci/run` runs anyway from a clone, here from the wheel."""
    _, run = installed
    assert "report.html" in run(tmp_path, "-m", "blindtest", "demo")
    assert (tmp_path / "blindtest-demo" / "difference" / "report" / "report.html").is_file()
    assert [path.name for path in tmp_path.iterdir()] == ["blindtest-demo"]
