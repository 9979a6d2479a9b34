import hashlib
import json
import tomllib
from dataclasses import replace

import numpy as np
import pytest
import soundfile
from numpy.testing import assert_allclose
from scipy.interpolate import PchipInterpolator
from scipy.signal import fftconvolve, sosfilt

from blindtest.audio import true_peak
from blindtest.errors import BlindtestError
from blindtest.render import Condition, GainStage, Playback, RecordingStage, load_rendered, render
from blindtest.render.table import place_in_table

RATE = 48_000
STEP = 2.0**-23


def written(stimulus):
    frames, rate = soundfile.read(stimulus.path, always_2d=True)
    assert rate == stimulus.rate
    return frames


def loudness_by_the_book(frames):
    """BS.1770-5 written out: its 48 kHz coefficients (annex 1, tables 1 and 2), blocks of 400 ms every 100 ms."""
    shelf = [1.53512485958697, -2.69169619940638, 1.19839281085285, 1.0, -1.69065929318241, 0.73248077421585]
    shelf[1] = -2.69169618940638
    high_pass = [1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621]
    weighted = sosfilt(np.array([shelf, high_pass]), frames, axis=0)
    starts = range(0, len(frames) - 19_200 + 1, 4_800)
    power = np.array([np.mean(np.square(weighted[i : i + 19_200]), axis=0).sum() for i in starts])
    level = -0.691 + 10 * np.log10(power + 1e-300)
    power, level = power[level > -70], level[level > -70]
    gate = -0.691 + 10 * np.log10(power.mean()) - 10
    return -0.691 + 10 * np.log10(power[level > gate].mean())


def heard_by_convolution(frames, playback):
    """What reaches the listener, by a way of our own: a zero-phase filter of 2^17 taps."""
    frequency = np.fft.rfftfreq(1 << 17, 1 / RATE)

    def read(response):
        at = np.clip(frequency, response.frequency[0], response.frequency[-1])
        return PchipInterpolator(np.log(response.frequency), response.magnitude.mean(axis=1))(np.log(at))

    level = read(playback.response) - read(playback.field)
    impulse = np.fft.fftshift(np.fft.irfft(10 ** ((level - level[(frequency > 20) & (frequency < 1e4)].mean()) / 20)))
    return fftconvolve(frames, impulse[:, None], mode="same", axes=0)


def level_at(frames, frequency, rate):
    turns = np.exp(-2j * np.pi * frequency * np.arange(len(frames)) / rate)
    return 20 * np.log10(abs(turns @ frames[:, 0]))


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
def test_written_files_differ_by_what_was_measured(bench, rate):
    """methods.md 4.1: A minus B within 0.01 dB up to one constant throughout the band, read from the written files."""
    frames = np.zeros((round(1.1 * rate), 2))
    frames[round(0.1 * rate)] = 0.5
    rendered = render(bench.job(bench.clip("click", frames, rate)), bench.stimuli)
    a, b = (written(rendered.stimulus("click", name)) for name in ("heron", "plover"))
    size = 1 << 20
    bins = np.unique((np.geomspace(20, 10_000, 3000) / rate * size).round().astype(int))[1:-1]
    frequency = bins / size * rate
    spectra = [np.fft.rfft(frames[:, 0], size)[bins] for frames in (a, b)]
    got = 20 * np.log10(np.abs(spectra[0] / spectra[1]))
    read = [
        PchipInterpolator(np.log(one.frequency), one.magnitude[:, 0])(np.log(frequency))
        for one in (bench.heron, bench.plover)
    ]
    off = got - (read[0] - read[1])
    assert np.abs(off - np.median(off)).max() < 0.01
    assert_allclose(a[:, 0], a[:, 1], atol=2 * STEP)  # left and right by one filter; dither is their own


def test_all_conditions_are_heard_alike(bench):
    """Within 0.01 dB, by another filter and BS.1770-5 written out, on what the files hold."""
    clips = [
        bench.clip("pink", bench.pink(4.0), in_s=1.0),
        bench.clip("swell", bench.pink(4.0, seed=5) * np.linspace(0.01, 1, 192_000)[:, None] ** 2),
    ]
    rendered = render(bench.job(*clips), bench.stimuli)
    for clip in ("pink", "swell"):
        heard = [
            loudness_by_the_book(heard_by_convolution(written(rendered.stimulus(clip, name)), bench.playback))
            for name in ("heron", "plover")
        ]
        assert abs(heard[0] - heard[1]) < 0.01
        asked = rendered.fixed["loudness_lufs"][clip]
        assert [rendered.stimulus(clip, name).loudness for name in ("heron", "plover")] == pytest.approx(
            [asked, asked], abs=0.002
        )


