"""`blindtest check --loopback`: a study's stimuli out, back in, and what is printed, kept and left unsaid.

Most tests stand the device in by a stream whose callback they call themselves; the last one plays in real time through
PortAudio and a private PulseAudio server whose null sink is patched to its own monitor.
"""

import importlib.util
import json
import os
import re
import shutil
import subprocess
import sys
from importlib.resources import files
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from jsonschema import Draft202012Validator

from blindtest import steps
from blindtest.cli import commands as cli
from blindtest.errors import BlindtestError
from blindtest.session import LoopStream, loop_stream
from blindtest.session.store import Store

LATE = 300
BLOCK = 480
VALIDATOR = Draft202012Validator(
    json.loads(files("blindtest.cli").joinpath("results.schema.json").read_text(encoding="utf-8"))
)
NOWHERE = {"index": 0, "name": "patched interface", "hostapi": 0}


@pytest.fixture(scope="module")
def rendered(own_template, tmp_path_factory):
    folder = tmp_path_factory.mktemp("looped") / "my-study"
    shutil.copytree(own_template, folder)
    path = folder / "study.toml"
    text = path.read_text(encoding="utf-8")
    # Short clips: what is tested here does not hang on their length.
    text = re.sub(r"(?m)^(?:in|out)_s = .*\n", "", text)
    text, found = re.subn(r"(?m)^(file = \"clips/.*)$", r"\1\nin_s = 0.5\nout_s = 1.7", text)
    assert found == 2
    path.write_text(text, encoding="utf-8")
    steps.render(folder)
    return folder


@pytest.fixture
def study(rendered, tmp_path):
    return Path(shutil.copytree(rendered, tmp_path / "my-study"))


class Patched:
    """A stream whose input is its output, late, with noise, and with what a test does to it."""

    active = True

    def __init__(self, rate, channels, callback, wire):
        self.samplerate, self.latency, self.callback, self.wire = rate, (0.01, 0.02), callback, wire
        self.line = np.zeros((LATE, channels), dtype=np.float32)
        self.rng = np.random.default_rng(4)
        self.calls = 0
        self.closed = False

    def start(self):
        pass

    stop = start

    def close(self):
        self.closed = True

    def run(self):
        """Let one block pass."""
        out = np.empty((BLOCK, self.line.shape[1]), dtype=np.float32)
        noise = (1e-5 * self.rng.standard_normal(out.shape)).astype(np.float32)
        back = self.wire(self.line[:BLOCK] if len(self.line) >= BLOCK else self.line, self.calls)
        back = np.concatenate([back, np.zeros((BLOCK - len(back), out.shape[1]), np.float32)])
        self.callback(back + noise, out, BLOCK, None, SimpleNamespace(
            output_underflow=False, input_overflow=False, input_underflow=False))  # fmt: skip
        self.line = np.concatenate([self.line[BLOCK:], out])
        self.calls += 1


@pytest.fixture
def patched(monkeypatch):
    """Return a maker of `opened`: streams on no device, patched by `wire(block, number)`."""

    def make(wire=lambda block, number: block):
        streams = []

        def opened(*, rate, channels, output, into):
            def made(source, out, rate, channels, callback):
                stream = Patched(rate, channels, callback, wire)
                stream.line = np.zeros((LATE + BLOCK, channels), dtype=np.float32)
                streams.append(stream)
                return stream

            return LoopStream(rate=rate, channels=channels, opened=made, found=(NOWHERE, NOWHERE))

        monkeypatch.setattr(loop_stream, "_host", lambda found: "test")
        monkeypatch.setattr(loop_stream, "sleep", lambda s: [streams[-1].run() for _ in range(50)])
        opened.streams = streams
        return opened

    return make


