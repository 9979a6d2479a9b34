"""The harmonic stage, measured on rendered sines, against closed forms; and tables of harmonics from files."""

import json
from itertools import combinations, permutations
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from blindtest.device import (
    Response,
    db_to_percent,
    harmonic_stage,
    parse_harmonics,
    percent_to_db,
    read_harmonics,
    total_harmonic_distortion,
)
from blindtest.device.harmonic_curves import HarmonicCurve
from blindtest.errors import BlindtestError

RATE = 48_000
CASES = json.loads((Path(__file__).parents[1] / "references" / "audio" / "expected.json").read_text(encoding="utf-8"))[
    "distortion"
]["cases"]


def sine(hertz, peak=1.0, seconds=1.0, rate=RATE):
    return peak * np.cos(2 * np.pi * hertz * np.arange(int(seconds * rate)) / rate)


def parts(frames, hertz, rate=RATE):
    """Complex amplitudes at multiples of `hertz`, over a whole second in the middle."""
    middle = len(frames) // 2
    cut = frames[middle - rate // 2 : middle + rate // 2]
    return (np.fft.rfft(cut) * 2 / rate)[:: int(hertz)]


def re_fundamental(frames, hertz, order):
    found = np.abs(parts(frames, hertz))
    return 20 * np.log10(found[order] / found[1])


def table_of(
    level_at, levels=(0.0,), frequencies=(20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000), orders=(2, 3, 4, 5)
):
    rows = [(f, a, n, level_at(f, a, n)) for a in levels for f in frequencies for n in orders]
    return pd.DataFrame(rows, columns=["frequency_hz", "level_db", "order", "distortion_db"])


def falling(f, a, n):
    return -35.0 - 4 * n - 6 * np.log10(f / 100) + 0.9 * (n - 1) * a


@pytest.mark.parametrize("case", CASES, ids=lambda case: str(case["h_db"]))
def test_sines_get_the_harmonics_of_a_chebyshev_polynomial(case):
    """Oracle: T_n(cos t) = cos nt by FFT and binomial expansion, at 0, -3 and -10 dB; 0.01 dB above -120 dB."""
    table = {int(order): decibels for order, decibels in case["h_db"].items()}
    stage = harmonic_stage(table, RATE, phase=dict.fromkeys(case["inverted"], np.pi))
    for drive, expected in case["drive_db"].items():
        made = stage(np.stack([sine(1000, 10 ** (float(drive) / 20))] * 2, axis=1))
        assert made.shape == (RATE, 2)
        assert np.abs(made.mean(axis=0)).max() < 1e-6
        found = np.abs(parts(np.tile(made[:, 0], 3)[RATE : 2 * RATE], 1000))
        assert 20 * np.log10(found[1]) == pytest.approx(expected["fundamental_db"], abs=0.01)
        for order, decibels in expected["harmonics_db"].items():
            if decibels > -120:
                assert re_fundamental(made[:, 0], 1000, int(order)) == pytest.approx(decibels, abs=0.01)
        own = total_harmonic_distortion([re_fundamental(made[:, 0], 1000, n) for n in range(2, 6)])
        assert own == pytest.approx(expected["thd_percent"], rel=1e-3)


def test_half_drive_takes_the_harmonics_down_as_the_polynomial_says():
    """methods 9.5, line 52: h2 = .01 and h3 = .003 at half drive give -45.96 and -62.44 dB."""
    stage = harmonic_stage({2: 20 * np.log10(0.01), 3: 20 * np.log10(0.003)}, RATE)
    made = stage(sine(500, 0.5))
    assert re_fundamental(made, 500, 2) == pytest.approx(-45.96, abs=0.01)
    assert re_fundamental(made, 500, 3) == pytest.approx(-62.44, abs=0.01)


@pytest.mark.parametrize("topology", ["after", "before"])
@pytest.mark.parametrize("polarity", [1, -1])
def test_each_harmonic_of_a_table_over_frequency_comes_out_within_half_a_decibel_at_the_design_level(
    topology, polarity
):
    """Measured on rendered sines; closed form: a sine of the drive leaves T_n as its n-th harmonic alone."""
    table = table_of(falling)
    stage = harmonic_stage(table, RATE, topology=topology, polarity=polarity, drive=0.5)
    for hertz in (20, 50, 200, 1000, 5000):
        made = stage(sine(hertz, 0.5, seconds=2.2))
        for order in (2, 3, 4, 5):
            if order * hertz < 0.45 * RATE:
                assert re_fundamental(made, hertz, order) == pytest.approx(falling(hertz, 0, order), abs=0.1)


def test_what_the_stage_says_it_makes_is_what_is_measured_also_at_other_levels():
    table = table_of(falling, levels=(0.0, -12.0))
    stage = harmonic_stage(table, RATE)
    said = stage.misfit.set_index(["level_db", "frequency_hz", "order"])
    assert said.loc[0.0].error_db.abs().max() < 0.05
    assert said.loc[-12.0].error_db.abs().max() > 1
    made = stage(sine(200, 10 ** (-12 / 20), seconds=2.2))
    for order in (2, 3, 4, 5):
        assert re_fundamental(made, 200, order) == pytest.approx(said.made_db[(-12.0, 200, order)], abs=0.01)


def test_the_compromise_over_levels_misses_less_in_all_and_more_at_the_design_level():
    table = table_of(falling, levels=(0.0, -6.0, -12.0), frequencies=(100, 1000))
    exact, shared = (harmonic_stage(table, RATE, fit=fit).misfit for fit in ("level", "levels"))
    rms = [float(np.sqrt((one.error_db**2).mean())) for one in (exact, shared)]
    assert rms[1] < 0.8 * rms[0]
    assert shared[shared.level_db == 0].error_db.abs().max() > exact[exact.level_db == 0].error_db.abs().max()


def test_no_order_is_made_that_the_table_does_not_hold():
    made = harmonic_stage(table_of(falling, orders=(3,)), RATE)(sine(400, 1.0, seconds=2.2))
    found = 20 * np.log10(np.abs(parts(made, 400)) + 1e-30)
    others = [order for order in range(2, 50) if order != 3]
    assert max(found[order] for order in others) < -120


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
def test_aliases_stay_far_under_the_product_that_makes_them(rate):
    """A fifth harmonic above half the rate may not fold back: at least 20 dB under it; measured: 100 dB under."""
    stage = harmonic_stage({2: -40, 3: -45, 4: -50, 5: -55}, rate)
    made = stage(sine(7013, 1.0, seconds=3, rate=rate))
    cut = made[rate : 2 * rate]
    levels = 20 * np.log10(np.abs(np.fft.rfft(cut)) * 2 / rate + 1e-30)
    real = [order * 7013 for order in range(1, 6) if order * 7013 < rate / 2]
    levels[[0, *real]] = -300
    assert levels.max() < -55 - 100


def test_two_tones_mix_as_the_square_says():
    """Closed form: h T_2 of a cos u + b cos v holds 2 h a b at the sum and at the difference."""
    h, a, b = 0.01, 0.4, 0.3
    made = harmonic_stage({2: -40}, RATE)(sine(1000, a, 3) + sine(60, b, 3))
    found = np.abs(np.fft.rfft(made[RATE : 2 * RATE])) * 2 / RATE
    for hertz, amplitude in ((1060, 2 * h * a * b), (940, 2 * h * a * b), (2000, h * a * a), (120, h * b * b)):
        assert found[hertz] == pytest.approx(amplitude, rel=1e-4)


def test_five_tones_mix_as_the_square_and_the_cube_say():
    """Closed form of y = x + h2 A T2(x/A) + h3 A T3(x/A), T2 = 2u^2 - 1 and T3 = 4u^3 - 3u, for tones of height a each.

    At f_i +- f_j 2 h2 a^2/A, at 2 f_i half of that; at f_i +- f_j +- f_k 6 h3 a^3/A^2, at 2 f_i +- f_j half of that.
    """
    h2, h3, drive, height = 0.01, 0.004, 0.5, 0.07
    tones = (3247, 3423, 3728, 3844, 4370)  # no two products of them fall on one another
    stage = harmonic_stage({2: 20 * np.log10(h2), 3: 20 * np.log10(h3)}, RATE, drive=drive)
    second = np.arange(3 * RATE) / RATE
    made = stage(sum(height * np.cos(2 * np.pi * hz * second) for hz in tones))[RATE : 2 * RATE]
    found = 2 * np.abs(np.fft.rfft(made)) / RATE
    squares = {a + s * b: 2 * h2 * height**2 / drive for a, b in combinations(tones, 2) for s in (1, -1)}
    squares |= {2 * a: h2 * height**2 / drive for a in tones}
    cubes = {2 * a + s * b: 3 * h3 * height**3 / drive**2 for a, b in permutations(tones, 2) for s in (1, -1)}
    cubes |= {
        a + s * b + t * c: 6 * h3 * height**3 / drive**2
        for a, b, c in combinations(tones, 3)
        for s in (1, -1)
        for t in (1, -1)
    }
    squares, cubes = ({abs(hz): value for hz, value in held.items()} for held in (squares, cubes))
    assert len(squares | cubes) == len(squares) + len(cubes) == 25 + 80
    for hz, wanted in (squares | cubes).items():
        assert found[hz] == pytest.approx(wanted, rel=1e-3), hz
    others = np.ones(len(found), dtype=bool)
    # The tones themselves, and third harmonics; all else is nothing.
    others[[*squares, *cubes, *tones, *(3 * hz for hz in tones)]] = False
    assert found[others].max() < 1e-3 * min(cubes.values())


def test_equal_harmonics_mix_two_tones_otherwise_where_the_filters_stand_ahead():
    """methods 4.2: two models with the same H2 differ by more than 10 dB in intermodulation."""
    table = table_of(lambda f, a, n: -30.0 - 12 * np.log2(f / 50), orders=(2,))
    tones = sine(1000, 0.4, 3) + sine(60, 0.4, 3)
    found = []
    for topology in ("after", "before"):
        stage = harmonic_stage(table, RATE, topology=topology)
        assert re_fundamental(stage(sine(60, 1.0, 3)), 60, 2) == pytest.approx(-30 - 12 * np.log2(1.2), abs=0.1)
        made = stage(tones)
        found.append(20 * np.log10(np.abs(np.fft.rfft(made[RATE : 2 * RATE]))[1060] * 2 / RATE))
    assert abs(found[0] - found[1]) > 10


def test_above_the_table_the_ratio_is_held():
    stage = harmonic_stage({2: -40, 5: -60}, RATE, drive=0.25)
    made = stage(sine(300, 1.0, seconds=2.2))
    assert re_fundamental(made, 300, 2) == pytest.approx(-40, abs=0.05)
    assert re_fundamental(made, 300, 5) == pytest.approx(-60, abs=0.05)


def test_a_harmonic_measured_behind_the_response_is_referred_back():
    """The whole chain: behind the response each harmonic is that of the table (methods 4.2)."""
    grid = np.geomspace(20, 20_000, 60)
    response = Response(frequency=grid, magnitude=(8 * np.sin(2 * np.log(grid)))[:, None])
    table = table_of(falling, orders=(2, 3))
    stage = harmonic_stage(table, RATE, response=response)
    for hertz in (100, 200, 1000):
        made = stage(sine(hertz, 1.0, seconds=2.2))
        for order in (2, 3):
            chain = np.interp(np.log([hertz, order * hertz]), np.log(grid), response.magnitude[:, 0])
            behind = re_fundamental(made, hertz, order) + chain[1] - chain[0]
            assert behind == pytest.approx(falling(hertz, 0, order), abs=0.2)
    assert stage.misfit.error_db.abs().max() < 0.2


@pytest.mark.parametrize(("unit", "degrees"), [("deg", 1.0), ("rad", 180 / np.pi), ("Grad", 1.0)])
def test_phases_of_a_table_are_in_the_unit_of_their_header(unit, degrees):
    """180 degrees are pi."""
    table = parse_harmonics(f"f (Hz),H2 (dB),H2 phase ({unit})\n100,-40,1.5\n1000,-42,-0.5\n".encode())
    assert table.phase_deg.tolist() == pytest.approx([1.5 * degrees, -0.5 * degrees])


def test_phases_turn_the_harmonics():
    """Closed form: a cosine's n-th harmonic at phase p is cos(nt + p)."""
    asked = {2: 0.7, 3: -2.0}
    made = harmonic_stage({2: -40, 3: -46}, RATE, phase=asked)(sine(1000, 1.0, 3))
    found = parts(made, 1000)
    for order, angle in asked.items():
        assert np.angle(found[order] / (found[1] / np.abs(found[1])) ** order) == pytest.approx(angle, abs=0.001)


def test_scale_turns_all_distortion_up_and_pieces_give_the_same_as_the_whole():
    table = table_of(falling)
    sound = np.random.default_rng(3).normal(0, 0.2, (3 * RATE, 1))
    stage = harmonic_stage(table, RATE, drive=0.3)
    whole = stage.products(sound, before=sound[:0], after=sound[:0])
    edge = stage.context
    pieces = [
        stage.products(sound[a : a + RATE], before=sound[max(0, a - edge) : a], after=sound[a + RATE : a + RATE + edge])
        for a in range(0, 3 * RATE, RATE)
    ]
    assert np.abs(np.concatenate(pieces) - whole).max() < 1e-6 * np.abs(whole).max()
    louder = harmonic_stage(table, RATE, drive=0.3, scale_db=6)
    assert louder.products(sound, before=sound[:0], after=sound[:0]) == pytest.approx(
        whole * 10 ** (6 / 20), abs=1e-3 * np.abs(whole).max()
    )


def test_percent_and_decibels():
    """Common practice: 0.01 % is quoted as 80 dB and 0.1 % as 60 dB."""
    assert percent_to_db([0.01, 0.1, 100]) == pytest.approx([-80, -60, 0], abs=1e-12)
    assert db_to_percent([-80, -60]) == pytest.approx([0.01, 0.1], rel=1e-12)
    assert total_harmonic_distortion([-60, -60]) == pytest.approx(0.1414, abs=5e-5)


def test_a_table_with_a_column_for_each_order_is_read_in_percent_or_decibels(tmp_path):
    in_percent = b"Frequency (Hz);Level (dB);H2 (%);H3 (%);THD (%)\n100;94;0,1;0,01;0,1\n1000;94;0,2;0,02;0,2\n"
    path = tmp_path / "thd.csv"
    path.write_bytes(in_percent)
    table = read_harmonics(path)
    assert table.distortion_db.tolist() == pytest.approx([-60, -80, -53.9794, -73.9794], abs=1e-4)
    assert table.order.tolist() == [2, 3, 2, 3]
    assert set(table.level_db) == {94.0}
    assert any("THD" in remark for remark in table.attrs["remarks"])
    rows = "100,94,2,-60\n1000,94,2,-53.9794\n100,94,3,-80\n1000,94,3,-73.9794\n"
    assert parse_harmonics(
        f"frequency_hz,level_db,order,distortion_db\n{rows}".encode()
    ).distortion_db.tolist() == pytest.approx(table.distortion_db.tolist(), abs=1e-4)


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("Freq,THD (%)\n100,0.1\n200,0.1\n", 1, "says nothing of single orders, and none is invented"),
        ("Frequency (Hz),H2 (dB),H3 (%)\n100,-40,0.1\n200,-40,0.1\n", 1, "percent and dB mixed up"),
        ("Frequency (Hz),H2,H3\n100,-40,-50\n200,0.1,-50\n", 3, "percent and dB mixed up"),
        ("Frequency (Hz),H2,H3\n100,0.5,0.1\n200,0.1,0.2\n", 1, "could be percent or dB"),
        ("Frequency (Hz),H2 (dB)\n100,40\n200,45\n", 1, "percent and dB mixed up"),
        ("Frequency (Hz),H2 (dB)\n100,-40\n200,3\n", 3, "at or above the fundamental"),
        ("Frequency (Hz),H2 (%)\n100,0.4\n200,130\n", 3, "at or above the fundamental"),
        ("Frequency (Hz),H2 (%)\n100,0.4\n200,-50\n", 3, "percent and dB mixed up"),
        ("Frequency (Hz),SPL\n100,94\n200,95\n", 1, "names no harmonics"),
        ("Level,H2 (dB)\n94,-40\n95,-40\n", 1, "names no frequency"),
        ("frequency_hz,order,distortion_db\n100,2.5,-40\n200,2,-40\n", 2, "whole number"),
        ("frequency_hz,order,distortion_db\n100,2,-40\n100,2,-41\n", 3, "twice"),
        ("100,-40\n200,-41\n", 1, "no header"),
    ],
)
def test_what_can_be_read_in_two_ways_is_refused_with_its_line(text, line, words):
    with pytest.raises(BlindtestError) as caught:
        parse_harmonics(text.encode())
    assert words in str(caught.value)
    assert caught.value.faults[0].line == line