def test_matching_files_leaves_devices_apart_at_the_ear(bench):
    """methods.md 3.2 found 1.44 dB for two devices it doesn't name; ours are further apart, and the table says so."""
    clip = bench.clip("pink", bench.pink(3.0))
    rendered = render(bench.job(clip, match="file"), bench.stimuli)
    a, b = rendered.table
    assert abs(a.file_after - b.file_after) < 0.004
    files = [loudness_by_the_book(written(rendered.stimulus("pink", name))) for name in ("heron", "plover")]
    assert abs(files[0] - files[1]) < 0.01
    heard = [
        loudness_by_the_book(heard_by_convolution(written(rendered.stimulus("pink", name)), bench.playback))
        for name in ("heron", "plover")
    ]
    assert abs(heard[0] - heard[1]) > 0.3
    assert a.heard_after - b.heard_after == pytest.approx(heard[0] - heard[1], abs=0.01)
    assert "not by what is heard" in rendered.heard


def test_matching_at_1_khz(bench):
    clip = bench.clip("click", np.concatenate((np.zeros((4800, 2)), np.full((1, 2), 0.5), np.zeros((48_000, 2)))))
    rendered = render(bench.job(clip, match="1khz"), bench.stimuli)
    levels = [level_at(written(rendered.stimulus("click", name)), 1000.0, RATE) for name in ("heron", "plover")]
    assert levels[0] == pytest.approx(levels[1], abs=0.01)


def test_the_untouched_clip_is_bit_true_up_to_gain_and_dither(bench):
    frames = bench.pink(1.0)
    job = bench.job(bench.clip("pink", frames), conditions=(Condition(id="clip"), bench.condition("h", bench.heron)))
    stimulus = render(job, bench.stimuli).stimulus("pink", "clip")
    error = written(stimulus) - frames * 10 ** (stimulus.gain_db / 20)
    assert stimulus.gain_db != 0.0
    assert np.abs(error).max() <= 1.5 * STEP + 1e-15  # dither below one step, rounding half a step
    assert np.sqrt(np.mean(error**2)) == pytest.approx(STEP / 2, rel=0.01)  # TPDF and rounding: q^2/6 + q^2/12 = q^2/4
    assert abs(np.corrcoef(error[:, 0], error[:, 1])[0, 1]) < 0.02
    a, b = (written(render(job, bench.stimuli).stimulus("pink", name)) for name in ("clip", "h"))
    assert a.shape == b.shape


def test_the_programme_before_the_part_is_heard_in_it(bench):
    """methods.md 4.1: one filter length of real programme goes before the excerpt."""
    frames = bench.pink(2.5)
    job = bench.job(bench.clip("late", frames, in_s=1.0, out_s=2.0), bench.clip("whole", frames))
    rendered = render(job, bench.stimuli)
    late, whole = rendered.stimulus("late", "heron"), rendered.stimulus("whole", "heron")
    scale = 10 ** ((late.gain_db - whole.gain_db) / 20)
    assert late.frames == RATE
    assert_allclose(written(late), written(whole)[RATE : 2 * RATE] * scale, atol=4 * STEP)


