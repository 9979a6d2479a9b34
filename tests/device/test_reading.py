"""Reading responses: dialects against an independent reader, and the text of every refusal."""

import io
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blindtest.device import parse_response, read_response
from blindtest.errors import BlindtestError

FREQUENCY = [20.0, 50.0, 100.5, 1000.0, 2000.0, 20000.0]
LEVEL = [80.5, 81.0, 82.25, -3.125, 79.0, 60.0]
PHASE = [-30.0, -29.5, -10.25, 0.0, 90.0, 170.0]


def table(separator=",", decimal=".", head="", end="\n", columns=(FREQUENCY, LEVEL)):
    rows = [separator.join(f"{v:g}".replace(".", decimal) for v in row) for row in zip(*columns, strict=True)]
    return end.join(([head] if head else []) + rows) + end


def read(text, encoding="utf-8"):
    return parse_response(text if isinstance(text, bytes) else text.encode(encoding))


def refusal(text):
    with pytest.raises(BlindtestError) as caught:
        read(text)
    return str(caught.value)


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("head", ["", "Frequency (Hz){0}Level (dB){0}Phase (deg)"])
@pytest.mark.parametrize(
    ("separator", "decimal"), [(",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ","), (" ", "."), ("   ", ",")]
)
def test_every_separator_reads_as_pandas_reads_it(separator, decimal, head, end):
    """Second route: pandas.read_csv, told the separator and decimal mark that we have to find out."""
    text = table(separator, decimal, head.format(separator), end, (FREQUENCY, LEVEL, PHASE))
    if separator == "   " and head:
        text = text.replace("Frequency (Hz)", "Frequency_Hz").replace("Level (dB)", "Level_dB")
        text = text.replace("Phase (deg)", "Phase_deg")
    pattern = separator if separator.strip() or separator == "\t" else r"\s+"
    known = pd.read_csv(io.StringIO(text), sep=pattern, decimal=decimal, header=None, skiprows=1 if head else 0)
    response = read(text)
    assert response.frequency.tolist() == known[0].tolist()
    assert response.magnitude[:, 0].tolist() == known[1].tolist()
    assert response.phase[:, 0] == pytest.approx(np.deg2rad(known[2]))
    assert response.channels == ("both",)


@pytest.mark.parametrize(
    "data",
    [
        table("\t").encode("utf-8-sig"),
        table("\t").encode("utf-16"),
        table("\t").encode("utf-16-le"),
        table("\t").encode("utf-16-be"),
        b"\xfe\xff" + table("\t").encode("utf-16-be"),
        table("\t").encode("utf-32"),
        table("\t", head="Frequenz [Hz]\tPegel für 1 mW [dB]").encode("latin-1"),
        table("\t", head="Fréquence (Hz)\tNiveau (dB)").encode("utf-8"),
        table("\t").encode() + b"\x1a",
    ],
)
def test_encodings(data):
    response = read(data)
    assert response.frequency.tolist() == FREQUENCY
    assert response.magnitude[:, 0].tolist() == LEVEL


@pytest.mark.parametrize(
    "head",
    [
        "* Freq(Hz) SPL(dB) Phase(degrees)",
        "* Frequency (Hz) Sound level (dB) Phase (deg)",
        "# Frequency [Hz], Magnitude [dB], Phase [°]",
        "; freq_hz level_db phase_deg",
        "% f  SPL  Phase",
        "// Frequency / Hz\tLevel / dB\tPhase / deg",
        '"Frequency","Level","Phase"',
        "! Frequenz;Betrag;Phase",
        "FreqHz\tSPL dB\tPhaseDeg",
        "Frequency\tLevel\tPhase\nHz\tdB\tdeg",
        "Export of 2026-03-02\nPoints: 6\n\nFrequency\tLevel\tPhase",
        "* measured at 1 m\n* Frequency   SPL   Phase\n*",
    ],
)
@pytest.mark.parametrize("separator", ["\t", "  "])
def test_headers_inside_and_outside_comments(head, separator):
    response = read(table(separator, head=head, columns=(FREQUENCY, LEVEL, PHASE)))
    assert response.frequency.tolist() == FREQUENCY
    assert response.magnitude[:, 0].tolist() == LEVEL
    assert response.phase[:, 0] == pytest.approx(np.deg2rad(PHASE))
    assert not any("no header" in remark for remark in response.remarks)


def test_kilohertz_in_the_header_and_in_the_cells():
    rows = "0.02\t80\n0.5\t81\n20\t79\n"
    for head in ("Frequency (kHz)\tLevel (dB)\n", "# kHz dB\n", "freq_kHz\tSPL_dB\n"):
        response = read(head + rows)
        assert response.frequency == pytest.approx([20, 500, 20000])
        assert "frequencies in kHz by the header" in response.remarks
    assert read("20Hz 80dB\n500 Hz 81 dB\n2.5kHz 79.5dB\n").frequency.tolist() == [20, 500, 2500]
    assert read("20 Hz; 80 dB; -30°\n500 Hz; 81 dB; -40°\n20 kHz; 82 dB; -60°\n").frequency[-1] == 20000
    assert "write kHz into the header if these are kHz" in refusal(rows)


def test_phase_is_in_degrees_unless_the_header_says_rad():
    degrees = read("Frequency,Level,Phase\n" + table(",", columns=(FREQUENCY, LEVEL, PHASE)))
    assert degrees.phase[:, 0] == pytest.approx(np.deg2rad(PHASE))
    assert "phase without a unit in the header: taken as degrees" in degrees.remarks
    radians = read("Frequency,Level,Phase (rad)\n20,80.5,-1\n200,80.5,0.5\n2000,81.5,3\n")
    assert radians.phase[:, 0].tolist() == [-1, 0.5, 3]
    assert radians.remarks == ("level without a unit in the header: taken as dB",)
    bare = read(table("\t", columns=(FREQUENCY, LEVEL, PHASE)))
    assert bare.phase[:, 0] == pytest.approx(np.deg2rad(PHASE))
    assert bare.remarks == ("no header: columns taken as frequency in Hz, level in dB and phase in degrees",)


def test_linear_gain_only_where_the_header_says_so():
    """By hand: 20 lg 2 = 6.0206; 1 Pa = 93.979 dB re 20 µPa."""
    gain = read("Frequency (Hz),Gain (linear)\n20,1\n200,2\n2000,0.5\n4000,0\n")
    assert gain.magnitude[:, 0] == pytest.approx([0, 6.0206, -6.0206], abs=5e-5)
    assert gain.remarks == (
        "linear gain by the header: turned into dB re 1",
        "1 row with a gain of zero dropped (line 5)",
    )
    assert read("Hz\tPa\n20\t1\n200\t1\n2000\t2\n").magnitude[0, 0] == pytest.approx(93.979, abs=5e-4)
    assert read("Hz\tGain\n20\t1\n200\t2\n2000\t2\n").magnitude[1, 0] == 2
    assert "4: a linear gain can't be negative, got -1.0" in refusal("Hz,Gain (linear)\n20,1\n200,1\n2000,-1\n")


@pytest.mark.parametrize(
    ("name", "levels"),
    [
        # 1 Pa is 94 dB re 20 µPa to a hundredth (IEC 61672-1's reference pressure): 20 lg(1/20e-6) = 93.9794.
        ("SPL (Pa)", [93.9794, 73.9794, 113.9794]),
        ("SPL [linear]", [0, -20, 20]),
        ("SPL (V)", [0, -20, 20]),
        ("SPL re 20 µPa", [1, 0.1, 10]),
        ("SPL/V", [1, 0.1, 10]),
        ("dB SPL (Pa)", [1, 0.1, 10]),
    ],
)
def test_the_unit_in_brackets_goes_before_the_word_spl(name, levels):
    response = parse_response(f"Frequency (Hz);{name}\n20;1\n200;0.1\n2000;10\n".encode())
    assert response.magnitude[:, 0].tolist() == pytest.approx(levels, abs=1e-3)


@pytest.mark.parametrize(
    ("levels", "said"), [((0.61, 0.82, 0.44), True), ((0.6, 0.0, -0.4), False), ((91, 92, 85), False)]
)
def test_small_numbers_without_a_unit_are_told(levels, said):
    rows = "".join(f"{hz},{level}\n" for hz, level in zip((20, 200, 2000), levels, strict=True))
    remarks = parse_response(f"Frequency (Hz),Amplitude\n{rows}".encode()).remarks
    assert any("name the unit linear" in one for one in remarks) is said


def test_left_and_right_columns():
    for head in ("Frequency,Left,Right", "f,L (dB),R (dB)", "Freq Hz;SPL left dB;SPL right dB", "Hz,links,rechts"):
        response = read(head.replace(";", ",") + "\n20,80,81\n100,80,83\n1000,82,83\n")
        assert response.channels == ("left", "right")
        assert response.magnitude.tolist() == [[80, 81], [80, 83], [82, 83]]
    both = read("Frequency,Left dB,Left deg,Right dB,Right deg\n20,80,1,81,2\n100,80,3,83,4\n1000,82,5,83,6\n")
    assert np.rad2deg(both.phase) == pytest.approx(np.array([[1, 2], [3, 4], [5, 6]]))
    twice = read("Freq L,dB L,Freq R,dB R\n20,80,20,81\n100,81,100,80\n1000,82,1000,82\n")
    assert twice.magnitude.tolist() == [[80, 81], [81, 80], [82, 82]]
    above = read("\tLeft\tRight\nFrequency (Hz)\tLevel (dB)\tLevel (dB)\n20\t80\t81\n100\t80\t81\n1000\t8\t9\n")
    assert above.channels == ("left", "right")
    assert read("Frequency,Right\n20,80\n100,81\n1000,82\n").channels == ("right",)
    assert read("f/Hz,L/dB\n20,80\n100,81\n1000,82\n").channels == ("both",)


def test_columns_in_any_order_and_others_left_out():
    response = read(
        "Impedance (ohm),SPL (dB),THD (%),Phase (deg),Group delay (ms),Frequency (Hz)\n"
        "32,80,1,10,2,20\n33,81,1,20,2,200\n34,82,1,30,2,2000\n"
    )
    assert response.frequency.tolist() == [20, 200, 2000]
    assert response.magnitude[:, 0].tolist() == [80, 81, 82]
    assert response.remarks == ("columns left out: 'Impedance (ohm)', 'THD (%)', 'Group delay (ms)'",)
    named = read("Frequency,Heron\n20,80\n100,81\n1000,82\n")
    assert named.remarks == ("column 'Heron' taken as the level in dB",)


def test_descending_and_repeated_points():
    response = read("2000 79\n1000 80\n1000 81\n100 70\n")
    assert response.frequency.tolist() == [100, 1000, 2000]
    assert response.magnitude[:, 0].tolist() == [70, 80.5, 79]
    assert "descending frequencies turned round" in response.remarks
    assert "1 repeated point averaged in dB, at most 1 dB apart" in response.remarks


def test_stray_rows_are_dropped_counted_and_named():
    response = read("f,spl\n20,80.5\n50,nan\n100,81\n,\n\n200,80\n300,n/a\n400,79\n500,78\n600,77\n")
    assert response.frequency.tolist() == [20, 100, 200, 400, 500, 600]
    assert "3 rows without readable numbers dropped (lines 3, 5, 8)" in response.remarks
    assert "1 empty row dropped (line 6)" in response.remarks
    linear_grid = read("0 80\n100 81\n200 82\n300 80\n")
    assert linear_grid.frequency.tolist() == [100, 200, 300]
    assert "the row at 0 Hz dropped (line 1)" in linear_grid.remarks


@pytest.mark.parametrize(
    ("text", "levels"),
    [
        ("2e1,8.05E+01\n1e2,+8e1\n1E3,80\n", [80.5, 80, 80]),
        ("20\t\u22125\n100\t\u22126.5\n1000\t\u20133\n", [-5, -6.5, -3]),
        ("20;80,5;\n100;81,5;\n1000;82;\n", [80.5, 81.5, 82]),
        ('"20.5","80"\n"100","80.5"\n"1,000","82"\n', [80, 80.5, 82]),
        ('"20,5","80,5"\n"100","80"\n"1000","82"\n', [80.5, 80, 82]),
        ("500 80.5\n900 81.5\n1,000 80.25\n20,000 70\n", [80.5, 81.5, 80.25, 70]),
        ("500;80,5\n900;81,5\n1.000;80,25\n20.000;70\n", [80.5, 81.5, 80.25, 70]),
        ("500\t80\n900\t81\n1,000\t80\n20,000\t70\n", [80, 81, 80, 70]),
        ("500\t80\n900\t81\n1'000\t80\n20'000\t70\n", [80, 81, 80, 70]),
        ("500;80\n900;81\n1\u00a0000;80\n20\u202f000;70\n", [80, 81, 80, 70]),
        ("20,000\t80,125\n50,000\t80,250\n2000,000\t80,125\n", [80.125, 80.25, 80.125]),
        ("20,-5\n100,-6\n1000,-3\n", [-5, -6, -3]),
        ("20, 80\n100, 81\n1000, 82\n", [80, 81, 82]),
        ("20.5|80\n100|81\n1000|82\n", [80, 81, 82]),
        ("1 20 80.5 -12\n2 50 81 9\n3 500 82 170\n", [80.5, 81, 82]),
    ],
)
def test_ways_to_write_numbers(text, levels):
    assert read(text).magnitude[:, 0].tolist() == levels


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "the file is empty"),
        ("\n \n\t\n", "the file is empty"),
        ("Lorem ipsum\ndolor sit amet\n", "line 1: no row begins with a number"),
        ("<html><body>1 2</body></html>", "line 1: this is XML or HTML"),
        ('<?xml version="1.0"?>\n<a/>', "line 1: this is XML or HTML"),
        ('{"frequency": [20, 50]}', "line 1: this is JSON or rich text"),
        ("[[20, 80], [50, 81]]", "line 1: this is JSON or rich text"),
        (b"RIFF\x24\x00\x00\x00WAVEfmt ", "line 1: this is an audio file (RIFF)"),
        (b"fLaC\x00\x00\x00\x22", "line 1: this is an audio file (FLAC)"),
        (b"PK\x03\x04\x14\x00", "line 1: this is a zip archive or spreadsheet"),
        (b"20 80\n100 81\n" + bytes(range(1, 9)) * 9, "line 3: binary data, not text"),
        (b"\xff\xfe2\x000\x00\x00\xd8\n\x00", "line 1: broken UTF-16-LE text"),
        ("20\n30\n40\n", "line 1: only one column of numbers, got '20' (allowed: frequency and level in every row)"),
        ("20,80\n100,81\n1000,82\n", "line 1: the comma could be a decimal mark or a separator, got '20,80'"),
        ("x\n20,5,80,1\n100,0,81,2\n", "line 2: the comma could be a decimal mark or a separator, got '20,5,80,1'"),
        ("10,000\t8\n20,000\t7\n200,000\t7\n", "line 1: the comma could be a decimal mark or stand between"),
        ("20,5\t80.5\n1.5\t80,5\n", "line 1: commas and points both stand as decimal marks, got '20,5'"),
        ("20 80\n100 81\n", "line 1: too few points for a response, got 2 (allowed: 3 frequencies or more)"),
        ("-20 80\n20 81\n200 82\n", "line 1: a frequency can't be negative, got '-20 Hz' (allowed: above 0 Hz)"),
        ("0 80\n0 81\n0 82\n0 83\n", "line 2: the frequency is zero in several rows"),
        ("50 80\n50 81\n50 82\n", "line 1: the frequency is the same in every row, got '50 Hz'"),
        ("1,80.5\n2,80.2\n3,80.1\n", "line 1: the first column counts rows and no header names a frequency column"),
        ("20 80\n2000 81\n200 82\n3000 80\n", "line 3: the frequencies go up and down, got '200 Hz beside 2000 Hz'"),
        ("20 80\n200 1e5\n2000 82\n", "line 2: the level is beyond reason, got '100000 dB' (allowed: -300 to 300 dB)"),
        ("20 80\n200 81\n2e9 82\n", "line 3: the frequency is beyond reason, got '2e+09 Hz' (allowed: up to 1e+06 Hz)"),
        ("20 8\na\nb\nc\nd\n100 8\n200 8\n", "line 2: mostly unreadable: 4 of 7 rows without readable numbers"),
        ("20 80 81\n100 83 84\n1000 85 87\n", "line 1: the third column could be the right channel or a phase"),
        ("Time (ms),Amplitude\n0,1\n1,.5\n2,.3\n", "line 1: this is over time, not over frequency, got 'Time (ms)'"),
        ("Hz,Seating 1,Seating 2\n20,8,8\n100,8,8\n1000,8,8\n", "line 1: several columns could be the level"),
        ("Frequency,THD (%)\n20,1.1\n100,1\n1000,1\n", "line 1: the header names no level column"),
        ("Frequency,THD (%)\n20,1.1\n100,1\n1000,1\n", "no single order follows from it: export a row per frequency"),
        ("Frequency,H2 (%)\n20,1.1\n100,1\n1000,1\n", "this isn't a response: measure the folder of its unit"),
        ("Frequency,Level,Phase\n20,80.5\n100,81\n1000,82\n", "line 1: the header names 3 columns, the rows hold 2"),
        ("f,dB,f,dB L\n20,80,20,1.5\n30,80,31,2\n400,8,400,3\n", "line 1: several columns could be the level"),
        ("F L Hz,L dB,F R Hz,R dB\n20,80,20,1\n30,8,31,2\n400,8,400,3\n", "line 3: two frequency columns differ"),
        ("20 80\n20 60\n200 80\n200 60\n2000 80\n2000 60\n", "line 2: most frequencies stand twice"),
        ("1" * 30_000 + "\n", "line 1: the line is too long for a row of a table, got '30000 characters'"),
        ("1 2\n" * 140_001, "too many lines for a response, got 140002 (allowed: up to 140000)"),
        ("0.02 80\n0.2 81\n20 80\n", "line 3: the frequencies end too low for a response, got '20 Hz'"),
    ],
)
def test_refusals_say_what_was_found_and_where(text, message):
    assert message in refusal(text)