HERTZ = np.geomspace(20, 20_000, 31)
PLAYED = 90 + 6 * np.cos(np.log(HERTZ / 1000))


def exported(header, *columns):
    rows = "".join(",".join(f"{value:.4f}" for value in row) + "\n" for row in zip(*columns, strict=True))
    return f"{header}\n{rows}".encode()


def test_a_sweep_at_one_drive_is_one_level_whatever_its_fundamental_plays_at():
    """Behind a response the level of each frequency is that of the response; the drive is the same."""
    twice = [np.tile(column, 2) for column in (HERTZ, 0 * HERTZ - 50, 0 * HERTZ - 60)]
    levels = np.concatenate([PLAYED, PLAYED + 10])
    table = parse_harmonics(exported("Frequency (Hz),Level (dB SPL),H2 (dB),H3 (dB)", twice[0], levels, *twice[1:]))
    assert np.unique(table.level_db).tolist() == pytest.approx([96.0, 106.0])  # 90 + 6 cos 0 at 1 kHz
    assert len(table) == 4 * len(HERTZ)
    assert any("at one drive" in remark for remark in table.attrs["remarks"])
    downwards = exported("Freq (Hz),Fundamental (dB),H2 (%)", HERTZ[::-1], PLAYED[::-1], 0 * HERTZ + 0.1)
    assert np.unique(parse_harmonics(downwards).level_db).tolist() == pytest.approx([96.0])
    rows = "".join(f"{hertz},{level},-50\n" for hertz in (100, 300, 1000, 3000) for level in (84, 94, 104))
    kept = parse_harmonics(f"Frequency (Hz),Level (dB),H2 (dB)\n{rows}".encode())
    assert np.unique(kept.level_db).tolist() == [84, 94, 104]
    assert not any("drive" in remark for remark in kept.attrs["remarks"])


