"""Names that may be wrong, from the study file to the report: sound and name come back as the listeners were made.

Estimates are held against means taken by hand from the published rows, p values against scipy's.
"""

import runpy
from collections import Counter
from itertools import combinations, product
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy import stats as scipy_stats

from blindtest import steps
from blindtest.errors import BlindtestError
from blindtest.session import Opinion, SimulatedListener, restored, rows_of, simulate_sitting, simulated_clock
from blindtest.stats import label_effect
from blindtest.study import check_study, load_study

H = runpy.run_path(str(Path(__file__).with_name("test_protocols.py")))
sit, analyzed, reported, recorded, day = (H[name] for name in ("sit", "analyzed", "reported", "recorded", "day"))

STUDY = """\
format = 1
title = "Sound or name"
reviewer = "R-test"
[rendering]
over = "worn"
[[condition]]
id = "first"
label = "The dear one"
stages = []
[[condition]]
id = "second"
label = "The cheap one"
stages = [{ tilt_db_per_octave = -0.5 }]
[[clip]]
id = "one"
file = "one.wav"
[[clip]]
id = "two"
file = "two.wav"
[[claim]]
id = "better"
kind = "rated"
device = "first"
comparator = "second"
margin = 12
[protocol]
use = "unreliable-labels"
[protocol.changes]
practice.trials = 1
named.repeats = 6
named.sittings = 1
recognition.trials = 2
recognition.sittings = 1
[listeners]
planned = 6
"""


@pytest.fixture
def study(tmp_path):
    """Write a study; return its folder. `changes`: text -> other text."""

    def write(*changes):
        rng = np.random.default_rng(3)
        for name in ("one", "two"):
            noise = 0.1 * rng.standard_normal((48_000, 2))
            soundfile.write(tmp_path / f"{name}.wav", noise, 48_000, subtype="PCM_24")
        text = STUDY
        for before, after in changes:
            assert text.count(before) == 1, before
            text = text.replace(before, after)
        (tmp_path / "study.toml").write_text(text, encoding="utf-8")
        return tmp_path

    return write


def without(*blocks):
    """Return the changes that take out what the study changes of some blocks."""
    return [(f"{row}\n", "") for row in STUDY.splitlines() if row.split(".")[0] in blocks]


def listener(number, *, sound, name, recognises=0.0):
    """A listener whose effects are known: the difference of two qualities, and of two names."""
    rng = np.random.default_rng([5, number])
    taste = {("listener_device", one): float(3 * rng.standard_normal()) for one in ("first", "second")}
    opinion = Opinion(
        quality={"first": 45.0 + sound, "second": 45.0},
        name_bias={"first": name},
        deviations={("listener",): float(4 * rng.standard_normal()), **taste},
        residual=6.0,
    )
    return SimulatedListener(pseudonym=f"U-{number}", opinion=opinion, recognises=recognises)


def effects(rows, column):
    """Return each listener's mean difference between the two values of a column."""
    named = [row for row in rows if row["phase"] == "unreliable"]
    return np.array(
        [
            np.mean([float(r["response"]) for r in named if (r["listener"], r[column]) == (who, "first")])
            - np.mean([float(r["response"]) for r in named if (r["listener"], r[column]) == (who, "second")])
            for who in sorted({row["listener"] for row in named})
        ]
    )


