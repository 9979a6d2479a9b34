"""The device player's sound, frame by frame: against what its log predicts, whatever the blocks.

Fades: 5 ms out, then 5 ms in, raised cosine (ITU-R BS.1534-3, 5.3).
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blindtest.session.switcher import Switcher

RATE, CHANNELS, FRAMES = 48_000, 2, 20_000
FADE = 240
RISE = (0.5 - 0.5 * np.cos(np.pi * (np.arange(FADE) + 0.5) / FADE)).astype(np.float32)
RNG = np.random.default_rng(1)
SOUNDS = {
    name: (RNG.integers(-(2**23), 2**23, (FRAMES, CHANNELS)) / 2**23).astype(np.float32) for name in ("A", "B", "X")
}


def loaded(gain=1.0):
    switcher = Switcher(RATE, CHANNELS)
    switcher.set_gain(gain)
    switcher.load(SOUNDS, "A")
    return switcher


def filled(switcher, frames, block=256):
    out = np.full((frames, CHANNELS), np.nan, dtype=np.float32)
    for at in range(0, frames, block):
        switcher.fill(out[at : at + block])
    return out


def stretch(name, position, frames, *, end):
    """Return a sound from its fade in at `position` to its fade out that ends after `frames`, by the standard."""
    sound = SOUNDS[name][position : position + frames].copy()
    sound[:FADE] *= RISE[:, None]
    if end:
        sound[-FADE:] *= RISE[::-1, None]
    return sound


def test_outside_fades_samples_leave_as_they_are():
    switcher = loaded()
    switcher.play()
    out = filled(switcher, 4096)
    assert np.array_equal(out, stretch("A", 0, 4096, end=False))
    assert np.array_equal(out[FADE:], SOUNDS["A"][FADE:4096])


@pytest.mark.parametrize("to", ["A", "B", "X"])
def test_a_switch_is_out_then_in_at_the_same_place_also_to_itself(to):
    switcher = loaded()
    switcher.play()
    before = filled(switcher, 1024)
    switcher.select(to)
    after = filled(switcher, 1024)
    first = stretch("A", 0, 1024 + FADE, end=True)
    assert np.array_equal(before, first[:1024])
    assert np.array_equal(after[:FADE], first[1024:])
    assert np.array_equal(after[FADE:], stretch(to, 1024 + FADE, 1024 - FADE, end=False))
    assert switcher.log[: switcher.logged].tolist() == [[0, 0, 0], [1024 + FADE, "ABX".index(to), 1024 + FADE]]


def test_a_pause_holds_the_place_and_is_silent():
    switcher = loaded()
    switcher.play()
    filled(switcher, 1024)
    switcher.pause()
    paused = filled(switcher, 1024)
    assert not paused[FADE:].any()
    assert switcher.silent
    assert switcher.position == 1024 + FADE
    switcher.select("B")
    switcher.play()
    assert np.array_equal(filled(switcher, 512), stretch("B", 1024 + FADE, 512, end=False))


def test_a_loop_goes_round_with_the_same_fades():
    switcher = loaded()
    switcher.loop(2000, 6000)
    switcher.play()
    out = filled(switcher, 12_000, block=1000)
    assert np.array_equal(out, np.concatenate([stretch("A", 2000, 4000, end=True)] * 3))


def test_the_end_of_the_clip_is_a_loop_too():
    switcher = loaded()
    switcher.play()
    out = filled(switcher, FRAMES + 1000)
    assert np.array_equal(out[:FRAMES], stretch("A", 0, FRAMES, end=True))
    assert np.array_equal(out[FRAMES:], stretch("A", 0, 1000, end=False))


def test_from_the_start():
    switcher = loaded()
    switcher.play()
    filled(switcher, 1024)
    switcher.restart()
    out = filled(switcher, 1024)
    assert np.array_equal(out[FADE:], stretch("A", 0, 1024 - FADE, end=False))


def test_the_first_sound_comes_in_slowly():
    switcher = loaded()
    switcher.play(slow_s=0.1)
    out = filled(switcher, 9600)
    slow = 0.5 - 0.5 * np.cos(np.pi * (np.arange(4800) + 0.5) / 4800)
    assert out[:4800] == pytest.approx(stretch("A", 0, 4800, end=False) * slow[:, None], abs=1e-6)
    assert np.array_equal(out[4800:], SOUNDS["A"][4800:9600])


def test_a_change_of_level_takes_50_ms_and_clicks_nowhere():
    switcher = Switcher(RATE, CHANNELS)
    switcher.set_gain(1.0)
    switcher.load({"A": np.ones((FRAMES, CHANNELS), dtype=np.float32)}, "A")
    switcher.play()
    filled(switcher, 1024)
    switcher.set_gain(0.0)
    out = filled(switcher, 4096, block=100)
    assert np.abs(np.diff(out[:, 0])).max() <= 1 / 2400 + 1e-6
    assert not out[2401:].any()
    assert out[2300].all()


def test_it_is_silent_until_it_plays():
    assert not filled(loaded(), 1024).any()


def test_sounds_of_another_form_are_refused():
    switcher = loaded()
    with pytest.raises(ValueError, match="alike"):
        switcher.load({"A": SOUNDS["A"], "B": SOUNDS["B"][1:]}, "A")
    with pytest.raises(ValueError, match="alike"):
        switcher.load({"A": SOUNDS["A"][:, :1]}, "A")
    switcher.play()
    with pytest.raises(RuntimeError, match="in silence"):
        switcher.load(SOUNDS, "A")


@settings(max_examples=60)
@given(
    st.lists(
        st.tuples(st.integers(1, 3000), st.sampled_from(["A", "B", "X", "restart", "pause", "play", "loop"])),
        min_size=1,
        max_size=12,
    )
)
def test_whatever_is_asked_when_the_log_predicts_every_frame(orders):
    """Blocks of any length, orders between any two: stretches as the log has them, silence elsewhere."""
    switcher = loaded()
    switcher.play()
    parts = []
    for frames, order in orders:
        part = np.full((frames, CHANNELS), np.nan, dtype=np.float32)
        switcher.fill(part)
        parts.append(part)
        if order == "loop":
            switcher.loop(3000, 9000)
        elif order in SOUNDS:
            switcher.select(order)
        else:
            getattr(switcher, order)()
    switcher.pause()
    parts.append(filled(switcher, 2 * FADE))
    out = np.concatenate(parts)
    entries = switcher.log[: switcher.logged].tolist()
    expected = np.zeros_like(out)
    for number, (at, slot, position) in enumerate(entries):
        following = entries[number + 1][0] if number + 1 < len(entries) else len(out)
        sounding = np.flatnonzero(out[at:following].any(axis=1))
        length = int(sounding[-1]) + 1
        expected[at : at + length] = stretch("ABX"[slot], position, length, end=True)
    assert np.array_equal(out, expected)


def test_whole_tracks_stop_at_their_end_with_its_fade_and_do_not_come_round():
    """The last frame leaves as the fade out (raised cosine over 5 ms, ITU-R BS.1534-3 5.3) has it; then silence."""
    rate, frames = 48_000, 9_600
    fade = round(0.005 * rate)
    track = np.full((frames, 1), 0.5, dtype=np.float32)
    switcher = Switcher(rate, 1)
    switcher.load({"1": track, "2": -track}, "1", once=True)
    switcher.set_gain(1.0)
    switcher.play()
    out = np.empty((3 * frames, 1), dtype=np.float32)
    switcher.fill(out)
    assert switcher.over
    assert switcher.silent
    assert np.all(out[frames:] == 0)
    falling = 0.5 * (0.5 + 0.5 * np.cos(np.pi * (np.arange(fade) + 0.5) / fade))
    np.testing.assert_allclose(out[frames - fade : frames, 0], falling, atol=1e-6)
    switcher.play()
    switcher.select("2")
    switcher.fill(out)
    assert np.all(out == 0), "it is over for every slot"
    switcher.pause()
    switcher.load({"1": track}, "1")
    switcher.play()
    switcher.fill(out)
    assert np.any(out[2 * frames :] != 0), "what is loaded next comes round again"
