"""What played each sitting is on record and in the report: devices with blocks and underruns, browsers' own words."""

import shutil
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from blindtest import steps
from blindtest.errors import BlindtestError
from blindtest.session import (
    DeviceFacts,
    LevelSet,
    SimulatedListener,
    event_from_dict,
    event_to_dict,
    simulate_sitting,
    simulated_clock,
)
from blindtest.session.device_player import mixed
from blindtest.steps.playback import LOOPBACKS, PlaybackRecord, loopback_words, playback_words, played_by_device

AT = datetime(2026, 5, 6, 20, 0, tzinfo=UTC)
DEVICE = SimpleNamespace(
    facts=DeviceFacts(
        device="Heron 2", host="ALSA", rate=48_000, channels=2, latency_s=0.05, warnings=("close others",),
        own_rate=44_100, mixed=True,
    ),
    blocks=(480, 512), underruns=3,
)  # fmt: skip


class Memory:
    """A store's settings and events."""

    def __init__(self, events=()):
        self.held, self.told = {}, events

    def remember(self, key, value):
        self.held[key] = value

    def amend(self, key, change):
        self.held[key] = change(self.held.get(key))

    def remembered(self, key, default=None):
        return self.held.get(key, default)

    def events(self, sitting):
        return self.told


def test_a_device_and_what_it_counted_in_words():
    store = Memory()
    run = PlaybackRecord(store, 3)
    run.begun(DEVICE, "2026-05-06T20:00:00+00:00")
    (early,) = playback_words(store, 3)
    assert early.endswith("the program was stopped before blocks and underruns were noted.")
    run.ended(DEVICE)
    assert playback_words(store, 3) == (
        "Sitting 3: played by Heron 2 (ALSA) at 48000 Hz, 2 channels, 50 ms of latency by its own account; the "
        "device's own rate is 44100 Hz, so the system may have resampled, alike for all stimuli; the system mixes "
        "other programs' sounds into it; blocks of 480 to 512 frames, 3 of them came too late.",
    )
    assert playback_words(store, 4) == ()
    assert played_by_device(store, [3])
    assert not played_by_device(store, [4]), "nothing is on record"
    PlaybackRecord(store, 4).begun(None, "2026-05-06T21:00:00+00:00")
    assert not played_by_device(store, [3, 4])


def test_a_browser_says_its_rate_and_latency_with_the_level():
    event = LevelSet(gain_db=-12.0, output_rate_hz=44_100, output_latency_s=0.032, at=AT)
    held = event_to_dict(event)
    assert event_from_dict(held) == event
    store = Memory([held])
    PlaybackRecord(store, 1).begun(None, "2026-05-06T20:00:00+00:00")
    assert playback_words(store, 1) == (
        "Sitting 1: played by the web browser, whose output ran at 44100 Hz, 32 ms of latency by its own account.",
    )
    # One that says nothing is stored as it always was.
    assert set(event_to_dict(LevelSet(gain_db=-12.0, at=AT))) == {"event", "gain_db", "at"}
    for wrong in (
        {"output_rate_hz": "loud"},
        {"output_rate_hz": -1},
        {"output_latency_s": -1},
        {"output_latency_s": True},
    ):
        with pytest.raises(BlindtestError, match="not usable"):
            event_from_dict({**held, **wrong})


@pytest.mark.parametrize(
    ("host", "device", "told"),
    [
        ("ALSA", "USB Audio: - (hw:1,0)", False),
        ("ALSA", "plughw:1,0", None),
        ("ALSA", "pulse", True),
        ("ALSA", "capfile", None),
        ("Core Audio", "Built-in", True),
        ("Windows WASAPI", "Loudspeakers", True),
        ("ASIO", "Interface", False),
        ("something new", "x", None),
    ],
)
def test_whether_a_system_mixes_is_told_where_it_can_be(host, device, told):
    assert mixed(host, device) is told


def test_the_last_loopback_of_these_stimuli_is_told():
    rendered = SimpleNamespace(stimuli=[SimpleNamespace(sha256="ab"), SimpleNamespace(sha256="cd")])
    store = Memory()
    assert loopback_words(store, rendered) == ("The chain that played was not measured by a loopback.",)
    from blindtest.steps.playback import stimuli_digest

    chain = {
        "output": "A", "input": "B", "rate": 48_000, "stimuli": 2, "level_db": 0.012, "alignment_samples": 0.0,
        "dropouts": 0, "findings": [],
    }  # fmt: skip
    told = {"at": "2026-05-06T20:00:00", "loopback": [chain], "stimuli_sha256": stimuli_digest(rendered)}
    store.remember(LOOPBACKS, [told, {**told, "stimuli_sha256": "of others"}])
    assert loopback_words(store, rendered) == (
        "A loopback on 2026-05-06 out by A, in by B, at 48000 Hz, 2 stimuli: levels of a clip's stimuli apart by at "
        "most 0.012 dB, times by at most 0.00 samples, 0 dropouts. Found: nothing.",
    )


@pytest.mark.long
def test_the_report_tells_a_doubter_what_played(own_template, tmp_path):
    study = Path(shutil.copytree(own_template, tmp_path / "my-study"))
    rng = np.random.default_rng(3)
    with steps.prepare_sitting(study, listener="L-one") as prepared:
        run = prepared.playback()
        run.begun(DEVICE, "2026-05-06T20:00:00+00:00")
        clock = simulated_clock(datetime.now(UTC), rng, step_s=0.001)
        sitting = simulate_sitting(
            prepared.sitting.plan, SimulatedListener(pseudonym="L-one", d_prime=2.5), rng, clock,
            study=prepared.sitting.study, save=prepared.answered,
        )  # fmt: skip
        prepared.ended(sitting, clock())
        run.ended(DEVICE)
    page = steps.report(study).page.read_text(encoding="utf-8")
    assert "What played the sounds?" in page
    assert "played by Heron 2 (ALSA) at 48000 Hz" in page
    assert "not measured by a loopback" in page
    assert "played by a web browser: what its sound system" not in page
