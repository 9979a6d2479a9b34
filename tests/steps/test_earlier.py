"""What a study seal names of the time before it: left out or exchanged afterwards, it is missed."""

import shutil
import sqlite3
from dataclasses import dataclass, replace

import pytest

from blindtest import steps
from blindtest.design import Link
from blindtest.steps.earlier import earlier_lacking


@dataclass(frozen=True)
class Entry:
    number: int = 1
    commitment: str = "aa" * 32
    hash: str = "11" * 32
    kind: str = "study"
    record: object = None


@dataclass(frozen=True)
class Recorded:
    """As much of a record as is asked."""

    said: tuple = (Entry(hash="11" * 32), Entry(hash="22" * 32))
    sealed: tuple = ()
    sat: tuple = (Entry(commitment="aa" * 32),)

    def impressions(self):
        return self.said

    def seals(self):
        return self.sealed

    def sittings(self):
        return self.sat

    def chain(self, number):
        return [Link(position=place, row_hash="00" * 32, hash=f"{place:064x}") for place in (1, 2, 3)]


FIRST = Entry(commitment="c1" * 32, record={"earlier": [{"impression": "11" * 32}, {"impression": "22" * 32}]})
THEN = {"sitting": 1, "plan": "aa" * 32, "head": f"{2:064x}"}
SECOND = Entry(commitment="c2" * 32, record={"earlier": [{"study_seal": "c1" * 32}, THEN]})
WHOLE = Recorded(sealed=(FIRST, SECOND))


def lacking(record):
    return [words for *_, missing in earlier_lacking(record) for words in missing]


def test_what_is_there_as_it_was_then_is_not_missed():
    """The sitting had two answers when the second seal was made, and has three now."""
    assert [(one, count) for one, count, _ in earlier_lacking(WHOLE)] == [("c1" * 32, 2), ("c2" * 32, 2)]
    assert lacking(WHOLE) == []


@pytest.mark.parametrize(
    ("changed", "missed"),
    [
        (replace(WHOLE, said=WHOLE.said[:1]), ["impression 2222222222222222..."]),
        (replace(WHOLE, said=WHOLE.said[::-1]), ["impressions in their order"]),
        (replace(WHOLE, sealed=(SECOND,)), ["study seal c1c1c1c1c1c1c1c1..."]),
        (replace(WHOLE, sat=(Entry(commitment="bb" * 32),)), ["sitting 1 as it stood then"]),
        (replace(WHOLE, sat=()), ["sitting 1 as it stood then"]),
        (replace(WHOLE, sealed=(FIRST, replace(SECOND, record={"earlier": [{**THEN, "head": "ff" * 32}]}))),
         ["sitting 1 as it stood then"]),
    ],
)  # fmt: skip
def test_what_was_left_out_or_exchanged_is_missed(changed, missed):
    assert lacking(changed) == missed


@pytest.mark.long
def test_an_impression_that_was_taken_out_of_the_database_is_missed(own_template, tmp_path):
    folder = tmp_path / "my-study"
    shutil.copytree(own_template, folder)
    steps.render(folder)
    for words in ("It has less bass.", "It hisses."):
        steps.impression(folder, words=words, by="L-one", unit="first")
    steps.seal(folder)
    assert "the 2 earlier records that it names are there" in steps.verify(folder).text()
    with sqlite3.connect(folder / "study.db") as plain:
        named = "SELECT name, sql FROM sqlite_master WHERE type = 'trigger' AND tbl_name LIKE 'impression%'"
        triggers = plain.execute(named).fetchall()
        for name, _ in triggers:
            plain.execute(f"DROP TRIGGER {name}")
        plain.execute("DELETE FROM impression_content WHERE position = 2")
        plain.execute("DELETE FROM impressions WHERE position = 2")
        for _, text in triggers:
            plain.execute(text)
    found = steps.verify(folder)
    assert [one.detail[:11] for one in found.findings if not one.ok] == ["impression "]