@pytest.mark.parametrize(
    "header",
    [
        "Frequency (Hz),Fundamental (dBSPL),2nd harmonic (dBSPL),3rd harmonic (dBSPL)",
        "Frequency (Hz),Fundamental (dB),H2 (dB),H3 (dB)",
        "f (Hz),H1 [dB SPL],H2 [dB SPL],H3 [dB SPL]",
    ],
)
def test_harmonics_in_levels_of_their_own_are_held_against_the_fundamental(header):
    table = parse_harmonics(exported(header, HERTZ, PLAYED, PLAYED - 52, PLAYED - 63))
    assert table.distortion_db.to_numpy() == pytest.approx(np.tile([-52, -63], len(HERTZ)), abs=2e-4)
    assert any("taken off" in remark for remark in table.attrs["remarks"])
    relative = parse_harmonics(exported(header.replace("SPL", ""), HERTZ, PLAYED, 0 * HERTZ - 52, 0 * HERTZ - 63))
    assert relative.distortion_db.to_numpy() == pytest.approx(np.tile([-52, -63], len(HERTZ)))


def test_impossible_orders_and_levels_are_refused():
    for table, message in (
        ({1: -20}, "orders are whole numbers from 2"),
        ({2.5: -40}, "orders are whole numbers from 2"),
        ({2: 3}, "harmonic 2 must lie below the fundamental, got 3 dB"),
        ({}, "the table holds no harmonics"),
    ):
        with pytest.raises(ValueError, match=message):
            harmonic_stage(table, RATE)
    with pytest.raises(ValueError, match="drive"):
        harmonic_stage({2: -40}, RATE, drive=0)


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"order": 1}, "orders are whole numbers from 2"),
        ({"order": 2.5}, "orders are whole numbers from 2"),
        ({"order": 99}, "orders are whole numbers from 2"),
        ({"frequency_hz": 0.0}, "frequencies must be above 0 Hz"),
        ({"distortion_db": 1.5}, "distortion must lie below the fundamental, got 1.5 dB"),
        ({"distortion_db": 0.0}, "distortion must lie below the fundamental, got 0 dB"),
        ({"level_db": np.nan}, "level_db is missing in some rows"),
        ({"frequency_hz": 50.0}, "stands in the table twice at the same frequency"),
    ],
)
def test_one_row_that_can_not_be_is_refused(changed, message):
    table = table_of(falling, orders=(3,), frequencies=(20, 50, 1000)).astype(float)
    for name, value in changed.items():
        table.loc[2, name] = value
    with pytest.raises(ValueError, match=message):
        harmonic_stage(table, RATE)


