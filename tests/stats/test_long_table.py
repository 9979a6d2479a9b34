"""Anybody's long table, column by column."""

import sys

import pandas as pd
import pytest

from blindtest.errors import BlindtestError, Fault, Missing
from blindtest.stats import Wanted, read_long_table

RATED = (
    Wanted(name="listener", also=("who",), what="who rated"),
    Wanted(name="rating", kind="number", what="the rating"),
    Wanted(name="mode", words={"sighted": "labelled", "blind": "blind"}, needed=False),
)


@pytest.fixture
def table(tmp_path):
    def written(text):
        path = tmp_path / "t.csv"
        path.write_text(text)
        return path

    return written


def test_columns_are_found_by_their_other_names_and_told(table):
    read = read_long_table(table("Who;rating;mode\na;1,5;sighted\nb;-;blind\n"), RATED)
    assert read.table["listener"].tolist() == ["a", "b"]
    assert read.table["rating"].tolist()[0] == 1.5
    assert read.table["rating"].isna().tolist() == [False, True]
    assert read.table["mode"].tolist() == ["labelled", "blind"]
    assert read.understood == (
        "2 rows, separated by semicolon, UTF-8",
        "listener from column 'Who': a, b; 0 missing",
        "rating from column 'rating': 1.5 to 1.5, 1 different; 1 missing",
        "mode from column 'mode': blind, labelled; 0 missing ('sighted' read as labelled)",
    )


def test_what_is_not_there_is_said_with_the_way_to_name_it(table):
    with pytest.raises(BlindtestError, match=r"no column says who rated, got 'a, b'; name it: listener=COLUMN"):
        read_long_table(table("a,b\n1,2\n"), RATED)
    with pytest.raises(BlindtestError, match=r"the file has no such column, got 'rate' .*did you mean 'rated'"):
        read_long_table(table("who,rated\na,2\n"), RATED, columns={"rating": "rate"})
    with pytest.raises(BlindtestError, match="this analysis reads no such column"):
        read_long_table(table("who,rating\na,2\n"), RATED, columns={"ratting": "rating"})


def test_one_column_is_not_read_twice(table):
    with pytest.raises(BlindtestError, match="two columns of the analysis are to be read from this one"):
        read_long_table(table("x,y\na,2\n"), RATED, columns={"listener": "x", "rating": "x"})


def test_further_columns_are_numbers_where_all_cells_are(table):
    read = read_long_table(table("who,rating,age,group\na,1,30,x\nb,2,,7\n"), RATED, beside=None)
    assert read.table["age"].dtype == "float64"
    assert read.table["group"].tolist() == ["x", "7"]
    assert read.ignored == ()


def test_a_fault_found_later_names_line_and_column_of_the_file(table):
    read = read_long_table(table("who,rating\n\na,1\n\nb,2\n"), RATED)
    placed = read.placed(BlindtestError(Fault(problem="odd", line=2, key="listener")))
    assert (placed.faults[0].line, placed.faults[0].key) == (5, "who")
    assert placed.faults[0].file.endswith("t.csv")


def test_parquet_is_read_as_the_same_table_as_csv(tmp_path):
    parquet = pytest.importorskip("pyarrow.parquet")
    pyarrow = pytest.importorskip("pyarrow")
    frame = pd.DataFrame({"who": ["a", "b", None], "rating": [1.5, None, 3.0], "mode": ["blind", "sighted", "blind"]})
    frame.to_csv(tmp_path / "t.csv", index=False)
    parquet.write_table(pyarrow.Table.from_pandas(frame, preserve_index=False), tmp_path / "t.parquet")
    one, other = (read_long_table(tmp_path / f"t.{kind}", RATED) for kind in ("csv", "parquet"))
    pd.testing.assert_frame_equal(one.table, other.table)
    assert other.lines == (1, 2, 3)
    assert other.understood[0] == "3 rows, Parquet"


def test_parquet_without_pyarrow_names_the_extra(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(Missing, match=r"takes the package pyarrow, which is not installed; pip install"):
        read_long_table(tmp_path / "t.parquet", RATED)


def test_what_is_no_parquet_is_refused(tmp_path):
    pytest.importorskip("pyarrow")
    (tmp_path / "t.parquet").write_text("a,b\n1,2\n")
    with pytest.raises(BlindtestError, match="this is no Parquet file"):
        read_long_table(tmp_path / "t.parquet", RATED)
