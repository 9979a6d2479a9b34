"""A pair of loudspeakers over a headphone, from the study file to the report: its route, and what is refused."""

from datetime import UTC, datetime

import numpy as np
import pytest
import soundfile

from blindtest.render import load_rendered, render
from blindtest.report import ConditionFacts, ProtocolFacts, ReportInput
from blindtest.report.chain_figures import chain_figures
from blindtest.report.chain_words import chain_left_out, chain_words
from blindtest.steps.chains import chains
from blindtest.steps.gathering.sound import condition_facts, unit_facts
from blindtest.study import check_study, load_study, loudspeaker_route, render_job

RATE = 48_000
FAR = 13
PAIR = """
[[unit]]
id = "{0}"
name = "{1}, a pair of loudspeakers"
kind = "loudspeaker"
rig = "far field"
level = "relative"
reference_point = "free-field"
position = "2.4 m, seat in the middle"
binaural = {{ file = "measurements/{0}.wav", rig = "ear simulator 2" }}
"""
CONDITIONS = """
[[condition]]
id = "heron"
stages = [{ binaural_response = "bittern" }]

[[condition]]
id = "plover"
stages = [{ binaural_response = "dunlin" }, { tilt_db_per_octave = 0.5 }]
"""
OLD = """
[[condition]]
id = "heron"
stages = [{ response = "heron" }]

[[condition]]
id = "plover"
stages = [{ response = "plover" }]
"""


def pair(seed):
    frames = np.zeros((12_000, 4))
    for channel, (gain, delay) in enumerate([(0.5, 0), (0.25, FAR), (0.25, FAR), (0.5, 0)]):
        frames[960 + delay, channel] = gain
    tail = np.exp(-np.arange(9_000) / 1500)[:, None] * np.random.default_rng(seed).standard_normal((9_000, 4))
    frames[1200:10_200] += 0.01 * tail
    return frames


@pytest.fixture
def rooms(folder, changed):
    for seed, name in enumerate(("bittern", "dunlin")):
        soundfile.write(folder / f"measurements/{name}.wav", pair(seed), RATE, subtype="PCM_24")
    units = PAIR.format("bittern", "Bittern") + PAIR.format("dunlin", "Dunlin")
    return changed((OLD, CONDITIONS), ('[playback]\nunit = "plover"', units + '\n[playback]\nunit = "plover"'))


def said(folder):
    return "\n".join(str(fault) for fault in check_study(folder))


def test_a_pair_is_rendered_and_the_report_says_by_which_route(rooms, tmp_path):
    assert not said(rooms)
    study = load_study(rooms)
    job = render_job(study)
    made = render(job, tmp_path / "stimuli")
    assert len(made.stimuli) == 2
    route = loudspeaker_route(study)
    assert "over the headphone Plover, closed-back headphone, through the binaural impulse response" in route
    assert "Bittern, a pair of loudspeakers (ear simulator 2, 2.4 m, seat in the middle)" in route
    facts = condition_facts(study, "heron")
    assert facts.from_measurement
    assert "both loudspeakers of Bittern, a pair of loudspeakers at both ears" in facts.chain[0]
    unit = unit_facts(study, study.unit("bittern"))
    assert (unit.rig, unit.reference_point, unit.seatings) == ("ear simulator 2", "eardrum", None)

    chain, other = chains(study, job, load_rendered(job, tmp_path / "stimuli"))
    assert sum(one.level_db for one in chain.stages) == pytest.approx(chain.sum_db, abs=1e-9)
    (room,) = chain.rooms
    # Closed form: the deltas that were written; the tail begins 5 ms behind them.
    assert room.interaural_ms == pytest.approx((1e3 * FAR / RATE,) * 2, abs=1e-3)
    assert room.crosstalk_db == pytest.approx((-6.02,) * 2, abs=0.05)
    assert room.common_delay_ms == pytest.approx(20.0, abs=0.01)
    words = chain_words(chain)
    assert "0.27 ms later and \N{MINUS SIGN}6.0 dB to the right ear" in words
    assert "A delay of 20.0 ms, common to all four paths, was taken out" in words
    assert "Movements of the head" in " ".join(chain_left_out(chain))
    assert "Seal and leakage" not in " ".join(chain_left_out(chain))
    report = ReportInput(
        title="x",
        generated_at=datetime(2026, 3, 4, tzinfo=UTC),
        conditions=(ConditionFacts(id="heron", name="Bittern"), ConditionFacts(id="plover", name="Dunlin")),
        compared=("heron", "plover"),
        protocol=ProtocolFacts(name="abx", trials=28, margin=0.5),
        chains=(chain, other),
    )
    figure = chain_figures(report)[0]
    assert "left to right ear, dB" in figure.columns
    held = [row[figure.columns.index("left to left ear, dB")] for row in figure.rows]
    assert max(value for value in held if value != "") > -6