def test_a_chain_that_keeps_everything_is_stored_and_told_by_worst_figures(study, patched):
    opened = patched()
    shown = steps.loopback(study, opened=opened)
    assert shown.ok
    assert {chain.facts.rate for chain in shown.chains} == {44_100, 48_000}
    assert all(stream.closed for stream in opened.streams)
    for chain in shown.chains:
        # What is on the line when a block is asked for is late by this, whatever it is.
        assert chain.result.delay_samples == pytest.approx(LATE + BLOCK, abs=0.1)
        assert chain.result.level_db < 0.01
        assert chain.result.noise_dbfs == pytest.approx(-100, abs=1)
    VALIDATOR.validate({"schema_version": 1, "command": "check", **shown.to_dict()})
    with Store(study / "study.db", entropy=os.urandom, create=False) as store:
        (kept,) = store.remembered("loopbacks")
        assert store.sittings() == ()
    assert kept == json.loads(json.dumps(shown.to_dict()))
    for said in (shown.text(), json.dumps(shown.to_dict())):
        assert "first" not in said
        assert "second" not in said
        assert ".wav" not in said
    assert {(row["clip"], row["condition"]) for row in shown.whole()["table"]} == {
        (clip, condition) for clip in ("one", "beat") for condition in ("first", "second")
    }


def louder_from(number_from):
    """Return a wire that is 0.3 dB too loud from a block on."""
    return lambda block, number: block * np.float32(1.0 if number < number_from else 10 ** (0.3 / 20))


def test_a_finding_leaves_with_one_and_names_the_clip_only(study, patched, capsys, monkeypatch):
    opened = patched(louder_from(780))
    monkeypatch.setattr("blindtest.steps.loopback", lambda *a, **k: LOOPBACK(*a, opened=opened, **k))
    with pytest.raises(SystemExit) as left:
        cli.main(["check", str(study), "--loopback", "--yes", "--plain"])
    assert left.value.code == 1
    said = capsys.readouterr()
    assert "FOUND: clip" in said.out
    assert "dB in level" in said.out
    assert "The chain does not keep what was rendered" in said.out
    assert "Take headphones off your ears" in said.err
    assert "first" not in said.out.replace("at first", "")
    assert "second" not in said.out
    with pytest.raises(SystemExit) as left:
        cli.main(["check", str(study), "--loopback", "--yes", "--json", "--quiet"])
    assert left.value.code == 1
    VALIDATOR.validate(json.loads(capsys.readouterr().out))
    with pytest.raises(SystemExit) as left:
        cli.main(["check", str(study), "--loopback", "--yes", "--unseen", "--quiet"])
    assert left.value.code == 1
    printed = capsys.readouterr().out
    assert printed.startswith("Kept unseen in")
    kept = json.loads((study / "unseen" / "loopback-1.json").read_text())
    assert {row["condition"] for row in kept["table"]} == {"first", "second"}


LOOPBACK = steps.loopback


def test_it_begins_softly_and_stops_where_it_would_howl_or_overdrive(study, patched):
    loudest = []

    def heard(block, number):
        loudest.append(float(np.max(np.abs(block), initial=0.0)))
        return block * np.float32(20)

    with pytest.raises(BlindtestError, match=r"would overdrive the input.*turn the input down by"):
        steps.loopback(study, opened=patched(heard))
    # Nothing louder than the soft one was ever played.
    assert 0 < max(loudest) < 10 ** (-39 / 20)
    with pytest.raises(BlindtestError, match=r"the loop feeds itself.*direct monitoring"):
        steps.loopback(study, opened=patched(lambda block, number: block * np.float32(2000)))
    assert not (study / "study.db").exists()


def test_where_nothing_comes_back_the_rest_is_not_played(study, patched):
    opened = patched(lambda block, number: block * np.float32(0))
    shown = steps.loopback(study, opened=opened)
    assert not shown.ok
    assert all("nothing came back" in chain.result.findings[0] for chain in shown.chains)
    # A second to settle, two of silence, two of a soft stimulus and its tail.
    assert max(stream.calls * BLOCK / stream.samplerate for stream in opened.streams) < 8


