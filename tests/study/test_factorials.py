"""Factorials: which conditions a condition with factors stands for, what `check` says of aliases, what can be wrong.

Aliases of half of four stages: D = ABC, AB = CD and so on (Montgomery, chapter 8; see tests/design/test_factorial.py).
"""

import re

import numpy as np
import pytest
from scipy import stats as scipy_stats

from blindtest.render import GainStage, HumpStage, ResponseStage, ShelfStage, TiltStage
from blindtest.study import compared, compared_by_block, examine, load_study, render_job, stage_reach

CHAIN = """
[[condition]]
id = "chain"
stages = [
  { response = "heron" }, { hump = { frequency_hz = 2000, gain_db = 3, q = 1.4 } }, { tilt_db_per_octave = 0.5 },
  { shelf = { type = "low", frequency_hz = 150, gain_db = 3 } }, { gain_db = 1 },
]
factors = { stages = ["response", "hump", "tilt_db_per_octave", "shelf"], fraction = "1/2" }
"""
CLAIM = """
[[claim]]
id = "peak"
kind = "stage"
device = "chain"
stage = "hump"
margin = 12
"""


@pytest.fixture
def spanned(folder):
    """Return the study of this room's tests with a factorial and its protocol, and other changes made."""

    def make(*pairs, claim=CLAIM, chain=CHAIN, planned=20, use="attribution"):
        text = (folder / "study.toml").read_text()
        text = text[: text.index("[protocol]")] + chain + claim
        text += f'[protocol]\nuse = "{use}"\n[listeners]\nplanned = {planned}\n'
        for before, after in pairs:
            assert text.count(before) == 1, before
            text = text.replace(before, after)
        (folder / "study.toml").write_text(text)
        return folder

    return make


def test_half_of_four_stages(spanned):
    study = load_study(spanned())
    cells = study.factorials["chain"]
    assert cells[0].id == "chain@response-hump-tilt_db_per_octave-shelf-"
    assert cells[-1].id == "chain@response+hump+tilt_db_per_octave+shelf+"
    assert len(cells) == 8
    for cell in cells:
        first, second, third, last = (on for _, on in cell.switches)
        assert last == (sum((first, second, third)) % 2 == 1), "D = ABC"
        assert not cell.plain
    made = {one.id: one for one in render_job(study).conditions}
    kinds = (ResponseStage, HumpStage, TiltStage, ShelfStage)
    for cell in cells:
        stages = made[cell.id].stages
        assert [any(isinstance(one, kind) for one in stages) for kind in kinds] == [on for _, on in cell.switches]
        assert isinstance(stages[-1], GainStage), "what isn't named is always on"
    assert set(compared_by_block(study)["rated"]) == {"heron", "plover", *(cell.id for cell in cells)}
    assert compared(study) == (cells[-1].id, cells[0].id)


def test_aliases_are_said_before_anybody_listens(spanned):
    notes = " ".join(map(str, examine(spanned()).notes))
    assert "8 renderings, 1/2 of all combinations" in notes
    assert "resolution IV (shelf is on as the product of response and hump and tilt_db_per_octave)" in notes
    assert (
        "can't be told apart: response x hump = tilt_db_per_octave x shelf; response x tilt_db_per_octave = hump x "
        "shelf; response x shelf = hump x tilt_db_per_octave"
    ) in notes
    assert "a stage as large as the margin ends as shown with chance" in notes


TWO_HUMPS = (
    "{ tilt_db_per_octave = 0.5 }",
    "{ hump = { frequency_hz = 500, gain_db = -2 } }",
)


def test_the_second_of_a_kind_is_named_by_its_number(spanned):
    named = ('["response", "hump", "tilt_db_per_octave", "shelf"], fraction = "1/2"', '["hump 1", "hump 2"]')
    study = load_study(spanned(TWO_HUMPS, named, ('stage = "hump"', 'stage = "hump 2"')))
    cells = {cell.id: cell for cell in study.factorials["chain"]}
    assert list(cells) == ["chain@hump1-hump2-", "chain@hump1+hump2-", "chain@hump1-hump2+", "chain@hump1+hump2+"]
    humps = [one.hump.gain_db for one in cells["chain@hump1-hump2+"].stages if one.hump]
    assert humps == [-2]


