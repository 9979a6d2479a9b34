"""The trial table, anybody's CSV."""

from datetime import UTC, datetime

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from blindtest import session
from blindtest.errors import BlindtestError
from blindtest.stats import COLUMNS, read_trial_table, trial_table, write_trial_table
from blindtest.stats.delimited import MOST_FAULTS

OWN = {
    "study": "Heron against Plover",
    "listener": "R-7f3a",
    "sitting": 1,
    "trial": 0,
    "attempt": 1,
    "slot": "choice",
    "block": "test",
    "block_trial": 0,
    "phase": "blind",
    "method": "abx",
    "kind": "choose",
    "clip": "strings",
    "conditions": "heron|plover",
    "order": "A=heron|B=plover|X=heron",
    "condition": None,
    "response": "A",
    "correct": True,
    "confidence": None,
    "shown_at": "2026-03-02T20:15:00.250Z",
    "answered_at": "2026-03-02T20:15:31Z",
    "time_taken_s": 30.75,
    "switches": 5,
    "faults": "",
}


@pytest.fixture
def written(tmp_path):
    """Write text (or bytes) as a CSV and return its path."""

    def write(text, encoding="utf-8"):
        path = tmp_path / "table.csv"
        path.write_bytes(text if isinstance(text, bytes) else text.encode(encoding))
        return path

    return write


def faults_of(path, **arguments):
    with pytest.raises(BlindtestError) as caught:
        read_trial_table(path, **arguments)
    return [str(fault).replace(str(path), "table.csv") for fault in caught.value.faults]


def test_columns_are_those_of_a_sitting_s_rows():
    """`session` may not be imported by `stats`, so the two lists are held together here."""
    from blindtest.session import answer

    assert tuple(COLUMNS) == answer.COLUMNS
    assert session is not None


def test_rows_become_a_table_with_every_column():
    table = trial_table([OWN, {**OWN, "trial": 1, "correct": False}])
    assert tuple(table.columns) == tuple(COLUMNS)
    assert table["correct"].tolist() == [True, False]
    assert table["sitting"].dtype == "Int64"
    assert table["answered_at"][0] == pd.Timestamp("2026-03-02T20:15:31Z")
    assert table["faults"].isna().all()


def test_no_rows_are_an_empty_table_with_every_column():
    table = trial_table([])
    assert table.empty
    assert tuple(table.columns) == tuple(COLUMNS)


def test_a_row_with_a_key_that_is_no_column_is_refused():
    with pytest.raises(ValueError, match=r"no column 'corect': did you mean 'correct'"):
        trial_table([{"corect": True}])


def test_written_and_read_again_it_is_the_same(tmp_path):
    table = trial_table(
        [OWN, {**OWN, "trial": 1, "correct": None, "response": None}, {**OWN, "trial": 2, "faults": "gap"}]
    )
    write_trial_table(table, tmp_path / "trials.csv")
    assert [path.name for path in tmp_path.iterdir()] == ["trials.csv"]
    again = read_trial_table(tmp_path / "trials.csv")
    pd.testing.assert_frame_equal(again.table, table, check_dtype=False)
    assert again.unanswered == 1
    assert again.ignored == ()


def test_pandas_reads_what_is_written(tmp_path):
    write_trial_table(trial_table([OWN]), tmp_path / "trials.csv")
    theirs = pd.read_csv(tmp_path / "trials.csv")
    assert theirs["correct"].tolist() == [True]
    assert theirs["answered_at"].tolist() == ["2026-03-02T20:15:31Z"]


def test_the_oracle_s_table_counts_as_r_counts_it(references, expected):
    read = read_trial_table(references / "data" / "abx_small.csv", method="abx", columns={"conditions": "pair"})
    sums = read.table.groupby(["conditions", "listener"])["correct"].sum()
    assert sums.tolist() == expected("abx_small_tests")["per_listener_pair"]["k"]
    assert read.understood[0] == "200 rows, separated by comma, UTF-8"
    assert "correct from column 'correct': 168 right, 32 wrong, 0 missing" in read.understood
    assert "method abx for all rows, as told" in read.understood


def test_trial_numbers_that_start_again_are_told_apart_by_an_unread_column_and_this_is_said(references):
    read = read_trial_table(references / "data" / "abx_small.csv", method="abx")
    assert read.ignored == ("pair",)
    assert "100 trial numbers come again; told apart only by what is not read: 'pair'" in read.understood


@pytest.mark.parametrize("right", ["1", "1.0", "true", "TRUE", "T", "yes", "Y", "right", "Correct", " 1 "])
@pytest.mark.parametrize("wrong", ["0", "0.0", "false", "F", "no", "n", "WRONG", "incorrect"])
def test_spellings_of_right_and_wrong(written, right, wrong):
    table = read_trial_table(written(f"correct\n{right}\n{wrong}\n"), method="abx").table
    assert table["correct"].tolist() == [True, False]


