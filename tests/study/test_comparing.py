"""What meets what in which block, what it is called, and how many trials follow from it: counted by hand."""

import pytest

from blindtest.design import make_plan, sittings_of
from blindtest.study import (
    check_study,
    claim_blocks,
    claim_clips,
    compared,
    compared_by_block,
    examine,
    labels,
    load_study,
    planned_conditions,
    primary_claim,
)
from blindtest.study import tested_clips as clips_tested

ANCHORS = """
[[condition]]
id = "poor"
anchor = "low"
stages = [{ lowpass_hz = 3500 }]

[[condition]]
id = "good"
anchor = "high"
stages = []

[[condition]]
id = "tilted"
decoy = true
stages = [{ response = "heron" }, { tilt_db_per_octave = -0.5 }]
"""
RATED = """
[[claim]]
id = "keeps"
kind = "rated"
device = "heron"
comparator = "plover"
"""
CLIPS = """
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


@pytest.fixture
def survival(changed):
    """A survival study of 2 devices, 2 anchors, 1 decoy and 3 clips, for a panel."""
    return changed(
        ("\n[[clip]]", f"{ANCHORS}\n[[clip]]"),
        ("[protocol]", f"{CLIPS}{RATED}\n[protocol]"),
        ('use = "abx"', 'use = "survival"\n\n[listeners]\nplanned = 24\n'),
    )


def test_conditions_of_each_block_of_a_survival_study(survival):
    assert [str(fault) for fault in check_study(survival)] == []
    study = load_study(survival)
    everything = ("heron", "plover", "poor", "good", "tilted")
    assert compared_by_block(study) == {
        "worn": ("heron", "plover"),
        "practice": everything,
        "blind": everything,
        "recognition": ("heron", "plover", "tilted"),
        "labelled": everything,
    }
    assert planned_conditions(study) == everything
    assert compared(study) == ("heron", "plover")
    assert [block.id for block in claim_blocks(study, study.claims[0])] == ["worn", "blind", "labelled"]


def test_trials_of_ratings_follow_from_the_clips(survival):
    study = load_study(survival)
    # one page a clip: 3 clips x 1 repeat; practice and recognition as the protocol says
    assert {block.id: block.trials for block in study.protocol.blocks} == {
        "worn": 3,
        "practice": 2,
        "blind": 3,
        "recognition": 8,
        "labelled": 3,
    }
    path = survival / "study.toml"
    path.write_text(path.read_text() + "\n[protocol.changes]\nblind.repeats = 2\n")
    assert {block.id: block.trials for block in load_study(survival).protocol.blocks}["blind"] == 6


def test_one_at_a_time_needs_a_page_for_each_condition(survival):
    from blindtest.study import resources

    text = (resources("protocols") / "survival.toml").read_text()
    (survival / "own.toml").write_text(text.replace('method = "rating" ', 'method = "rating-single" '))
    path = survival / "study.toml"
    path.write_text(path.read_text().replace('use = "survival"', 'use = "own.toml"'))
    trials = {block.id: block.trials for block in load_study(survival).protocol.blocks}
    # 3 clips x 5 conditions x 1 repeat; worn 3 x 2 were it one at a time: it is side by side there
    assert (trials["blind"], trials["labelled"], trials["worn"]) == (15, 15, 3)


def test_the_plan_of_every_sitting_can_be_drawn(survival):
    """Study and design agree: each block's conditions are as many as its method takes, orders balance over clips."""
    study = load_study(survival)
    series = sittings_of(study.protocol)
    assert [one.name for one in series] == [
        "worn",
        "blind 1 of 2",
        "blind 2 of 2",
        "labelled 1 of 2",
        "labelled 2 of 2",
    ]
    for sitting in series:
        plan = make_plan(
            study_seal="00" * 32,
            sitting=sitting.place + 1,
            protocol=sitting.protocol,
            conditions=planned_conditions(study),
            clips=clips_tested(study),
            nonce=bytes(32),
            deadline="2026-01-01T00:00:00Z",
            compared=compared_by_block(study),
            labels=labels(study),
        )
        for number in range(plan.length):
            block, _ = plan.place(number)
            heard = {slot.condition for slot in plan.trial(number).drawn.slots}
            assert heard <= set(compared_by_block(study)[block.id])


