"""Real units in a study file: what is refused, what is matched, what is sealed."""

import importlib.util
from math import log10
from pathlib import Path

import pytest

from blindtest import steps
from blindtest.study import check_study, examine, load_study, render_job
from blindtest.study.hardware import apart_db, mismatches, trims_db

SPEC = importlib.util.spec_from_file_location("hardware_folder", Path(__file__).parent / "hardware_folder.py")
FOLDER = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(FOLDER)
OPERATOR, OUTPUTS = FOLDER.OPERATOR, FOLDER.OUTPUTS


def faults(tmp_path, text):
    place = FOLDER.write(tmp_path / "s", text) if not (tmp_path / "s").exists() else tmp_path / "s"
    (place / "study.toml").write_text(text)
    return [str(fault).replace(f"{place}/", "") for fault in check_study(place)]


def line_of(text, begins):
    return next(n for n, line in enumerate(text.split("\n"), start=1) if line.startswith(begins))


@pytest.mark.parametrize("text", [OPERATOR, OUTPUTS], ids=["operator", "outputs"])
def test_units_within_a_tenth_of_a_decibel_are_taken(tmp_path, text):
    assert faults(tmp_path, text) == []
    hardware = load_study(tmp_path / "s").hardware
    # 20 lg(2.012 / 1.998) at 10 kHz, left, by hand; the other frequencies are closer.
    apart = hardware.apart_db
    trims = hardware.trims_db
    assert apart[10_000] == pytest.approx(20 * log10(2.012 / 1.998) + trims["plover-amp"] - trims["heron-amp"])
    assert max(apart.values()) <= 0.1


def test_every_condition_is_the_clip_itself_so_that_only_the_unit_differs(tmp_path):
    FOLDER.write(tmp_path / "s")
    job = render_job(load_study(tmp_path / "s"))
    assert [condition.stages for condition in job.conditions] == [(), ()]
    assert job.over == "worn"


def test_a_tenth_of_a_decibel_is_the_edge():
    # 0.1 dB is a ratio of 10^(1/200) = 1.011579... (arithmetic); methods of practice since Clark 1982.
    edge = 10 ** (0.1 / 20)
    at = dict.fromkeys((100, 1000, 10000), (2.0,))
    assert mismatches({"a": at, "b": {**at, 100: (2.0 * edge,)}}, {}) == ()
    [far] = mismatches({"a": at, "b": {**at, 100: (2.0 * edge * 1.0001,)}}, {})
    assert (far.condition, far.against, far.frequency) == ("b", "a", 100)
    assert far.apart_db == pytest.approx(0.1009, abs=1e-4)


def test_a_trim_brings_all_down_to_the_softest_at_1_khz_and_keeps_what_is_between_channels():
    volts = {
        "a": {100: (4.0, 4.0), 1000: (4.0, 4.1), 10_000: (4.0, 4.0)},
        "b": {100: (2.0, 2.0), 1000: (2.0, 2.05), 10_000: (2.0, 2.0)},
    }
    trims = trims_db(volts)
    # Twice the voltage is 6.0206 dB.
    assert trims == {"a": -6.021, "b": 0.0}
    assert max(apart_db(volts, trims).values()) == pytest.approx(0, abs=0.001)
    assert mismatches(volts, trims) == ()
    assert trims_db({"a": {100: (1.0,)}, "b": {100: (2.0,)}}) == {"a": 0.0, "b": 0.0}


REFUSED = {
    "a louder unit": (
        ("volts_10_khz = [2.012, 2.008]", "volts_10_khz = [2.012, 2.108]"),
        "condition.plover-amp.hardware.volts_10_khz: 0.46 dB above 'heron-amp', right, got [2.012, 2.108] "
        "(allowed: within 0.1 dB of each other); match them again; or write accept_unmatched = 'why' under [hardware], "
        "which is sealed and reported",
    ),
    "an unmeasured one": (
        ("volts_1_khz = [2.005, 2.001]\n", ""),
        "condition.plover-amp.hardware.volts_1_khz: missing: units are matched at 100 Hz, 1 kHz and 10 kHz; measure "
        "and write volts_1_khz; or write accept_unmatched = 'why' under [hardware]",
    ),
    "a voltage that is none": (
        ("volts_1_khz = [2.005, 2.001]", 'volts_1_khz = "2 V"'),
        "condition.plover-amp.hardware.volts_1_khz: not a voltage, got '2 V' (allowed: a number of volts above 0 and "
        "up to 1000, or one for each channel, as [2.00, 2.01])",
    ),
    "two units in one place": (
        ('connect = "input 2"', 'connect = " Input 1"'),
        f"condition.plover-amp.hardware.connect: another unit is connected there: 'heron-amp', in line "
        f"{line_of(OPERATOR, '[condition.hardware]')}, got ' Input 1'; give each unit a name of its own for the "
        "operator",
    ),
    "an operator of whom nothing is said": (
        ("operator_knows = false\n", ""),
        "hardware.operator_knows: missing: the report says what the operator knew and where; write false where "
        "somebody else has connected the units behind neutral numbers, else true",
    ),
    "a condition without a unit": (
        (
            '[[clip]]\nid = "strings"',
            '[[condition]]\nid = "shelf"\nstages = [{ gain_db = 1 }]\n\n[[clip]]\nid = "strings"',
        ),
        "condition.shelf: [condition.hardware] is missing: where units are switched every condition is heard through "
        "one, got 'shelf'; write [condition.hardware] under it with unit = '...', also for controls and anchors",
    ),
    "a rendering over another unit": (
        ('over = "worn"', 'over = "inverse"'),
        "rendering.over: real units are fed the clip as it is: nothing is divided out of it, got 'inverse' (allowed: "
        "'worn'); write over = 'worn' under [rendering]",
    ),
    "a method that can't wait": (
        ('kind = "heard"', 'kind = "keeps listening"', 'use = "abx"', 'use = "free-listening"'),
        "protocol.use: free-listening can't be served by an operator: its programme runs on and can't wait for a "
        "connection, got 'free-listening' (allowed: abx, preference, same-different, triangle, ...)",
    ),
}  # fmt: skip


