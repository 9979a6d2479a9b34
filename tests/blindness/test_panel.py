"""The wall holds through a panel as well: exchange the truth, and not one byte of any page changes before the answer.

The same visitor goes from the invitation to the thanks in two copies of a study with the same draws; in one of them the
truth of every trial is exchanged as the sitting is begun (`design.exchanged`). Of a WAV the header and the length are
compared, since its samples are what the listener is asked about.
"""

import hashlib
import importlib.util
import json
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from blindtest import steps
from blindtest.design import exchanged
from blindtest.web import hosts_of, make_panel_app

spec = importlib.util.spec_from_file_location("panel_visitor", Path(__file__).parents[1] / "web" / "panel_visitor.py")
panel_visitor = importlib.util.module_from_spec(spec)
spec.loader.exec_module(panel_visitor)

WAV_HEADER = 44


def drawn(name):
    """Entropy that is the same in every run."""
    count = 0

    def give(n):
        nonlocal count
        count += 1
        return hashlib.shake_256(f"{name}/{count}".encode()).digest(n)

    return give


class Clock:
    """The same times in every run."""

    def __init__(self):
        self.now = datetime(2026, 3, 2, 10, tzinfo=UTC)

    def __call__(self):
        self.now += timedelta(milliseconds=250)
        return self.now


def walked(toy, folder, exchange):
    """Return all that was sent to a visitor, and the right answers of the sitting's trials."""
    with steps.open_panel(folder, clock=Clock(), entropy=drawn("organiser")) as panel:
        begin, truths = panel.begin, []

        def begun(listener):
            prepared = begin(listener)
            if prepared is not None and exchange:
                prepared.sitting = _with(prepared.sitting, exchanged(prepared.sitting.plan))
            plan = prepared.sitting.plan
            truths.extend(plan.trial(n).drawn.right["choice"] for n in range(plan.length))
            return prepared

        panel.begin = begun
        visitor = panel_visitor.visitor_of(toy, make_panel_app(panel, hosts=hosts_of(8000)))
        visitor.get("/")
        visitor.to_the_sitting(panel.public_token())
        visitor.get("/sitting")
        visitor.to_the_trials()
        while (view := visitor.view())["step"] != "finished":
            visitor.one_trial("A" if view["trial"] % 2 else "B")
        visitor.state()
        visitor.get("/sound/unknown")
        return visitor.sent, truths


def _with(sitting, plan):
    from dataclasses import replace

    return replace(sitting, plan=plan)


def shown(sent):
    """Return a response as compared: sound without samples; feedback of practice, told after its answer, struck out."""
    body, headers = sent.body, sent.headers
    if sent.header("content-type") == "audio/wav":
        return sent.asked, sent.status, headers, (body[:WAV_HEADER], len(body))
    if sent.header("content-type") == "application/json" and b'"feedback":{' in body:
        body = json.loads(body)
        body["view"]["feedback"] = "struck out"
        headers = tuple((key, value) for key, value in headers if key != b"content-length")
    return sent.asked, sent.status, headers, body


@pytest.fixture(scope="module")
def both(toy, panel_template, tmp_path_factory):
    walks = []
    for exchange in (False, True):
        folder = Path(shutil.copytree(panel_template, tmp_path_factory.mktemp("panel") / "study"))
        walks.append(walked(toy, folder, exchange))
    return walks


def test_exchanging_the_truth_changes_nothing_but_samples(both):
    (one, right), (other, wrong) = both
    assert right != wrong, "the truth was really exchanged"
    assert len(one) == len(other) > 60
    for first, second in zip(one, other, strict=True):
        assert shown(first) == shown(second), first.asked
    sounds = [(a.body, b.body) for a, b in zip(one, other, strict=True) if a.header("content-type") == "audio/wav"]
    assert len(sounds) > 15
    assert any(a[WAV_HEADER:] != b[WAV_HEADER:] for a, b in sounds)


def test_the_noise_of_the_level_is_the_same_whatever_the_trials_hold(both):
    (one, _), (other, _) = both
    levels = [next(sent.body for sent in walk if sent.header("content-type") == "audio/wav") for walk in (one, other)]
    assert levels[0] == levels[1]


def test_no_name_of_a_condition_or_clip_leaves(both):
    for sent in both[0][0]:
        if sent.header("content-type") != "audio/wav" and sent.asked != "POST /panel/open":
            for secret in (b"plain", b"tilted", b"With a tilt", b"reeds", b"Reeds", b".wav"):
                assert secret not in sent.body or "static" in sent.asked, (sent.asked, secret)
