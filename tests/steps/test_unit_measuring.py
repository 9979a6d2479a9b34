"""`blindtest measure` on a messy folder of one unit; every number is invented, and known."""

import io
import json
import random
from importlib.resources import files
from xml.etree import ElementTree

import numpy as np
import pytest
import soundfile
from jsonschema import Draft202012Validator
from matplotlib.image import imread

from blindtest import steps
from blindtest.cli.commands import main
from blindtest.errors import BlindtestError, WrongUse
from blindtest.steps.unit.sorting import sorted_files

RATE = 48_000
HZ = 20 * 2 ** (np.arange(241) / 24)
LEVELS = {"left": (88.0, 90.0, 92.0), "right": (87.0, 89.0, 91.0)}
TILT = np.log2(HZ / 1000)
FIGURES = (
    "response", "target", "imbalance", "harmonics", "thd", "impedance", "source-impedance", "impulse", "group-delay",
)  # fmt: skip


def table(path, header, *columns):
    path.parent.mkdir(parents=True, exist_ok=True)
    rows = "".join(",".join(f"{value:.6f}" for value in row) + "\n" for row in zip(*columns, strict=True))
    path.write_text(header + "\n" + rows)


@pytest.fixture(scope="module")
def unit(tmp_path_factory):
    """A folder as a bench leaves it."""
    place = tmp_path_factory.mktemp("bench") / "heron"
    for side, levels in LEVELS.items():
        for seating, level in enumerate(levels, 1):
            name = f"raw/{seating} {side[0].upper()}.txt" if seating < 3 else f"{side}/{seating}.txt"
            table(place / name, "Freq (Hz),SPL (dB)", HZ, level + TILT)
    (place / "copy of 1 L.txt").write_bytes((place / "raw/1 L.txt").read_bytes())
    table(place / "target.txt", "Freq (Hz),SPL (dB)", HZ, 0 * HZ)
    table(place / "4 R dead.txt", "Freq (Hz),SPL (dB)", HZ, 20 + TILT)
    table(place / "5 L gain.txt", "Freq (Hz),SPL (dB)", HZ, 62 + TILT)
    hertz, level = np.meshgrid([100.0, 1000.0], [84.0, 94.0])
    second = np.full(4, -40.0)
    table(place / "thd.csv", "Freq (Hz),Level (dB),H2 (dB),H3 (dB)", hertz.ravel(), level.ravel(), second, second - 20)
    table(place / "above.csv", "Freq (Hz),H2 (dB)", [100, 1000], [-40, 3])
    table(place / "mixed.csv", "Freq (Hz),H2 (dB),H3 (%)", [100, 1000], [-40, -40], [0.1, 0.1])
    table(place / "z.csv", "Freq (Hz),Impedance (ohm),Phase (deg)", HZ, 0 * HZ + 32, 0 * HZ)
    table(place / "z nought.csv", "Freq (Hz),Impedance (ohm)", [20, 100, 1000], [30, 0, 31])
    pulse = np.zeros((RATE // 4, 2))
    pulse[480, 0], pulse[480, 1], pulse[440, 0] = 0.5, -0.5, 0.005
    soundfile.write(place / "ir.wav", pulse, RATE, subtype="FLOAT")
    soundfile.write(place / "ir 44.wav", pulse[:, 0] + 1e-9, 44_100, subtype="FLOAT")
    clipped = pulse[:, 0].copy()
    clipped[480:490] = 0.5
    soundfile.write(place / "ir clipped.wav", clipped, RATE, subtype="FLOAT")
    soundfile.write(place / "ir dead.wav", np.stack([pulse[:, 0], 0 * pulse[:, 0]], axis=1), RATE, subtype="FLOAT")
    (place / "photo.png").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(40))
    (place / "notes.txt").write_text("Invented.\n")
    (place / "cut off.txt").write_text("Freq (Hz),SPL (dB)\n20,90\n")
    return place


@pytest.fixture(scope="module")
def measured(unit):
    asked = steps.DriveAsked(
        millivolts=100,
        ohm=32,
        level_db=94,
        crest_db=20,
        amplifier_volts=1,
        amplifier_into_ohm=32,
        amplifier_output_ohm=0,
    )
    return steps.measure_unit(unit, target=str(unit / "target.txt"), source_ohms=(0.1, 120.0), drive=asked)


def test_every_file_is_taken_for_what_it_holds(measured):
    taken = {one.file: one.taken_for for one in measured.files}
    assert taken == {
        **{f"raw/{seating} {side}.txt": "response" for seating in (1, 2) for side in "LR"},
        "left/3.txt": "response",
        "right/3.txt": "response",
        "copy of 1 L.txt": "copy",
        "target.txt": "left aside",
        "4 R dead.txt": "refused",
        "5 L gain.txt": "refused",
        "thd.csv": "harmonics",
        "above.csv": "refused",
        "mixed.csv": "refused",
        "z.csv": "impedance",
        "z nought.csv": "refused",
        "ir.wav": "impulse response",
        "ir 44.wav": "refused",
        "ir clipped.wav": "refused",
        "ir dead.wav": "refused",
        "photo.png": "left aside",
        "notes.txt": "left aside",
        "cut off.txt": "refused",
    }


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("4 R dead.txt", "4 R dead.txt: right: the right channel is dead"),
        ("5 L gain.txt", "5 L gain.txt: left: the left channel lies far from the others: levels in another unit"),
        ("above.csv", "above.csv:3: H2 (dB): distortion at or above the fundamental, got '3 dB'"),
        ("mixed.csv", "mixed.csv:1: some columns are in percent and some in dB"),
        ("z nought.csv", "z nought.csv:3: an impedance of zero"),
        ("ir 44.wav", "ir 44.wav: another sample rate than the other impulse responses, got '44100 Hz'"),
        ("ir clipped.wav", "channel is clipped"),
        ("ir dead.wav", "the right channel is dead"),
        ("cut off.txt", "cut off.txt:2: too few points"),
    ],
)
def test_bad_data_is_named_with_file_and_place(measured, name, said):
    (fault,) = [fault for fault in measured.faults if fault.file.endswith(f"/{name}")]
    assert said in str(fault)


