"""What is decided of a study's claims before anybody listens: edges that studies seldom meet, worked out by hand."""

from dataclasses import replace

import pytest

from blindtest.design import Block, Claim
from blindtest.study import (
    StudyCondition,
    compared_by_block,
    examine,
    load_study,
    primary_claim,
    rated_reach,
    resources,
    stage_pair_reach,
    stage_reach,
)
from blindtest.study import tested_clips as clips_tested
from blindtest.study.comparing import adjusted_grid, block_conditions

OTHERS = """
[[condition]]
id = "third"
stages = [{ response = "heron" }, { gain_db = -1 }]

[[clip]]
id = "drums"
file = "clips/strings.wav"
in_s = 0.5
licence = "CC0-1.0"

[[clip]]
id = "voice"
file = "clips/strings.wav"
licence = "CC0-1.0"

"""


def claim(kind, more="", device="plover", comparator="heron", id="one"):
    return f'[[claim]]\nid = "{id}"\nkind = "{kind}"\ndevice = "{device}"\ncomparator = "{comparator}"\n{more}\n'


def anchor(kind):
    return f'[[condition]]\nid = "{kind}"\nanchor = "{kind}"\nstages = [{{ lowpass_hz = 3500 }}]\n'.replace(
        "[{ lowpass_hz = 3500 }]", "[]" if kind == "high" else "[{ lowpass_hz = 3500 }]"
    )


@pytest.fixture
def study(folder):
    """Write the study of this room's tests with more in it, by another protocol."""

    def make(more="", use="abx", after=""):
        text = (folder / "study.toml").read_text()
        head = text[: text.index("[protocol]")]
        (folder / "study.toml").write_text(f'{head}{more}\n[protocol]\nuse = "{use}"\n{after}')
        return folder

    return make


def faults(place):
    return [str(fault) for fault in examine(place).faults]


def notes(place):
    return [str(note) for note in examine(place).notes]


@pytest.mark.parametrize(
    ("there", "remedy"),
    [
        ("high", "write a [[condition]] with anchor = 'low', stages = [{ lowpass_hz = 3500 }]"),
        ("low", "write a [[condition]] with anchor = 'high', stages = []"),
        ("", "with anchor = 'low', stages = [{ lowpass_hz = 3500 }] and one with anchor = 'high', stages = []"),
    ],
)
def test_the_anchor_that_lacks_is_named(study, there, remedy):
    said = faults(study((anchor(there) if there else "") + claim("rated"), "survival", "[listeners]\nplanned = 24\n"))
    (fault,) = [one for one in said if "needs an anchor of each kind" in one]
    assert fault.endswith(remedy)
    assert f"got {there or 'none'}" in fault.replace("'", "")


def test_anchors_that_nobody_hears_are_noted_where_nothing_is_rated(study):
    unheard = "the protocol abx rates nothing: anchors are rendered, never heard"
    assert any(unheard in note for note in notes(study(anchor("low"))))


def test_anchors_beside_ratings_that_decide_no_impression_are_heard(study):
    assert not any("never heard" in note for note in notes(study(anchor("low") + claim("rated"), "rating")))


def test_a_kind_that_the_protocol_does_not_decide_is_refused(study):
    (fault,) = faults(study(claim("preferred")))
    assert "claim.one.kind: the protocol abx doesn't decide claims of this kind, got 'preferred'" in fault
    assert fault.endswith("(allowed: heard)")


def test_a_claim_that_is_no_table_is_said_once(folder):
    path = folder / "study.toml"
    path.write_text("claim = 5\n" + path.read_text().replace('use = "abx"', 'use = "preference"'))
    said = faults(folder)
    assert not any("no claim: the protocol" in fault for fault in said)
    assert any("claim" in fault and "5" in fault for fault in said)


@pytest.mark.parametrize(("use", "said"), [("abx", ()), ("tuning", ("no claim: the protocol tuning decides",))])
def test_a_list_without_claims_is_no_claim(study, use, said):
    place = study(use=use)
    path = place / "study.toml"
    path.write_text("claim = []\n" + path.read_text())
    found = faults(place)
    assert len(found) == len(said)
    assert all(words in fault for words, fault in zip(said, found, strict=True))
    path.write_text(path.read_text().replace("[[clip]]", f"{OTHERS}[[clip]]", 1))
    assert any("which two are compared?" in fault for fault in faults(place))


def test_without_a_claim_only_hearing_is_implied(study):
    (fault,) = faults(study(use="tuning"))
    assert "no claim: the protocol tuning decides what is heard and preferred" in fault
    implied = load_study(study())
    assert (primary_claim(implied).kind, primary_claim(implied).margin) == ("heard", 0.5)
    assert implied.reach.shown_from == 19, "28 trials: see protocols/abx.toml"


def test_what_a_block_compares_that_no_claim_speaks_of(study):
    """Two conditions are compared in the order of the file; of several, those of the first claim."""
    blocks = compared_by_block(load_study(study(claim("preferred"), "tuning")))
    assert blocks == {"practice": ("heron", "plover"), "test": ("heron", "plover"), "liking": ("plover", "heron")}


def test_of_three_conditions_those_of_the_first_claim(study):
    blocks = compared_by_block(load_study(study(OTHERS + claim("preferred", device="third"), "tuning")))
    assert set(blocks.values()) == {("third", "heron")}


def test_clips_that_any_claim_is_tested_on(study):
    two = claim("heard", 'clips = ["voice", "strings"]\nmargin = 0.7') + claim(
        "preferred", 'clips = ["strings"]', id="two"
    )
    own = load_study(study(OTHERS + two, "tuning"))
    assert clips_tested(own) == ("strings", "voice")
    # 28 trials on both of them; of 24 pairs on both, half are on the one that is claimed about.
    assert (own.reaches["one"].trials, own.reaches["two"].trials) == (28, 12)


@pytest.mark.parametrize("named", [True, False])
def test_clips_that_a_claim_names_are_no_sample(study, named):
    """Five of six clips by name, or all six drawn from others: the plan is that of `rated_reach` for the same."""
    names = ("strings", "drums", "voice", "c4", "c5", "c6")
    clips = "".join(
        f'[[clip]]\nid = "{name}"\nfile = "clips/strings.wav"\nlicence = "CC0-1.0"\n\n' for name in names[3:]
    )
    more = f"margin = 8\nclips = {list(names[:5])}" if named else "margin = 8"
    place = study(
        OTHERS + clips + anchor("low") + anchor("high") + claim("rated", more),
        "survival",
        "changes.blind.repeats = 2\n[listeners]\nplanned = 48\n",
    )
    own = load_study(place).reaches["one"]
    count = 5 if named else 6
    # blind.repeats = 2, labelled 1: the fewer ratings count.
    plan = {"listeners": 48, "sittings": 2, "ratings": count, "margin": 8.0, "kept": 2 / 3}
    assert own == rated_reach(**plan, clips=None if named else count)
    assert own.chance_vanishes != rated_reach(**plan, clips=count if named else None).chance_vanishes
    assert any(own.sentence in note for note in notes(place))


GRID = """
[[condition]]
id = "bump"
stages = [{ response = "heron" }, { hump = { frequency_hz = 3000, gain_db = 1, q = 1 } }]
grid = { stage = "hump", values = [0.5, 1, 2, 4, 6] }

"""


def test_the_smallest_level_may_be_claimed_and_three_tracks_are_enough(study):
    place = study(GRID + claim("threshold", "margin = 0.5", device="bump"), "threshold")
    assert faults(place) == []
    said = "\n".join(notes(place))
    assert "3 tracks of 40, 40, 40 trials: shown where the threshold's limit is at most 0.5" in said
    assert "hardly known" not in said


def test_practice_is_about_what_the_test_is_about(study):
    place = study(claim("attribute", 'attribute = "bass"'), "2afc", '[protocol.changes]\ntest.attribute = "bass"\n')
    assert faults(place) == []
    blocks = {block.id: block.numbers.get("attribute") for block in load_study(place).protocol.blocks}
    assert blocks["practice"] == blocks["test"] == "bass"


def test_an_attribute_that_nobody_named_is_asked_for(study):
    said = faults(study(claim("attribute", 'attribute = "bass"'), "2afc"))
    assert any(
        'asks which has more of an attribute: of which?; write test.attribute = "bass" under' in one for one in said
    )


def test_pairs_of_the_stages_that_are_claimed_about(study):
    """Two factorials: the block compares the combinations of the second, which the claim names."""
    chains = "".join(
        f'[[condition]]\nid = "{name}"\nstages = [{{ response = "heron" }}, {{ hump = {{ frequency_hz = {hz}, '
        f'gain_db = 3 }} }}]\nfactors = {{ stages = ["response", "hump"] }}\n\n'
        for name, hz in (("one", 2000), ("other", 500))
    )
    own = '[[claim]]\nid = "peak"\nkind = "stage"\ndevice = "other"\nstage = "hump"\nmargin = 25\n'
    blocks = compared_by_block(load_study(study(chains + own, "attribution-pairs", "[listeners]\nplanned = 24\n")))
    assert {name.split("@")[0] for names in blocks.values() for name in names} == {"other"}
    assert {len(names) for names in blocks.values()} == {4}


def levels(grid, *values):
    return [StudyCondition(id=f"{grid}@{value:g}", grid=grid, level=abs(value), value=value) for value in values]


def matched(device, kind="matched"):
    return Claim(id=device, kind=kind, device=device, comparator="heron")


SET = Block(id="set", phase="blind", method="adjustment", trials=4)
PLAIN = [StudyCondition(id="heron"), StudyCondition(id="plover")]


