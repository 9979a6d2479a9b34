"""A study rendered at two rates: matched alike, sealed, and each sitting heard at its browser's own."""

import importlib.util
import os
import shutil
from hashlib import sha256
from pathlib import Path

import numpy as np
import pytest
import soundfile

from blindtest import steps
from blindtest.audio import integrated_loudness
from blindtest.cli.commands import main
from blindtest.errors import BlindtestError
from blindtest.session.store import Store
from blindtest.steps.panel.playback import panel_playback_words
from blindtest.web import hosts_of, make_panel_app

WEB = Path(__file__).parents[1] / "web"
spec = importlib.util.spec_from_file_location("panel_visitor_again", WEB / "panel_visitor.py")
panel_visitor = importlib.util.module_from_spec(spec)
spec.loader.exec_module(panel_visitor)

TWO = 'over = "worn"\nrate_hz = 48_000\nsecond_rate_hz = 44_100\n'


@pytest.fixture
def folder(panel_folder, tmp_path):
    made = panel_folder.write_panel(tmp_path / "study", panel="public = true\n")
    rewrite(made, 'over = "worn"\n', TWO)
    # Nothing above 18 kHz, as in music: what only one of the rates can hold would count in its loudness alone.
    path = made / "clips" / "reeds.wav"
    frames, rate = soundfile.read(path)
    spectrum = np.fft.rfft(frames, axis=0)
    spectrum[np.fft.rfftfreq(len(frames), 1 / rate) > 18_000] = 0
    soundfile.write(path, np.fft.irfft(spectrum, len(frames), axis=0), rate, subtype="PCM_24")
    return made


def rewrite(folder, old, new):
    path = folder / "study.toml"
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


def test_both_sets_are_equally_loud_and_hold_the_same(folder):
    shown = steps.render(folder)
    assert shown.to_dict()["second"]["rate_hz"] == 44_100
    assert shown.to_dict()["second"]["made"] == 2
    assert "The same at 44100 Hz: 2 stimuli made, 0 were there already" in shown.text()
    second = {one.condition: one for one in shown.rendered.second.stimuli}
    lines = {48_000: [], 44_100: []}
    for one in shown.rendered.stimuli:
        other = second[one.condition]
        assert (one.rate, other.rate) == (48_000, 44_100)
        assert other.path.parent.name == "stimuli-44100"
        first_frames, _ = soundfile.read(one.path, always_2d=True)
        frames, rate = soundfile.read(other.path, always_2d=True)
        # Measured on the files themselves; our meter is held against BS.1770's signals elsewhere.
        assert integrated_loudness(frames, rate) == pytest.approx(integrated_loudness(first_frames, 48_000), abs=0.01)
        lines[48_000].append(line_db(first_frames, 48_000))
        lines[44_100].append(line_db(frames, rate))
    # Each condition is the same in both sets, not only as loud: by the tone of 220 Hz in it.
    assert lines[44_100] == pytest.approx(lines[48_000], abs=0.03)
    assert abs(np.diff(lines[48_000])[0]) > 0.5, "the tilt shows in it"
    again = steps.render(folder)
    assert (again.rendered.second.made, again.rendered.second.reused) == (0, 2)


def line_db(frames, rate):
    """Level of the line at 220 Hz, over a whole number of its periods."""
    count = round(0.5 * rate)
    part = frames[count // 4 : count // 4 + count, 0] * np.hanning(count)
    return 20 * np.log10(np.abs(np.fft.rfft(part))[110] / count)


def test_a_sitting_gets_the_set_of_its_browsers_rate_and_keeps_it(toy, folder):
    heard = {}
    with steps.open_panel(folder) as panel:
        app = make_panel_app(panel, hosts=hosts_of(8000))
        for rate in (48_000, 44_100, 96_000):
            one = panel_visitor.visitor_of(toy, app)
            token = panel.public_token()
            state = one.agree(token, one.open(token))
            one.step("questions", age=None, equipment="headphones")
            assert one.step("output", rate_hz=rate, latency_s=None).json["step"] == "sitting"
            assert one.post("/panel/begin", {}).json == {"begun": True}
            one.event("began")
            level = one.get(f"/sound/{one.view()['level']}")
            heard[rate] = [int.from_bytes(level.body[24:28], "little")]
            one.event("level_set", gain_db=-20, output_rate_hz=rate, output_latency_s=0.02)
            slots = [one.get(f"/sound/{slot['token']}") for slot in one.view()["slots"]]
            heard[rate] += [int.from_bytes(sound.body[24:28], "little") for sound in slots]
            assert len({len(sound.body) for sound in slots}) == 1
            name = state["pseudonym"]
            # Taken up again, as by a server that was started anew: the set that was sealed.
            assert panel.begin(name).rate("reeds") == heard[rate][0]
    assert {rate: set(rates) for rate, rates in heard.items()} == {
        48_000: {48_000}, 44_100: {44_100}, 96_000: {48_000},
    }  # fmt: skip
    with Store(folder / "study.db", entropy=os.urandom) as store:
        sealed = store.seals()[0].record["second_rate"]
        rates = [store.record(one.commitment)["rate_hz"] for one in store.sittings()]
        words = " ".join(panel_playback_words(store, (1, 2, 3), (48_000,), dict(enumerate(rates, start=1))))
        assert "44100 Hz in 1, 48000 Hz in 1, 96000 Hz in 1" in words
        assert "In 1 sitting that is not the rate of the stimuli (44100 Hz, 48000 Hz)" in words
        assert "In 2 sittings that is not" in " ".join(panel_playback_words(store, (1, 2, 3), (48_000,)))
    assert rates == [48_000, 44_100, 48_000]
    assert sealed["rate_hz"] == 44_100
    assert set(sealed["stimuli"]["reeds"]) == {"plain", "tilted"}


def test_the_page_warns_only_where_its_browser_has_neither_rate(toy, folder):
    with steps.open_panel(folder) as panel:
        one = panel_visitor.visitor_of(toy, make_panel_app(panel, hosts=hosts_of(8000)))
        token = panel.public_token()
        one.agree(token, one.open(token))
        state = one.step("questions", age=None, equipment="headphones").json
        assert (state["rates_hz"], state["second_rate_hz"]) == ([48_000], 44_100)


def test_a_plan_of_one_rate_is_as_it_was(toy, panel_template, tmp_path):
    folder = Path(shutil.copytree(panel_template, tmp_path / "study"))
    with steps.open_panel(folder) as panel:
        one = panel_visitor.visitor_of(toy, make_panel_app(panel, hosts=hosts_of(8000)))
        one.to_the_sitting(panel.public_token())
    with Store(folder / "study.db", entropy=os.urandom) as store:
        assert "rate_hz" not in store.record(store.sittings()[0].commitment)
        assert "second_rate" not in store.seals()[0].record


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        ('over = "worn"\nsecond_rate_hz = 44_100\n', "second_rate_hz: there is no first rate, got 44100"),
        ('over = "worn"\nrate_hz = 44_100\nsecond_rate_hz = 44_100\n', "the first set has this rate already"),
    ],
)
def test_rates_that_do_not_go_together_are_said(folder, capsys, lines, said):
    rewrite(folder, TWO, lines)
    with pytest.raises(SystemExit) as ended:
        main(["check", str(folder)])
    assert ended.value.code == 1
    assert said in capsys.readouterr().err


