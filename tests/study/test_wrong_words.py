"""What is said of values of another kind: once, with what would be right at that place."""

import pytest

from blindtest.errors import BlindtestError
from blindtest.study import check_study


def found(folder) -> list[str]:
    try:
        return [str(one) for one in check_study(folder)]
    except BlindtestError as error:
        return [str(fault) for fault in error.faults]


def only(folder) -> str:
    (one,) = found(folder)
    return one


def test_true_is_no_version_of_a_format(changed):
    assert "format: not one of the words known here, got true (allowed: 1)" in only(
        changed(("format = 1", "format = true"))
    )


@pytest.mark.parametrize("sign", ["\\u0000", "\\u001b", "\\u007f"])
def test_control_characters_are_refused_in_texts(changed, sign):
    said = only(changed(('reviewer = "', f'reviewer = "{sign}')))
    assert "reviewer: a character that can't stand here" in said


@pytest.mark.parametrize("sign", ["\\u0001", "\\n"])
def test_what_listeners_read_is_one_line(changed, sign):
    said = only(
        changed(('stages = [{ response = "heron" }]', f'stages = [{{ response = "heron" }}]\nlabel = "{sign}x"'))
    )
    assert "label: a character that can't stand here" in said


def test_a_text_may_have_several_lines(changed):
    assert found(changed(('reviewer = "', 'reviewer = "a\\tb\\n'))) == []


def test_a_number_that_is_too_large_is_not_missing_as_well(changed):
    said = only(changed(('reviewer = "R-7f3a"', "reviewer = 99999999999999999999")))
    assert "reviewer: the number is too large" in said


def test_a_misspelt_key_of_files_is_said_once(changed):
    said = only(changed(('responses = ["measurements/heron', 'responces = ["measurements/heron')))
    assert "did you mean 'responses'?" in said


def test_tables_within_a_table_are_written_where_they_belong(changed):
    said = only(changed(('stages = [{ response = "heron" }]', "stages = 3")))
    assert "got 3 (allowed: written as stages = [{ ... }])" in said


def test_one_table_in_place_of_several_is_not_printed_whole(changed):
    said = only(changed(("[[clip]]", "[clip]")))
    assert "clip: not a table of the right kind, got 'a table of" in said
    assert "written as [[clip]]" in said


def test_the_first_of_several_tables_wants_both_brackets_too(changed, folder):
    text = (folder / "study.toml").read_text()
    (folder / "study.toml").write_text(text.replace("[[unit]]", "[unit]", 1))
    said = only(folder)
    assert "another table of this name isn't one of several, got '[[unit]]'; write [[ ]] for every one of them" in said


@pytest.mark.parametrize(("value", "helps"), [('"12"', True), ('"-1.5e1"', True), ('"twelve"', False), ('"."', False)])
def test_quotes_are_to_be_taken_away_only_from_what_is_a_number(changed, value, helps):
    said = only(changed(('unit = "plover"\n', f'unit = "plover"\nmax_boost_db = {value}\n')))
    assert ("take the quotes away" in said) == helps