WRONG = {
    "no such stage": (('"hump", "tilt', '"hmup", "tilt'), r"chain has no such stage, got 'hmup'.*did you mean 'hump'"),
    "twice": (('"hump", "tilt', '"response", "tilt'), "a stage is named twice"),
    "several": (TWO_HUMPS, "the chain has several such stages, got 'hump'.*'hump 1', 'hump 2'"),
    "too many": ((', fraction = "1/2"', ""), "16 combinations are too many.*12 at most.*fraction = '1/2'"),
    "too few": (('fraction = "1/2"', 'fraction = "1/4"'), "so few of 16 combinations.*allowed: 1, 1/2"),
    "no fraction": (('fraction = "1/2"', 'fraction = "1/3"'), "fraction: not one of the words known here"),
    "anchor": (('id = "chain"\n', 'id = "chain"\nanchor = "low"\n'), "anchor: the condition has factors"),
    "label": (('id = "chain"\n', 'id = "chain"\nlabel = "X"\n'), "label: the condition has factors"),
    "claimed stage": (('stage = "hump"', 'stage = "lump"'), r"switches no such stage, got 'lump'.*did you mean 'hump'"),
    "no stage": (('stage = "hump"\n', ""), "stage: missing: which of its stages"),
    "no factors": (('device = "chain"', 'device = "heron"'), "the condition switches no stages.*allowed: chain"),
    "comparator": (('stage = "hump"', 'stage = "hump"\ncomparator = "heron"'), "held against the same chain without"),
    "kind": (('kind = "stage"', 'kind = "preferred"'), "comparator: missing"),
    "two listeners": (("planned = 20", "planned = 2"), "two listeners are no panel"),
    "can't fail": (("planned = 20", "planned = 3"), r"can't fail: .* listeners are the fewest that could"),
}  # fmt: skip


@pytest.mark.parametrize("case", WRONG)
def test_what_is_wrong_is_said_in_a_line(spanned, case):
    change, said = WRONG[case]
    faults = [str(fault) for fault in examine(spanned(change)).faults]
    assert any(re.search(said, fault) for fault in faults), "\n".join(faults)
    assert all("study.toml:" in fault for fault in faults)


def test_a_correction_needs_what_it_corrects(spanned):
    correction = '{ correction = { unit = "heron", target_field = "flat" } }'
    faults = [
        str(fault)
        for fault in examine(
            spanned(("{ tilt_db_per_octave = 0.5 }", correction), ('"tilt_db_per_octave"', '"correction"'))
        ).faults
    ]
    assert any("without response the correction of heron would correct what isn't there" in one for one in faults)


def test_another_claim_cannot_speak_of_combinations(spanned):
    claim = '\n[[claim]]\nid = "x"\nkind = "heard"\ndevice = "chain"\ncomparator = "heron"\n'
    faults = " ".join(str(fault) for fault in examine(spanned(claim=claim, use="abx")).faults)
    assert "the condition is a set of combinations, not one rendering" in faults


@pytest.mark.parametrize(("listeners", "clips"), [(16, 4), (1, 5)])
def test_the_reach_is_that_of_simulated_estimates(listeners, clips):
    """20,000 estimates by numpy and scipy's t at Bonferroni's level; Monte Carlo error .004."""
    plan = stage_reach(listeners=listeners, clips=clips, repeats=2, combinations=8, stages=3, products=3, margin=8.0)
    ratings = 8 * clips * 2
    variance = 4 * 12**2 / ratings if listeners == 1 else (8**2 + 4 * 12**2 / ratings) / listeners
    df = ratings - clips - 6 if listeners == 1 else listeners - 1
    assert plan.df == pytest.approx(df)
    assert plan.std_error == pytest.approx(variance**0.5)
    rng = np.random.default_rng(8)
    error = (variance * rng.chisquare(df, 20_000) / df) ** 0.5
    one, two = (scipy_stats.t.ppf(1 - 0.05 / 3 / sides, df) * error for sides in (1, 2))
    ends_as_planned(plan, variance**0.5 * rng.standard_normal(20_000), one, two)
    assert plan.chance_refuted == 0
    sided = stage_reach(
        listeners=listeners, clips=clips, repeats=2, combinations=8, stages=3, products=3, margin=8.0, directed=True
    )
    assert sided.chance_refuted == plan.chance_shown