def test_files_tell_nothing(bench):
    clips = [bench.clip("a", bench.pink(0.5)), bench.clip("b", bench.pink(0.7, seed=2))]
    job = bench.job(*clips)
    rendered = render(job, bench.stimuli)
    for clip in ("a", "b"):
        stats = [rendered.stimulus(clip, name).path.stat() for name in ("heron", "plover")]
        assert stats[0].st_size == stats[1].st_size == 44 + 6 * rendered.stimulus(clip, "heron").frames
        assert stats[0].st_mode == stats[1].st_mode
    assert len({path.stat().st_mtime_ns for path in bench.stimuli.glob("*.wav")}) == 1
    for stimulus in rendered.stimuli:
        data = stimulus.path.read_bytes()
        assert stimulus.path.name == hashlib.sha256(data).hexdigest()[:32] + ".wav"
        assert stimulus.sha256 == hashlib.sha256(data).hexdigest()
        assert data[:4] + data[8:16] + data[36:40] == b"RIFFWAVEfmt data"
    manifest = (bench.stimuli / "manifest.json").read_text()
    for name in ("heron", "plover", '"a"', '"b"'):
        assert name not in manifest
    table = (bench.stimuli / "table.csv").read_text()
    assert not any(path.stem in table for path in bench.stimuli.glob("*.wav"))
    assert [line.split(",")[:2] for line in table.splitlines()[1:]] == [
        ["a", "heron"],
        ["a", "plover"],
        ["b", "heron"],
        ["b", "plover"],
    ]
    assert bench.names() - {path.name for path in bench.stimuli.glob("*.wav")} == {
        "fixed.toml",
        "manifest.json",
        "table.csv",
    }


def test_no_number_joins_a_file_to_the_table(bench):
    """The manifest's files and its measured facts carry different hashes: neither leads to the other."""
    render(bench.job(bench.clip("a", bench.pink(0.5))), bench.stimuli)
    manifest = json.loads((bench.stimuli / "manifest.json").read_text())
    assert not set(manifest["files"]) & set(manifest["facts"])
    assert all(set(entry) == {"file", "sha256"} for entry in manifest["files"].values())
    assert not any(entry["file"][:8] in json.dumps(manifest["facts"]) for entry in manifest["files"].values())


def test_exchanging_the_conditions_changes_no_file(bench):
    clip = bench.clip("a", bench.pink(0.5))
    render(bench.job(clip), bench.stimuli)
    before = {path.name: path.read_bytes() for path in bench.stimuli.iterdir() if path.name != "table.csv"}
    exchanged = bench.job(
        clip, conditions=(bench.condition("heron", bench.plover), bench.condition("plover", bench.heron))
    )
    again = render(exchanged, bench.stimuli)
    assert (again.made, again.reused) == (0, 2)
    assert {path.name: path.read_bytes() for path in bench.stimuli.iterdir() if path.name != "table.csv"} == before
    other = bench.folder / "other"
    render(exchanged, other)
    assert {path.name: path.read_bytes() for path in other.iterdir() if path.name != "table.csv"} == before


def test_a_second_rendering_computes_no_sound(bench, counted_filtering):
    job = bench.job(bench.clip("a", bench.pink(0.5)))
    first = render(job, bench.stimuli)
    assert (first.made, first.reused) == (2, 0)
    assert counted_filtering.calls > 0
    bytes_before, counted_filtering.calls = bench.wavs(), 0
    second = render(job, bench.stimuli)
    loaded = load_rendered(job, bench.stimuli)
    assert (second.made, second.reused) == (0, 2)
    assert counted_filtering.calls == 0
    assert bench.wavs() == bytes_before
    assert second.stimuli == first.stimuli == loaded.stimuli
    assert second.table == first.table == loaded.table


def test_only_what_changed_is_made_anew(bench):
    clips = [bench.clip("a", bench.pink(0.5)), bench.clip("b", bench.pink(0.5, seed=2))]
    job = bench.job(*clips)
    old = render(job, bench.stimuli)
    new_response = bench.device((80, 3, 1.0), (3000, 4, 0.6))
    changed = replace(job, conditions=(bench.condition("heron", new_response), job.conditions[1]))
    new = render(changed, bench.stimuli)
    assert (new.made, new.reused) == (2, 2)
    assert {one.sha256 for one in new.stimuli if one.condition == "plover"} == {
        one.sha256 for one in old.stimuli if one.condition == "plover"
    }
    bench.clip("b", bench.pink(0.5, seed=3))
    newer = render(changed, bench.stimuli)
    assert (newer.made, newer.reused) == (2, 2)
    assert len(bench.wavs()) == 4  # what nobody asks for any longer is gone
    with pytest.raises(
        BlindtestError, match=r"not rendered, or something that goes in has changed.*run blindtest render"
    ):
        load_rendered(job, bench.stimuli)


