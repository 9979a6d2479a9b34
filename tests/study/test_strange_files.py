"""Files that are none, and texts that can't be shown: named for what they are, before anybody listens."""

import os

import pytest

from blindtest.errors import BlindtestError
from blindtest.study import check_study


def only(folder) -> str:
    (one,) = check_study(folder)
    return str(one)


def test_a_link_that_leads_nowhere_is_no_mistake_of_case(folder):
    clip = folder / "clips/strings.wav"
    clip.unlink()
    clip.symlink_to("elsewhere.wav")
    assert "'strings.wav' is a link that leads nowhere" in only(folder)
    assert "mend the link" in only(folder)


def test_a_seating_whose_link_is_broken_is_not_left_out_in_silence(folder):
    seating = folder / "measurements/heron/seating-1.txt"
    seating.unlink()
    seating.symlink_to(seating)
    assert "unit.heron.responses: 'seating-1.txt' is a link that leads nowhere" in only(folder)


def test_a_folder_that_a_pattern_also_means_is_passed_over(folder):
    (folder / "measurements/heron/seating-old.txt").mkdir()
    assert check_study(folder) == ()


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_pipes_are_not_waited_for(folder):
    (folder / "clips/strings.wav").unlink()
    os.mkfifo(folder / "clips/strings.wav")
    assert "'strings.wav' is no ordinary file" in only(folder)
    (folder / "study.toml").unlink()
    os.mkfifo(folder / "study.toml")
    with pytest.raises(BlindtestError, match=r"study\.toml: this is a device or a pipe, no study file"):
        check_study(folder)


@pytest.mark.parametrize(
    ("text", "problem"),
    [(b"  \n", "empty: listeners would read nothing"), (b"\xff\xfea\x00", "not UTF-8"), (b"a" * 100_001, "too long")],
)
def test_what_listeners_agree_to_can_be_read_also_without_a_panel(changed, folder, text, problem):
    (folder / "agree.md").write_bytes(text)
    path = folder / "study.toml"
    path.write_text(path.read_text() + '\n[listeners]\nconsent = "agree.md"\n')
    assert f"listeners.consent: {problem}" in only(folder)
