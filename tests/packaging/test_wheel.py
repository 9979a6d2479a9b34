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


@pytest.mark.slow
def test_it_does_the_job_from_another_folder(wheel, tmp_path):
    place = tmp_path / "elsewhere"
    venv.create(place, with_pip=False)
    python = place / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
    site = subprocess.run(
        [str(python), "-c", "import sysconfig; print(sysconfig.get_path('purelib'))"],
        check=True, capture_output=True, text=True,
    ).stdout.strip()  # fmt: skip
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(site)
    # The dependencies are those of this environment; the package itself must come from the wheel.
    (Path(site) / "dependencies.pth").write_text(sysconfig.get_path("purelib") + "\n")
    work = tmp_path / "work"
    work.mkdir()

    def run(*arguments):
        return subprocess.run([str(python), *arguments], cwd=work, check=True, capture_output=True, text=True).stdout

    where = run("-c", "import blindtest; print(blindtest.__file__)").strip()
    assert where.startswith(str(site))
    assert "Wrote my-study" in run("-m", "blindtest", "new", "my-study", "--protocol", "abx")
    said = run("-m", "blindtest", "demo")
    assert "report.html" in said
    assert (work / "blindtest-demo" / "difference" / "report" / "report.html").is_file()
    assert sorted(path.name for path in work.iterdir()) == ["blindtest-demo", "my-study"]