def test_a_name_that_is_worth_something_and_a_sound_that_is_not(study):
    """True: sound 0, name 14 points. Both intervals hold the truth; the claim, which is about the sound, fails."""
    folder = study()
    steps.render(folder)
    for number in range(6):
        sit(folder, listener(number, sound=0.0, name=14.0))
    said, found = analyzed(folder)
    (claim,) = found["claims"]
    result = claim["unreliable_labels"]["result"]
    assert (claim["kind"], claim["word"], result["word"]) == ("rated", "negligible", "shown")
    assert (result["listeners"], result["ratings"], result["right_labels"]) == (6, 6 * 24, 0.5)
    rows = recorded(folder)
    for column, effect, truth in (("condition", "sound", 0.0), ("label", "label", 14.0)):
        own = effects(rows, column)
        # Balanced: the estimate is the mean of the listeners' own effects.
        assert result[effect]["estimate"] == pytest.approx(own.mean(), abs=1e-6)
        low, high = result[effect]["interval"]
        assert low < truth < high
        # Scatter of single ratings alone may exceed what listeners add: then the model has more degrees of freedom.
        t = scipy_stats.t.interval(0.95, 5, own.mean(), scipy_stats.sem(own))
        assert high - low == pytest.approx(t[1] - t[0], rel=0.35)
    concluded = result["sound_conclusion"]
    assert claim["p_value"] == result["sound_within_p"] < 0.05
    # Schuirmann's two tests: at the level of the larger p one of the limits is the margin itself.
    df, error = concluded["df"], concluded["std_error"]
    larger = max(
        scipy_stats.t.sf((concluded["estimate"] + 12) / error, df),
        scipy_stats.t.cdf((concluded["estimate"] - 12) / error, df),
    )
    assert claim["p_value"] == pytest.approx(larger, rel=1e-6)
    assert "Claim: first is rated above second by its sound, whatever its name." in said
    assert "Result: negligible: the sounds are rated apart by less than was declared to matter" in said
    assert "The name: shown: the name first raises ratings over the name second, whatever sounds" in said
    assert "144 ratings by 6 listeners on 2 clips" in said
    recognition = claim["unreliable_labels"]["recognition"][-1]["result"]
    assert recognition["trials"] == 12
    page, block, published = reported(folder)
    told_apart(folder, rows, published, result)
    report_words(page, block)


def told_apart(folder, rows, published, result):
    """The published table alone gives the same result: ours is `analyze --method labels`."""
    named = [row for row in published if row["phase"] == "unreliable"]
    assert {(row["condition"], row["label"]) for row in named} == {
        (sound, name) for sound in ("first", "second") for name in ("first", "second")
    }
    assert all(row["label"] == "" for row in published if row["phase"] != "unreliable")
    assert "label" in rows[-10]
    assert [row["label"] for row in rows if "label" in row] == [row["label"] for row in named]
    shown = steps.analyze_table(
        next(folder.glob("report/*.csv")), method="labels", device="first", comparator="second", margin=12.0
    )
    again = shown.to_dict()["label_effect"]
    for effect in ("label", "sound"):
        assert again[effect]["estimate"] == pytest.approx(result[effect]["estimate"], rel=1e-9)


def report_words(page, block):
    assert "Is The dear one rated above The cheap one for its sound, whatever name it bears" in page
    assert "wrong on the other, and that nothing marks which; so nobody was deceived" in page
    assert "Mean rating of either sound under either name" in page
    assert "| sound, whatever its name |" in block
    assert "survives" not in block
    assert "Mean ratings of either sound under either name" in page


def test_one_listener_in_one_sitting(study):
    """True: sound 20, name 0. Judged by single ratings, for this listener and these clips."""
    folder = study(("planned = 6", "planned = 1"), ("named.repeats = 6", "named.repeats = 8"))
    steps.render(folder)
    sit(folder, listener(1, sound=20.0, name=0.0, recognises=1.0))
    said, found = analyzed(folder)
    (claim,) = found["claims"]
    result = claim["unreliable_labels"]["result"]
    assert (claim["word"], result["word"]) == ("shown", "negligible")
    assert result["scope"] == "for this listener and these clips"
    rows = [row for row in recorded(folder) if row["phase"] == "unreliable"]
    assert result["sound"]["estimate"] == pytest.approx(effects(rows, "condition")[0], abs=1e-9)
    # Ordinary least squares, by statsmodels: sound, name, their product, the clip.
    import pandas as pd
    from statsmodels.formula.api import ols

    data = pd.DataFrame(
        {
            "y": [float(row["response"]) for row in rows],
            "s": [0.5 if row["condition"] == "first" else -0.5 for row in rows],
            "n": [0.5 if row["label"] == "first" else -0.5 for row in rows],
            "clip": [row["clip"] for row in rows],
        }
    )
    low, high = ols("y ~ s * n + C(clip)", data).fit().conf_int().loc["s"]
    assert result["sound"]["interval"] == pytest.approx([low, high], abs=1e-9)
    assert "Recognised: 2 of 2" in said


