"""Where a sound begins, ends, comes round or gives way to another, it does so alike in every slot.

With the same constant in each slot nothing is left but what the player adds: the envelope. The page's own player is
held to the same rule in tests/browser/test_sound.py.
"""

from itertools import product

import numpy as np

from blindtest.session.switcher import Switcher

RATE, CHANNELS, FRAMES = 48_000, 2, 6000
SLOTS = ("A", "B", "X")


def played(first, orders=(), *, slow_s=0.0, frames=2 * FRAMES, block=500):
    """Return what leaves while `orders` (frame, slot) are given, with a constant in every slot."""
    switcher = Switcher(RATE, CHANNELS)
    switcher.set_gain(0.5)
    switcher.load({name: np.ones((FRAMES, CHANNELS), np.float32) for name in SLOTS}, first)
    switcher.play(slow_s)
    out = np.zeros((frames, CHANNELS), np.float32)
    for at in range(0, frames, block):
        for frame, slot in orders:
            if frame == at:
                switcher.select(slot)
        switcher.fill(out[at : at + block])
    return out


def test_beginning_and_end_are_alike_in_every_slot():
    outs = [played(first, slow_s=0.1) for first in SLOTS]
    assert all(np.array_equal(out, outs[0]) for out in outs)
    assert outs[0][0, 0] < 0.001
    assert outs[0].max() > 0.4
    fade_out = outs[0][FRAMES - 240 : FRAMES, 0]
    assert (np.diff(fade_out) <= 0).all()
    assert fade_out[-1] < 0.001
    assert np.array_equal(outs[0][FRAMES:][:240], outs[0][FRAMES - 240 : FRAMES][::-1]), "it comes round as it went"


def test_every_switch_is_alike_whatever_sounds_before_and_after():
    outs = [played(first, [(2000, then)]) for first, then in product(SLOTS, SLOTS)]
    assert all(np.array_equal(out, outs[0]) for out in outs)
    assert outs[0][2000:2500].min() < 0.001, "there was a switch"