def test_average_spread_and_range_by_hand(measured):
    """88, 90, 92: mean 90, standard deviation 2, range 4 (arithmetic)."""
    left, right = measured.to_dict()["channels"]
    assert (left["channel"], left["seatings"]) == ("left", 3)
    row = next(row for row in left["levels"] if row["frequency_hz"] == 1000)
    assert [row["level_db"], row["spread_db"], row["range_db"]] == pytest.approx([90, 2, 4], abs=1e-6)
    assert left["median_spread_db"] == pytest.approx(2)
    assert right["levels"][-1]["level_db"] == pytest.approx(89 + 4)  # 16 kHz: four octaves over 1 kHz


def test_mean_of_powers_and_smoothing(unit):
    """10 lg of the mean of 10^8.8, 10^9, 10^9.2 (arithmetic); a line keeps its level under smoothing."""
    found = steps.measure_unit(unit, mean="power", smoothing=1 / 6).to_dict()
    row = next(row for row in found["channels"][0]["levels"] if row["frequency_hz"] == 1000)
    assert row["level_db"] == pytest.approx(10 * np.log10((10**8.8 + 1e9 + 10**9.2) / 3), abs=0.02)
    assert found["smoothing"] == "1/6 octave"
    assert found["target"] is None


def test_imbalance_and_its_standard_error(measured):
    """1 dB everywhere; each mean of three has 2 / sqrt 3 dB, their difference sqrt 2 as much (arithmetic)."""
    found = measured.to_dict()["imbalance"]
    assert [found["mean_db"], found["largest_db"]] == pytest.approx([1, 1])
    assert found["standard_error_db"] == pytest.approx(2 / np.sqrt(3) * np.sqrt(2))


def test_difference_from_the_target(measured):
    """A line of 1 dB per octave against a flat one, both at 0 dB on average from 300 Hz to 3 kHz (arithmetic)."""
    found = measured.to_dict()["target"]
    middle = (np.log2(0.3) + np.log2(3)) / 2
    at = {row["frequency_hz"]: row["difference_db"] for row in found["differences"]}
    assert at[1000] == pytest.approx(-middle, abs=1e-3)
    assert at[8000] == pytest.approx(3 - middle, abs=1e-3)
    low, high = np.log2(np.array(found["band_hz"]) / 1000) - middle
    assert found["rms_db"] == pytest.approx(np.sqrt((high**3 - low**3) / 3 / (high - low)), abs=0.01)


def test_harmonics_and_their_sum(measured):
    """1 % and 0.1 % (arithmetic)."""
    (one,) = measured.to_dict()["harmonics"]
    assert [level["level_db"] for level in one["levels"]] == [84, 94]
    assert one["levels"][0]["rows"][0]["thd_percent"] == pytest.approx(np.hypot(1, 0.1))