def test_a_sitting_killed_and_gone_on_with_keeps_its_names(study):
    """Names are rows of the record: what is drawn again has to agree with them."""
    folder = study()
    steps.render(folder)
    with steps.prepare_sitting(folder, listener="U-1", clock=lambda: day(0)) as prepared:
        plan = prepared.sitting.plan
    rng = np.random.default_rng(1)
    clock = simulated_clock(day(0), rng)
    sitting = simulate_sitting(plan, listener(1, sound=0.0, name=9.0), rng, clock, stop_after=9)
    rows = [row for answer in sitting.answers for row in rows_of(answer)]
    again = restored(plan, rows, study=sitting.study, listener=sitting.listener)
    assert again.answers == sitting.answers
    assert {row["label"] for row in rows if row["phase"] == "unreliable"} == {"first", "second"}
    changed = [{**row, "label": "second"} if row.get("label") == "first" else row for row in rows]
    with pytest.raises(BlindtestError, match="label is 'second', not 'first'"):
        restored(plan, changed, study=sitting.study, listener=sitting.listener)


FAULTS = {
    "odd": (
        (("named.repeats = 6", "named.repeats = 5"),),
        "repeats: names are right on half of the ratings of each clip: an odd number has no half, got 5 (allowed: an "
        "even number); write repeats = 6",
    ),
    "order": (
        (('use = "unreliable-labels"', 'use = "unreliable-labels"\norder = "crossed"'),),
        "protocol.order: where names may be wrong there is one phase, and no order, got 'crossed' (allowed: "
        "unreliable-labels); take the key out",
    ),
    "no such phase": (
        (
            ('use = "unreliable-labels"', 'use = "preference"\norder = "unreliable-labels"'),
            ('kind = "rated"\n', 'kind = "preferred"\n'),
            ("margin = 12", "margin = 0.3"),
        ),
        "protocol.order: the protocol preference has no block whose names may be wrong, got 'unreliable-labels' "
        "(allowed: blind-first, labelled-first or crossed, where names are shown); write use = 'unreliable-labels'",
    ),
    "too few": (
        (("planned = 6", "planned = 4"),),
        "the claim can't fail: a sound that is worth nothing would end as 'negligible' with chance 0.",
    ),
    "two listeners": (
        (("planned = 6", "planned = 2"),),
        "the claim can't fail: a plan like this can reach no conclusion at all",
    ),
}


@pytest.mark.parametrize("kind", FAULTS)
def test_what_does_not_go_with_names_that_may_be_wrong_is_said_in_a_line(study, kind):
    changes, said = FAULTS[kind]
    if kind not in ("odd", "order", "too few", "two listeners"):
        changes = (*changes, *without("named", "recognition", "practice"))
    found = [str(fault) for fault in check_study(study(*changes))]
    assert any(said in fault for fault in found), found


OWN = """\
format = 1
title = "Own"
decides = ["rated"]
source = "own"
{order}
[[block]]
id = "named"
phase = "unreliable"
method = "rating"
repeats = 2
{more}
"""


@pytest.mark.parametrize(
    ("order", "more", "said"),
    [
        ("", '[[block]]\nid = "l"\nphase = "labelled"\nmethod = "rating"\nrepeats = 1',
         "own.toml:13: block.l.phase: names that are right teach which ones are wrong, got 'labelled'"),
        ("", '[[block]]\nid = "b"\nphase = "blind"\nmethod = "rating"\nrepeats = 1',
         "own.toml:13: block.b.phase: ratings without names beside names that may be wrong: one analysis can't hold "
         "both, got 'blind'"),
        ('order = "blind-first"', "",
         "own.toml:5: order: where names may be wrong there is one phase, and no order, got 'blind-first'"),
        ("", '[[block]]\nid = "p"\nphase = "unreliable"\nmethod = "abx"\ntrials = 4',
         "own.toml:14: block.p.method: names are shown while the phase is unreliable: abx would be answered by "
         "reading"),
    ],
)  # fmt: skip
def test_what_a_protocol_of_one_s_own_can_t_hold(study, order, more, said):
    folder = study(('use = "unreliable-labels"', 'use = "own.toml"'), *without("practice", "recognition"))
    (folder / "own.toml").write_text(OWN.format(order=order, more=more), encoding="utf-8")
    found = [str(fault) for fault in check_study(folder)]
    assert any(said in fault for fault in found), found


