"""The table of tracks: what is read, and what each complaint says."""

import pandas as pd
import pytest

from blindtest.errors import BlindtestError
from blindtest.stats import read_tracks
from blindtest.stats.free_listening.tracks import check_device


def test_a_row_is_a_track(table_of_tracks):
    table = table_of_tracks(
        [
            {"order": " B = heron | A=plover", "start": "A", "chosen": "heron", "dwell": "plover=30|heron=90.0",
             "skipped_at_s": 12.5, "censored": "false"},
            {"listener": None, "sitting": 2, "censored": True, "skipped_at_s": "240"},
        ]
    )  # fmt: skip
    first, second = read_tracks(table)
    assert (first.slots, first.conditions) == (("B", "A"), ("heron", "plover"))
    assert first.slot_of("plover") == 1
    assert first.start_condition == "plover"
    assert first.dwell_s == (90, 30)
    assert first.dwell_shares == (0.75, 0.25)
    assert (first.skipped_at_s, first.censored) == (12.5, False)
    assert (second.listener, second.sitting, second.row) == ("(not named)", "2", 2)
    assert (second.chosen, second.dwell_shares, second.start_condition) == (None, None, None)
    assert (second.censored, second.skipped_at_s) == (True, 240)


def test_nothing_heard_is_no_share(table_of_tracks):
    (track,) = read_tracks(table_of_tracks([{"dwell": "heron=0|plover=0"}]))
    assert track.dwell_s == (0, 0)
    assert track.dwell_shares is None


@pytest.mark.parametrize(
    ("row", "message"),
    [
        ({"order": None}, r"^line 1: order: the row does not say which slot held what \(allowed: A=heron\|B=plover\)"),
        ({"order": "heron,plover"}, r"line 1: order: not a list of NAME=VALUE joined by '\|'.* got 'heron,plover'"),
        ({"order": "A=heron"}, "at least two slots with different conditions, got 'A=heron'"),
        ({"order": "A=heron|B=heron"}, "at least two slots with different conditions"),
        ({"order": "A=heron|A=plover"}, "each name once"),
        ({"order": "A=heron|B="}, "not a list of NAME=VALUE"),
        ({"track": None}, "line 1: track: the row does not name the track"),
        ({"start": "C"}, r"line 1: start: not on this track, got 'C' \(allowed: A, B\)"),
        ({"chosen": "herron"}, "line 1: chosen: not on this track, got 'herron' .*did you mean 'heron'"),
        (
            {"dwell": "heron=4|wren=5"},
            r"dwell: not the conditions of this track, got 'heron, wren' \(allowed: heron, pl",
        ),
        ({"dwell": "heron=4"}, "dwell: not the conditions of this track"),
        ({"dwell": "heron=4|plover=-1"}, r"dwell: not a number of seconds, got '-1' \(allowed: 0 or more\)"),
        ({"dwell": "heron=4|plover=inf"}, "dwell: not a number of seconds, got 'inf'"),
        ({"skipped_at_s": "soon"}, "skipped_at_s: not a number of seconds, got 'soon'"),
        ({"censored": "maybe"}, "censored: neither true nor false, got 'maybe'"),
    ],
)
def test_each_complaint_says_where_and_what(table_of_tracks, row, message):
    with pytest.raises(BlindtestError, match=message):
        read_tracks(table_of_tracks([row]))


def test_all_faults_come_at_once(table_of_tracks):
    with pytest.raises(BlindtestError) as caught:
        read_tracks(table_of_tracks([{"start": "C"}, {}, {"order": None, "censored": "x"}, {"chosen": "wren"}]))
    assert [fault.line for fault in caught.value.faults] == [1, 3, 4]


def test_a_row_given_twice_is_named_with_the_first(table_of_tracks):
    rows = [{"track": "reed"}, {"track": "reed", "listener": "L2"}, {"track": "reed"}]
    with pytest.raises(BlindtestError, match="line 3: track: the same listener and track stand in row 1 already"):
        read_tracks(table_of_tracks(rows))
    for number, row in enumerate(rows):
        row["sitting"] = number
    assert len(read_tracks(table_of_tracks(rows))) == 3


def test_missing_columns_and_empty_tables(table_of_tracks):
    table = table_of_tracks([{}]).rename(columns={"order": "ordre"})
    with pytest.raises(BlindtestError, match=r"order: the table of tracks has no such column.*did you mean 'ordre'"):
        read_tracks(table)
    with pytest.raises(BlindtestError, match="dwell: the table of tracks has no such column"):
        read_tracks(table_of_tracks([{}]), needed=("dwell",))
    with pytest.raises(BlindtestError, match="the table holds no track; finish a sitting first"):
        read_tracks(pd.DataFrame({"track": [], "order": []}))


def test_a_condition_that_is_on_no_track(table_of_tracks):
    tracks = read_tracks(table_of_tracks([{}]))
    with pytest.raises(
        BlindtestError, match=r"device: no track holds this condition, got 'plovr' .*did you mean 'plover'"
    ):
        check_device(tracks, "plovr")