def test_a_resistance_keeps_its_response_behind_any_source(measured):
    """Common practice; what is lost is 20 lg((R + Rs) / R)."""
    (one,) = measured.to_dict()["impedance"]
    small, large = one["sources"]
    assert large["loss_db"] == pytest.approx(20 * np.log10(152 / 32))
    assert small["loss_db"] == pytest.approx(20 * np.log10(32.1 / 32))
    assert [large["highest_db"], large["lowest_db"]] == pytest.approx([0, 0], abs=1e-9)


def test_impulse_facts_and_delays(measured):
    """A pulse at sample 480, one of a hundredth 40 samples ahead: 1 part in 10,001 of the energy (arithmetic)."""
    left, right = measured.to_dict()["impulse_responses"]
    assert left["peak_ms"] == pytest.approx(10)
    assert left["pre_ringing_db"] == pytest.approx(-40.0, abs=0.01)
    assert right["pre_ringing_db"] is None
    assert (left["inverted"], right["inverted"]) == (False, True)
    assert right["delay_ms"] == pytest.approx(10, abs=1e-3)
    assert right["largest_excess_ms"] == pytest.approx(0, abs=1e-3)


def test_drive_by_hand(measured):
    """94 dB at 100 mV into 32 ohm: 3.125 mA, 0.3125 mW; peaks of 1 V under the 1.414 of the amplifier (Ohm)."""
    found = measured.to_dict()["drive"]
    rated, least = found["demands"]
    assert found["db_per_volt"] == pytest.approx(114)
    assert [rated["volts"], rated["milliamperes"], rated["milliwatts"]] == pytest.approx([0.1, 3.125, 0.3125])
    assert rated["peak_volts"] == pytest.approx(1)
    assert rated["margin_db"] == pytest.approx(20 * np.log10(np.sqrt(2)))
    assert rated["reached"] is True
    assert least["load"].startswith("least of z.csv")


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"millivolts": 30, "db_per_volt": 110}, "one sensitivity is enough"),
        ({"db_per_mw": 100}, "--db-per-mw: needs --ohm"),
        ({"level_db": 94}, "--level-db: needs a sensitivity"),
        ({"millivolts": 30, "amplifier_volts": 1}, "--amplifier-volts: needs --level-db"),
        ({"millivolts": 0}, "--millivolts: not in range"),
        ({"amplifier_output_ohm": 10}, "--amplifier-output-ohm: needs --amplifier-volts"),
    ],
)
def test_options_that_do_not_go_together(given, said):
    with pytest.raises(WrongUse) as caught:
        steps.DriveAsked(**given).sensitivity()
    assert said in str(caught.value)


def test_seatings_that_look_like_another_unit_are_asked_about(tmp_path):
    for seating in range(3):
        table(tmp_path / f"{seating}.txt", "Freq (Hz),SPL (dB)", HZ, 90 + 0.1 * seating + 0 * HZ)
    table(tmp_path / "odd.txt", "Freq (Hz),SPL (dB)", HZ[10:-10], 90 + 12 * np.sin(4 * TILT[10:-10]))
    table(tmp_path / "loud.txt", "Freq (Hz),SPL (dB)", HZ, 98 + 0 * HZ)
    notes = "\n".join(sorted_files(tmp_path).notes)
    assert "odd.txt: its shape lies" in notes
    assert "loud.txt: the curve lies +7." in notes
    assert "odd.txt: on other frequencies than the other seatings, 221 points" in notes


def test_a_folder_of_nothing_and_a_study_are_refused(tmp_path):
    (tmp_path / "notes.txt").write_text("Invented.\n")
    with pytest.raises(BlindtestError, match="no measurement in this folder"):
        steps.measure_unit(tmp_path)
    (tmp_path / "study.toml").write_text("")
    with pytest.raises(BlindtestError, match="this folder is a study"):
        steps.measure_unit(tmp_path)


def run(capsys, *arguments):
    capsys.readouterr()
    with pytest.raises(SystemExit) as left:
        main([*map(str, arguments)])
    return left.value.code, capsys.readouterr()


