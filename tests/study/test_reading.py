"""TOML files that can't be read: one plain line each, with the place."""

import pytest

from blindtest.errors import BlindtestError
from blindtest.study import check_study, load_study
from blindtest.study.reading import MAX_BYTES, parse_toml, pruned


def complaint(raw: bytes) -> str:
    with pytest.raises(BlindtestError) as caught:
        parse_toml(raw, file="study.toml")
    assert len(caught.value.faults) == 1
    return str(caught.value)


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("a = 1\nb\n", 2, "an equals sign is missing"),
        ("a = 1\nb = \n", 2, "not a value"),
        ("a = 1\nb = hello\n", 2, "not a value"),
        ("a = 1 b = 2\n", 1, "something follows the value"),
        ('a = "x\nb = 1', 1, "can't stand here"),
        ('a = """x\nb = 1', 2, "doesn't end"),
        ("a = 'x", 1, "doesn't end"),
        ("[[unit]\na = 1", 1, "no closing brackets"),
        ("[unit\na = 1", 1, "no closing bracket"),
        ("a = 1\na = 2", 2, "a second time"),
        ("[a]\n[a]", 2, "a second time"),
        ("a = {b = 1}\n[a.c]", 2, "second time|already complete"),
        ("a = [1\n2]", 2, "no comma between"),
        ("a = {b = 1 c = 2}", 1, "no comma between"),
        ("a = {b = 1, b = 2}", 1, "twice"),
        ('a = "C:\\music"', 1, "backslash"),
        ('a = "\\uZZZZ"', 1, "backslash"),
        ("a = 2026-02-30", 1, "not a date of the calendar"),
        ("a = 1 # \x01", 1, "can't stand here"),
        ("a = 1\r", 1, "something follows|can't stand here"),
        ("= 1", 1, "neither a key|missing here"),
    ],
)
def test_syntax_errors_have_their_line_and_plain_words(text, line, words):
    said = complaint(text.encode())
    assert said.startswith(f"study.toml:{line}: ")
    assert any(word in said for word in words.split("|")), said
    assert "\n" not in said


def test_text_that_is_not_utf8_is_named_with_its_line():
    said = complaint("title = 'a'\nname = 'M\xe4rz'".encode("latin-1"))
    assert said.startswith("study.toml:2: a byte that is not UTF-8 text, got 'byte 0xe4'")
    assert "UTF-16" in complaint("a = 1".encode("utf-16"))


def test_a_byte_order_mark_is_taken_for_what_it_is():
    assert parse_toml(b"\xef\xbb\xbfa = 1", file="study.toml").data == {"a": 1}


def test_deep_nesting_and_large_files_are_refused_in_one_line():
    assert "nested too deeply" in complaint(b"a = " + b"[" * 200_000)
    assert "nested too deeply" in complaint(b"a = " + b"{b = " * 100_000)
    assert "1 MiB at most" in complaint(b"#" * (MAX_BYTES + 1))
    assert "can't be read" in complaint(b"a = " + b"9" * 5000)


def test_a_file_of_exactly_one_mebibyte_is_read():
    assert parse_toml(b"a = 1 #" + b"x" * (MAX_BYTES - 7), file="study.toml").data == {"a": 1}


def test_whole_numbers_beyond_64_bits_are_no_toml_and_never_printed_whole():
    # TOML 1.0, "Integer": 64-bit signed integers are accepted; where that isn't lossless, an error.
    source = parse_toml(b"a = 1\nb = { c = 0x" + b"f" * 6000 + b" }", file="study.toml")
    assert [str(fault) for fault in source.faults] == [
        "study.toml:2: b.c: the number is too large (allowed: whole numbers of at most 64 bits)"
    ]
    assert source.data == {"a": 1, "b": {}}
    assert parse_toml(b"a = -9223372036854775808", file="s").faults == ()


def test_pruning_takes_a_list_with_its_wrong_entry_and_leaves_the_rest():
    data = {"unit": [{"id": "a", "responses": ["x", 1]}, {"id": "b", "bad": 1}], "z": 1}
    kept = pruned(data, [("unit", 0, "responses", 1), ("unit", 1, "bad"), ("gone", 3), ("unit", 7, "id")])
    assert kept == {"unit": [{"id": "a"}, {"id": "b"}], "z": 1}
    assert data["unit"][0]["responses"] == ["x", 1]


def test_a_folder_without_a_study_file_says_how_to_make_one(tmp_path):
    for call in (load_study, check_study):
        with pytest.raises(
            BlindtestError, match=r"study\.toml: there is no study file here; write one with: blindtest new"
        ):
            call(tmp_path)
    (tmp_path / "study.toml").mkdir()
    with pytest.raises(BlindtestError, match="can't be read: Is a directory"):
        load_study(tmp_path)
