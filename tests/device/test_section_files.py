"""Our CSV of sections: what is read, what is refused and where; coefficients as scipy reads them back."""

import csv
import io
import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import freqz_sos

from blindtest.device import (
    Response,
    Section,
    coefficients_json,
    coefficients_text,
    parse_sections,
    read_sections,
    section_level_db,
    sections_text,
    sections_towards,
)
from blindtest.errors import BlindtestError

TWO = (
    Section(type="low-shelf", frequency_hz=90, gain_db=4.5, q=0.7),
    Section(type="peaking", frequency_hz=3150, gain_db=-6, q=2.25),
)
TEXT = "type,frequency_hz,gain_db,q\nlow-shelf,90,4.5,0.7\npeaking,3150,-6,2.25\n"


def test_the_one_form_is_read(tmp_path):
    assert parse_sections(TEXT) == TWO
    file = tmp_path / "own.csv"
    file.write_bytes(("# mine, invented\r\n\r\n" + TEXT.replace(",", " , ").replace("\n", "\r\n")).encode("utf-8-sig"))
    assert read_sections(file) == TWO


def test_what_is_written_is_read_again():
    assert parse_sections(sections_text(TWO, about=("a correction", "lower by\n3 dB"))) == TWO


def test_everything_wrong_is_said_with_its_line():
    text = "\n".join(
        [
            "# a comment",
            "type,frequency_hz,gain_db,q",
            "peak,1000,3,1",
            "peaking,1000,3,0",
            "",
            "peaking,1000,three,-1",
            "high-shelf,5000,2,5,0.7",
            "low-shelf,100,nan,0.7",
            "peaking,1000",
        ]
    )
    with pytest.raises(BlindtestError) as raised:
        parse_sections(text, file="own.csv")
    assert str(raised.value).splitlines() == [
        "own.csv:3: type: no section of this type, got 'peak' (allowed: peaking, low-shelf, high-shelf); "
        "did you mean 'peaking'?",
        "own.csv:4: q: out of range, got '0' (allowed: a number from 0.05 to 100)",
        "own.csv:6: gain_db: not a number, got 'three' (allowed: a number from -40 to 40)",
        "own.csv:6: q: out of range, got '-1' (allowed: a number from 0.05 to 100)",
        "own.csv:7: 5 cells in a row, got 'high-shelf,5000,2,5,0.7' (allowed: type,frequency_hz,gain_db,q); "
        "a decimal point, not a comma",
        "own.csv:8: gain_db: not a number, got 'nan' (allowed: a number from -40 to 40)",
        "own.csv:9: 2 cells in a row, got 'peaking,1000' (allowed: type,frequency_hz,gain_db,q); "
        "separate the four by commas",
    ]


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", r"own.csv: no header and no section \(allowed: type,frequency_hz,gain_db,q\)"),
        (b"\nQ,Hz,dB\n1,2,3\n", r"own.csv:2: not the header of a list of sections, got 'Q,Hz,dB' .*no other is read"),
        (b"type,frequency_hz,gain_db,q\n", "own.csv:1: a header and no section; write a row for each section"),
        (TEXT.encode() + b"peaking,1,\xff,2", "own.csv:4: not text in UTF-8; save it as plain text"),
        (TEXT.encode() + b"peaking,50,1,1\n" * 70, r"own.csv:66: too many sections, got 72 \(allowed: up to 64\)"),
        (b"#" * (1 << 20) + b"#", r"own.csv: too large for a list of sections \(allowed: up to 1 MiB\)"),
    ],
)
def test_files_that_are_no_list_of_sections(tmp_path, monkeypatch, data, says):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "own.csv").write_bytes(data)
    with pytest.raises(BlindtestError, match=says):
        read_sections("own.csv")


def test_a_file_that_is_not_there():
    with pytest.raises(BlindtestError, match=r"nowhere\.csv: no such file; look at the path's spelling"):
        read_sections("nowhere.csv")


@settings(max_examples=60)
@given(st.text(max_size=200) | st.binary(max_size=200).map(lambda data: TEXT + data.decode("latin-1")))
def test_no_text_is_more_than_refused(text):
    try:
        sections = parse_sections(text)
    except BlindtestError:
        return
    assert all(np.isfinite([one.frequency_hz, one.gain_db, one.q]).all() for one in sections)


def test_the_coefficients_of_every_rate_are_what_scipy_needs():
    """Read back by the standard library's CSV reader and evaluated by scipy."""
    text = coefficients_text(TWO, (44_100, 96_000), about=("invented",))
    rows = list(csv.DictReader(line for line in io.StringIO(text) if not line.startswith("#")))
    assert [row["type"] for row in rows] == ["low-shelf", "peaking"] * 2
    frequency = np.geomspace(20, 20_000, 50)
    for rate in (44_100, 96_000):
        own = [row for row in rows if row["rate_hz"] == str(rate)]
        sos = [
            [float(row[name]) for name in ("b0", "b1", "b2")] + [1.0, float(row["a1"]), float(row["a2"])] for row in own
        ]
        level = 20 * np.log10(np.abs(freqz_sos(sos, frequency, fs=rate)[1]))
        assert level == pytest.approx(section_level_db(TWO, frequency, rate), abs=1e-9)


def test_the_same_as_json():
    flat = Response(frequency=np.array([5.0, 22_000.0]), magnitude=np.zeros((2, 1)))
    correction = sections_towards(TWO, flat, flat, 48_000)
    found = json.loads(coefficients_json(correction, (48_000,)))
    assert found["sections"][1] == {"type": "peaking", "frequency_hz": 3150, "gain_db": -6, "q": 2.25}
    assert found["coefficients"]["48000"] == correction.sos().tolist()
    assert found["headroom_db"] == pytest.approx(4.5, abs=0.01)
