"""Play one clip to two pairs of outputs of one stream; test_routing.py gives it a process of its own.

    python play_routed.py DEVICE SWITCHES

Prints JSON: the rate and the switcher's log of (frames before, slot, position). A is fed on outputs 1 and 2, B and X on
outputs 4 and 3 with a trim.
"""

import json
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from play_captured import FRAMES, RATE, SLOTS, noise, samples, wait

from blindtest.session import DevicePlayer, Route, Sound, trimmed

ROUTES = {
    "A": Route(outputs=(1, 2)),
    "B": Route(outputs=(4, 3), trim_db=-1.5),
    "X": Route(outputs=(4, 3), trim_db=-1.5),
}
STREAM_CHANNELS = 4


def sound(slot):
    """Return a slot's sound: one clip, on the outputs of its unit."""
    route = ROUTES[slot]
    return Sound(
        token=slot,
        samples=lambda: trimmed(samples("A"), route.trim_db),
        rate=RATE,
        dither=lambda count: noise(slot)[:count],
        outputs=route.outputs,
    )


def main():
    """Play, switch, stop, and say what happened."""
    player = DevicePlayer(rates=[RATE], channels=STREAM_CHANNELS, device=sys.argv[1])
    player.set_gain(0.0)
    player.prepare(sound(slot) for slot in SLOTS)
    assert player.load({slot: slot for slot in SLOTS}, "A") == FRAMES
    player.play()
    switcher = player.switcher
    wait(switcher, switcher.written + RATE * 3 + RATE // 4)
    for number in range(int(sys.argv[2])):
        switcher.select(SLOTS[(number + 1) % 3])
        wait(switcher, switcher.written + RATE // 8)
    player.pause()
    told = {"rate": player.facts.rate, "log": switcher.log[: switcher.logged].tolist()}
    player.close()
    json.dump(told, sys.stdout)


if __name__ == "__main__":
    main()