def test_a_device_added_later_moves_no_old_stimulus(bench):
    clip = bench.clip("a", bench.pink(0.8))
    job = bench.job(clip)
    render(job, bench.stimuli)
    before = bench.wavs()
    curve = tomllib.loads((bench.stimuli / "fixed.toml").read_text())["outside"]
    third = bench.condition("third", bench.device((12_000, 9, 0.5), (30, -6, 1.0)))
    added = render(replace(job, conditions=(*job.conditions, third)), bench.stimuli)
    assert (added.made, added.reused) == (1, 2)
    after = bench.wavs()
    assert {name: after.get(name) for name in before} == before
    assert tomllib.loads((bench.stimuli / "fixed.toml").read_text())["outside"] == curve
    # And from fixed.toml alone, nothing cached: the same bytes.
    other = bench.folder / "other"
    other.mkdir()
    (other / "fixed.toml").write_bytes((bench.stimuli / "fixed.toml").read_bytes())
    anew = render(replace(job, conditions=(third, *job.conditions)), other)
    assert anew.made == 3
    assert {path.name: path.read_bytes() for path in other.glob("*.wav")} == after


def test_the_clip_as_it_is_cannot_join_a_curve_that_was_fixed_without_it(bench):
    job = bench.job(bench.clip("a", bench.pink(0.5)))
    render(job, bench.stimuli)
    before = bench.wavs()
    with pytest.raises(
        BlindtestError, match=r"fixed\.toml: condition\.clip: .*fixed without one.*new version of the study"
    ):
        render(replace(job, conditions=(*job.conditions, Condition(id="clip"))), bench.stimuli)
    assert bench.wavs() == before


def test_a_playback_that_changed_fixes_a_curve_of_its_own(bench):
    """Every stimulus changes with it, so that nothing is moved; going back finds the old curve."""
    job = bench.job(bench.clip("a", bench.pink(0.5)))
    first = render(job, bench.stimuli)
    other = replace(job, playback=replace(bench.playback, max_boost_db=6.0))
    assert render(other, bench.stimuli).made == 2
    assert len(tomllib.loads((bench.stimuli / "fixed.toml").read_text())["outside"]) == 2
    assert [one.sha256 for one in render(job, bench.stimuli).stimuli] == [one.sha256 for one in first.stimuli]


def test_loudness_is_common_to_the_clips_that_reach_it(bench):
    clips = [bench.clip("a", bench.pink(0.6)), bench.clip("b", bench.pink(0.6, seed=2, peak=0.9))]
    rendered = render(bench.job(*clips), bench.stimuli)
    chosen = rendered.fixed["loudness_lufs"]
    assert chosen["a"] == chosen["b"] == rendered.fixed["common_loudness_lufs"]
    assert round(chosen["a"] * 10) == pytest.approx(chosen["a"] * 10, abs=1e-9)
    worst = max(one.true_peak for one in rendered.stimuli)
    assert -1.0 - 2.0 - 0.1 - 0.01 <= worst <= -1.0 - 2.0 + 0.01  # 2 LU of reserve, rounded down to 0.1
    # A clip of single clicks can't be that loud: it gets its own, the others keep theirs.
    clicks = np.zeros((48_000, 2))
    clicks[::9600] = 0.9
    later = render(bench.job(*clips, bench.clip("clicks", clicks)), bench.stimuli)
    assert later.reused == 4
    assert later.fixed["loudness_lufs"]["clicks"] < chosen["a"]


def test_true_peak_is_that_of_the_file(bench):
    rendered = render(bench.job(bench.clip("a", bench.pink(0.6))), bench.stimuli)
    for stimulus in rendered.stimuli:
        assert stimulus.true_peak == pytest.approx(true_peak(written(stimulus), RATE), abs=0.0005)


def test_the_table_holds_what_the_files_hold(bench):
    rendered = render(bench.job(bench.clip("a", bench.pink(2.0))), bench.stimuli)
    for row, stimulus in zip(rendered.table, rendered.stimuli, strict=True):
        frames = written(stimulus)
        assert row.file_after == pytest.approx(loudness_by_the_book(frames), abs=0.001)
        assert row.file_before + row.gain_db == pytest.approx(row.file_after, abs=1e-9)
        assert row.heard_before + row.gain_db == pytest.approx(row.heard_after, abs=0.05)
    header = (bench.stimuli / "table.csv").read_text().splitlines()[0].split(",")
    assert header[3:5] == ["heard_before_lufs", "heard_after_lufs"]
    assert header[-1] == "true_peak_after_dbtp"


