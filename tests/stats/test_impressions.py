"""Does the impression survive? Limits against scipy, effects against lme4, the rule spelled out, degenerate input."""

import json
from math import inf, isinf

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from blindtest.errors import BlindtestError
from blindtest.stats import survival

PANEL = {"device": "device", "comparator": "other"}
STATES = ("survives", "shrinks", "vanishes", "reverses")


def ratings(*, labelled, blind, sittings=None, clips=("c1", "c2"), base=50.0):
    """A table whose effects are exactly these: one a listener, or one a sitting of a single listener."""
    rows = []
    for mode, effects in (("labelled", labelled), ("blind", blind)):
        for place, effect in enumerate(effects):
            listener, sitting = ("L1", f"{mode}{place}") if sittings else (f"L{place:02}", mode)
            for clip in clips:
                for device, rating in (("device", base + effect / 2), ("other", base - effect / 2)):
                    rows.append((listener, clip, device, mode, sitting, rating))
    return pd.DataFrame(rows, columns=["listener", "clip", "device", "mode", "sitting", "rating"])


def judged(table, **options):
    return survival(table, **PANEL, mixed_model=False, **options)


@pytest.fixture(scope="module")
def effects():
    rng = np.random.default_rng(21)
    own = rng.normal(0, 8, 12)
    return 20 + own + rng.normal(0, 6, 12), 18 + own + rng.normal(0, 6, 12)


def test_paired_limits_are_those_of_scipy(effects):
    """scipy.stats.ttest_1samp on one contrast per listener."""
    s, d = effects
    result = judged(ratings(labelled=s, blind=d))
    for ours, values in (
        (result.labelled, s),
        (result.blind, d),
        (result.difference, d - s),
        (result.kept_contrast, d - 2 / 3 * s),
    ):
        theirs = stats.ttest_1samp(values, 0)
        assert ours.estimate == pytest.approx(values.mean(), abs=1e-9)
        assert ours.interval == pytest.approx(tuple(theirs.confidence_interval(0.95)), abs=1e-9)
        one_sided = stats.ttest_1samp(values, 0, alternative="greater").confidence_interval(0.95)
        assert ours.lower_limit == pytest.approx(one_sided.low, abs=1e-9)
        other_side = stats.ttest_1samp(values, 0, alternative="less").confidence_interval(0.95)
        assert ours.upper_limit == pytest.approx(other_side.high, abs=1e-9)
        assert ours.std_error == pytest.approx(stats.sem(values), rel=1e-9)
        assert (ours.df, ours.unit_df, ours.level) == (11, 11, 0.95)
    assert (result.unit, result.units) == ("listener", (12, 12))


def test_limits_of_sittings_are_those_of_welch(effects):
    """scipy.stats.ttest_ind(equal_var=False) between blind effects and the share of the labelled ones."""
    s, d = effects[0][:4], effects[1][:5] * 1.7
    result = judged(ratings(labelled=s, blind=d, sittings=True))
    for ours, share in ((result.difference, 1.0), (result.kept_contrast, 2 / 3)):
        theirs = stats.ttest_ind(d, share * s, equal_var=False)
        assert ours.estimate == pytest.approx(d.mean() - share * s.mean(), abs=1e-9)
        assert ours.df == pytest.approx(theirs.df, rel=1e-9)
        assert ours.interval == pytest.approx(tuple(theirs.confidence_interval(0.95)), abs=1e-9)
        for ends, alternative in (((ours.lower_limit, np.inf), "greater"), ((-np.inf, ours.upper_limit), "less")):
            one_sided = stats.ttest_ind(d, share * s, equal_var=False, alternative=alternative)
            assert ends == pytest.approx(tuple(one_sided.confidence_interval(0.95)), abs=1e-9)
    assert result.blind.interval == pytest.approx(tuple(stats.ttest_1samp(d, 0).confidence_interval(0.95)), abs=1e-9)
    assert (result.unit, result.units) == ("sitting", (4, 5))
    assert result.scope == "for this listener and these clips"