@pytest.mark.parametrize("missing", ["", "NA", "n/a", "NaN", "null", "-", "."])
def test_missing_answers_are_counted(written, missing):
    read = read_trial_table(
        written(f"who,ok\nL1,1\nL1,{missing}\n"), method="abx", columns={"correct": "ok", "listener": "who"}
    )
    assert read.unanswered == 1
    assert read.table["correct"].isna().tolist() == [False, True]
    assert "correct from column 'ok': 1 right, 0 wrong, 1 missing" in read.understood


@pytest.mark.parametrize(
    ("text", "encoding", "said"),
    [
        ("listener;correct;time_taken_s\nJö;1;3,5\n", "utf-8", "separated by semicolon, UTF-8"),
        ("\ufefflistener\tcorrect\ttime_taken_s\nJö\t1\t3.5\n", "utf-8", "separated by tab, UTF-8"),
        ("listener,correct,time_taken_s\r\nJö,1,3.5\r\n", "utf-16", "separated by comma, UTF-16"),
        ("listener|correct|time_taken_s\rJö|1|3.5\r", "latin-1", "separated by bar, Latin-1"),
        ('"listener","correct","time_taken_s"\n\n"Jö","1","3.5"\n', "utf-8", "separated by comma, UTF-8"),
    ],
)
def test_dialects(written, text, encoding, said):
    read = read_trial_table(written(text, encoding), method="abx")
    assert read.table.loc[0, ["listener", "correct", "time_taken_s"]].tolist() == ["Jö", True, 3.5]
    assert said in read.understood[0]


def test_names_in_other_case_are_found(written):
    assert read_trial_table(written("Listener,CORRECT\nL1,yes\n"), method="abx").table["listener"].tolist() == ["L1"]


def test_right_follows_from_answer_and_truth(written):
    path = written("heard,key\nA,a\nB,A\n,B\n")
    read = read_trial_table(path, method="abx", columns={"response": "heard", "truth": "key"})
    assert read.table["correct"].tolist() == [True, False, pd.NA]
    assert "correct from answer and truth: 1 right, 1 wrong, 1 missing" in read.understood


def test_a_row_that_contradicts_its_own_truth_is_refused_with_its_line(written):
    path = written("response,truth,correct\nA,A,1\nB,A,1\nA,B,1\n")
    assert faults_of(path, method="abx", columns={"truth": "truth"}) == [
        "table.csv:3: correct: the row says right, but the answer 'B' to 'A' is wrong; correct the row, or read only "
        "one of the columns",
        "table.csv:4: correct: the row says right, but the answer 'A' to 'B' is wrong; correct the row, or read only "
        "one of the columns",
    ]


def test_all_faults_come_at_once_in_order_of_lines(written):
    path = written("listener,trial,correct,switches,answered_at\nL1,1,maybe,3,\nL1,2,1,many,\nL1,3,0,1,yesterday\n")
    assert faults_of(path, method="abx") == [
        "table.csv:2: correct: can't be read, got 'maybe' (allowed: 0/1, true/false, yes/no, right/wrong, or empty; "
        "one row per trial, not counts)",
        "table.csv:3: switches: can't be read, got 'many' (allowed: a whole number)",
        "table.csv:4: answered_at: can't be read, got 'yesterday' (allowed: a time as ISO 8601 writes it, "
        "2026-03-02T20:15:00Z)",
    ]


def test_counts_are_no_answers(written):
    assert "one row per trial, not counts" in faults_of(written("listener,correct\nL1,12\n"), method="abx")[0]


def test_a_trial_that_stands_there_twice_is_refused(written):
    path = written("listener,trial,correct\nL1,1,1\nL1,2,0\nL1,1,0\nL1,2,0\n")
    first, second = faults_of(path, method="abx")
    assert first.startswith(
        "table.csv:4: trial: listener L1, trial 1 stands there twice, first in line 2, with other values"
    )
    assert second.startswith(
        "table.csv:5: trial: listener L1, trial 2 stands there twice, first in line 3, with the same"
    )


def test_a_row_number_column_does_not_hide_a_trial_that_stands_there_twice(written):
    path = written("row,listener,trial,correct\n1,L1,1,1\n2,L1,2,0\n3,L1,1,0\n4,L1,3,0\n")
    assert "stands there twice" in faults_of(path, method="abx")[0]


def test_a_method_that_contradicts_the_one_asked_for_is_refused(written):
    path = written("method,correct\nabx,1\ntriangle,0\n")
    assert faults_of(path, method="abx") == [
        "table.csv:3: method: the row contradicts the method asked for, got 'triangle' (allowed: abx)"
    ]


def test_answered_before_shown_is_refused(written):
    path = written("correct,shown_at,answered_at\n1,2026-03-02T20:15:00Z,2026-03-02T20:15:00+01:00\n")
    assert "answered before it was shown" in faults_of(path, method="abx")[0]


def test_no_method_at_all_is_refused(written):
    assert "nothing says which test method this was" in faults_of(written("correct\n1\n"))[0]
    assert "the row does not say its method" in faults_of(written("correct,method\n1,\n"))[0]
    assert "did you mean 'triangle'?" in faults_of(written("correct,method\n1,trianlge\n"))[0]
    assert "did you mean 'abx'?" in faults_of(written("correct\n1\n"), method="abxx")[0]