def test_a_protocol_of_one_s_own_needs_no_order(study):
    folder = study(('use = "unreliable-labels"', 'use = "own.toml"'), *without("practice", "recognition"))
    (folder / "own.toml").write_text(OWN.format(order="", more=""), encoding="utf-8")
    assert [str(fault) for fault in check_study(folder)] == []
    protocol = load_study(folder).protocol
    assert protocol.order == "unreliable-labels"
    # One page for each clip and repeat, both sounds on it.
    assert [block.trials for block in protocol.blocks] == [2 * 6]


def test_right_names_are_dealt_anew_as_they_were_dealt():
    """Every deal is gone through by hand, its least squares coefficient by numpy; simulated deals come close."""
    import pandas as pd

    ratings = {"c": (90.0, 70.0, 61.0, 40.0), "d": (80.0, 71.0, 60.0, 52.0)}
    columns = ["listener", "sitting", "trial", "clip", "sound", "label", "rating"]
    table = pd.DataFrame(
        [
            ("L", 1, f"{clip}{place}", clip, sound, label, rating)
            for clip, four in ratings.items()
            for place, ((sound, label), rating) in enumerate(
                zip((("a", "a"), ("a", "b"), ("b", "a"), ("b", "b")), four, strict=True)
            )
        ],
        columns=columns,
    )
    sound = np.where(table["sound"] == "a", 0.5, -0.5)
    nuisance = np.column_stack([np.ones(8), sound, table["clip"] == "d"]).astype(float)

    def moved(right):
        design = np.column_stack([np.where(right, sound, -sound), nuisance])
        beta, _, rank, _ = np.linalg.lstsq(design, table["rating"].to_numpy(), rcond=None)
        return abs(beta[0]) if rank == 4 else 0.0  # names that are all alike move nothing

    drawn = moved((table["sound"] == table["label"]).to_numpy())
    cells = [np.array(cell, bool) for cell in product((True, False), repeat=4)]
    as_dealt = [np.concatenate([(one, not one) for one in cell]) for cell in cells]
    freely = [np.isin(np.arange(8), own) for own in combinations(range(8), 4)]
    for within, deals in ((("clip", "sound"), as_dealt), ((), freely)):
        share = np.mean([moved(right) >= drawn * (1 - 1e-9) for right in deals])
        found = label_effect(table, device="a", comparator="b", dealt_within=within, draws=9999).exact_p_value
        # Binomial error of a share of 1/8 in 9,999 deals: .0033; four of them.
        assert found == pytest.approx(share, abs=0.0133)
    with pytest.raises(ValueError, match="no column 'block' to deal the right labels within"):
        label_effect(table, device="a", comparator="b", dealt_within=("block",))


def test_a_sequence_is_planned_for_the_panel_and_sealed(study):
    """Of two listeners and two sounds each begins in another row; names stay balanced."""
    folder = study(("named.repeats = 6", "named.repeats = 6\nnamed.sequence = 'williams'"))
    assert not [str(fault) for fault in check_study(folder)]
    steps.render(folder)
    plans = []
    for number in (0, 1):
        with steps.prepare_sitting(folder, listener=f"U-{number}", clock=lambda: day(0)) as prepared:
            plans.append(prepared.sitting.plan)
    assert sorted(plan.record["starts"]["named"] for plan in plans) == [0, 1]
    for plan in plans:
        trials = [plan.trial(number) for number in range(plan.length)]
        named = [trial for trial in trials if trial.phase == "unreliable"]
        runs = [[trial.labels["1"] for trial in named[at : at + 2]] for at in range(0, len(named), 2)]
        # Twelve rounds in two orders: each six times.
        assert Counter(map(tuple, runs)) == {("first", "second"): 6, ("second", "first"): 6}
        assert sum(trial.labels["1"] == trial.drawn.slots[0].condition for trial in named) == 12


@pytest.mark.parametrize(
    ("block", "said"),
    [
        (
            "recognition",
            "the method has no such sequence: its orders are balanced, or its keys drawn independently, got "
            "'recognition' (allowed: rating, rating-single, multi-stimulus); take the key out",
        ),
        ("practice", "a sequence needs whole rounds; write repeats in place of trials"),
    ],
)
def test_what_has_no_sequence_is_said(study, block, said):
    changed = "practice.trials = 1\n"
    found = [str(one) for one in check_study(study((changed, f"{changed}{block}.sequence = 'williams'\n")))]
    assert any(said in fault for fault in found), found
