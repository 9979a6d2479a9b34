import json
import os

import numpy as np
import pytest

from blindtest.errors import BlindtestError
from blindtest.render import Condition, load_rendered, render
from blindtest.render.folder import kept_to_us, read_manifest


def small(bench, seed=1):
    """Two stimuli without any filter: quick to make."""
    from blindtest.render import RecordingStage

    frames = bench.pink(0.45, seed=seed)
    clip = bench.clip("a", frames)
    other = bench.clip("other", np.roll(frames, 100, axis=0))
    recorded = Condition(id="r", stages=(RecordingStage(files={"a": other.path}),))
    return bench.job(clip, conditions=(Condition(id="clip"), recorded), playback=None)


def test_a_damaged_stimulus_is_found_and_made_again(bench):
    job = small(bench)
    rendered = render(job, bench.stimuli)
    path = rendered.stimuli[0].path
    good = path.read_bytes()
    path.write_bytes(good[:-1] + bytes([good[-1] ^ 1]))
    with pytest.raises(BlindtestError, match=r"\.wav: this stimulus is missing or was changed since it was rendered"):
        load_rendered(job, bench.stimuli)
    again = render(job, bench.stimuli)
    assert (again.made, again.reused) == (1, 1)
    assert path.read_bytes() == good


def test_foreign_files_stay(bench):
    job = small(bench)
    render(job, bench.stimuli)
    for name in ("notes.txt", "0123456789abcdef0123456789abcdef.wav", "x.part"):
        (bench.stimuli / name).write_text("mine")
    small(bench, seed=2)
    assert render(job, bench.stimuli).made == 2
    for name in ("notes.txt", "0123456789abcdef0123456789abcdef.wav", "x.part"):
        assert (bench.stimuli / name).read_text() == "mine"
    assert len(bench.wavs()) == 3


def test_a_manifest_that_names_other_files_is_refused(bench):
    job = small(bench)
    render(job, bench.stimuli)
    path = bench.stimuli / "manifest.json"
    table = json.loads(path.read_text())
    next(iter(table["files"].values()))["file"] = "../a.wav"
    path.write_text(json.dumps(table))
    with pytest.raises(
        BlindtestError, match=r"manifest\.json: not what a rendering wrote .*'\.\./a\.wav' is no name of ours"
    ):
        render(job, bench.stimuli)
    assert (bench.folder / "a.wav").exists()


def test_documents_are_put_right(bench):
    job = small(bench)
    render(job, bench.stimuli)
    table = (bench.stimuli / "table.csv").read_bytes()
    (bench.stimuli / "table.csv").write_text("edited")
    assert render(job, bench.stimuli).made == 0
    assert (bench.stimuli / "table.csv").read_bytes() == table


def test_a_folder_that_cannot_be_written_is_one_line(bench):
    bench.stimuli.write_text("a file in the way")
    with pytest.raises(BlindtestError, match=r"stimuli.*can't be (read|written) \("):
        render(small(bench), bench.stimuli)


@pytest.mark.skipif(os.name != "posix", reason="folders are locked where the system is POSIX")
def test_two_renderings_at_once_do_not_clear_each_others_files_away(bench):
    job = small(bench)
    bench.stimuli.mkdir()
    with kept_to_us(bench.stimuli, waiting=False) as ours:
        assert ours
        (bench.stimuli / "making.json").write_text('{"names": ["0123456789abcdef0123456789abcdef.part"]}')
        (bench.stimuli / "0123456789abcdef0123456789abcdef.part").write_text("the other program is at it")
        said = r"stimuli: another program renders into this folder just now; wait until it is done, then render again$"
        with pytest.raises(BlindtestError, match=said):
            render(job, bench.stimuli)
        assert sorted(path.name for path in bench.stimuli.iterdir()) == [
            "0123456789abcdef0123456789abcdef.part",
            "making.json",
        ]
    assert render(job, bench.stimuli).made == 2
    assert not (bench.stimuli / "0123456789abcdef0123456789abcdef.part").exists()


def test_interrupted_leaves_the_folder_as_it_was(bench):
    job = small(bench)
    render(job, bench.stimuli)
    before = {path.name: path.read_bytes() for path in bench.stimuli.iterdir()}
    small(bench, seed=2)

    def interrupting(done, total, text):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        render(job, bench.stimuli, progress=interrupting)
    assert {path.name: path.read_bytes() for path in bench.stimuli.iterdir()} == before


CALLS = ("fsync", "utime", "replace", "unlink")


def crash(job, folder, at):
    """Render in a process that ends at the `at`-th call that touches the disk; return whether it came to its end."""
    child = os.fork()
    if child == 0:
        left = [at]

        def dying(original):
            def call(*arguments, **more):
                left[0] -= 1
                if left[0] < 0:
                    os._exit(17)
                return original(*arguments, **more)

            return call

        for name in CALLS:
            setattr(os, name, dying(getattr(os, name)))
        try:
            render(job, folder, workers=1)
        finally:
            os._exit(0)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
def test_a_crash_at_any_instant_leaves_the_old_or_the_new(bench):
    """A process killed before every single sync, stamp, rename and removal."""
    job = small(bench)
    render(job, bench.stimuli)
    (bench.stimuli / "mine.txt").write_text("mine")
    kept = {path.name: path.read_bytes() for path in bench.stimuli.iterdir()}
    old_clip = (bench.folder / "a.wav").read_bytes(), (bench.folder / "other.wav").read_bytes()
    small(bench, seed=2)
    new_clip = (bench.folder / "a.wav").read_bytes(), (bench.folder / "other.wav").read_bytes()

    def with_clips(clips):
        for name, data in zip(("a", "other"), clips, strict=True):
            (bench.folder / f"{name}.wav").write_bytes(data)

    ended, at, states = False, 0, set()
    while not ended:
        for path in bench.stimuli.iterdir():
            path.unlink()
        for name, data in kept.items():
            (bench.stimuli / name).write_bytes(data)
        with_clips(new_clip)
        ended = crash(job, bench.stimuli, at)
        loaded = {}
        for state, clips in (("new", new_clip), ("old", old_clip)):
            with_clips(clips)
            try:
                loaded[state] = load_rendered(job, bench.stimuli)
            except BlindtestError:
                continue
        assert len(loaded) == 1, f"neither or both after {at} calls: {sorted(loaded)}"
        states |= set(loaded)
        with_clips(new_clip)
        render(job, bench.stimuli)
        named = read_manifest(bench.stimuli).names
        assert bench.names() == {*named, "mine.txt", "manifest.json", "fixed.toml", "table.csv"}
        at += 1
    assert states == {"old", "new"}
    assert at > 15