def test_effects_of_a_panel_are_those_of_lme4(references):
    """Fixed effects of lmer on the balanced panel (oracle, R 4.2.2): blind B - A -2.75, labelled 3.4375 more."""
    table = pd.read_csv(references / "data" / "panel_ratings_small.csv")
    mode = table["condition"].map({"blind": "blind", "sighted": "labelled"})
    table = table.assign(mode=mode, sitting=table["condition"])
    result = survival(table, device="B", comparator="A")
    assert result.blind.estimate == pytest.approx(-2.75, abs=1e-9)
    assert result.labelled.estimate == pytest.approx(-2.75 + 3.4375, abs=1e-9)
    assert result.difference.estimate == pytest.approx(-3.4375, abs=1e-9)
    assert result.mixed_model.fitted
    assert result.mixed_model.blind == pytest.approx(-2.75, abs=1e-6)
    assert result.mixed_model.difference == pytest.approx(-3.4375, abs=1e-6)


def spelled_out(s, d, *, paired, margin=8.0, kept=2 / 3, alpha=0.05):
    """The table of claims, section 4, by scipy.stats.t."""

    def limit(values, tail, sign):
        n = len(values)
        return np.mean(values) + sign * stats.t.ppf(1 - tail, n - 1) * np.std(values, ddof=1) / np.sqrt(n)

    def kept_limit(tail, sign):
        if paired:
            return limit(d - kept * s, tail, sign)
        found = stats.ttest_ind(d, kept * s, equal_var=False)
        return (
            np.mean(d)
            - kept * np.mean(s)
            + sign
            * stats.t.ppf(1 - tail, found.df)
            * np.sqrt(np.var(d, ddof=1) / len(d) + kept**2 * np.var(s, ddof=1) / len(s))
        )

    small = limit(d, alpha / 2, 1) < margin
    rejected = {
        "reverses": limit(d, alpha, -1) > -margin,
        "vanishes": limit(d, alpha, -1) >= margin or limit(d, alpha, 1) <= -margin,
        "survives": small or kept_limit(alpha / 2, 1) < 0,
        "shrinks": small or kept_limit(alpha / 2, -1) >= 0,
    }
    left = {state for state, out in rejected.items() if not out}
    if limit(s, alpha, -1) <= 0:
        return "nothing on record", left
    return (left.copy().pop() if len(left) == 1 else "undecided"), left


@pytest.mark.parametrize("paired", [True, False])
def test_the_verdict_is_the_rule_spelled_out(paired):
    rng = np.random.default_rng(5)
    seen = set()
    for _ in range(150):
        n, noise = (int(rng.integers(3, 15)), rng.uniform(0.5, 9))
        s = rng.uniform(-5, 40) + rng.normal(0, noise, n)
        d = rng.uniform(-30, 40) + rng.normal(0, noise, n)
        result = judged(ratings(labelled=s, blind=d, sittings=not paired))
        verdict, left = spelled_out(s, d, paired=paired)
        if result.reason.startswith("depends on the use of the scale"):
            assert verdict in STATES
        else:
            assert result.verdict == verdict
            assert set(result.remaining) == left
        seen.add(verdict)
    assert seen == {*STATES, "undecided", "nothing on record"}


def test_rejections_say_what_they_rest_on(effects):
    result = judged(ratings(labelled=effects[0], blind=effects[1]))
    assert {row.state for row in result.rejections} == set(STATES)
    out = {row.state for row in result.rejections if row.rejected}
    assert out == set(STATES) - set(result.remaining)
    lower = next(row for row in result.rejections if row.state == "reverses")
    assert lower.limit == result.blind.lower_limit
    assert json.loads(json.dumps(result.to_dict(), allow_nan=False))["sentence"] == result.sentence


SMALL = np.array([-1.0, 0, 1, 0.5, -0.5, 0, 1, -1])