@pytest.mark.usefixtures("drawn")
def test_it_prints_and_draws_all_of_it(unit, capsys, tmp_path):
    code, printed = run(
        capsys, "measure", unit, "--target", unit / "target.txt", "--figures", tmp_path / "figures", "--json"
    )
    value = json.loads(printed.out)
    assert code == 1  # some files can't be used
    schema = json.loads(files("blindtest.cli").joinpath("results.schema.json").read_text(encoding="utf-8"))
    Draft202012Validator(schema).validate(value)
    assert tuple(one["name"] for one in value["figures"]) == FIGURES
    for one in value["figures"]:
        place = tmp_path / "figures" / one["name"]
        picture = imread(io.BytesIO(place.with_suffix(".png").read_bytes()))
        assert picture.shape[1] > 900
        # Ink: more than an empty frame would hold, of several colours.
        assert 0.005 < np.mean(picture[..., :3].min(axis=2) < 0.8) < 0.5
        svg = ElementTree.fromstring(place.with_suffix(".svg").read_text(encoding="utf-8"))
        assert svg[0].text == one["title"]
        assert svg[1].text == one["text"]
        assert one["text"] in place.with_suffix(".txt").read_text(encoding="utf-8")
        assert len(place.with_suffix(".csv").read_text(encoding="utf-8").splitlines()) > 3