def test_a_table_of_nothing_is_refused():
    with pytest.raises(ValueError, match="the table is empty"):
        harmonic_stage(table_of(falling).iloc[:0], RATE)
    with pytest.raises(ValueError, match="the table has no column order"):
        harmonic_stage(table_of(falling).drop(columns="order"), RATE)


def test_a_device_turned_round_turns_its_even_harmonics():
    """Algebra: of -f(-x) the odd powers are those of f, the even ones are inverted."""
    frames = np.random.default_rng(5).uniform(-0.5, 0.5, (4000, 1))
    upright, turned = (harmonic_stage({2: -30, 3: -40}, RATE, polarity=sign) for sign in (1, -1))
    assert np.abs(upright.products(frames)).max() > 1e-3
    assert turned.products(frames) == pytest.approx(-upright.products(-frames), abs=1e-12)


def test_a_clip_is_taken_as_mirrored_at_its_ends():
    """Its own frames turned round, the first and the last of them once."""
    frames = np.random.default_rng(6).uniform(-0.5, 0.5, (25_000, 1))
    stage = harmonic_stage(table_of(falling), RATE)
    assert stage.context < len(frames)
    given = stage.products(frames, before=frames[1:][::-1], after=frames[:-1][::-1])
    assert np.array_equal(stage.products(frames), given)


