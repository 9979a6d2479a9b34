"""A unit's channel imbalance as a stage: written files differ by what was measured, and every mistake is told."""

import numpy as np
import pytest
import soundfile
from scipy.signal import csd, welch

from blindtest import steps
from blindtest.render import ImbalanceStage
from blindtest.study import check_study, load_study, render_job
from blindtest.study.material import examine

LAST = 'id = "plover"\nstages = [{ response = "plover" }]'


def write_ears(folder, difference, seatings=3):
    """Measure heron on both ears: `difference` is left minus right in dB over frequency in Hz."""
    frequency = np.geomspace(20, 20_000, 200)
    for number in range(seatings):
        both = 90 + 3 * np.sin(np.log(frequency) + number)
        half = difference(frequency) / 2
        rows = [f"{f:.4f}\t{a:.4f}\t{b:.4f}" for f, a, b in zip(frequency, both + half, both - half, strict=True)]
        text = "frequency Hz\tleft dB\tright dB\n" + "\n".join(rows) + "\n"
        (folder / "measurements/heron" / f"seating-{number}.txt").write_text(text)


@pytest.fixture
def tilted(folder, changed):
    """Left over right by 3 dB at 125 Hz, under it by 3 dB at 8 kHz; the second condition has it, the first has not."""
    write_ears(folder, lambda f: 6 * (0.5 - np.clip(np.log2(f / 125) / 6, 0, 1)))
    changed((LAST, 'id = "plover"\nstages = [{ response = "heron" }, { imbalance = "heron" }]'))
    return folder


def transfer_db(sound, reference, rate):
    hz, cross = csd(reference, sound, rate, nperseg=1 << 13)
    return hz, 20 * np.log10(np.abs(cross / welch(reference, rate, nperseg=1 << 13)[1]))


def test_written_files_differ_by_what_was_measured(tilted):
    """Left and right by half each; the mean of both in dB as without the stage, up to the gain that matches them."""
    shown = steps.render(tilted)
    files = {one.condition: soundfile.read(tilted / "stimuli" / one.path.name) for one in shown.rendered.stimuli}
    (plain, rate), (apart, _) = files["heron"], files["plover"]
    hz, left = transfer_db(apart[:, 0], plain[:, 0], rate)
    _, right = transfer_db(apart[:, 1], plain[:, 1], rate)
    spots = np.array([125, 500, 1000, 2000, 6000])
    bins = np.searchsorted(hz, spots)
    expected = 6 * (0.5 - np.log2(spots / 125) / 6)
    assert left[bins] - right[bins] == pytest.approx(expected, abs=0.1)
    mean = (left[bins] + right[bins]) / 2
    assert np.ptp(mean) < 0.1
    # Outside the trusted band (10 kHz) it fades out: 1/3 octave above it is gone.
    beyond = (hz > 13_500) & (hz < 18_000)
    assert np.max(np.abs(left[beyond] - right[beyond])) < 0.1


def test_without_the_stage_both_ears_get_the_same(tilted):
    job = render_job(load_study(tilted))
    assert job.conditions[0].imbalance is None
    stage = job.conditions[1].imbalance
    assert isinstance(stage, ImbalanceStage)
    assert "heron" not in str(stage.facts())
    assert stage.level_db(np.array([100.0])).tolist() == [0.0]


def test_what_is_wrong_is_told(folder, changed):
    changed((LAST, 'id = "plover"\nstages = [{ imbalance = "heron" }, { imbalance = "hern" }]'))
    assert sorted(str(fault).partition(": ")[2] for fault in check_study(folder)) == [
        "condition.plover.stages.#1.imbalance: the unit was measured on one channel: left and right don't differ, "
        "got 'heron'; write left = [...] and right = [...] in its [[unit]], or name files that hold both",
        "condition.plover.stages.#2.imbalance: a second imbalance in one chain, got 'hern' (allowed: one)",
        "condition.plover.stages.#2.imbalance: no unit has this id, got 'hern' (allowed: heron, plover); "
        "did you mean 'heron'?",
    ]


def test_an_imbalance_that_reseating_explains_is_noted(folder, tilted):
    """Both ears seated together differ alike each time: nothing to note. Then by -2, 0 and 2 dB: by nothing at all."""
    assert not any("left and right differ" in str(note) for note in examine(folder).notes)
    for number in range(3):
        path = folder / "measurements/heron" / f"seating-{number}.txt"
        rows = [line.split("\t") for line in path.read_text().splitlines()]
        more = 2.0 * (number - 1)
        rows[1:] = [[f, f"{float(right) + more + 0.1:.4f}", right] for f, _, right in rows[1:]]
        path.write_text("\n".join("\t".join(row) for row in rows) + "\n")
    notes = [str(note) for note in examine(folder).notes]
    says = "left and right differ by 0.10 dB r.m.s., of which reseating alone makes 1.15 dB"  # 2 dB / sqrt 3
    assert any(says in note for note in notes), notes
