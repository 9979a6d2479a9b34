"""The chain of a condition taken apart: its stages add up to what was written, and its numbers are the inputs'."""

import os
import re
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.signal import csd, lfilter, welch

from blindtest import steps
from blindtest.render import (
    DistortionStage,
    ExcessPhaseStage,
    ResponseStage,
    ShelfStage,
    SourceImpedanceStage,
    load_rendered,
)
from blindtest.report import ConditionFacts, ProtocolFacts, ReportInput, html
from blindtest.report.chain_figures import chain_figures
from blindtest.report.chain_words import chain_left_out, chain_words
from blindtest.steps.chains import chains
from blindtest.steps.place import stimuli_folder
from blindtest.study import load_study, render_job

RATE = 48_000
GRID = np.geomspace(20, 20_000, 200)
UNIT = """
[[unit]]
id = "{0}"
name = "{1}"
kind = "headphone"
rig = "ear simulator 2"
level = "spl"
reference_point = "eardrum"
responses = ["measurements/{0}.csv"]
trusted_band_hz = [20, 10_000]
"""
STUDY = f"""format = 1
title = "Every stage of an invented unit"
reviewer = "R-1"
{UNIT.format("heron", "Heron, open-back")}impulse_responses = ["measurements/ir.wav"]
harmonics = "measurements/h.csv"
impedance = "measurements/z.csv"
{UNIT.format("plover", "Plover, closed-back")}
[playback]
unit = "plover"

[[condition]]
id = "all"
label = "Heron in full"
stages = [
  {{ harmonics = {{ unit = "heron", full_scale_db = 104, at_db = 94, scale_db = 3 }} }},
  {{ excess_phase = "heron" }},
  {{ source_impedance = {{ unit = "heron", ohm = 120 }} }},
  {{ response = "heron" }},
  {{ shelf = {{ type = "low", frequency_hz = 120, gain_db = 3, q = 0.7 }} }},
]

[[condition]]
id = "plain"
stages = [{{ response = "plover" }}]

[[clip]]
id = "noise"
file = "clips/noise.wav"
in_s = 0.5
out_s = 3.5

[[claim]]
id = "apart"
kind = "heard"
quote = "told apart at once"
device = "all"
comparator = "plain"

[protocol]
use = "abx"
"""