def test_levels_of_a_grid_stand_in_the_order_of_their_numbers():
    pairs = [("b", "up"), ("a", "up@10"), ("a", "up@-3"), ("a", "up@5"), ("a", "up"), ("a", "upper"), ("a", "up@0.5")]
    ordered = [one for _, one in sorted(pairs, key=place_in_table)]
    assert ordered == ["up", "up@-3", "up@0.5", "up@5", "up@10", "upper", "up"]


def test_a_condition_that_cannot_reach_its_loudness_is_refused(bench):
    clip = bench.clip("a", bench.pink(0.6), loudness_lufs=-5.0)
    with pytest.raises(BlindtestError) as caught:
        render(bench.job(clip), bench.stimuli)
    faults = caught.value.faults
    assert len(faults) == 2
    text = str(caught.value)
    assert "clip.a.loudness_lufs: on clip 'a' condition 'heron' would pass -1 dBTP, got -5.0 (allowed: up to -" in text
    assert "condition 'plover'" in text
    reachable = float(faults[0].allowed.split()[2])
    assert not bench.stimuli.exists() or not bench.names()
    rendered = render(bench.job(replace(clip, loudness_lufs=reachable)), bench.stimuli)  # and that one is reached
    assert max(one.true_peak for one in rendered.stimuli) <= -1.0
    with pytest.raises(BlindtestError, match=r"on clip 'a' condition '.*' would pass"):
        render(bench.job(replace(clip, loudness_lufs=reachable + 0.2)), bench.stimuli)


def test_a_loudness_at_the_gate_is_refused(bench):
    swell = bench.pink(3.0) * np.linspace(0.01, 1, 144_000)[:, None] ** 2
    with pytest.raises(BlindtestError, match=r"clip\.a\.loudness_lufs: .* falls under the gate of -70 LUFS, got -70"):
        render(bench.job(bench.clip("a", swell, loudness_lufs=-70.0)), bench.stimuli)
    assert not bench.names()


def test_a_ceiling_lowered_later_refuses_what_was_made(bench):
    job = bench.job(bench.clip("a", bench.pink(0.6)))
    render(job, bench.stimuli)
    with pytest.raises(BlindtestError, match=r"fixed\.toml: loudness_lufs\.a: .* would pass -6 dBTP"):
        render(replace(job, ceiling_dbtp=-6.0), bench.stimuli)


def test_faults_of_all_clips_come_together(bench):
    silent = bench.clip("silent", np.zeros((48_000, 2)))
    short = bench.clip("short", bench.pink(0.3))
    past = bench.clip("past", bench.pink(1.0), in_s=0.2, out_s=1.5)
    four = bench.clip("four", np.tile(bench.pink(1.0), 2))
    with pytest.raises(BlindtestError) as caught:
        render(bench.job(silent, short, past, four, bench.clip("good", bench.pink(0.5))), bench.stimuli)
    text = str(caught.value)
    assert "clip.silent: silent in condition 'heron': there is no loudness to match" in text
    assert (
        "clip.short: the part that is played is too short to have a loudness, got '0.300 s' (allowed: at least" in text
    )
    assert "clip.past.out_s: the part that is played isn't in the file, got 1.5 (allowed: up to 1.000 s" in text
    assert "clip.four.file: more channels than a listener has ears, got 4 (allowed: 1 or 2)" in text
    assert "good" not in text
    missing = [replace(bench.clip(name, bench.pink(0.5)), path=bench.folder / f"no-{name}.wav") for name in "xy"]
    with pytest.raises(BlindtestError, match=r"no-x\.wav: clip\.x\.file: no such file(.|\n)*no-y\.wav: clip\.y\.file"):
        render(bench.job(*missing), bench.stimuli)


def test_a_filter_that_never_gets_long_enough_is_refused(bench):
    steep = bench.device((22, -40, 0.004), points=20_000)
    job = bench.job(
        bench.clip("a", bench.pink(0.5)), conditions=(bench.condition("steep", steep), Condition(id="clip"))
    )
    with pytest.raises(BlindtestError, match=r"condition\.steep: a filter of \d+ taps at 48000 Hz is too short"):
        render(job, bench.stimuli)