def test_the_same_loudspeaker_at_the_same_position_is_another_route(folder, changed):
    changed(
        ('id = "plover"\nname = "Plover, closed-back headphone"\nkind = "headphone"',
         'id = "plover"\nname = "Plover, a loudspeaker"\nkind = "loudspeaker"\nposition = "2 m on axis"'),
        ('stages = [{ response = "heron" }]', 'stages = [{ response = "plover" }, { tilt_db_per_octave = 1.0 }]'),
    )  # fmt: skip
    assert not said(folder)
    route = loudspeaker_route(load_study(folder))
    assert "the same loudspeaker at the same position (2 m on axis)" in route


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (
            'stages = [{ binaural_response = "dunlin" }, { tilt_db_per_octave = 0.5 }]',
            'stages = [{ response = "heron" }]',
            "condition.plover.stages: others are heard through a room, this one isn't",
        ),
        (
            'stages = [{ binaural_response = "dunlin" }, { tilt_db_per_octave = 0.5 }]',
            "stages = []",
            "got 'the clip as it is' (allowed: a chain with binaural_response",
        ),
        ("{ tilt_db_per_octave = 0.5 }", '{ response = "heron" }', "response: doesn't go with binaural_response"),
        ("{ tilt_db_per_octave = 0.5 }", '{ imbalance = "heron" }', "imbalance: doesn't go with binaural_response"),
        ("{ tilt_db_per_octave = 0.5 }", '{ binaural_response = "bittern" }', "a second room in one chain"),
        ('{ binaural_response = "dunlin" }', '{ binaural_response = "heron" }', "wasn't measured at two ears"),
        ('{ binaural_response = "dunlin" }', '{ binaural_response = "dunlim" }', "did you mean 'dunlin'?"),
        ('"measurements/dunlin.wav", rig = "ear simulator 2"', '"measurements/dunlin.wav", rig = "head 7"',
         "measured with different heads than the headphone: its inverse would not fit, got 'dunlin: head 7'"),
        ('{ file = "measurements/dunlin.wav", rig', '{ left_to_left = "measurements/dunlin.wav", rig',
         "write left_to_right, right_to_left, right_to_right too"),
        ('{ file = "measurements/dunlin.wav", rig', '{ file = "measurements/dunlin.wav", measurements = [1, 2], rig',
         "only a SOFA file holds several measurements"),
        ('{ file = "measurements/dunlin.wav", rig', '{ file = "measurements/duning.wav", rig', "there is no such file"),
        ('{ file = "measurements/dunlin.wav", rig', '{ file = "clips/strings.wav", rig', "strings.wav: no binaural"),
        ('[playback]\nunit = "plover"', '[rendering]\nover = "worn"\n\n[playback]\nunit = "plover"',
         "loudspeakers over a headphone need its response divided out"),
        ('[playback]\nunit = "plover"', '[playback]\nunit = "bittern"', "is heard over a headphone"),
    ],
)  # fmt: skip
def test_what_cannot_be_heard_so_is_refused(rooms, changed, old, new, words):
    changed((old, new))
    assert words in said(rooms)


BENT = """Frequency (Hz),Level (dB),H2 (dB)
50,94,-30
20000,94,-30
"""


def bent(folder, changed, *more):
    """The first pair has harmonics, referred back through its own response: 3 dB per octave up."""
    (folder / "measurements/bent.csv").write_text(BENT)
    rows = "".join(f"{hz:.1f},{80 + 3 * np.log2(hz / 1000):.4f}\n" for hz in np.geomspace(20, 20_000, 60))
    (folder / "measurements/far.csv").write_text("Frequency (Hz),SPL (dB)\n" + rows)
    changed(
        ('[{ binaural_response = "bittern" }]',
         '[{ harmonics = { unit = "bittern", full_scale_db = 94.0 } }, { binaural_response = "bittern" }]'),
        ('binaural = { file = "measurements/bittern.wav"',
         'harmonics = "measurements/bent.csv"\nresponses = ["measurements/far.csv"]\n'
         'binaural = { file = "measurements/bittern.wav"'),
        *more,
    )  # fmt: skip


def test_harmonics_are_heard_through_the_room_and_referred_back_through_the_pairs_own_response(rooms, changed):
    """A tone of 500 Hz: its octave lies at the table's -30 dB, less 3 dB of the response that it was measured behind
    (methods.md 4.2: table(f) x response(f) / response(nf)), and then goes through the room as any sound does."""
    bent(rooms, changed)
    assert not said(rooms)
    stage, room = next(one for one in render_job(load_study(rooms)).conditions if one.id == "heron").stages
    assert room.kind == "binaural_response"
    tone = np.sin(2 * np.pi * 500 * np.arange(RATE) / RATE)[:, None]
    spectrum = np.abs(np.fft.rfft(tone + stage.model(RATE).products(tone), axis=0))[:, 0]
    assert 20 * np.log10(spectrum[1000] / spectrum[500]) == pytest.approx(-33.0, abs=0.05)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('responses = ["measurements/far.csv"]\nbin', "bin", "harmonics are referred back through the response"),
        ('{ harmonics = { unit = "bittern", full_scale_db = 94.0 } }, { binaural_response = "bittern" }',
         '{ binaural_response = "bittern" }, { harmonics = { unit = "bittern", full_scale_db = 94.0 } }',
         "harmonics stand behind binaural_response: a nonlinearity comes ahead"),
    ],
)  # fmt: skip
def test_harmonics_that_a_room_cannot_have_are_refused(rooms, changed, old, new, words):
    bent(rooms, changed, (old, new))
    assert words in said(rooms)


def test_a_loudspeaker_by_its_response_over_a_headphone_is_refused_with_the_routes(folder, changed):
    changed(('name = "Heron, open-back headphone"\nkind = "headphone"', 'name = "Heron"\nkind = "loudspeaker"'))
    assert "measure it at two ears (binaural_response), or switch real ones side by side" in said(folder)