def levels(name):
    place = np.log2(GRID / 1000)
    return 90 + (4 * np.sin(1.3 * place) if name == "heron" else -3 * np.cos(place))


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("chains") / "study"
    (place / "measurements").mkdir(parents=True)
    (place / "clips").mkdir()
    for name in ("heron", "plover"):
        rows = "".join(f"{f:.6f},{level:.4f}\n" for f, level in zip(GRID, levels(name), strict=True))
        (place / f"measurements/{name}.csv").write_text("frequency Hz,level dB\n" + rows)
    # An all-pass of first order at 200 Hz: group delay 2 / w0 at low frequencies, from the formula.
    taps = np.zeros(RATE // 2)
    taps[100] = 1.0
    a = (np.tan(np.pi * 200 / RATE) - 1) / (np.tan(np.pi * 200 / RATE) + 1)
    soundfile.write(place / "measurements/ir.wav", lfilter([a, 1], [1, a], taps), RATE, subtype="FLOAT")
    rows = [f"{hz},{db},{-50 + (db - 94) * 0.5},-60" for db in (84, 94, 104) for hz in (100, 1000, 4000)]
    (place / "measurements/h.csv").write_text("\n".join(["Frequency (Hz),Level (dB),H2 (dB),H3 (dB)", *rows]))
    (place / "measurements/z.csv").write_text("f (Hz),ohm,phase (deg)\n20,32,0\n100,96,0\n500,32,0\n20000,32,0\n")
    noise = np.random.default_rng(1).normal(0, 0.05, (RATE * 4, 2))
    soundfile.write(place / "clips/noise.wav", noise, RATE, subtype="PCM_24")
    (place / "study.toml").write_text(STUDY, encoding="utf-8")
    steps.render(place)
    return place


@pytest.fixture(scope="module")
def found(folder):
    study = load_study(folder)
    job = render_job(study)
    return {one.condition: one for one in chains(study, job, load_rendered(job, stimuli_folder(study)))}


def test_stages_add_up_to_what_is_applied_and_are_what_was_measured(found):
    chain = found["all"]
    assert [one.name for one in chain.stages] == [
        "response of Heron, open-back",
        "shared inverse of Plover, closed-back",
        "source of 120 ohm",
        "shelf",
        "shared outside the trusted band",
    ]
    assert sum(one.level_db for one in chain.stages) == pytest.approx(chain.sum_db, abs=1e-9)
    inside = (chain.frequency > 21) & (chain.frequency < 9_900)
    assert np.abs(chain.stages[-1].level_db[inside]).max() < 0.01
    # The response as it lies in the file, the divider by hand: 20 lg(Z / (Z + 120)).
    own = np.interp(np.log(chain.frequency[inside]), np.log(GRID), levels("heron"))
    assert np.ptp(chain.stages[0].level_db[inside] - own) < 0.02
    at_100 = np.interp(100, chain.frequency, chain.stages[2].level_db)
    at_2000 = np.interp(2000, chain.frequency, chain.stages[2].level_db)
    assert at_100 - at_2000 == pytest.approx(20 * np.log10(96 / 216) - 20 * np.log10(32 / 152), abs=0.05)


def test_the_sum_is_what_the_written_files_differ_by(folder, found):
    """By Welch's method on the files: independent of every curve that was shown; the harmonics lie 50 dB down."""
    study = load_study(folder)
    stimuli = {
        one.condition: soundfile.read(one.path)[0]
        for one in load_rendered(render_job(study), stimuli_folder(study)).stimuli
    }
    hz, cross = csd(stimuli["plain"][:, 0], stimuli["all"][:, 0], RATE, nperseg=1 << 13)
    level = 20 * np.log10(np.abs(cross / welch(stimuli["plain"][:, 0], RATE, nperseg=1 << 13)[1]))
    shown = np.interp(hz, found["all"].frequency, found["all"].sum_db - found["plain"].sum_db)
    inside = (hz > 60) & (hz < 9000)
    smooth = np.convolve((level - shown)[inside], np.ones(40) / 40, mode="valid")
    assert np.ptp(smooth) < 0.5


def test_delay_harmonics_and_load_are_those_of_the_files(found):
    chain = found["all"]
    (delay,), (harmonics,), (load,) = chain.delays, chain.harmonics, chain.loads
    low = delay.delay_ms[np.argmin(np.abs(delay.frequency - 30))] - delay.delay_ms[-1]
    w = 2 * np.pi * 30 / (2 * np.pi * 200)
    assert low == pytest.approx(1e3 * 2 / (2 * np.pi * 200) / (1 + w**2), abs=0.05)
    assert harmonics.level_db == 94
    assert {(order, round(hz)) for order, hz, _, _ in harmonics.made} == {
        (o, f) for o in (2, 3) for f in (100, 1000, 4000)
    }
    for order, _, wanted, made in harmonics.made:
        assert wanted == pytest.approx({2: -47, 3: -57}[order])  # the table and 3 dB
        assert made == pytest.approx(wanted, abs=0.5)
    exact = [line for line in harmonics.misfit if line.exact]
    others = [line for line in harmonics.misfit if not line.exact]
    assert {line.level_db for line in exact} == {94}
    assert max(abs(line.worst_db) for line in exact) < 0.5
    # H2 of the table rises by 5 dB over 10 dB of level, that of a square by 10: 5 dB too few below, too many above.
    apart = {line.level_db: line.worst_db for line in others if line.order == 2}
    assert apart == {84: pytest.approx(-5, abs=0.6), 104: pytest.approx(5, abs=0.6)}
    assert load.source_ohm == 120
    assert load.ohm.max() == 96


def test_render_says_how_far_other_levels_of_the_table_are_off(folder):
    """H3 of the table stays at -60 dB, that of T_3 moves by 20 dB over 10 dB of level (closed form)."""
    shown = steps.render(folder)
    (added,) = shown.harmonics
    assert added.sentence in shown.text()
    assert added.sentence.startswith("Harmonics of Heron, open-back in 'all', 48000 Hz, as made less as measured; ")
    off = re.findall(r"up to ([+-]\d+\.\d) dB \(H3 of \d+ Hz\) at (\d+) dB", added.sentence)
    assert [(float(decibels), level) for decibels, level in off] == [
        (pytest.approx(-20, abs=0.1), "84"),
        (pytest.approx(20, abs=0.4), "104"),  # T_3 adds to the fundamental, too: 20 lg(1 + 0.0014 * 27) = 0.33 dB
    ]
    (told,) = shown.to_dict()["harmonics"]
    assert told["conditions"] == ["all"]
    assert {(one["level_db"], one["order"]) for one in told["misfit"]} == {
        (a, n) for a in (84, 94, 104) for n in (2, 3)
    }


def test_what_is_left_out_is_said_and_what_is_there_is_not(found):
    everything, plain = (" ".join(chain_left_out(found[name])) for name in ("all", "plain"))
    for text in ("Seal and leakage", "Spatial cues", "Noise"):
        assert text in everything
        assert text in plain
    for text in ("Phase beyond minimum phase", "Distortion: ", "A source's output impedance"):
        assert text not in everything
        assert text in plain
    assert "Memory and heat" in everything
    assert "Memory and heat" not in plain
    words = chain_words(found["all"])
    assert "H2 is the strongest, \N{MINUS SIGN}47" in words
    assert "120 ohm ahead of 32.0 to 96.0 ohm." in words


@pytest.mark.usefixtures("drawn")
def test_the_page_shows_figure_misfit_and_what_is_left_out(found):
    report = ReportInput(
        title="x",
        generated_at=datetime(2026, 3, 4, tzinfo=UTC),
        conditions=(ConditionFacts(id="all", name="Heron in full"), ConditionFacts(id="plain", name="Plover")),
        compared=("all", "plain"),
        protocol=ProtocolFacts(name="abx", trials=28, margin=0.5),
        chains=tuple(found.values()),
    )
    drawn = {figure.name: figure for figure in chain_figures(report)}
    assert list(drawn) == ["chain-all", "chain-plain"]
    columns = drawn["chain-all"].columns
    assert [name for name in columns if name.startswith("H")] == [f"H{n} of a fundamental there, dB" for n in (2, 3)]
    assert "excess group delay of Heron, open-back, ms" in columns
    row = min(drawn["chain-all"].rows, key=lambda cells: abs(cells[0] - 1000))
    assert row[columns.index("H2 of a fundamental there, dB")] == pytest.approx(-47, abs=0.5)
    text = html(report)
    text = text if isinstance(text, str) else text.decode()
    assert 'id="figure-chain-all"' in text
    assert "Harmonics as made less as measured" in text
    assert text.count("Memory and heat") == 1
    assert text.count("Seal and leakage") == 2
    if place := os.environ.get("BLINDTEST_LOOK"):
        for name, figure in drawn.items():
            Path(place, f"{name}.png").write_bytes(figure.png)


def test_every_stage_of_the_bench_can_be_switched(folder):
    """Half of four, D = ABC: the stages of a combination are those that its switches name, in their order."""
    named = ("harmonics", "excess_phase", "source_impedance", "response")
    factors = ", ".join(f'"{name}"' for name in named)
    text = STUDY.replace('label = "Heron in full"', f'factors = {{ stages = [{factors}], fraction = "1/2" }}')
    text = text.replace('kind = "heard"\nquote = "told apart at once"', 'kind = "stage"\nstage = "harmonics"')
    text = text.replace('comparator = "plain"\n', "").replace('use = "abx"', 'use = "attribution"')
    path = folder / "switched.toml"
    path.write_text(f"{text}\n[listeners]\nplanned = 24\n", encoding="utf-8")
    study = load_study(path)
    job = render_job(study)
    kinds = dict(zip(named, (DistortionStage, ExcessPhaseStage, SourceImpedanceStage, ResponseStage), strict=True))
    made = {one.id: one.stages for one in job.conditions}
    assert len(study.factorials["all"]) == 8
    for cell in study.factorials["all"]:
        on = dict(cell.switches)
        assert on["response"] == (sum(on[name] for name in named[:3]) % 2 == 1)
        stages = made[cell.id]
        assert [type(one) for one in stages] == [*(kinds[name] for name in named if on[name]), ShelfStage]
        if on["harmonics"]:
            # Referred back through the response only where the chain applies it; else as the table has them.
            assert (stages[0].response is not None) == on["response"]
