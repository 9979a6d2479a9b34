"""Harmonics and a source impedance through the whole rendering: measured on the stimuli that were written."""

import numpy as np
import pandas as pd
import pytest
import soundfile
from scipy.signal import lfilter

from blindtest.device import Impedance, Response, excess_phase
from blindtest.render import (
    ClipSource,
    Condition,
    DistortionStage,
    ExcessPhaseStage,
    RenderJob,
    ResponseStage,
    SourceImpedanceStage,
    render,
)
from blindtest.render.playback import Playback

RATE = 48_000
GRID = np.geomspace(20, 20_000, 120)


def response(shape):
    return Response(frequency=GRID, magnitude=shape(np.log2(GRID / 1000))[:, None])


def table():
    rows = [
        (hertz, level, order, -30.0 - 6 * order - 4 * np.log2(hertz / 200) + 0.8 * (order - 1) * (level - 104))
        for hertz in (50, 100, 200, 500, 1000, 2000, 5000)
        for level in (94.0, 104.0)
        for order in (2, 3, 4, 5)
    ]
    return pd.DataFrame(rows, columns=["frequency_hz", "level_db", "order", "distortion_db"])


def wanted(hertz, order):
    return -30.0 - 6 * order - 4 * np.log2(hertz / 200)


def rendered(tmp_path, hertz, conditions, peak=1.0, **job):
    sound = peak * np.cos(2 * np.pi * hertz * np.arange(5 * RATE) / RATE)
    # A whole second ahead of the excerpt, as in any track.
    soundfile.write(tmp_path / "clip.wav", np.stack([sound, sound], axis=1), RATE, subtype="FLOAT")
    clip = ClipSource(id="tone", path=tmp_path / "clip.wav", in_s=1.0, out_s=4.0, loudness_lufs=-30.0)
    made = render(RenderJob(clips=(clip,), conditions=conditions, **job), tmp_path / "stimuli")
    return {one.condition: soundfile.read(one.path)[0][RATE // 2 : RATE // 2 + 2 * RATE] for one in made.stimuli}


def harmonic_db(frames, hertz, order):
    found = np.abs(np.fft.rfft(frames[:, 0]))[2 * hertz :: 2 * hertz]
    return 20 * np.log10(found[order - 1] / found[0])


@pytest.mark.parametrize("hertz", [100, 1000])
def test_behind_device_and_playback_each_harmonic_is_that_of_the_table(tmp_path, hertz):
    """methods 4.2, "test the whole chain": heard through the playback unit, harmonics within 0.5 dB of the bench's."""
    device, worn = response(lambda octaves: 4 * np.sin(1.3 * octaves)), response(lambda octaves: -2 * octaves)
    stages = (
        DistortionStage(unit_id="u", table=table(), full_scale_db=104.0, response=device),
        ResponseStage(unit_id="u", response=device),
    )
    playback = Playback(unit_id="p", response=worn, max_boost_db=40, trusted_band_hz=(20.0, 20_000.0))
    made = rendered(
        tmp_path,
        hertz,
        (Condition(id="bent", stages=stages), Condition(id="clean", stages=stages[1:])),
        playback=playback,
    )
    for order in (2, 3, 4, 5):
        heard = np.interp(np.log(order * hertz), np.log(GRID), worn.magnitude[:, 0]) - np.interp(
            np.log(hertz), np.log(GRID), worn.magnitude[:, 0]
        )
        assert harmonic_db(made["bent"], hertz, order) + heard == pytest.approx(wanted(hertz, order), abs=0.2)
        assert harmonic_db(made["clean"], hertz, order) < -100


def test_the_listening_level_decides_how_much_is_made(tmp_path):
    """Closed form: 10 dB under the drive an H2 from T_2 alone falls by 10 dB re the fundamental."""
    only = table()
    only = only[(only.order == 2) & (only.level_db == 104)]
    conditions = tuple(
        Condition(id=f"at-{level}", stages=(DistortionStage(unit_id="u", table=only, full_scale_db=float(level)),))
        for level in (94, 104)
    )
    made = rendered(tmp_path, 200, conditions)
    assert harmonic_db(made["at-104"], 200, 2) == pytest.approx(wanted(200, 2), abs=0.05)
    assert harmonic_db(made["at-94"], 200, 2) == pytest.approx(wanted(200, 2) - 10, abs=0.05)


def test_both_polarities_and_both_topologies_have_the_same_harmonics_and_are_other_sounds(tmp_path):
    conditions = tuple(
        Condition(
            id=f"{topology}{polarity}",
            stages=(
                DistortionStage(unit_id="u", table=table(), full_scale_db=104.0, polarity=polarity, topology=topology),
            ),
        )
        for topology in ("after", "before")
        for polarity in (1, -1)
    )
    made = rendered(tmp_path, 500, conditions)
    for frames in made.values():
        for order in (2, 3, 4, 5):
            assert harmonic_db(frames, 500, order) == pytest.approx(wanted(500, order), abs=0.2)
    assert np.abs(made["after1"] - made["after-1"]).max() > 1e-4


def test_a_source_impedance_changes_the_response_as_the_divider_does(tmp_path):
    """Circuit theory: Z/(Z + Rs), level matched away; a resistance changes nothing."""
    coil = 38 + 60 / (1 + 2.4j * (GRID / 70 - 70 / GRID)) + 2j * np.pi * GRID * 0.25e-3
    load = Impedance(frequency=GRID, magnitude=np.abs(coil), phase=np.angle(coil))
    resistor = Impedance(frequency=GRID, magnitude=np.full(len(GRID), 38.0), phase=np.zeros(len(GRID)))
    conditions = (
        Condition(id="plain", stages=()),
        Condition(id="behind-120", stages=(SourceImpedanceStage(unit_id="u", impedance=load, source_ohm=120.0),)),
        Condition(id="resistive", stages=(SourceImpedanceStage(unit_id="u", impedance=resistor, source_ohm=120.0),)),
    )
    noise = np.random.default_rng(5).normal(0, 0.05, (6 * RATE, 2))
    soundfile.write(tmp_path / "clip.wav", noise, RATE, subtype="FLOAT")
    clip = ClipSource(id="noise", path=tmp_path / "clip.wav", in_s=1.0, loudness_lufs=-30.0)
    made = render(RenderJob(clips=(clip,), conditions=conditions), tmp_path / "stimuli")
    spectra = {one.condition: np.fft.rfft(soundfile.read(one.path)[0][:, 0]) for one in made.stimuli}

    def change(name, hertz):
        band = slice(int(hertz * 5 * 0.97), int(hertz * 5 * 1.03))
        power = [np.sum(np.abs(spectra[one][band]) ** 2) for one in (name, "plain")]
        return 10 * np.log10(power[0] / power[1])

    def divider(hertz):
        ohm = 38 + 60 / (1 + 2.4j * (hertz / 70 - 70 / hertz)) + 2j * np.pi * hertz * 0.25e-3
        return 20 * np.log10(abs(ohm / (ohm + 120)))

    for hertz in (70, 10_000):
        got = change("behind-120", hertz) - change("behind-120", 1000)
        assert got == pytest.approx(divider(hertz) - divider(1000), abs=0.15)
        assert change("resistive", hertz) == pytest.approx(0, abs=0.01)


def test_the_same_settings_have_the_same_facts_and_others_have_not():
    one, again = (DistortionStage(unit_id=name, table=table(), full_scale_db=104.0).facts() for name in ("a", "b"))
    assert one == again
    for change in ({"scale_db": 1.0}, {"polarity": -1}, {"topology": "before"}, {"design_level_db": 94.0}):
        assert DistortionStage(unit_id="a", table=table(), full_scale_db=104.0, **change).facts() != one
    turned = table().sample(frac=1, random_state=1)
    assert DistortionStage(unit_id="a", table=turned, full_scale_db=104.0).facts() == one
    for name in ("frequency_hz", "level_db", "distortion_db"):
        moved = table().astype({"frequency_hz": float})
        moved.loc[7, name] += 0.001
        assert DistortionStage(unit_id="a", table=moved, full_scale_db=104.0).facts() != one


def test_the_excess_phase_alone_changes_no_level_and_the_group_delay_as_measured(tmp_path):
    """Closed form: an all-pass of the Audio EQ Cookbook behind a minimum-phase section; its delay isn't rendered."""
    w0, q = 2 * np.pi * 400 / RATE, 1.5
    alpha = np.sin(w0) / (2 * q)
    b = np.array([1 - alpha, -2 * np.cos(w0), 1 + alpha])
    impulse = np.zeros(RATE // 2)
    impulse[200] = 1.0
    excess = excess_phase(lfilter(b, b[::-1], impulse), RATE, band_hz=(20.0, 20_000.0))
    conditions = (
        Condition(id="minimum", stages=()),
        Condition(id="measured", stages=(ExcessPhaseStage(unit_id="u", excess=excess),)),
    )
    noise = np.random.default_rng(6).normal(0, 0.05, (7 * RATE, 2))
    soundfile.write(tmp_path / "clip.wav", noise, RATE, subtype="FLOAT")
    clip = ClipSource(id="noise", path=tmp_path / "clip.wav", in_s=2.0, out_s=5.0, loudness_lufs=-30.0)
    made = render(RenderJob(clips=(clip,), conditions=conditions), tmp_path / "stimuli")
    frames = {one.condition: soundfile.read(one.path)[0][:, 0] for one in made.stimuli}
    # The whole programme through the filter is known; the excerpt of it has to be that, edges and all.
    fir = excess.fir(RATE, 32_769)
    whole = np.convolve(noise[RATE : 6 * RATE, 0], fir)[16_384:]
    wanted = whole[RATE : 4 * RATE]
    gain = np.dot(frames["measured"], wanted) / np.dot(wanted, wanted)
    assert np.abs(frames["measured"] - gain * wanted).max() < 1e-5 * np.abs(wanted).max() + 3e-7
    level = [np.sqrt(np.mean(one**2)) for one in frames.values()]
    assert 20 * np.log10(level[0] / level[1]) == pytest.approx(0, abs=0.02)
    spectra = {name: np.fft.rfft(one) for name, one in frames.items()}
    ratio = spectra["measured"] / spectra["minimum"]
    at = np.arange(300, 900)  # thirds of a hertz: 100 to 300 Hz
    smooth = np.convolve(ratio, np.ones(31) / 31, mode="same")[at]
    assert np.angle(smooth * np.exp(-1j * excess.phase_at(at / 3))) == pytest.approx(0, abs=0.35)