@pytest.mark.parametrize(
    ("blind", "verdict"), [(21.0, "survives"), (11.0, "shrinks"), (0.0, "vanishes"), (-15.0, "reverses")]
)
def test_clear_cases_have_their_verdict(blind, verdict):
    result = judged(ratings(labelled=20 + SMALL, blind=blind + SMALL[::-1]))
    assert result.reading == result.verdict == verdict
    assert result.remaining == (verdict,)


def test_a_verdict_that_depends_on_the_scale_is_undecided():
    """Effects of 14 against 40 shrink in points; as every listener still puts the device above, not by signs."""
    even = np.linspace(-12, 12, 30)
    result = judged(ratings(labelled=40 + even, blind=14 + even[::-1]))
    assert result.reading == "undecided: depends on the use of the scale (shrinks in points, survives by signs)"
    assert result.remaining == ("shrinks", "survives")


def with_anchors(table, *, labelled, blind):
    parts = [table]
    pages = table[table["device"] == "device"]
    for device, side in (("low", -0.5), ("high", 0.5)):
        apart = pages["mode"].map({"labelled": labelled, "blind": blind})
        parts.append(pages.assign(device=device, rating=50 + side * apart))
    return pd.concat(parts, ignore_index=True)


def anchors(result):
    return next(other for other in result.other_scales if other.name == "anchors")


def test_effects_are_measured_in_distances_of_the_anchors():
    """Blind, all ratings are squeezed to half: effect 10 of a distance 35 is the labelled 20 of 70."""
    table = with_anchors(ratings(labelled=20 + 4 * SMALL, blind=10 + 2 * SMALL), labelled=70, blind=35)
    result = judged(table, anchor_low="low", anchor_high="high")
    other = anchors(result)
    assert other.blind.estimate == pytest.approx(result.blind.estimate / 35)
    assert other.labelled.estimate == pytest.approx(result.labelled.estimate / 70)
    assert other.margin == pytest.approx(8 / 70)
    assert other.verdict == "survives"


def test_anchors_contradict_points():
    table = with_anchors(ratings(labelled=20 + SMALL, blind=5 + SMALL / 4), labelled=80, blind=20)
    assert judged(table).verdict in ("vanishes", "undecided")
    result = judged(table, anchor_low="low", anchor_high="high")
    assert result.verdict == "undecided"
    assert "survives by anchors" in result.reason


def test_anchors_the_wrong_way_round_are_no_scale():
    table = with_anchors(ratings(labelled=20 + SMALL, blind=20 + SMALL[::-1]), labelled=70, blind=-3)
    other = anchors(judged(table, anchor_low="low", anchor_high="high"))
    assert other.verdict is None
    assert other.why_not == "blind, the anchors lie -3.0 apart, the wrong way round"


def test_signs_use_a_margin_of_their_own(effects):
    """Effect of signs: share of pairs above minus below; margin 2 Phi(8/sd) - 1 with the sd of single differences."""
    s, d = effects
    result = judged(ratings(labelled=s, blind=d))
    other = next(other for other in result.other_scales if other.name == "signs")
    assert other.blind.estimate == pytest.approx(np.sign(d).mean())
    spread = np.sqrt((s.var() + d.var()) / 2)
    assert other.margin == pytest.approx(2 * stats.norm.cdf(8 / spread) - 1)


# Degenerate input


def test_a_missing_labelled_mode_is_not_separated(effects):
    table = ratings(labelled=[], blind=effects[1])
    result = judged(table)
    assert result.reading == "undecided: medium and blinding not separated (no labelled ratings)"
    assert set(result.remaining) == set(STATES)
    assert result.blind.estimate == pytest.approx(effects[1].mean())
    assert "labelled not rated" in result.sentence
    assert result.power is None
    assert json.loads(json.dumps(result.to_dict(), allow_nan=False))["sentence"] == result.sentence