def test_the_order_of_playing_is_drawn(study, patched):
    """Else who happens to hear it would learn which is which."""

    def order(byte):
        opened, played = patched(), []

        def listening(**of):
            stream = opened(**of)
            whole = stream.looped

            def looped(sound, tail):
                played.append(hash(np.asarray(sound).tobytes()))
                return whole(sound, tail)

            stream.looped = looped
            return stream

        shown = steps.loopback(study, opened=listening, entropy=lambda n: bytes([byte]) * n)
        assert shown.ok
        return played, [(row["clip"], row["condition"]) for row in shown.table]

    (first, table), (second, again) = order(1), order(2)
    # At each of two rates: two silences, a soft one, two stimuli.
    assert len(first) == 10
    assert first != second
    assert set(first[3:5]) == set(second[3:5])
    assert table == again == sorted(table), "what is kept is sorted, and tells no order"


def test_no_loopback_while_a_sitting_is_open_nor_before_rendering(study, own_template, patched):
    with steps.prepare_sitting(study, listener="L-one"):
        pass
    with pytest.raises(BlindtestError, match="sitting 1 is open: no loopback before it has ended"):
        steps.loopback(study, opened=patched())
    with pytest.raises(BlindtestError, match="blindtest render"):
        steps.loopback(own_template, opened=patched())


def test_a_stream_that_stands_still_is_said_to(study, patched, monkeypatch):
    opened = patched()
    monkeypatch.setattr(loop_stream, "PATIENCE_S", -100.0)
    with pytest.raises(BlindtestError, match="does not go on playing and recording"):
        steps.loopback(study, opened=opened)
    assert opened.streams[0].closed


def test_options_that_go_with_it_are_refused_without(study, capsys):
    with pytest.raises(SystemExit) as left:
        cli.main(["check", str(study), "--input", "x"])
    assert left.value.code == 2
    assert "go with --loopback" in capsys.readouterr().err


SPEC = importlib.util.spec_from_file_location(
    "device_player_tests", Path(__file__).parents[1] / "session" / "test_device_player.py"
)
DEVICE = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(DEVICE)
portaudio, pulse = DEVICE.portaudio, DEVICE.pulse
PATCHED = """
pcm.loop { type pulse }
ctl.loop { type pulse }
pcm.default { type plug slave.pcm "loop" }
"""


@pytest.mark.long
@pytest.mark.sound
@pytest.mark.slow
def test_through_a_sound_server_bit_for_bit(study, tmp_path, pulse):
    environment = {**os.environ, **pulse, "ALSA_CONFIG_PATH": str(tmp_path / "asound.conf")}
    (tmp_path / "asound.conf").write_text(PATCHED)
    subprocess.run(["pactl", "set-default-source", "cap.monitor"], env=environment, check=True)
    # All clips at the server's own rate: others it resamples in silence.
    text = (study / "study.toml").read_text(encoding="utf-8")
    assert text.count("\n[rendering]\n") == 1
    (study / "study.toml").write_text(text.replace("\n[rendering]\n", "\n[rendering]\nrate_hz = 48_000\n"))
    assert run(study, "render").returncode == 0
    for _ in range(4):  # a machine may be too busy; then blocks are late, and it is tried again
        done = run(study, "check", "--loopback", "--yes", "--device", "loop", "--json", "--quiet", env=environment)
        assert done.returncode in (0, 1), done.stderr
        found = json.loads(done.stdout)
        if found["ok"]:
            break
    VALIDATOR.validate(found)
    (chain,) = found["loopback"]
    assert (found["ok"], chain["exact"], chain["output"], chain["input"]) == (True, True, "loop", "loop")
    assert (chain["stimuli"], chain["rate"], chain["dropouts"]) == (4, 48_000, 0)


def run(folder, command, *arguments, env=None):
    return subprocess.run(
        [sys.executable, "-m", "blindtest", command, str(folder), *arguments],
        env=env, capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip
