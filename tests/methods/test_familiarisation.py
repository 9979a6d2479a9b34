"""Familiarisation: everything once a clip, in drawn order, nothing asked (ITU-R BS.1534-3, 5.2 and attachment 1)."""

from collections import Counter
from hashlib import sha256

import pytest

from blindtest.design import Block, Draws
from blindtest.methods import METHODS, Setting
from blindtest.study.comparing import block_conditions, with_trials
from blindtest.study.condition import StudyCondition
from blindtest.study.protocols import read_protocol
from blindtest.study.reading import parse_toml

METHOD = METHODS["familiarisation"]
PROTOCOL = """\
format = 1
title = "T"
decides = ["attribute"]
source = "s"

[[block]]
id = "get-to-know"
phase = "practice"
method = "familiarisation"
repeats = 1
{more}

[[block]]
id = "train"
phase = "practice"
method = "multi-stimulus"
trials = 2

[[block]]
id = "test"
phase = "blind"
method = "multi-stimulus"
repeats = 1
"""


def test_every_condition_sounds_once_and_every_order_is_drawn():
    """720 draws of 6 orders: 120 each within 4.5 standard errors."""
    setting, draws = Setting(conditions=("a", "b", "c")), Draws(sha256(b"familiar").digest())
    orders = Counter(
        tuple(slot.condition for slot in METHOD.draw(draws.source(f"k/{n}"), setting, ()).slots) for n in range(720)
    )
    assert {tuple(sorted(order)) for order in orders} == {("a", "b", "c")}
    assert len(orders) == 6
    assert max(abs(count - 120) for count in orders.values()) < 45


def test_all_that_is_rated_is_heard_first_once_on_each_clip():
    block = Block(id="f", phase="practice", method="familiarisation", trials=1, numbers={"repeats": 1})
    conditions = (
        StudyCondition(id="original", reference=True),
        StudyCondition(id="codec"),
        StudyCondition(id="low", anchor="low"),
    )
    assert block_conditions(block, (), conditions) == ("original", "codec", "low")
    protocol, faults = read_protocol(parse_toml(PROTOCOL.format(more="").encode(), file="p.toml"), name="p")
    assert faults == []
    made = with_trials(protocol, (), conditions, 5)
    assert [one.trials for one in made.blocks] == [5, 2, 5]


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ("feedback = true", "no answer of familiarisation is right or wrong"),
        ("confidence = true", "only an answer that is chosen among several"),
        ("margin = 0.5", "practice is never counted"),
    ],
)
def test_nothing_is_asked_and_nothing_counted(more, words):
    _, faults = read_protocol(parse_toml(PROTOCOL.format(more=more).encode(), file="p.toml"), name="p")
    assert words in "\n".join(map(str, faults))


def test_it_stands_in_practice_only():
    text = PROTOCOL.format(more="").replace('phase = "practice"', 'phase = "blind"', 1)
    _, faults = read_protocol(parse_toml(text.encode(), file="p.toml"), name="p")
    assert "familiarisation is never counted, got 'blind' (allowed: practice)" in "\n".join(map(str, faults))


def test_it_is_no_training_of_the_rating_that_follows():
    trained = '[[block]]\nid = "train"\nphase = "practice"\nmethod = "multi-stimulus"\ntrials = 2\n'
    assert trained in PROTOCOL
    text = PROTOCOL.format(more="").replace(trained, "")
    _, faults = read_protocol(parse_toml(text.encode(), file="p.toml"), name="p")
    assert "need training before them" in "\n".join(map(str, faults))