def test_a_missing_blind_mode_is_undecided(effects):
    result = survival(ratings(labelled=effects[0], blind=[]), **PANEL)
    assert result.reading == "undecided: nothing was rated blind"
    assert result.mixed_model.why_not == "one of the modes is missing"


def test_worn_listening_is_no_labelled_phase(effects):
    table = ratings(labelled=effects[0], blind=effects[1]).replace({"mode": {"labelled": "worn"}})
    result = judged(table)
    assert "not separated" in result.reading
    assert result.other_phases == 48
    assert any("48 rows of practice or worn" in remark for remark in result.remarks)


def test_two_and_two_sittings_can_reach_nothing():
    result = judged(ratings(labelled=[20, 20.5], blind=[20, 20.2], sittings=True))
    assert result.verdict == "undecided"
    assert result.reason.startswith("2 labelled and 2 blind sittings of one listener can reach nothing")
    assert set(result.remaining) == set(STATES)
    assert "can reach no verdict at all" in result.power.sentence


@pytest.mark.parametrize(("labelled", "blind"), [(6, 2), (2, 6)])
def test_many_sittings_in_one_mode_don_t_make_up_for_too_few_in_the_other(labelled, blind):
    apart = ratings(labelled=np.linspace(19, 21, labelled), blind=np.linspace(-21, -19, blind), sittings=True)
    result = judged(apart)
    assert result.verdict == "undecided"
    assert result.reason.startswith(f"{labelled} labelled and {blind} blind sittings of one listener can reach nothing")
    assert "can reach no verdict at all" in result.power.sentence


def test_one_sitting_each_has_no_interval():
    result = survival(ratings(labelled=[20], blind=[12], sittings=True), **PANEL)
    assert result.verdict == "undecided"
    assert isinf(result.blind.interval[1])
    assert "one value: no interval" in result.sentence
    assert result.to_dict()["blind"]["interval"] == [None, None]


def test_two_listeners_are_too_few():
    result = judged(ratings(labelled=[20, 21], blind=[20, 21]))
    assert result.reading == "undecided: 2 listeners are too few, it takes 3 or more"


def test_ratings_all_alike_leave_nothing_on_record():
    result = survival(ratings(labelled=np.zeros(6), blind=np.zeros(6)), **PANEL)
    assert result.verdict == "nothing on record"
    assert result.reason == "no labelled effect to test"
    assert result.mixed_model.why_not == "all ratings are alike"
    assert "do not scatter" in result.other_scales[1].why_not


def test_equal_effects_are_no_more_certain_than_the_step_of_the_scale():
    """Three sittings with the same whole numbers: the spread is taken as one step between two means, 1/2/sqrt(2)."""
    result = judged(ratings(labelled=[20, 20, 20], blind=[20, 20, 20], sittings=True))
    assert result.blind.std_error == pytest.approx(1 / 2 / np.sqrt(2) / np.sqrt(3))
    assert result.verdict == "survives"


def test_a_single_listener_among_one_sided_ones_is_judged_by_sittings():
    alone = ratings(labelled=[20, 21, 19], blind=[1, 0, 2], sittings=True)
    others = ratings(labelled=[10, 10, 10], blind=[]).replace({"listener": {"L00": "M1", "L01": "M2", "L02": "M3"}})
    result = judged(pd.concat([alone, others]))
    assert result.unit == "sitting"
    assert result.listeners == ("L1",)
    assert "left out, not rated in both modes: M1, M2, M3" in result.remarks


def test_listeners_who_rated_one_mode_each_are_no_comparison():
    table = ratings(labelled=[20] * 4, blind=[20] * 4)
    table["listener"] = table["mode"] + table["listener"]
    result = judged(table)
    assert result.reading == "undecided: no listener rated the same clip labelled and blind"


def test_a_single_listener_with_other_clips_in_each_mode_is_no_comparison():
    table = ratings(labelled=[20, 21, 19], blind=[20, 21, 19], sittings=True)
    table["clip"] = table["mode"] + table["clip"]
    assert judged(table).reading == "undecided: no listener rated the same clip labelled and blind"