def test_names_that_listeners_read(survival):
    assert labels(load_study(survival)) == {
        "heron": "Heron, open-back headphone",
        "plover": "Plover, closed-back headphone",
        "poor": "low anchor",
        "good": "high anchor",
        "tilted": "unnamed rendering",
    }
    path = survival / "study.toml"
    path.write_text(path.read_text().replace('id = "good"', 'id = "good"\nlabel = "The record itself"'))
    assert labels(load_study(survival))["good"] == "The record itself"


def test_two_conditions_of_one_unit_go_by_their_ids(changed):
    folder = changed(('stages = [{ response = "heron" }]', 'stages = [{ response = "plover" }, { gain_db = -1 }]'))
    assert labels(load_study(folder)) == {"heron": "heron", "plover": "Plover, closed-back headphone"}


def test_no_two_names_are_ever_alike(survival):
    path = survival / "study.toml"
    text = path.read_text().replace('id = "good"', 'id = "good"\nlabel = "Heron, open-back headphone"')
    decoy = (
        '\n[[condition]]\nid = "third"\ndecoy = true\nstages = [{ tilt_db_per_octave = 1 }]\n\n[[clip]]\nid = "strings"'
    )
    path.write_text(text.replace('\n[[clip]]\nid = "strings"', decoy))
    names = labels(load_study(survival))
    assert len(set(names.values())) == len(names) == 6
    assert {names["tilted"], names["third"]} == {"unnamed rendering 1", "unnamed rendering 2"}


TWO_CLAIMS = """
[[claim]]
id = "audible"
kind = "heard"
device = "heron"
comparator = "plover"
margin = 0.6

[[claim]]
id = "liked"
kind = "preferred"
device = "plover"
comparator = "heron"
clips = ["strings"]
"""


def test_heard_and_preferred_each_have_their_block(changed):
    folder = changed(("[protocol]", f"{TWO_CLAIMS}\n[protocol]"), ('use = "abx"', 'use = "tuning"'))
    study = load_study(folder)
    assert [claim.primary for claim in study.claims] == [True, False]
    assert primary_claim(study).id == "audible"
    assert compared_by_block(study) == {
        "practice": ("heron", "plover"),
        "test": ("heron", "plover"),
        "liking": ("plover", "heron"),
    }
    assert [block.margin for block in study.protocol.blocks] == [None, 0.6, 0.3]
    assert [block.id for block in claim_blocks(study, study.claims[1])] == ["liking"]
    assert study.claims[1].margin == 0.3
    assert study.reaches["audible"].shown_from == 19
    assert study.reaches["liked"].shown_from == 18
    assert study.reach == study.reaches["audible"]
    notes = "\n".join(str(note) for note in examine(folder).notes)
    assert "claim.audible.margin: with 28 trials and margin 0.6, 19 or more right show a difference" in notes
    assert "claim.liked: with 24 pairs and margin 0.3, tested on both sides, 18 or more for the device" in notes


def test_which_claim_is_primary(changed):
    folder = changed(
        ("[protocol]", TWO_CLAIMS.replace("margin = 0.6", "primary = false") + "[protocol]"),
        ('use = "abx"', 'use = "tuning"'),
    )
    study = load_study(folder)
    assert primary_claim(study).id == "liked"
    assert compared(study) == ("plover", "heron")
    assert [claim.primary for claim in study.claims] == [False, True]


