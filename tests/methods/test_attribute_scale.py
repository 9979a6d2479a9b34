"""A scale that the protocol names: the attribute, its two ends, a sentence; the same in every trial, on every page."""

from dataclasses import replace

import pytest

from blindtest.methods import METHODS, RATING, RATING_SINGLE, Setting
from blindtest.study.protocols import read_protocol
from blindtest.study.reading import parse_toml

NUMBERS = {
    "attribute": "brightness",
    "low_end": "dull",
    "high_end": "bright",
    "definition": "How strong the treble is.",
}
SCALE = 'attribute = "brightness"\nends = ["dull", "bright"]\ndefinition = "How strong the treble is."\n'
HEAD = 'format = 1\ntitle = "T"\ndecides = ["rated"]\nsource = "S"\n'


def protocol(labelled, blind):
    blocks = "".join(
        f'[[block]]\nid = "{phase}"\nphase = "{phase}"\nmethod = "rating"\nrepeats = 1\nsittings = 2\n{scale}'
        for phase, scale in (("labelled", labelled), ("blind", blind))
    )
    made, faults = read_protocol(parse_toml((HEAD + blocks).encode(), file="p.toml"), name="p")
    return made, [str(fault) for fault in faults]


@pytest.mark.parametrize("method", [RATING, RATING_SINGLE], ids=lambda method: method.name)
def test_the_question_is_about_the_attribute(method):
    setting = Setting(conditions=("a", "b"), numbers=NUMBERS)
    question = method.question(method.slot_names(setting), setting)
    assert question.prompt.endswith("stand in brightness? How strong the treble is.")
    assert question.scale == ((0, "dull"), (100, "bright"))
    assert (question.points, question.range) == (True, (0, 100))
    assert method.fault_in(question, dict.fromkeys(question.keys, 101)) is not None


def test_a_protocol_names_it_for_all_its_ratings():
    made, faults = protocol(SCALE, SCALE)
    assert faults == []
    assert [block.numbers for block in made.blocks] == [{**NUMBERS, "repeats": 1}] * 2


@pytest.mark.parametrize(
    ("labelled", "blind", "words"),
    [
        (SCALE, "", "block: blocks are rated on different scales, got 'brightness; quality'"),
        (SCALE, SCALE.replace("brightness", "width"), "blocks are rated on different scales"),
        (SCALE, SCALE.replace('"dull", "bright"', '"soft", "sharp"'), "blocks are rated on different scales"),
        ('attribute = "width"\ndefinition = "How wide."\n', "", "block.labelled.ends: missing"),
        ('attribute = "width"\nends = ["narrow", "wide"]\n', "", "block.labelled.definition: missing"),
        ('ends = ["narrow", "wide"]\n', "", "block.labelled.ends: only the scale of an attribute has this key"),
        (SCALE.replace('bright"]', 'Dull "]'), "", "both ends are called the same"),
    ],
)
def test_half_a_scale_is_refused(labelled, blind, words):
    _, faults = protocol(labelled, blind)
    assert any(words in fault for fault in faults), faults


def faults_of(method, scale):
    text = HEAD + f'[[block]]\nid = "t"\nphase = "blind"\nmethod = "{method}"\n{scale}'
    _, faults = read_protocol(parse_toml(text.encode(), file="p.toml"), name="p")
    return " ".join(map(str, faults))


def test_other_methods_have_none():
    assert "abx asks for no attribute" in faults_of("abx", f"trials = 4\n{SCALE}")


@pytest.mark.parametrize("method", ["multi-stimulus", "small-impairment"])
def test_against_an_original_the_scale_keeps_its_words(method):
    """ITU-R BS.1534-3, 6: further attributes, one per trial, on the same scale."""
    assert f"the scale of {method} keeps its words" in faults_of(method, f"repeats = 1\n{SCALE}")
    without = SCALE.replace('ends = ["dull", "bright"]\n', "")
    assert "block.t.definition: missing" in faults_of(method, 'repeats = 1\nattribute = "width"\n')
    assert "block.t." not in faults_of(method, f"repeats = 1\n{without}").replace("block.t.method", "")
    made = METHODS[method]
    setting = Setting(conditions=("o", "a", "b"), numbers=NUMBERS)
    question, plain = (made.question(made.slot_names(setting), one) for one in (setting, replace(setting, numbers={})))
    assert "brightness" in question.prompt
    assert "How strong the treble is." in question.prompt
    assert question.scale == plain.scale


def test_several_scales_go_beside_each_other_where_nothing_is_rated_with_names():
    blocks = "".join(
        f'[[block]]\nid = "b{k}"\nphase = "blind"\nmethod = "rating"\nrepeats = 1\nmargin = 8\n{scale}'
        for k, scale in enumerate(("", SCALE, SCALE.replace("brightness", "width")))
    )
    text = HEAD.replace("rated", "attribute") + blocks
    made, faults = read_protocol(parse_toml(text.encode(), file="p.toml"), name="p")
    assert faults == []
    assert [block.numbers.get("attribute", "") for block in made.blocks] == ["", "brightness", "width"]


@pytest.mark.parametrize(
    ("names", "many"), [(("1",), False), (("1", "2"), True), (("1", "2", "3"), True)], ids=["one", "two", "three"]
)
def test_one_sound_is_asked_about_as_one_and_two_as_several(names, many):
    plain = RATING.question(names, Setting(conditions=("a", "b", "c")))
    assert plain.prompt == ("How good is the sound of each?" if many else "How good is the sound?")
    numbers = {"attribute": "brightness", "definition": "How strong.", "low_end": "dull", "high_end": "bright"}
    asked = RATING.question(names, Setting(conditions=("a", "b", "c"), numbers=numbers))
    assert asked.prompt.startswith("Where does each sound stand" if many else "Where does the sound stand")
    assert asked.keys == plain.keys == names