def test_unseen_shows_nothing_and_keeps_all(capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    table(tmp_path / "siskin/1.txt", "Freq (Hz),SPL (dB)", HZ, 90 + TILT)
    code, printed = run(capsys, "measure", "siskin", "--unseen", "--quiet")
    assert code == 0
    assert printed.out == "Kept unseen in unseen/measure-1.json. Open it when the blind phase is over.\n"
    assert sorted(path.name for path in (tmp_path / "unseen/measure-1-figures").glob("*.png")) == ["response.png"]
    assert not (tmp_path / "siskin-figures").exists()
    assert json.loads((tmp_path / "unseen/measure-1.json").read_text())["channels"][0]["seatings"] == 1
    code, printed = run(capsys, "measure", "siskin", "--unseen", "--figures", "x")
    assert code == 2
    assert "--unseen keeps figures in unseen/ itself" in printed.err


def test_wrong_uses_of_the_command(capsys, tmp_path):
    table(tmp_path / "unit/1.txt", "Freq (Hz),SPL (dB)", HZ, 90 + TILT)
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine/thesis.txt").write_text("mine")
    for arguments, code, said in (
        ((tmp_path / "unit/1.txt", "--power"), 2, "these go with the folder of one unit, got '--power'"),
        ((tmp_path / "unit", "--smooth", "2"), 2, "--smooth: not in range, got 2.0 (allowed: 1/48 to 1 octave)"),
        ((tmp_path / "unit", "--smooth", "a lot"), 2, "--smooth: not a number, got 'a lot'"),
        ((tmp_path / "unit", "--source-ohm", "-1"), 2, "--source-ohm: not in range"),
        ((tmp_path / "unit", "--target", "nowhere.txt"), 3, "nowhere.txt: there is no such file"),
        ((tmp_path / "unit", "--figures", tmp_path / "mine"), 3, "holds something that blindtest did not make"),
    ):
        left, printed = run(capsys, "measure", *arguments)
        assert left == code
        assert said in printed.err
    assert (tmp_path / "mine/thesis.txt").read_text() == "mine"
    assert not (tmp_path / "unit-figures").exists()


def test_a_seating_without_common_frequencies_is_refused_alone(tmp_path):
    for seating in range(2):
        table(tmp_path / f"{seating}.txt", "Freq (Hz),SPL (dB)", HZ[:160], 90 + seating + 0 * HZ[:160])
    table(tmp_path / "tweeter.txt", "Freq (Hz),SPL (dB)", HZ[170:], 90 + 0 * HZ[170:])
    found = steps.measure_unit(tmp_path)
    (fault,) = found.faults
    assert str(fault).startswith(f"{tmp_path / 'tweeter.txt'}: shares no range of frequencies")
    assert found.facts.channels[0].seatings == 2
    assert "SD  0.71" in found.text()  # 1 / sqrt 2


def test_the_same_frequencies_written_with_fewer_digits_are_the_same(tmp_path):
    table(tmp_path / "a.txt", "Freq (Hz),SPL (dB)", HZ, 90 + 0 * HZ)
    table(tmp_path / "b.txt", "Freq (Hz),SPL (dB)", HZ.round(2), 91 + 0 * HZ)
    table(tmp_path / "c.txt", "Freq (Hz),SPL (dB)", HZ * 1.01, 92 + 0 * HZ)
    notes = [note for note in steps.measure_unit(tmp_path).notes if "other frequencies" in note]
    assert len(notes) == 1
    assert notes[0].startswith("c.txt: ")


def test_impulse_responses_of_a_sofa_file(tmp_path):
    """AES69, convention SimpleHeadphoneIR, written by the library sofar; averages come from them if nothing else."""
    sofar = pytest.importorskip("sofar")
    held = sofar.Sofa("SimpleHeadphoneIR")
    pulses = np.zeros((2, 2, 512))
    pulses[:, :, 50] = [[0.5, 0.25], [0.4, 0.2]]
    held.Data_IR, held.Data_SamplingRate, held.MeasurementDate = pulses, RATE, np.zeros(2)
    for name in ("SourceManufacturer", "SourceModel", "ReceiverDescriptions", "EmitterDescriptions"):
        held.delete(name)
    sofar.write_sofa(str(tmp_path / "unit.sofa"), held)
    found = steps.measure_unit(tmp_path)
    (one,) = found.files
    assert one.taken_for == "impulse response"
    assert "2 of them; left and right" in one.why
    assert [(channel.channel, channel.seatings) for channel in found.facts.channels] == [("left", 2), ("right", 2)]
    assert "unit.sofa (1 of 2), right: " in found.text()
    assert "unit.sofa (2 of 2), left: " in found.text()
    assert "-0.00 ms" not in found.text()
    assert found.to_dict()["imbalance"]["mean_db"] == pytest.approx(20 * np.log10(2), abs=1e-6)


def test_delays_by_the_phase_of_response_files(tmp_path):
    """A pure delay of 2 ms has no excess (arithmetic); a coarse phase is said to tell nothing."""
    hertz = np.arange(20.0, 20_000.0, 50.0)
    for side, level in (("left", 90), ("right", 91)):
        turns = np.rad2deg(np.angle(np.exp(-2j * np.pi * hertz * 0.002)))
        table(tmp_path / f"{side}.txt", "Freq (Hz),SPL (dB),Phase (deg)", hertz, level + 0 * hertz, turns)
    coarse = hertz[::16]
    table(tmp_path / "left 2.txt", "Freq (Hz),SPL (dB),Phase (deg)", coarse, 90 + 0 * coarse, turns[::16])
    found = steps.measure_unit(tmp_path)
    told = found.to_dict()["phase_delays"]
    assert [one["file"] for one in told] == ["left.txt", "right.txt"]
    assert [one["delay_ms"] for one in told] == pytest.approx([2, 2], abs=1e-3)
    assert told[0]["largest_excess_ms"] == pytest.approx(0, abs=1e-3)
    assert any("left 2.txt: the phase turns too far" in note for note in found.notes)
    assert "Delays by the phase of the response files:" in found.text()


@pytest.mark.long
@pytest.mark.filterwarnings("error")
def test_damaged_files_are_refused_and_nothing_else(unit, tmp_path):
    """Whatever is done to the bytes of a folder's files, there is a result or a fault, and JSON of finite numbers."""
    drawn = random.Random(7)
    sources = [path for path in unit.rglob("*") if path.suffix in (".txt", ".csv", ".wav") and path.stat().st_size]
    pieces = [b"0", b"-1", b"nan", b"inf", b"1e309", b",", b";", b"\n", b"H2 (%)", b"ohm", b"kHz", b"\x00", b"9" * 30]
    told = 0
    for number in range(1000):
        place = tmp_path / str(number)
        place.mkdir()
        for path in drawn.sample(sources, 5):
            held = bytearray(path.read_bytes())[: drawn.choice((200, 2000, 30_000))]
            for _ in range(drawn.choice((0, 1, 3, 10))):
                at = drawn.randrange(len(held) + 1)
                held[at : at + drawn.choice((0, 0, 1, 30))] = drawn.choice((b"", *pieces))
            (place / path.name).write_bytes(held)
        try:
            found = steps.measure_unit(place, target="flat")
        except BlindtestError:
            continue
        json.dumps(found.to_dict(), allow_nan=False)
        assert found.text()
        told += 1
    assert told > 500


def test_one_dead_channel_of_a_single_file(tmp_path):
    table(tmp_path / "ears.csv", "Freq (Hz),Left (dB),Right (dB)", HZ, 90 + TILT, 12 + 0 * HZ)
    found = steps.measure_unit(tmp_path)
    (fault,) = found.faults
    assert str(fault).startswith(f"{tmp_path / 'ears.csv'}: right: the right channel is dead")
    assert [one.channel for one in found.facts.channels] == ["left"]
    assert found.files[0].taken_for == "response"
    assert found.files[0].why.endswith("; the left one is used")
    table(tmp_path / "ears.csv", "Freq (Hz),Left (dB),Right (dB)", HZ, 90 + TILT, 89 + 0 * HZ)
    assert any("the right channel has one level" in note for note in sorted_files(tmp_path).notes)