def test_gain_is_a_deliberate_offset(bench):
    louder = Condition(id="louder", stages=(GainStage(gain_db=1.0),))
    job = bench.job(bench.clip("a", bench.pink(1.0)), conditions=(Condition(id="clip"), louder))
    rendered = render(job, bench.stimuli)
    plain, loud = rendered.stimulus("a", "clip"), rendered.stimulus("a", "louder")
    assert loud.loudness - plain.loudness == pytest.approx(1.0, abs=0.004)
    assert loudness_by_the_book(written(loud)) - loudness_by_the_book(written(plain)) == pytest.approx(1.0, abs=0.004)


def test_two_conditions_alike_are_one_file(bench):
    """An inaudible control: the same stimulus twice."""
    job = bench.job(bench.clip("a", bench.pink(0.5)), conditions=(Condition(id="one"), Condition(id="two")))
    rendered = render(job, bench.stimuli)
    assert rendered.made == 1
    assert rendered.stimulus("a", "one").path == rendered.stimulus("a", "two").path


def test_worn_sends_the_clip_as_it_is_and_matches_what_is_heard(bench):
    clip = bench.clip("a", bench.pink(3.0))
    dull = fftconvolve(bench.pink(3.0), np.full((8, 1), 1 / 8), axes=0)[:144_000]
    other = bench.clip("dull", dull)
    conditions = (
        Condition(id="native"),
        Condition(id="dull", stages=(RecordingStage(files={"a": other.path}),)),
    )
    rendered = render(bench.job(clip, conditions=conditions, over="worn"), bench.stimuli)
    assert "worn unit 'wren'" in rendered.heard
    heard = [
        loudness_by_the_book(heard_by_convolution(written(rendered.stimulus("a", name)), bench.playback))
        for name in ("native", "dull")
    ]
    assert abs(heard[0] - heard[1]) < 0.01
    assert not rendered.limits
    with pytest.raises(ValueError, match="can't be rendered over a unit that is worn"):
        bench.job(clip, over="worn")


def test_unknown_playback_is_said(bench):
    job = bench.job(bench.clip("a", bench.pink(2.0)), playback=Playback(unit_id="?", trusted_band_hz=(30.0, 9000.0)))
    rendered = render(job, bench.stimuli)
    assert "unknown: loudness is that of the file itself" in rendered.heard
    files = [loudness_by_the_book(written(one)) for one in rendered.stimuli]
    assert abs(files[0] - files[1]) < 0.01
    assert render(replace(job, playback=None), bench.folder / "none").trusted_band_hz == (20.0, 10_000.0)


