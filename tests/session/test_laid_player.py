"""Sounds as files for a web server: named by token, equally long and old, gone with their trial."""

from concurrent.futures import ThreadPoolExecutor
from threading import Event

import numpy as np
import pytest

from blindtest.errors import BlindtestError
from blindtest.session import laid_player
from blindtest.session.laid_player import MARK, LaidPlayer, clear_laid
from blindtest.session.player import BrowserPlayer, Sound

SAMPLES = np.arange(2000, dtype=np.int32).reshape(1000, 2)


def sound(token, samples=lambda: SAMPLES):
    return Sound(token=token, samples=samples, rate=48_000, dither=lambda count: token.encode() * count)


@pytest.fixture
def makers():
    with ThreadPoolExecutor(2) as pool:
        yield pool


@pytest.fixture
def folder(tmp_path):
    clear_laid(tmp_path / "sounds")
    return tmp_path / "sounds"


def test_files_are_those_that_the_program_would_send(folder, makers):
    """The other player, whose bytes other tests prove, is the reference."""
    laid, sent = LaidPlayer(folder, "s1", makers), BrowserPlayer()
    sounds = [sound("a"), sound("b"), sound("c")]
    laid.prepare(sounds)
    sent.prepare(sounds)
    for token in "abc":
        assert laid.place(token) == f"s1/{token}.wav"
        assert (folder / "s1" / f"{token}.wav").read_bytes() == sent.wav(token) == laid.wav(token)


def test_nothing_but_the_name_tells_two_files_apart(folder, makers):
    laid = LaidPlayer(folder, "s1", makers)
    laid.prepare([sound("a"), sound("b", lambda: 5 - SAMPLES)])
    assert laid.place("a")
    assert laid.place("b")
    stats = [(folder / "s1" / f"{token}.wav").stat() for token in "ab"]
    facts = {(one.st_size, one.st_mtime_ns, one.st_mode, one.st_uid, one.st_gid) for one in stats}
    assert len(facts) == 1
    assert stats[0].st_mode & 0o027 == 0


def test_a_trial_that_is_over_leaves_nothing(folder, makers):
    laid = LaidPlayer(folder, "s1", makers)
    laid.prepare([sound("a"), sound("b")])
    assert laid.place("b")
    laid.prepare([sound("b"), sound("c")])
    assert laid.place("c")
    assert laid.place("a") is None
    assert {path.name for path in (folder / "s1").iterdir()} == {"b.wav", "c.wav"}
    with pytest.raises(BlindtestError, match="no sound is served under this name now"):
        laid.wav("a")
    laid.close()
    assert [path.name for path in folder.iterdir()] == [MARK]


def test_a_trial_that_is_over_while_its_files_are_made_leaves_nothing_either(folder):
    go, begun = Event(), Event()

    def slow():
        begun.set()
        assert go.wait(60)
        return SAMPLES

    with ThreadPoolExecutor(1) as makers:
        laid = LaidPlayer(folder, "s1", makers)
        laid.prepare([sound("a", slow), sound("b")])
        assert begun.wait(60)
        laid.prepare([sound("c")])
        go.set()
        assert laid.place("c")
    assert {path.name for path in (folder / "s1").iterdir()} == {"c.wav"}


def test_an_answer_does_not_wait_for_sounds(folder):
    go = Event()
    with ThreadPoolExecutor(1) as makers:
        laid = LaidPlayer(folder, "s1", makers)
        laid.prepare([sound("a", lambda: go.wait(60) and SAMPLES)])  # returns at once, nothing made yet
        assert not list(folder.glob("s1/*.wav"))
        go.set()
        assert laid.place("a") == "s1/a.wav"


def test_a_sound_that_waits_too_long_for_its_file_is_made_by_whoever_asks(folder, monkeypatch):
    monkeypatch.setattr(laid_player, "WAIT_S", 0.05)
    go, made, sent = Event(), [], BrowserPlayer()

    def counted():
        made.append(1)
        return SAMPLES

    with ThreadPoolExecutor(1) as makers:
        laid = LaidPlayer(folder, "s1", makers)
        laid.prepare([sound("a", lambda: go.wait(60) and SAMPLES), sound("b", counted)])
        sent.prepare([sound("b")])
        assert laid.place("b") is None
        assert laid.wav("b") == sent.wav("b"), "byte for byte what the file would have held"
        assert not go.is_set(), "it has not waited for the makers, who are busy"
        assert laid.place("b") is None
        go.set()
        assert laid._laid["a"].result(60) is None
        laid.prepare([sound("c")])
        assert laid._laid["c"].result(60) is None
    assert made == [1], "and is not made once more"
    assert {path.name for path in (folder / "s1").iterdir()} == {"c.wav"}


def test_what_could_not_be_read_is_tried_again(folder, makers):
    tries = []

    def failing():
        tries.append(1)
        if len(tries) == 1:
            raise OSError("gone for a moment")
        return SAMPLES

    laid = LaidPlayer(folder, "s1", makers)
    laid.prepare([sound("a", failing)])
    assert laid.place("a") is None
    assert laid.place("a") == "s1/a.wav"


def test_only_what_is_ours_is_emptied(tmp_path):
    clear_laid(tmp_path / "new")
    (tmp_path / "new" / "old-sitting").mkdir()
    (tmp_path / "new" / "old-sitting" / "x.wav").write_bytes(b"x")
    clear_laid(tmp_path / "new")
    assert [path.name for path in (tmp_path / "new").iterdir()] == [MARK]
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "thesis.txt").write_text("mine")
    with pytest.raises(BlindtestError, match="holds something else"):
        clear_laid(tmp_path / "other")
    assert (tmp_path / "other" / "thesis.txt").read_text() == "mine"
    with pytest.raises(BlindtestError, match="can't be used"):
        clear_laid(tmp_path / "other" / "thesis.txt")
