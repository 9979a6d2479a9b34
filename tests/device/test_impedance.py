"""Voltage dividers against circuit theory, and impedance files as benches write them."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from blindtest.device import Response, divider_response, parse_impedance, read_impedance
from blindtest.errors import BlindtestError

CASES = json.loads((Path(__file__).parents[1] / "references" / "audio" / "expected.json").read_text(encoding="utf-8"))[
    "dividers"
]["cases"]


def ohm_of(model, hertz):
    """Voice coil with one resonance: re + j 2 pi f le + rp / (1 + j q (f/f0 - f0/f))."""
    f = np.asarray(hertz, dtype=float)
    tuned = 1 + 1j * model["q"] * (f / model["f0"] - model["f0"] / f)
    return model["re"] + 2j * np.pi * f * model["le"] + model["rp"] / tuned


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["name"])
def test_a_divider_is_that_of_circuit_theory(case):
    """Oracle: Z/(Z + Rs) with complex Z, printed to 0.0001 dB and 0.001 degree."""
    hertz = np.array(case["frequency"])
    for source in case["sources"]:
        made = divider_response((hertz, ohm_of(case["model"], hertz)), source["source_ohm"])
        assert made.magnitude[:, 0] == pytest.approx(source["magnitude_db"], abs=1e-4)
        assert np.rad2deg(made.phase[:, 0]) == pytest.approx(source["phase_deg"], abs=1e-3)
        assert not made.remarks


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["name"])
@pytest.mark.parametrize("source", [10.0, 120.0])
def test_from_the_magnitude_alone_the_phase_is_rebuilt_to_a_fifth_of_a_decibel_up_to_10_khz(case, source):
    """methods 4.3: error 0.1 to 0.2 dB to 10 kHz; dividing magnitudes misses by up to 0.5 dB."""
    hertz = np.geomspace(10, 20_000, 400)
    exact = ohm_of(case["model"], hertz)
    truth = 20 * np.log10(np.abs(exact / (exact + source)))
    made = divider_response((hertz, np.abs(exact)), source)
    low = hertz <= 10_000
    assert np.abs(made.magnitude[:, 0] - truth)[low].max() < 0.2
    naive = 20 * np.log10(np.abs(exact) / (np.abs(exact) + source))
    assert np.abs(made.magnitude[:, 0] - truth)[low].max() < np.abs(naive - truth)[low].max()
    assert any("rebuilt" in remark for remark in made.remarks)


def test_a_resistive_load_keeps_its_response_behind_any_source():
    """Common practice, and algebra: 32 ohm behind 120 ohm loses 13.534 dB at every frequency (methods 9.5, 56)."""
    hertz = np.geomspace(20, 20_000, 50)
    made = divider_response((hertz, np.full(50, 32.0)), 120.0)
    assert made.magnitude[:, 0] == pytest.approx(-13.534, abs=5e-4)
    assert np.ptp(made.magnitude) < 1e-6


def test_an_impedance_may_come_as_a_response_in_decibels_or_as_a_table():
    hertz = np.geomspace(20, 20_000, 50)
    ohm = ohm_of(CASES[0]["model"], hertz)
    wanted = divider_response((hertz, ohm), 47.0)
    as_response = Response(frequency=hertz, magnitude=20 * np.log10(np.abs(ohm))[:, None], phase=np.angle(ohm)[:, None])
    as_table = pd.DataFrame(
        {"frequency_hz": hertz, "impedance_ohm": np.abs(ohm), "phase_deg": np.rad2deg(np.angle(ohm))}
    )
    for given in (as_response, as_table):
        assert divider_response(given, 47.0).magnitude == pytest.approx(wanted.magnitude, abs=1e-9)


def test_an_impedance_file_is_read_with_its_units(tmp_path):
    path = tmp_path / "z.txt"
    path.write_text(
        "# invented\nFrequency (kHz)\tImpedance (kohm)\tPhase (deg)\n0.02\t0.04\t10\n1\t0.038\t0\n10\t.041\t22\n"
    )
    read = read_impedance(path)
    assert read.frequency.tolist() == [20, 1000, 10_000]
    assert read.magnitude == pytest.approx([40, 38, 41])
    assert np.rad2deg(read.phase) == pytest.approx([10, 0, 22])
    assert read.at(1000) == pytest.approx(38)


@pytest.mark.parametrize(
    ("unit", "degrees"),
    [("Grad", 1.0), ("grados", 1.0), ("rad", 180 / np.pi), ("Radians", 180 / np.pi), ("phase_rad", 180 / np.pi)],
)
def test_a_grad_is_no_radian(unit, degrees):
    """180 degrees are pi; German, Spanish and others call a degree Grad, grado."""
    read = parse_impedance(f"Hz;Ohm;Phase ({unit})\n20;30;1\n100;30;0\n200;31;-0.5\n".encode())
    assert np.rad2deg(read.phase) == pytest.approx([degrees, 0, -0.5 * degrees])


@pytest.mark.parametrize("name", ["Phase (deg)", "\u03c6 (\u00b0)", "phi [\u00b0]", "Angle (deg)", "arg Z"])
def test_a_phase_goes_by_many_names(name):
    read = parse_impedance(f"f (Hz);|Z| (Ohm);{name}\n20;40;10\n1000;38;0\n10000;41;22\n".encode())
    assert np.rad2deg(read.phase) == pytest.approx([10, 0, 22])
    assert not read.remarks


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("f,ohm\n20,30\n100,0\n200,31\n", 3, "an impedance of zero"),
        ("f,ohm\n20,30\n100,-3\n200,31\n", 3, "no possible impedance"),
        ("f,ohm\n20,30\n100,30\n90,31\n", 4, "out of order"),
        ("f,ohm,phase (deg)\n20,30,0\n100,30,170\n200,31,0\n", 3, "passive"),
        ("f,ohm\n20,30\n100,\n200,31\n", 3, "missing"),
        ("f,level\n20,30\n100,33\n200,31\n", 1, "can't be told"),
    ],
)
def test_impossible_impedances_are_refused_with_their_line(text, line, words):
    with pytest.raises(BlindtestError) as caught:
        parse_impedance(text.encode())
    assert words in str(caught.value)
    assert caught.value.faults[0].line == line


@pytest.mark.parametrize(
    "name", ["f/Hz", "f(Hz)", "f in Hz", "Hz", "fr\u00e9quence (Hz)", "frecuencia [Hz]", "Taajuus"]
)
def test_a_frequency_goes_by_the_names_that_responses_know(name):
    read = parse_impedance(f"{name};Z (Ohm)\n20;40\n1000;38\n10000;41\n".encode())
    assert read.frequency.tolist() == [20, 1000, 10_000]


@pytest.mark.parametrize(
    ("name", "levels"),
    [
        ("Impedance (dB)", (30.0, 40.0, 32.0)),
        ("Z [dB\u03a9]", (30.0, 40.0, 32.0)),
        ("Imp\u00e9dance (dB re 1 kohm)", (-30.0, -20.0, -28.0)),
    ],
)
def test_an_impedance_in_decibels_is_no_number_of_ohms(name, levels):
    """Definition of the decibel (20 lg of a ratio): 30 dB re 1 ohm are 31.62 ohm, and 40 dB are 100."""
    rows = "\n".join(f"{hertz},{level}" for hertz, level in zip((20, 1000, 10_000), levels, strict=True))
    read = parse_impedance(f"Frequency (Hz),{name}\n{rows}\n".encode())
    assert read.magnitude == pytest.approx([31.6228, 100.0, 39.8107], rel=1e-5)
    assert any("dB" in remark for remark in read.remarks)


def test_the_bins_of_a_transform_begin_at_0_hz_and_points_may_repeat():
    """As in responses (tests/device/test_reading.py): common practice of benches; 10 and 40 ohm average to 20 in dB."""
    read = parse_impedance(b"Hz,Ohm,deg\n0,31,0\n20,10,10\n20,40,20\n40,32,0\n60,33,-5\n")
    assert read.frequency.tolist() == [20, 40, 60]
    assert read.magnitude == pytest.approx([20, 32, 33])
    assert np.rad2deg(read.phase) == pytest.approx([15, 0, -5])
    assert read.remarks == ("the row at 0 Hz dropped (line 2)", "1 repeated point averaged in dB, at most 12 dB apart")
    with pytest.raises(BlindtestError, match="line 3: the frequency must be above 0 Hz"):
        parse_impedance(b"Hz,Ohm\n0,31\n0,30\n20,10\n40,32\n60,33\n")
    with pytest.raises(BlindtestError, match="too few rows"):
        parse_impedance(b"Hz,Ohm\n0,31\n20,30\n20,10\n40,32\n")