@pytest.mark.parametrize(("hertz", "said"), [(12_000, False), (12_001, True)])
def test_what_lies_above_half_the_rate_is_said(hertz, said):
    table = pd.DataFrame([(hertz, 0.0, 2, -40.0)], columns=["frequency_hz", "level_db", "order", "distortion_db"])
    remarks = " ".join(harmonic_stage(table, RATE).remarks)
    assert ("order 2 lies above half the rate at every frequency" in remarks) is said


@pytest.mark.parametrize(
    ("phases", "real", "sign"),
    [((0, 0), True, 1), ((np.pi, -np.pi), True, -1), ((0, np.pi), False, 1), ((0, 0.5), False, 1), ((1, 0), False, 1)],
)
def test_a_harmonic_is_real_where_all_its_phases_are_whole_half_turns(phases, real, sign):
    curve = HarmonicCurve(
        frequency=np.array([100.0, 1000.0]), level_db=np.array([-40.0, -40.0]), phase=np.array(phases, float), order=2
    )
    assert (curve.real, curve.sign) == (real, sign)


@pytest.mark.parametrize("highest_db", [-34.0, -20.0])
def test_the_bound_of_filters_ahead_of_the_nonlinearity(highest_db):
    """T_3(w cos q) = w^3 cos 3q + 3 w (w^2 - 1) cos q by hand: the fundamental loses at most 2/sqrt(3) of the gain."""
    frequency = np.geomspace(20.0, 7000.0, 60)
    third = highest_db - 7.0 + 7.0 * np.sin(np.log2(frequency / 100.0))
    table = pd.DataFrame({"frequency_hz": frequency, "level_db": 104.0, "order": 3, "distortion_db": third})
    error = np.abs(harmonic_stage(table, RATE, topology="before").misfit.error_db[frequency > 25.0])
    bound = -20.0 * np.log10(1.0 - 2.0 / np.sqrt(3.0) * 10.0 ** (highest_db / 20.0))
    assert 0.9 * bound < error.max() < bound + 0.02