def test_columns_that_are_not_there_are_refused(written):
    path = written("who,ok\nL1,1\n")
    assert faults_of(path, method="abx", columns={"correct": "okay", "lisener": "who"}) == [
        "table.csv: lisener: no such column of the trial table; did you mean 'listener'?",
        "table.csv:1: correct: the file has no such column, got 'okay' (allowed: who, ok); did you mean 'ok'?",
    ]
    assert "no column says which answers were right" in faults_of(path, method="abx")[0]
    twice = faults_of(path, method="abx", columns={"correct": "ok", "response": "ok"})
    assert "two columns of the trial table are to be read from this one" in twice[0]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "the file is empty"),
        ("\n\n", "the file is empty"),
        ("listener,correct\n", "a header and no rows"),
        ("correct,correct\n1,1\n", "a column stands there twice"),
        ("listener,correct\nL1,1,1\n", "the row is not as long as the header, got 3 (allowed: 2 cells)"),
        (b"\x00\x01\x02", "not a text file"),
        ("correct\n" + "9" * 200_000 + "\n", "the row can't be read"),
    ],
)
def test_what_is_no_table_is_refused(written, text, said):
    assert said in faults_of(written(text), method="abx")[0]


def test_a_file_that_is_not_there(tmp_path):
    assert faults_of(tmp_path / "none.csv", method="abx") == ["table.csv: there is no such file"]
    assert "can't be read" in faults_of(tmp_path, method="abx")[0]


def test_a_file_beyond_the_limit_is_refused(written, monkeypatch):
    monkeypatch.setattr("blindtest.stats.delimited.MOST_BYTES", 10)
    assert "too large for a trial table, got '14 bytes'" in faults_of(written("correct\n1\n1\n1\n"), method="abx")[0]


def test_a_column_without_a_name_is_not_read(written):
    read = read_trial_table(written(",correct\n0,1\n1,0\n"), method="abx")
    assert read.ignored == ("",)
    assert read.table["correct"].tolist() == [True, False]


def test_many_faults_are_counted(written):
    faults = faults_of(written("correct\n" + "maybe\n" * (MOST_FAULTS + 7)), method="abx")
    assert len(faults) == MOST_FAULTS + 1
    assert "and 7 more faults" in faults[-1]


def test_a_quoted_cell_over_two_lines_keeps_the_line_numbers(written):
    path = written('clip,correct\n"two\nlines",1\nstrings,maybe\n')
    assert faults_of(path, method="abx")[0].startswith("table.csv:4: correct")


def test_ratings_become_numbers_only_if_all_are(written):
    table = read_trial_table(written("response;correct\n73,5;\n12;\n"), method="abx").table
    assert table["response"].tolist() == [73.5, 12.0]
    table = read_trial_table(written("response,correct\n12,1\nA,1\n"), method="abx").table
    assert table["response"].tolist() == ["12", "A"]
    table = read_trial_table(written('response,correct\n"1,5",1\n'), method="abx").table
    assert table["response"].tolist() == ["1,5"]


def test_names_that_look_like_numbers_stay_names(written):
    table = read_trial_table(written("listener,sitting,correct\n007,1,1\n007,monday,1\n"), method="abx").table
    assert table["listener"].tolist() == ["007", "007"]
    assert table["sitting"].tolist() == ["1", "monday"]
    huge = read_trial_table(written("trial,correct\n" + "9" * 5000 + ",1\n"), method="abx").table
    assert huge["trial"].tolist() == ["9" * 5000]


@settings(max_examples=300, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(st.one_of(st.binary(max_size=200), st.text(alphabet='abx,;\t|\n\r"01.-é', max_size=120).map(str.encode)))
def test_whatever_the_bytes_there_is_a_table_or_a_fault(written, data):
    try:
        read = read_trial_table(written(b"correct,trial,response\n" + data), method="abx")
    except BlindtestError:
        return
    assert read.rows == len(read.table) > 0


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(
        st.tuples(
            st.sampled_from(("L1", "L 2", "Jö", 'a"b', "x,y", "two\nlines")),
            st.one_of(st.none(), st.booleans()),
            st.one_of(st.none(), st.floats(0, 1e6)),
            st.one_of(st.none(), st.datetimes(datetime(2000, 1, 1), datetime(2100, 1, 1), timezones=st.just(UTC))),
        ),
        min_size=1,
        max_size=8,
    )
)
def test_any_table_survives_the_file(tmp_path, rows):
    keys = ("listener", "correct", "time_taken_s", "answered_at")
    table = trial_table(
        {"trial": i, "method": "abx", **dict(zip(keys, row, strict=True))} for i, row in enumerate(rows)
    )
    write_trial_table(table, tmp_path / "trials.csv")
    again = read_trial_table(tmp_path / "trials.csv").table
    pd.testing.assert_frame_equal(again, table, check_dtype=False, check_exact=True)
