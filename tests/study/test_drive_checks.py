"""What `check` says of an amplifier, of seatings by number and of full scale above a table; volts worked by hand."""

import pytest

from blindtest.study import examine

STAGE = 'stages = [{ response = "heron" }]'


def said(folder):
    examined = examine(folder)
    return [str(fault) for fault in examined.faults], " ".join(str(note) for note in examined.notes)


@pytest.mark.parametrize(
    ("volts", "drive", "note"),
    [
        # 3 V behind 1 ohm into 32: 2.909 V; 20 lg(2 / 2.909) = -3.26 dB.
        (3.0, "volts = 2, into_ohm = 32, output_ohm = 1", "asks for 2.91 V into 32 ohm, the amplifier delivers 2 V"),
        # Open voltage 2 * 40/32 = 2.5 V; a full-scale sine of 2 V open is 1.6 V there.
        (2.0, "volts = 2, into_ohm = 32, output_ohm = 8", ""),
        (1.0, "output_ohm = 1", ""),
    ],
)
def test_an_amplifier_that_clips_full_scale_is_told(changed, volts, drive, note):
    own = f"[playback]\nfull_scale_volts = {volts}\namplifier = {{ {drive} }}"
    folder = changed(
        ("[playback]", own), ('id = "plover"\nname', 'id = "plover"\nsensitivity_mv_94db = 30\nrated_ohm = 32\nname')
    )
    faults, notes = said(folder)
    assert not faults
    assert ("amplifier delivers" in notes) == bool(note)
    assert note in notes
    assert not note or "peaks above -3.3 dBFS" in notes


def test_a_seating_that_was_not_measured_is_found_by_check(changed):
    faults, _ = said(changed((STAGE, 'stages = [{ seating = { unit = "heron", number = 99 } }]')))
    assert len(faults) == 1
    assert "stages.#1.seating.number: the unit has no such seating, got 99 (allowed: 1 to" in faults[0]


@pytest.mark.parametrize(("full_scale", "above"), [(110, "6 dB above the highest level"), (104, ""), (90, "")])
def test_full_scale_above_the_table_is_told(changed, full_scale, above):
    stage = f'stages = [{{ harmonics = {{ unit = "heron", full_scale_db = {full_scale} }} }}, {{ response = "heron" }}]'
    folder = changed((STAGE, stage), ('id = "heron"\nname', 'id = "heron"\nharmonics = "h.csv"\nname'))
    (folder / "h.csv").write_text(
        "Frequency (Hz),Level (dB),H2 (dB)\n100,94,-50\n1000,94,-52\n100,104,-40\n1000,104,-42\n"
    )
    faults, notes = said(folder)
    assert not faults
    assert ("above the highest level" in notes) == bool(above)
    assert above in notes
