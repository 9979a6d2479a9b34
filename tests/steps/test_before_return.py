"""Before a unit goes back (claims.md 6): every gap named with what it forbids, exit 1 until done or waived."""

import json

import numpy as np
import soundfile
from click.testing import CliRunner

from blindtest.cli.commands import commands

UNIT = """
[[unit]]
id = "heron"
name = "Heron"
kind = "headphone"
rig = "ear simulator 2"
level = "spl"
reference_point = "eardrum"
responses = ["measurements/seating-*.txt"]
{more}
"""
REST = """
[playback]
unit = "heron"
{chain}

[[condition]]
id = "heron"
stages = [{{ response = "heron" }}]

[[condition]]
id = "louder"
stages = [{{ response = "heron" }}, {{ gain_db = 1 }}]

[[clip]]
id = "noise"
file = "clips/noise.wav"

[protocol]
use = "abx"
"""
WHOLE = """
serial_suffix = "0417"
revision = "B"
firmware = "none"
sensitivity_mv_94db = 30
impulse_responses = ["measurements/ir.wav"]
harmonics = "measurements/h.csv"
impedance = "measurements/z.csv"
"""
ALL = {
    "seatings", "impulse_response", "harmonics", "impedance", "sensitivity", "rig", "amplifier", "serial", "revision",
    "firmware", "worn",
}  # fmt: skip


def study(tmp_path, *, seatings=2, more="", chain=""):
    folder = tmp_path / "study"
    (folder / "measurements").mkdir(parents=True)
    (folder / "clips").mkdir()
    for number in range(seatings):
        rows = "".join(f"{f:.1f} {number % 3}.0\n" for f in np.geomspace(20, 20_000, 40))
        (folder / f"measurements/seating-{number}.txt").write_text(rows)
    rng = np.random.default_rng(1)
    soundfile.write(folder / "clips/noise.wav", rng.normal(0, 0.1, (48_000 * 3, 2)), 48_000)
    impulse = rng.normal(0, 0.01, (4800, 2))
    impulse[100] = 0.9
    soundfile.write(folder / "measurements/ir.wav", impulse, 48_000)
    rows = [f"{hertz},{level},-50,-60" for level in (84, 94, 104) for hertz in (100, 1000)]
    (folder / "measurements/h.csv").write_text("\n".join(["Frequency (Hz),Level (dB),H2 (dB),H3 (dB)", *rows]))
    (folder / "measurements/z.csv").write_text("f (Hz),ohm,phase (deg)\n20,40,5\n1000,38,0\n20000,45,20\n")
    (folder / "measurements/field.txt").write_text("100 0\n1000 4\n10000 7\n")
    head = 'format = 1\ntitle = "x"\nreviewer = "R-1"\n'
    (folder / "study.toml").write_text(head + UNIT.format(more=more) + REST.format(chain=chain))
    return folder


def looked(folder, *more):
    done = CliRunner().invoke(commands, ["check", str(folder), "--before-return", "--json", *more])
    return done.exit_code, json.loads(done.stdout)


def test_everything_that_is_missing_is_named_with_what_it_forbids(tmp_path):
    code, found = looked(study(tmp_path))
    assert code == 1
    assert {one["name"] for one in found["before_return"]} == ALL
    assert not any(one["done"] for one in found["before_return"])
    assert all(one["forbids"] for one in found["before_return"])
    seatings = next(one for one in found["before_return"] if one["name"] == "seatings")
    assert seatings["found"] == "2 of the left, 2 of the right"


def test_what_is_there_is_read_from_the_files_and_the_rest_can_be_waived(tmp_path):
    chain = 'field_curve = "measurements/field.txt"\namplifier = { output_ohm = 1 }'
    more = WHOLE + 'waived = { worn = "went back the same day" }\n'
    folder = study(tmp_path, seatings=5, more=more, chain=chain)
    code, found = looked(folder)
    assert code == 0
    assert found["ok"]
    assert {one["name"] for one in found["before_return"] if not one["done"]} == {"worn"}
    text = CliRunner().invoke(commands, ["check", str(folder), "--before-return"])
    assert "went back the same day" in text.output
    assert "Nothing is left" in text.output


def test_files_that_hold_too_little_do_not_count(tmp_path):
    folder = study(tmp_path, seatings=5, more=WHOLE)
    (folder / "measurements/h.csv").write_text("Frequency (Hz),Level (dB),H2 (dB)\n100,94,-50\n1000,94,-50\n")
    (folder / "measurements/z.csv").write_text("f (Hz),ohm\n20,40\n1000,38\n20000,45\n")
    _, found = looked(folder)
    state = {one["name"]: one["done"] for one in found["before_return"]}
    assert not state["harmonics"]
    assert not state["impedance"]
    assert state["seatings"]
    assert state["impulse_response"]


def test_an_unknown_unit_is_wrong_use(tmp_path):
    done = CliRunner().invoke(commands, ["check", str(study(tmp_path)), "--before-return", "--unit", "hern"])
    assert done.exit_code != 0
