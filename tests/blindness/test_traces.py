"""What a sitting leaves or shows outside the page: times of files, work done, words on the organiser's screen."""

import hashlib
import logging
import os

import numpy as np
import pytest

from blindtest.audio import wav_bytes
from blindtest.design import exchanged
from blindtest.errors import BlindtestError, Fault
from blindtest.render import Stimulus
from blindtest.session import start
from blindtest.steps import PreparedSitting

OLD_S = 946_684_800


@pytest.fixture
def stimuli(tmp_path):
    """Toy stimuli as a rendering leaves them, never read since."""
    made = {}
    for number, (clip, condition) in enumerate((c, d) for c in ("reeds", "water") for d in ("heron", "plover")):
        wave = np.random.default_rng(number).integers(-(2**20), 2**20, (4800, 2)).astype(np.int32)
        data = wav_bytes(wave, 48_000)
        digest = hashlib.sha256(data).hexdigest()
        path = tmp_path / f"{digest[:32]}.wav"
        path.write_bytes(data)
        made[clip, condition] = Stimulus(
            clip=clip, condition=condition, path=path, sha256=digest, frames=len(wave), rate=48_000, channels=2,
            loudness=-23.0, true_peak=-3.0, gain_db=0.0,
        )  # fmt: skip
    return made


def prepared_of(made, stimuli):
    return PreparedSitting(
        study=None, store=None, entry=None, sitting=start(made, study="toy", listener="L"), study_seal=None,
        stimuli=stimuli, resumed=False, clock=None, entropy=None,
    )  # fmt: skip


def sat_through(toy, made, samples, record=None):
    """Sit from the first step to the last; return the visitor."""
    served = toy.SittingService(
        start(made, study="toy", listener="L"), record=record or toy.Memory(), samples=samples, rate=lambda c: 48_000
    )
    visitor = toy.Visitor(toy.app(served))
    visitor.enter()
    visitor.event("began")
    visitor.event("level_set", gain_db=-20)
    while (view := visitor.view())["step"] != "finished":
        if view["step"] == "trial":
            visitor.listen(view)
            visitor.answer(view, "A")
        else:
            visitor.event("continued", trial=view["trial"])
    return visitor


@pytest.fixture
def made(toy):
    return toy.plan(practice=1, trials=3, break_after=2, nonce=bytes(range(7, 39)))


def times_of(stimuli):
    return {key: (s.path.stat().st_atime_ns, s.path.stat().st_mtime_ns, s.path.stat().st_ctime_ns)
            for key, s in stimuli.items()}  # fmt: skip


def test_a_sitting_leaves_no_time_on_any_stimulus(toy, made, stimuli):
    """Times of access would tell which file sounded last; not even with `relatime`, which notes the first reading."""
    if not hasattr(os, "O_NOATIME"):
        pytest.skip("this system can't read without noting it")
    for stimulus in stimuli.values():
        os.utime(stimulus.path, (OLD_S, OLD_S))
    before = times_of(stimuli)
    sat_through(toy, made, prepared_of(made, stimuli).samples)
    assert times_of(stimuli) == before
    # The check can fail, where the file system notes readings at all.
    one = next(iter(stimuli.values()))
    one.path.read_bytes()
    if times_of(stimuli) == before:
        pytest.skip("this file system notes no readings (noatime): nothing to see here")


def test_as_much_is_read_whatever_sounds(toy, made, stimuli, monkeypatch):
    """X is read anew though it is A or B again: what was kept in memory would make the trial ready sooner."""
    counts = []
    for plan in (made, exchanged(made)):
        read = []
        samples = prepared_of(plan, stimuli).samples
        real = hashlib.sha256

        def counting(data=b"", *, real=real, read=read, **more):
            if len(data) > 10_000:
                read.append(len(data))
            return real(data, **more)

        monkeypatch.setattr(hashlib, "sha256", counting)
        sat_through(toy, plan, samples)
        monkeypatch.setattr(hashlib, "sha256", real)
        counts.append(read)
    assert counts[0] == counts[1]
    assert len(counts[0]) == 1 + 3 * made.length, "the level programme, then each slot of each trial"


def test_nothing_is_printed_or_logged_that_differs_or_names_anything(toy, made, caplog, capsys):
    said = []
    for plan in (made, exchanged(made)):
        caplog.clear()
        with caplog.at_level(logging.DEBUG):
            sat_through(toy, plan, toy.samples)
        out = capsys.readouterr()
        told = [f"{r.name} {r.levelname} {r.getMessage()}" for r in caplog.records if r.name != "asyncio"]
        said.append((told, out.out, out.err))
    assert said[0] == said[1]
    assert said[0][1:] == ("", "")


def test_an_unreadable_stimulus_is_told_without_its_name_and_loses_no_answer(toy, made, caplog):
    """Its answer is acknowledged; page and log say no file; once it can be read, the trial is there."""
    broken = []

    def samples(clip, condition):
        if broken:
            raise BlindtestError(Fault(problem="a stimulus can't be read", file="0123abcd.wav", remedy="render again"))
        return toy.samples(clip, condition)[:480]

    record = toy.Memory()
    served = toy.SittingService(
        start(made, study="toy", listener="L"), record=record, samples=samples, rate=lambda clip: 48_000
    )
    visitor = toy.Visitor(toy.app(served))
    visitor.enter()
    visitor.event("began")
    visitor.event("level_set", gain_db=-20)
    view = visitor.view()
    visitor.listen(view)
    broken.append(True)
    with caplog.at_level(logging.DEBUG):
        reply = visitor.answer(view, "A")
        visitor.event("continued", trial=0)
        later = visitor.event("continued", trial=0)
        token = visitor.view()["next"][0] if visitor.view()["next"] else visitor.view()["slots"][0]["token"]
        missing = visitor.get(f"/sound/{token}")
    assert (reply.status, reply.json["view"]["saved"], len(record.rows)) == (200, 1, 1)
    assert missing.status == 404
    assert later.status == 409
    texts = [sent.body for sent in visitor.sent if sent.header("content-type") == "application/json"]
    assert not [text for text in texts if b"0123abcd" in text]
    assert "the sounds of a trial are not ready: a stimulus can't be read; render again" in caplog.text
    assert "0123abcd" not in caplog.text
    broken.clear()
    assert visitor.get(f"/sound/{token}").status == 200
