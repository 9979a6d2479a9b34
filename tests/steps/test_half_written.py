"""What can't be written whole isn't written: a figure, a result kept unseen. What was there before stays."""

import errno
from pathlib import Path
from types import SimpleNamespace

import pytest

from blindtest.errors import BlindtestError
from blindtest.steps.figure_files import write_figure_file
from blindtest.steps.unseen import keep_unseen

FIGURE = SimpleNamespace(svg="<svg/>\n", png=b"\x89PNG")


def full(self, target):
    raise OSError(errno.ENOSPC, "No space left on device")


@pytest.mark.parametrize(("name", "content"), [("plan.svg", b"<svg/>\n"), ("plan.PNG", b"\x89PNG")])
def test_a_figure_is_there_whole_or_not_at_all(tmp_path, monkeypatch, name, content):
    path = tmp_path / name
    write_figure_file(FIGURE, path)
    assert path.read_bytes() == content
    path.write_bytes(b"before")
    monkeypatch.setattr(Path, "replace", full)
    with pytest.raises(BlindtestError, match="--figure: the figure can't be written: No space left on device"):
        write_figure_file(FIGURE, path)
    assert [one.name for one in tmp_path.iterdir()] == [name]
    assert path.read_bytes() == b"before"


def test_a_result_kept_unseen_leaves_no_part_behind(tmp_path, monkeypatch):
    kept = keep_unseen(tmp_path, "check", {"a": 1})
    monkeypatch.setattr(Path, "replace", full)
    with pytest.raises(BlindtestError, match="No space left on device; make room or give permission"):
        keep_unseen(tmp_path, "check", {"a": 2})
    assert list((tmp_path / "unseen").iterdir()) == [kept.path]