def test_which_grid_is_set_by_hand():
    """Named in the block, else claimed, else the only one that no threshold speaks of; else none."""
    one, two = levels("gain", 1, -1, 0), levels("bass", 2, 4)
    assert adjusted_grid(SET, [], [*PLAIN, *one]) == "gain"
    assert adjusted_grid(SET, [], [*PLAIN, *one, *two]) == ""
    assert adjusted_grid(SET, [], PLAIN) == ""
    assert adjusted_grid(SET, [matched("bass")], [*PLAIN, *one, *two]) == "bass"
    assert adjusted_grid(SET, [matched("gain", "threshold")], [*PLAIN, *one, *two]) == "bass"
    assert adjusted_grid(replace(SET, numbers={"adjusts": "gain"}), [matched("bass")], [*PLAIN, *one, *two]) == "gain"


def test_what_a_setting_moves_through():
    one, two = levels("gain", 1, -1, 0), levels("bass", 2, 4)
    steps = ("gain@-1", "gain@0", "gain@1")
    assert block_conditions(SET, [matched("gain")], [*PLAIN, *one, *two]) == ("heron", *steps)
    assert block_conditions(SET, [], [*PLAIN, *one]) == ("plover", *steps), "the comparator of the claim implied"
    assert block_conditions(SET, [], [*PLAIN, *one, *two]) == ()
    assert block_conditions(replace(SET, numbers={"sets": "preferred"}), [], [*PLAIN, *one]) == steps
    assert block_conditions(replace(SET, numbers={"against": "wren"}), [], [*PLAIN, *one]) == ("wren", *steps)


def test_a_block_of_one_model_of_the_harmonics_asks_of_that_one():
    test = Block(id="test", phase="blind", method="abx", trials=4)
    claims = [matched("bent", "heard"), matched("bent.before", "heard")]
    assert block_conditions(test, claims, PLAIN) == ("bent", "heron")
    assert block_conditions(replace(test, numbers={"variant": "bent.before"}), claims, PLAIN) == (
        "bent.before",
        "heron",
    )


def test_a_protocol_without_a_margin_names_itself(study):
    place = study(use="own.toml")
    text = (resources("protocols") / "abx.toml").read_text()
    (place / "own.toml").write_text("\n".join(line for line in text.split("\n") if not line.startswith("margin")))
    (fault,) = faults(place)
    assert "protocol.use: no margin: nothing could refute the claim" in fault


def one_stage(**more):
    return stage_reach(
        **{"clips": 4, "repeats": 1, "combinations": 4, "stages": 2, "products": 1, "margin": 8.0, **more}
    )


def test_a_plan_of_ratings_in_words():
    alone, panel = one_stage(listeners=1, clips=1, repeats=2), one_stage(listeners=12)
    assert alone.plan == "one listener, one clip, 4 combinations of 2 stages, 2 times each, margin 8"
    assert alone.assumption == (
        "assumed: standard deviations of 12 of a single rating, points of 100; corrected over the stages"
    )
    assert panel.plan == "12 listeners, 4 clips, 4 combinations of 2 stages, margin 8"
    assert panel.assumption == (
        "assumed: standard deviations of 8 between listeners in the effect of a stage, 12 of a single rating, "
        "points of 100; corrected over the stages"
    )
    assert "4 between clips" in one_stage(listeners=3, clips=5).assumption
    assert "between clips" not in one_stage(listeners=1, clips=5).assumption


def test_a_plan_of_pairs_in_words():
    plan = stage_pair_reach(listeners=8, pairs=16, stages=2, margin=15)
    assert plan.plan == "8 listeners, 16 pairs of each of 2 stages, margin 15 percentage points"
    assert plan.assumption.startswith("assumed: standard deviation of 15 between listeners; choices scatter as a coin")
    alone = stage_pair_reach(listeners=1, pairs=16, stages=2, margin=15)
    assert alone.plan.startswith("one listener, 16 pairs")
    assert alone.assumption == "assumed: choices scatter as a coin does; corrected over the stages"
    assert (alone.to_dict()["pairs"], "pairs" in one_stage(listeners=12).to_dict()) == (16, False)


def test_where_nothing_can_be_judged():
    """By hand: 4 ratings of one listener less clip, stages and product leave no degree of freedom."""
    for plan in (
        one_stage(listeners=1, clips=1),
        one_stage(listeners=2),
        stage_pair_reach(listeners=2, pairs=16, stages=2, margin=15),
        stage_pair_reach(listeners=12, pairs=0, stages=2, margin=15),
        stage_pair_reach(listeners=1, pairs=1, stages=2, margin=15),
    ):
        assert (plan.std_error, plan.chance_shown, plan.chance_negligible, plan.can_fail) == (None, 0.0, 0.0, False)
    one = one_stage(listeners=1, clips=1, products=0)
    assert (one.df, one.std_error) == (1.0, 12.0), "sqrt(4 x 12^2 / 4)"
    assert one.chance_shown > 0
    pairs = stage_pair_reach(listeners=1, pairs=2, stages=2, margin=15)
    assert (pairs.df, pairs.std_error) == (1.0, pytest.approx(50 / 2**0.5))
    assert pairs.chance_shown > 0
    # Three are a panel: sqrt((15^2 + 50^2/25)/3)
    three = stage_pair_reach(listeners=3, pairs=25, stages=2, margin=15)
    assert (three.df, three.std_error) == (2.0, pytest.approx((325 / 3) ** 0.5))