def test_a_second_rate_without_a_panel_is_refused(folder, capsys):
    path = folder / "study.toml"
    path.write_text(path.read_text(encoding="utf-8").partition("[panel]")[0], encoding="utf-8")
    with pytest.raises(SystemExit):
        main(["check", str(folder)])
    assert "only a panel asks its browsers for their rate" in capsys.readouterr().err


@pytest.mark.long
def test_a_bundle_of_two_rates_and_of_tests_of_playback_is_verified(toy, folder, capsys):
    """As a panel leaves it: its invitation is in, its second set is told of, its screening is computed again."""
    rewrite(folder, "public = true\n", 'public = true\nheadphones = "dichotic"\n')
    rewrite(folder, 'title = "Reeds"\n', 'title = "Reeds"\nlicence = "CC0-1.0"\n')
    with steps.open_panel(folder) as panel:
        one = panel_visitor.visitor_of(toy, make_panel_app(panel, hosts=hosts_of(8000)))
        token = panel.public_token()
        one.agree(token, one.open(token))
        one.step("questions", age=None, equipment="headphones")
        state = one.step("output", rate_hz=44_100, latency_s=None).json
        while state["step"] == "screening":
            place = {key: state["sound"][key] for key in ("test", "attempt", "trial")}
            state = one.step("screening", **place, choice="1", interruptions=0).json
        assert one.post("/panel/begin", {}).json == {"begun": True}
        one.to_the_trials()
        assert one.to_the_end()["step"] == "finished"
    steps.report(folder)
    (bundle,) = (folder / "report").glob("*.zip")
    with pytest.raises(SystemExit) as ended:
        main(["verify", str(bundle), "--quiet"])
    said = capsys.readouterr().out
    assert ended.value.code == 0, said
    assert "Grade: consistent" in said
    assert "holds: 4 stimuli against the hashes they are named by" in said
    again = "2 stimuli rendered again from the clips and responses that are here, at 44100 Hz"
    assert f"holds: {again}: 2 byte for byte the same" in said
    # One of the second set in place of another, all hashes made anew: it is not the one that was sealed.
    copy = Path(shutil.copytree(folder / "report" / "bundle", folder.parent / "copy"))
    with Store(folder / "study.db", entropy=os.urandom) as store:
        plain, tilted = sorted(store.seals()[0].record["second_rate"]["stimuli"]["reeds"].values())
    shutil.copyfile(copy / "stimuli" / f"{tilted}.wav", copy / "stimuli" / f"{plain}.wav")
    names = sorted(path.relative_to(copy).as_posix() for path in copy.rglob("*") if path.is_file())
    lines = [f"{sha256((copy / name).read_bytes()).hexdigest()}  {name}\n" for name in names if name != "SHA256SUMS"]
    (copy / "SHA256SUMS").write_text("".join(lines), encoding="utf-8")
    found = steps.verify(copy)
    assert [one.what for one in found.findings if not one.ok] == ["4 stimuli against the hashes they are named by"]
    # The second set is asked for only where its audio is to go in.
    shutil.rmtree(folder / "stimuli-44100")
    assert steps.report(folder, audio=False).audio_left_out == ("reeds",)
    with pytest.raises(BlindtestError, match="blindtest render"):
        steps.report(folder)
