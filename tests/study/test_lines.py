"""Line numbers of TOML keys, held against counting by hand and against tomllib."""

import re
import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from blindtest.study.lines import line_of, lines_of

TEXT = '''\
# a comment with [brackets] and key = "value"
format = 1
"quo.ted" . 'k # y' = "a # [ \\" ]" # [x]
[[unit]]
id = "h"   # [[unit]]
responses = [
  "a]",   # ] "
  'b',
  ["c",
   { d = 1 }],
]
m = """x
[[unit]]
"""""
n = \'\'\'[
\'\'\'
[unit.sub]
x.y = 1
  [ [  "unit" ] ]
'''
# Spaces between the two brackets aren't TOML; the header as it may be written:
TEXT = TEXT.replace('  [ [  "unit" ] ]', '  [[  "unit" ]]') + (
    'id = "p"\n'
    'stages = [{ response = "p" },\n'
    '   { correction = { unit = "z", b = [1,\n'
    "     2] } }]\n"
    "d = 2026-01-01\n"
    "t = 07:32:00 # time\n"
    "[protocol.changes]\n"
    "blind.repeats = 2\r\n"
    "last = -1e3"
)

COUNTED_BY_HAND = {
    ("format",): 2,
    ("quo.ted", "k # y"): 3,
    ("unit", 0): 4,
    ("unit", 0, "id"): 5,
    ("unit", 0, "responses"): 6,
    ("unit", 0, "responses", 0): 7,
    ("unit", 0, "responses", 1): 8,
    ("unit", 0, "responses", 2): 9,
    ("unit", 0, "responses", 2, 1, "d"): 10,
    ("unit", 0, "m"): 12,
    ("unit", 0, "n"): 15,
    ("unit", 0, "sub"): 17,
    ("unit", 0, "sub", "x", "y"): 18,
    ("unit", 1): 19,
    ("unit", 1, "id"): 20,
    ("unit", 1, "stages", 0, "response"): 21,
    ("unit", 1, "stages", 1, "correction", "b", 0): 22,
    ("unit", 1, "stages", 1, "correction", "b", 1): 23,
    ("unit", 1, "d"): 24,
    ("unit", 1, "t"): 25,
    ("protocol",): 26,
    ("protocol", "changes", "blind", "repeats"): 27,
    ("protocol", "changes", "last"): 28,
}


def paths_of(value, path=()):
    yield path
    members = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, member in members:
        yield from paths_of(member, (*path, key))


def test_lines_are_those_counted_by_hand():
    tomllib.loads(TEXT)  # it is TOML at all
    lines = lines_of(TEXT)
    assert {path: lines.get(path) for path in COUNTED_BY_HAND} == COUNTED_BY_HAND


def test_every_path_that_tomllib_finds_has_a_line_and_no_other():
    found = set(paths_of(tomllib.loads(TEXT))) - {()}
    assert set(lines_of(TEXT)) == found


def test_a_path_that_is_not_there_has_the_line_of_the_table_around_it():
    lines = lines_of(TEXT)
    assert line_of(lines, ("unit", 1, "rig")) == 19
    assert line_of(lines, ("nothing", "here")) is None


@pytest.mark.parametrize(
    ("text", "path", "line"),
    [
        ('a = """"""\nb = 1', ("b",), 2),
        ("a = ''''x''''\nb = 1", ("b",), 2),
        ('a = "\\\\"\nb = 1', ("b",), 2),
        ('a = """\\\n  x"""\nb = 1', ("b",), 3),
        ('"\\u00e4" = 1\n', ("ä",), 1),
        ("a = []\n\n\nb = {}\nc = 1", ("c",), 5),
        ("a = [ # x ]\n1, # y\n]\nb = 1", ("b",), 4),
        ("[a]\n[a.b]\n[[a.c]]\n[[a.c]]\nd = 1", ("a", "c", 1, "d"), 5),
        ("[[a]]\n[[a.b]]\n[[a.b]]\n[[a]]\n[[a.b]]\nc = 1", ("a", 1, "b", 0, "c"), 6),
    ],
)
def test_corners(text, path, line):
    tomllib.loads(text)
    assert lines_of(text)[path] == line


keys = st.one_of(
    st.from_regex(r"[A-Za-z0-9_-]{1,6}", fullmatch=True),
    st.text("ab.#[]= '", min_size=1, max_size=4).filter(lambda text: "'" not in text).map("'{}'".format),
    st.text('ab.#[]= "\\', min_size=1, max_size=4).map(
        lambda text: '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'
    ),
)
scalars = st.sampled_from(
    [
        "1",
        "-2.5e3",
        "true",
        "2026-03-02",
        "07:32:00",
        '"a ] } # \\" b"',
        "'[[x]]'",
        '"""\n[[x]]\n""x"""',
        "'''\n# ''\n'''",
    ]
)
gaps = st.sampled_from(["", " ", "\t"])
breaks = st.sampled_from(["", " ", "\n", " # ] }\n", "\n\n"])
values = st.recursive(
    scalars,
    lambda inner: st.one_of(
        st.lists(st.tuples(breaks, inner, breaks), max_size=3).map(
            lambda parts: "[" + ",".join("".join(part) for part in parts) + "]"
        ),
        st.lists(
            st.tuples(keys, gaps, inner), max_size=3, unique_by=lambda part: part[0].strip("\"'").split(".")[0]
        ).map(lambda parts: "{" + ", ".join(f"{key}{gap}={gap}{value}" for key, gap, value in parts) + "}"),
    ),
    max_leaves=6,
)


@given(st.lists(st.tuples(st.sampled_from(["", "[{}]\n", "[[{}]]\n"]), keys, keys, gaps, values), max_size=6))
def test_of_any_text_every_path_has_the_line_its_key_stands_in(parts):
    text = "".join(header.format(table) + f"{key}{gap}={gap}{value}\n" for header, table, key, gap, value in parts)
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return
    lines = lines_of(text)
    assert set(lines) == set(paths_of(data)) - {()}
    rows = text.split("\n")
    for path, line in lines.items():
        if isinstance(path[-1], str):
            plain = re.escape(path[-1]).replace('"', '(?:\\\\)?"')
            assert re.search(plain.replace(r"\\", r"\\{1,2}"), rows[line - 1]) or "\\" in path[-1]