def test_missing_cells_are_left_out_and_said(effects):
    table = ratings(labelled=effects[0], blind=effects[1])
    gone = (
        (table["listener"] == "L00")
        & (table["clip"] == "c1")
        & (table["mode"] == "blind")
        & (table["device"] == "other")
    )
    lone = (table["listener"] == "L01") & (table["mode"] == "labelled")
    table.loc[gone, "rating"] = np.nan
    result = judged(table[~lone])
    assert result.without_rating == 1
    assert result.units == (11, 11)
    said = " ".join(result.remarks)
    assert "1 page holds only one of the two" in said
    assert "no clip rated in both modes: L01" in said
    assert "1 page is of clips not rated in the other mode" in said
    assert "1 row holds no rating" in said


def test_clips_count_alike_however_often_they_were_rated():
    """Ten repeats of one clip and one of another: the effect is the mean of the two clips'."""
    table = ratings(labelled=20 + SMALL, blind=20 + SMALL)
    often = table[table["clip"] == "c1"].assign(rating=lambda t: t["rating"].where(t["device"] != "device", 90.0))
    result = judged(pd.concat([table, *[often] * 9]))
    first = (table[table["device"] == "device"]["rating"].mean() + 9 * 90) / 10 - 40
    assert result.blind.estimate == pytest.approx((first + 20) / 2, abs=0.2)


def test_the_order_of_rows_and_extra_columns_do_not_matter(effects):
    table = ratings(labelled=effects[0], blind=effects[1])
    turned = table.sample(frac=1, random_state=1).assign(note="x")[::-1]
    assert judged(turned).to_dict() == judged(table).to_dict()


def test_scale_and_margin_may_change_together(effects):
    table = ratings(labelled=effects[0], blind=effects[1])
    tenth = judged(table.assign(rating=table["rating"] / 10), margin=0.8)
    assert (tenth.verdict, tenth.remaining) == (judged(table).verdict, judged(table).remaining)


@pytest.mark.parametrize(
    ("change", "text"),
    [
        (lambda t: t.drop(columns="sitting"), "sitting: the table of ratings has no such column"),
        (lambda t: t.replace({"mode": {"blind": "blnd"}}), "mode: no such mode, got 'blnd'.*did you mean 'blind'"),
        (
            lambda t: t.assign(rating=t["rating"].astype(object).where(t.index != 3, "x")),
            "line 4: rating: not a number",
        ),
        (lambda t: t.assign(rating=t["rating"].where(t.index != 3, inf)), "line 4: rating: not a number, got inf"),
        (lambda t: t.assign(listener=t["listener"].where(t.index != 3)), "line 4: listener: the row does not say this"),
        (
            lambda t: pd.concat([t.assign(trial=range(len(t))), t.assign(trial=range(len(t)))]),
            "stands there twice, first",
        ),
        (lambda t: t.assign(rating=np.nan), "no labelled or blind rating, got '96 rows without a rating"),
        (lambda t: t.replace({"device": {"other": "othr"}}), "comparator: nobody rated this, got 'other'.*mean 'othr'"),
        (lambda t: t.iloc[:0], "holds no labelled or blind rating"),
    ],
)
def test_tables_that_cannot_be_read_are_refused(effects, change, text):
    with pytest.raises(BlindtestError, match=text):
        judged(change(ratings(labelled=effects[0], blind=effects[1])))


def test_an_anchor_nobody_rated_is_refused(effects):
    with pytest.raises(BlindtestError, match="anchor_low: nobody rated this, got 'poor'"):
        judged(ratings(labelled=effects[0], blind=effects[1]), anchor_low="poor", anchor_high="other")


