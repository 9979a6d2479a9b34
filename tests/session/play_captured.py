"""Play one trial through a real stream and print what came of it; test_device_player.py gives it a process of its own.

    python play_captured.py DEVICE SWITCHES [--stall S]

PortAudio reads ALSA_CONFIG_PATH once, when it is loaded. Prints JSON: rate, underruns, and the switcher's log of
(frames before, slot, position), with the frame at which all was silent again.
"""

import argparse
import json
import sys
import time

import numpy as np

from blindtest.session import Sound
from blindtest.session.device_player import DevicePlayer

RATE, CHANNELS, FRAMES = 48_000, 2, 48_000 * 6
SLOTS = ("A", "B", "X")


def samples(slot):
    """Return a slot's stored samples: noise of its own, 24 bits."""
    return np.random.default_rng(SLOTS.index(slot)).integers(-(2**23), 2**23, (FRAMES, CHANNELS)).astype(np.int32)


def noise(slot):
    """Return a slot's dither bytes."""
    return np.random.default_rng(100 + SLOTS.index(slot)).integers(0, 256, FRAMES * CHANNELS, dtype=np.uint8).tobytes()


class Stalled(DevicePlayer):
    """A player whose callback comes too late, twice."""

    stalls = 0.0
    left = 2

    def _callback(self, out, frames, when, status):
        if self.stalls and self.left and self.switcher.written > RATE // 2:
            self.left -= 1
            time.sleep(self.stalls)
        super()._callback(out, frames, when, status)


def main():
    """Play, switch, pause, and say what happened."""
    parser = argparse.ArgumentParser()
    parser.add_argument("device")
    parser.add_argument("switches", type=int)
    parser.add_argument("--stall", type=float, default=0.0)
    asked = parser.parse_args()
    player = Stalled(rates=[RATE], channels=CHANNELS, device=asked.device)
    player.stalls = asked.stall
    player.set_gain(0.0)
    player.prepare(
        Sound(token=f"t{slot}", samples=lambda s=slot: samples(s), rate=RATE, dither=lambda n, s=slot: noise(s))
        for slot in SLOTS
    )
    length = player.load({slot: f"t{slot}" for slot in SLOTS}, "A")
    assert length == FRAMES
    player.play()
    switcher = player.switcher
    start = switcher.written
    wait(switcher, start + RATE * 3 + RATE // 4)  # the first sound comes in over 3 s
    for number in range(asked.switches):
        player.switcher.select(SLOTS[(number + 1) % 3])
        wait(switcher, switcher.written + RATE // 4)
    player.pause()
    silent_at = switcher.written
    wait(switcher, silent_at + RATE // 2)
    log = switcher.log[: switcher.logged].tolist()
    told = {"rate": player.facts.rate, "underruns": player.underruns, "log": log, "sentence": player.facts.sentence}
    player.close()
    json.dump(told, sys.stdout)


def wait(switcher, until, patience_s=20.0):
    """Wait until so many frames have been filled."""
    late = time.monotonic() + patience_s
    while switcher.written < until:
        if time.monotonic() > late:
            raise SystemExit("the stream stands still")
        time.sleep(0.002)


if __name__ == "__main__":
    main()