def test_a_second_table_in_the_file_is_refused_not_mixed():
    block = "Frequency\tLevel\n" + table("\t")
    assert "the frequencies go up and down" in refusal(block + block)
    many = "Frequency\tLevel\n" + "".join(f"{20 * 1.05**k:.2f}\t{80 + k % 3}\n" for k in range(140))
    assert "line 8: a second header stands below rows of numbers: two tables in one file" in refusal(block + many)


def test_faults_and_sources_name_the_file(tmp_path: Path):
    path = tmp_path / "left.txt"
    path.write_text(table("\t"), encoding="utf-8")
    assert read_response(str(path)).sources == (str(path),)
    path.write_text("20 80\n200 81\n", encoding="utf-8")
    with pytest.raises(BlindtestError, match=r"left\.txt:1: too few points"):
        read_response(path)
    with pytest.raises(BlindtestError, match="there is no such file; check the name and the folder"):
        read_response(tmp_path / "right.txt")
    with pytest.raises(BlindtestError, match="this is not a file"):
        read_response(tmp_path)
    with path.open("wb") as file:
        file.truncate(16 * 2**20 + 1)
    with pytest.raises(BlindtestError, match=r"too large for a response, got '16777217 bytes' \(allowed: up to"):
        read_response(path)


@settings(max_examples=150, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(20, 20000), st.floats(-120, 140), st.floats(-180, 180)),
        min_size=5,
        max_size=60,
        unique_by=lambda row: round(np.log(row[0]), 3),
    ),
    st.sampled_from(["\t", ";", ",", "|", "  "]),
    st.sampled_from([".", ","]),
    st.booleans(),
    st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "latin-1"]),
    st.integers(1, 6),
)
def test_what_is_written_with_a_header_is_read_back(rows, separator, decimal, descending, encoding, digits):
    """Law: written in any dialect that we accept, a response comes back to the digits written."""
    if separator == ",":
        decimal = "."
    rows = sorted([*rows, (25000.0, 0.0, 0.0)], reverse=descending)
    lines = [f"Frequency (Hz){separator}Level (dB){separator}Phase (deg)"]
    lines += [separator.join(f"{v:.{digits}f}" for v in row).replace(".", decimal) for row in rows]
    text = "\n".join(lines)
    known = np.array([[round(v, digits) for v in row] for row in sorted(rows)])
    if decimal == "," and digits == 3 and (known[:, 0] < 1000).all():
        return  # every number could be read with thousands: another test
    response = read(text, encoding)
    unique, first = np.unique(known[:, 0], return_index=True)
    if len(unique) == len(known):
        assert response.frequency == pytest.approx(known[first, 0], rel=1e-12)
        assert response.magnitude[:, 0] == pytest.approx(known[first, 1], abs=1e-9)
        assert np.rad2deg(response.phase[:, 0]) == pytest.approx(known[first, 2], abs=1e-9)