@pytest.mark.parametrize(
    ("options", "text"),
    [
        ({"margin": 0}, "margin must be above 0"),
        ({"kept": 1.5}, "share kept must lie above 0, up to 1, got 1.5"),
        ({"alpha": 1.0}, "alpha must lie between 0 and 1"),
        ({"comparator": "device"}, "can't be compared with itself"),
    ],
)
def test_impossible_numbers_are_refused(effects, options, text):
    with pytest.raises(ValueError, match=text):
        survival(ratings(labelled=effects[0], blind=effects[1]), **{**PANEL, **options})


def test_a_mixed_model_of_one_listener_is_by_sittings():
    rng = np.random.default_rng(8)
    table = ratings(labelled=20 + rng.normal(0, 3, 4), blind=15 + rng.normal(0, 3, 4), sittings=True)
    table["rating"] += rng.normal(0, 3, len(table))
    result = survival(table, **PANEL)
    assert result.mixed_model.fitted
    assert result.mixed_model.difference == pytest.approx(result.difference.estimate, abs=1e-4)
    assert "random by sitting" in result.mixed_model.model


def test_power_tells_what_this_study_could_have_found(effects):
    power = judged(ratings(labelled=effects[0], blind=effects[1])).power
    assert {row.true_state for row in power.chances} == set(STATES)
    assert power.chances[0].labelled == pytest.approx(effects[0].mean())
    assert power.to_dict() == judged(ratings(labelled=effects[0], blind=effects[1])).power.to_dict()


def test_devices_never_rated_together_are_no_comparison():
    table = ratings(labelled=[20, 21, 19], blind=[20, 21, 19])
    table["sitting"] = table["sitting"] + table["device"]
    result = survival(table, **PANEL)
    assert result.reading == "undecided: no labelled sitting holds both devices on one clip"
    assert "24 pages hold only one of the two" in result.remarks[0]
    assert result.mixed_model.why_not == "no page holds both devices"
    # In one mode alone: that mode is the one that is named.
    for mode in ("labelled", "blind"):
        table = ratings(labelled=[20, 21, 19], blind=[20, 21, 19])
        table.loc[table["mode"] == mode, "sitting"] += table["device"]
        assert judged(table).reading == f"undecided: no {mode} sitting holds both devices on one clip"


def test_the_mixed_model_says_what_it_found_or_why_not(effects):
    rng = np.random.default_rng(3)
    table = ratings(labelled=effects[0], blind=effects[1])
    table["rating"] += rng.normal(0, 4, len(table))
    opinion = survival(table, **PANEL).mixed_model
    assert opinion.difference == pytest.approx(survival(table, **PANEL).difference.estimate, abs=1e-4)
    assert opinion.sentence.startswith("A mixed model of the same ratings puts blind minus labelled effect at")
    assert judged(table).mixed_model.sentence == "No mixed model beside it: it was not asked for."
    # Two ratings a mode leave nothing to fit: the verdict stands without it.
    bare = survival(ratings(labelled=[20], blind=[12], clips=["c1"], sittings=True), **PANEL).mixed_model
    assert not bare.fitted
    assert bare.why_not.startswith("4 rows can't give 4 fixed effects")


def test_sittings_of_one_day_in_both_modes_are_remarked():
    table = ratings(labelled=[20, 21, 19], blind=[20, 21, 19], sittings=True)
    table["sitting"] = table["sitting"].str[-1]
    result = judged(table)
    assert result.units == (3, 3)
    assert any(remark.startswith("sittings 0, 1, 2 stand in both modes") for remark in result.remarks)


def test_listeners_of_one_mode_each_are_two_samples_for_the_power_too():
    """Four listeners labelled, two others blind: no verdict, and what such a study could have found is still said."""
    table = ratings(labelled=[20, 21, 19, 22], blind=[20, 21])
    table["listener"] = table["mode"] + table["listener"]
    result = judged(table)
    assert result.units == (4, 2)
    assert result.power is not None
    assert json.loads(json.dumps(result.to_dict(), allow_nan=False))["sentence"] == result.sentence