def ends_as_planned(plan, noise, one, two, within=0.012):
    """Hold the chances of a plan against simulated errors and their limits, one- and two-sided; margin 8."""
    inside = (np.abs(noise) + one) < 8
    assert plan.chance_negligible == pytest.approx(inside.mean(), abs=within)
    found = 8 + noise
    shown = (found - two > 0) & ~((found + one < 8) & (found - one > -8))
    assert plan.chance_shown == pytest.approx(shown.mean(), abs=within)


@pytest.mark.parametrize(("listeners", "clips"), [(12, 5), (24, 8)])
def test_the_reach_over_clips_is_that_of_simulated_tables(listeners, clips):
    """20,000 tables of listeners by clips, the effect of a stage in each cell.

    Their two-way mean squares (any textbook's analysis of variance without replication), the quantile weighed by the
    parts of the variance (Cochran & Cox, Experimental Designs, 1957, 4.14, from memory). Monte Carlo error .004.
    """
    plan = stage_reach(listeners=listeners, clips=clips, repeats=1, combinations=4, stages=2, products=1, margin=8.0)
    rng = np.random.default_rng(8)
    cells = (
        rng.normal(0, 8, (20_000, listeners, 1))
        + rng.normal(0, 4, (20_000, 1, clips))
        + rng.normal(0, 2 * 12 / 4**0.5, (20_000, listeners, clips))
    )
    whole = cells.mean(axis=(1, 2))
    of_listeners, of_clips = cells.mean(axis=2), cells.mean(axis=1)
    assert plan.std_error == pytest.approx(whole.std(), rel=0.02)
    left = cells - of_listeners[:, :, None] - of_clips[:, None, :] + whole[:, None, None]
    rest = (left**2).sum(axis=(1, 2)) / ((listeners - 1) * (clips - 1)) / (listeners * clips)
    own = of_listeners.var(axis=1, ddof=1) / listeners
    floor = of_clips.var(axis=1, ddof=1) / clips
    added = np.maximum(floor - rest, 0)

    def limit(tail):
        quantiles = [scipy_stats.t.ppf(1 - tail, units - 1) for units in (listeners, clips)]
        weighed = (quantiles[0] * own + quantiles[1] * added) / np.sqrt(own + added)
        alone = np.where(added > 0, quantiles[1] * np.sqrt(floor), 0)
        return np.maximum.reduce([weighed, quantiles[0] * np.sqrt(own), alone])

    ends_as_planned(plan, whole, limit(0.05 / 2), limit(0.05 / 4))


@pytest.mark.parametrize(("listeners", "shown", "error"), [(12, 0.374, 0.013), (24, 0.578, 0.014)])
def test_the_reach_over_clips_is_that_of_whole_studies(listeners, shown, error):
    """1,500 and 1,200 studies of two stages and five clips, analysed by `stats.attribution`, simulated beside these."""
    plan = stage_reach(listeners=listeners, clips=5, repeats=1, combinations=4, stages=2, products=1, margin=8.0)
    assert plan.chance_shown == pytest.approx(shown, abs=2 * error)


def test_combinations_are_never_rated_under_names(spanned):
    anchors = "".join(
        f'\n[[condition]]\nid = "{name}"\nanchor = "{name}"\nstages = [{{ lowpass_hz = {hz} }}]\n'
        for name, hz in (("low", 3500), ("high", 7000))
    )
    claim = '\n[[claim]]\nid = "x"\nkind = "rated"\ndevice = "heron"\ncomparator = "plover"\nmargin = 12\n'
    faults = " ".join(str(one) for one in examine(spanned(claim=anchors + claim, use="survival")).faults)
    assert "combinations of stages are rated blind only, and block" in faults


SHORT = """
[[condition]]
id = "chain"
stages = [{ response = "heron" }, { hump = { frequency_hz = 2000, gain_db = 3 } }]
factors = { stages = ["response", "hump"] }
"""


def test_what_is_heard_twice_is_noted(spanned):
    notes = " ".join(map(str, examine(spanned(chain=SHORT)).notes))
    assert "chain@response+hump- is the same rendering as heron: it is heard twice on a page" in notes
    assert notes.count("heard twice") == 1


def test_what_is_never_heard_is_noted(spanned):
    other = '\n[[claim]]\nid = "x"\nkind = "heard"\ndevice = "heron"\ncomparator = "plover"\nmargin = 0.5\n'
    notes = " ".join(map(str, examine(spanned(claim=other, use="abx")).notes))
    assert "the protocol abx rates nothing: its combinations are rendered, never heard" in notes
    assert "heard twice" not in notes
