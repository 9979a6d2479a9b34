"""Rows as text in columns."""

from blindtest.steps.columns import columns


def test_numbers_stand_right_and_words_left():
    assert columns(("name", "dB"), [("a", "1.0"), ("bc", "-10.0")]) == "name     dB\na       1.0\nbc    -10.0"


def test_no_rows_leave_the_headings():
    assert columns(("a", "b"), []) == "a  b"