def test_recordings_are_cut_to_the_same_frames_and_aligned_if_asked(bench):
    frames = bench.pink(2.0)
    clip = bench.clip("a", frames, in_s=0.5)
    late = bench.clip("late", np.concatenate((np.zeros((1234, 2)), frames * 0.3))[: -RATE // 2])
    for align, shift in ((False, 0), (True, 1234)):
        recorded = Condition(id="recorded", stages=(RecordingStage(files={"a": late.path}, align=align),))
        job = bench.job(clip, conditions=(Condition(id="clip"), recorded), playback=None)
        rendered = render(job, bench.folder / f"align-{align}")
        a, b = rendered.stimulus("a", "clip"), rendered.stimulus("a", "recorded")
        assert b.shift == shift
        assert a.frames == b.frames == 96_000 + 1234 - 24_000 - 24_000 - shift
        if align:
            assert_allclose(written(b), written(a), atol=1e-4)


def test_an_early_recording_moves_the_beginning_of_all(bench):
    frames = bench.pink(1.5)
    early = bench.clip("early", frames[1000:])
    recorded = Condition(id="recorded", stages=(RecordingStage(files={"a": early.path}, align=True),))
    job = bench.job(bench.clip("a", frames), conditions=(Condition(id="clip"), recorded), playback=None)
    rendered = render(job, bench.stimuli)
    a, b = rendered.stimuli
    assert (b.shift, a.frames, b.frames) == (-1000, 71_000, 71_000)
    assert_allclose(written(b), written(a), atol=1e-4)


def test_recordings_at_another_rate_are_refused_unless_all_are_resampled(bench):
    clip = bench.clip("a", bench.pink(1.0))
    other = bench.clip("other", bench.pink(1.0, rate=44_100), rate=44_100)
    recorded = Condition(id="r", stages=(RecordingStage(files={"a": other.path}),))
    job = bench.job(clip, conditions=(Condition(id="clip"), recorded), playback=None)
    with pytest.raises(
        BlindtestError, match=r"other\.wav: sample rate differs .*got '44100 Hz' .*set rendering\.rate_hz"
    ):
        render(job, bench.stimuli)
    rendered = render(replace(job, rate_hz=48_000), bench.stimuli)
    assert {one.rate for one in rendered.stimuli} == {48_000}


def test_rate_hz_brings_all_clips_to_one_rate(bench):
    clips = [bench.clip("a", bench.pink(0.5, rate=44_100), rate=44_100), bench.clip("b", bench.pink(0.5))]
    own = render(bench.job(*clips), bench.folder / "own")
    assert own.rates == {"a": 44_100, "b": 48_000}
    one = render(bench.job(*clips, rate_hz=48_000), bench.folder / "one")
    assert one.rates == {"a": 48_000, "b": 48_000}
    assert {stimulus.frames for stimulus in one.stimuli} == {24_000}


def test_mono_goes_to_both_ears(bench):
    job = bench.job(bench.clip("m", bench.pink(1.0)[:, :1]), conditions=(Condition(id="clip"),), playback=None)
    stimulus = render(job, bench.stimuli).stimulus("m", "clip")
    frames = written(stimulus)
    assert frames.shape == (RATE, 2)
    assert_allclose(frames[:, 0], frames[:, 1], atol=3 * STEP)
    assert stimulus.loudness == pytest.approx(loudness_by_the_book(frames), abs=0.001)


def test_the_number_of_threads_and_the_memory_change_no_byte(bench, monkeypatch):
    job = bench.job(bench.clip("a", bench.pink(0.6)), bench.clip("b", bench.pink(0.6, seed=2)))
    render(job, bench.stimuli, workers=1)
    render(job, bench.folder / "two", workers=2)
    monkeypatch.setattr("blindtest.render.rendering.KEEP_BYTES", 0)
    monkeypatch.setattr("blindtest.render.drafts.GROUP_BYTES", 1)
    render(job, bench.folder / "small", workers=2)
    first = {path.name: path.read_bytes() for path in bench.stimuli.iterdir()}
    for name in ("two", "small"):
        assert {path.name: path.read_bytes() for path in (bench.folder / name).iterdir()} == first


def test_a_dry_run_changes_nothing(bench):
    job = bench.job(bench.clip("a", bench.pink(0.5)))
    planned = render(job, bench.stimuli, dry_run=True)
    assert (planned.made, planned.reused, planned.stimuli) == (2, 0, ())
    assert not bench.stimuli.exists()
    render(job, bench.stimuli)
    planned = render(job, bench.stimuli, dry_run=True)
    assert (planned.made, planned.reused, len(planned.stimuli)) == (0, 2, 2)


def test_progress_ends_at_its_total(bench):
    seen = []
    render(
        bench.job(bench.clip("a", bench.pink(0.5)), bench.clip("b", bench.pink(0.5, seed=2))),
        bench.stimuli,
        progress=lambda *step: seen.append(step),
    )
    assert [done for done, _, _ in seen] == list(range(1, 9))
    assert {total for _, total, _ in seen} == {8}


def test_limits_and_filters_are_reported(bench):
    rendered = render(bench.job(bench.clip("a", bench.pink(0.5))), bench.stimuli)
    assert any(limit.low_hz < 8500 < limit.high_hz for limit in rendered.limits)
    curve = rendered.filters["heron"]
    assert len(curve.fir) == curve.taps == 32_768
    spectrum = 20 * np.log10(np.abs(np.fft.rfft(curve.fir, 1 << 18)))
    inside = (curve.frequency >= 20) & (curve.frequency <= 20_000)
    got = np.interp(curve.frequency[inside], np.fft.rfftfreq(1 << 18, 1 / RATE), spectrum)
    assert_allclose(got, curve.magnitude_db[inside], atol=0.01)
    assert rendered.fixed["taps"] == {"48000": 32_768}