@pytest.mark.parametrize("why", REFUSED)
def test_what_is_wrong_is_said_in_a_line(tmp_path, why):
    changes, said = REFUSED[why]
    text = OPERATOR
    for old, new in zip(changes[::2], changes[1::2], strict=True):
        assert text.count(old) == 1
        text = text.replace(old, new)
    found = faults(tmp_path, text)
    assert said in [one.split(": ", 1)[1] for one in found], found


def test_outputs_are_each_units_own(tmp_path):
    [found] = faults(tmp_path, OUTPUTS.replace("outputs = [3, 4]", "outputs = [2, 3]"))
    assert "another unit hangs on these outputs: 'heron-amp'" in found
    assert "never join outputs of amplifiers" in found
    [found] = faults(tmp_path, OUTPUTS.replace("outputs = [3, 4]", "outputs = [3]"))
    assert "not as many outputs as 'heron-amp' has" in found
    found = faults(tmp_path, OUTPUTS.replace("outputs = [3, 4]", 'connect = "input 2"'))
    assert any("does not go with route = 'outputs'" in one for one in found)


def test_hardware_without_its_table_is_asked_for(tmp_path):
    begin, end = OPERATOR.index("[hardware]"), OPERATOR.index("[[condition]]")
    found = faults(tmp_path, OPERATOR[:begin] + OPERATOR[end:])
    assert any("[hardware] is missing: nothing says how units are switched" in one for one in found)


def test_unmatched_units_are_taken_with_a_reason_and_noted(tmp_path):
    text = OPERATOR.replace("[2.012, 2.008]", "[2.512, 2.508]").replace(
        "switch_s = 2\n", 'switch_s = 2\naccept_unmatched = "the claim is about their level"\n'
    )
    FOLDER.write(tmp_path / "s", text)
    examined = examine(tmp_path / "s")
    assert examined.faults == ()
    notes = " ".join(map(str, examined.notes))
    assert "not matched within 0.1 dB" in notes
    assert "can't be verified from the record: that the operator connected what the page said" in notes
    assert "double blind" not in notes


def test_what_the_operator_knows_and_where_is_noted(tmp_path):
    text = OPERATOR.replace("operator_knows = false", "operator_knows = true").replace("behind a screen", "in sight")
    FOLDER.write(tmp_path / "s", text)
    notes = " ".join(map(str, examine(tmp_path / "s").notes))
    assert "blind, not double blind" in notes
    assert "the listener sees the operator" in notes


def test_the_seal_holds_units_voltages_and_trims(tmp_path):
    FOLDER.write(tmp_path / "s", OUTPUTS.replace("[2.005, 2.001]", "[4.010, 4.002]").replace(
        "[2.010, 2.002]", "[4.020, 4.004]").replace("[2.012, 2.008]", "[4.024, 4.016]"))  # fmt: skip
    record = load_study(tmp_path / "s").hardware.to_record()
    held = record["connections"]["plover-amp"]
    assert (held["outputs"], held["volts"]["1000"]) == ([3, 4], [4.01, 4.002])
    assert held["trim_db"] == pytest.approx(-6.03, abs=0.01)
    assert record["connections"]["heron-amp"]["trim_db"] == 0
    assert record["switch_s"] is None


@pytest.mark.parametrize("text", [OPERATOR, OUTPUTS], ids=["operator", "outputs"])
def test_a_later_study_keeps_how_units_are_switched_and_asks_for_the_later_one(tmp_path, text):
    FOLDER.write(tmp_path / "old", text)
    steps.new(tmp_path / "new", old=tmp_path / "old")
    later = (tmp_path / "new" / "study.toml").read_text(encoding="utf-8")
    assert "\n[hardware]\n" in later
    assert 'switch = "a passive switch box with an open position between inputs"' in later
    asked = [str(fault) for fault in check_study(tmp_path / "new") if "condition.later" in str(fault)]
    wanted = "connect" if text is OPERATOR else "outputs"
    for key in ("hardware.unit", f"hardware.{wanted}", "hardware.volts_100_hz"):
        assert any(f"condition.later.{key}" in one for one in asked), asked
