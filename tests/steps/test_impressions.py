"""Words go on record before the rest of a study is written: before the graphs, before the claim."""

import pytest

from blindtest import steps
from blindtest.errors import BlindtestError, WrongUse

SAID = {"words": "rather all night than one more hour of the other", "unit": "first"}


@pytest.fixture
def hardly_begun(tmp_path):
    """A study folder as `new` leaves it: no measurement, no clip, no title, no claim that would do."""
    folder = tmp_path / "my-study"
    steps.new(folder, protocol="survival")
    return folder


def test_an_impression_needs_no_measurement_and_no_claim(hardly_begun):
    with pytest.raises(BlindtestError, match="reviewer: "):
        steps.seal(hardly_begun)
    shown = steps.impression(hardly_begun, by="R-1", against="second", clips=("one",), knew=("price",), **SAID)
    assert shown.row["quote"] == SAID["words"]
    assert shown.row["unit"]["name"] == "first"
    assert shown.row["who"] == "R-1"
    assert len(shown.hash) == 64


def test_somebody_has_to_say_it(hardly_begun):
    with pytest.raises(WrongUse, match=r"--by: nobody says it; name a pseudonym, or write reviewer in study\.toml"):
        steps.impression(hardly_begun, **SAID)
    assert not (hardly_begun / "study.db").exists()


def test_what_is_not_there_is_named_at_once(hardly_begun):
    with pytest.raises(WrongUse) as raised:
        steps.impression(hardly_begun, words=" ", unit="frist", clips=("two", "nine"), knew=("colour",), by="R-1")
    said = str(raised.value)
    assert "--quote: no words to put on record" in said
    assert "--unit: the study has no such unit, got 'frist'" in said
    assert "did you mean 'first'?" in said
    assert "--clips: the study has no such clip, got 'nine' (allowed: one, two, three)" in said
    assert "--knew: not a word for what was known, got 'colour'" in said


def test_a_folder_without_a_study_file_is_said(tmp_path):
    with pytest.raises(BlindtestError, match="there is no study file here"):
        steps.impression(tmp_path, by="R-1", **SAID)