def test_a_claim_about_some_clips_counts_their_trials_only(survival, changed):
    """28 ABX trials over 3 clips: 9 at least fall on each; on 3 of 3, 28."""
    path = survival / "study.toml"
    text = path.read_text().replace(ANCHORS, "").replace(RATED, "").replace("planned = 24", "")
    two = TWO_CLAIMS.replace('clips = ["strings"]', 'clips = "all"')
    wide = text.replace("[protocol]", f"{two}\n[protocol]").replace('use = "survival"', 'use = "tuning"')
    path.write_text(wide.replace("margin = 0.6", 'clips = ["strings", "voice"]\nmargin = 0.7'))
    study = load_study(survival)
    assert clips_tested(study) == ("strings", "drums", "voice")
    assert claim_clips(study, study.claims[0]) == ("strings", "voice")
    assert study.reaches["audible"].trials == 18
    assert study.reaches["liked"].trials == 24


def test_a_protocol_with_ties_says_what_they_cost(changed, folder):
    claim = '[[claim]]\nid = "liked"\nkind = "preferred"\ndevice = "plover"\ncomparator = "heron"\n'
    changed(
        ("[protocol]", claim + "[protocol]"), ('use = "abx"', 'use = "short"\n[protocol.changes]\ntest.ties = true')
    )
    assert load_study(folder).protocol.blocks[1].numbers == {"ties": 1}
    notes = "\n".join(str(note) for note in examine(folder).notes)
    assert "each answer 'no preference' takes a pair away" in notes
    assert "15 or more for the device show a preference (chance 0.80 at a true preference of 0.8)" in notes


def test_sealed_direction_of_claims_6(changed, folder):
    claim = (
        '[[claim]]\nid = "liked"\nkind = "preferred"\ndevice = "plover"\ncomparator = "heron"\ndirection = "claimed"\n'
    )
    changed(
        ("[protocol]", claim + "[protocol]"), ('use = "abx"', 'use = "short"\n[protocol.changes]\ntest.trials = 16')
    )
    study = load_study(folder)
    # claims.md 6 [calc]: 16 pairs with sealed direction, 12 of 16
    assert study.reaches["liked"].shown_from == 12
    assert study.claims[0].direction == "claimed"


def test_a_page_holds_twelve_conditions_at_most(survival):
    # ITU-R BS.1534-3, 5.3 (methods.md 1.3): at most 12 signals in a trial; here 5, and 8 more
    path = survival / "study.toml"
    more = "".join(f'[[condition]]\nid = "c{n}"\nstages = [{{ gain_db = -{n}.5 }}]\n' for n in range(8))
    path.write_text(path.read_text().replace("[[clip]]", more + "\n[[clip]]", 1))
    said = [str(fault) for fault in check_study(survival)]
    assert len(said) == 3
    assert all("would compare 13 conditions: too many, got 13 (allowed: 2 to 12" in text for text in said)


def test_the_order_of_phases_goes_with_the_number_of_listeners(survival):
    path = survival / "study.toml"
    text = path.read_text()
    assert "every listener of the panel has the same order (blind-first)" in "\n".join(
        map(str, examine(survival).notes)
    )
    crossed = text.replace('use = "survival"', 'use = "survival"\norder = "crossed"')
    path.write_text(crossed)
    assert load_study(survival).protocol.order == "crossed"
    assert "order" not in "\n".join(note.key for note in examine(survival).notes)
    path.write_text(crossed.replace("planned = 24", "planned = 25"))
    assert "of 25 listeners one more" in "\n".join(map(str, examine(survival).notes))
    path.write_text(crossed.replace("planned = 24", "planned = 1"))
    assert "protocol.order: crossed gives half of the listeners each order" in str(check_study(survival)[0]) + str(
        check_study(survival)[1]
    )
    path.write_text(text.replace('use = "survival"', 'use = "abx"\norder = "crossed"').replace('"rated"', '"heard"'))
    (fault,) = check_study(survival)
    assert "no phase of this protocol shows names: there is no order" in str(fault)
