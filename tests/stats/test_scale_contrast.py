"""Claims about ratings of one moment, held against scipy's t of listeners' means, and counts made by hand."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats as scipy_stats

from blindtest.stats import clips_as_a_sample, scale_contrast


def ratings(listeners=8, clips=5, repeats=1, difference=12.0, seed=1, sd=(6.0, 3.0, 9.0)):
    rng = np.random.default_rng(seed)
    of_listener, of_clip = sd[0] * rng.standard_normal(listeners), sd[1] * rng.standard_normal(clips)
    rows = []
    for listener in range(listeners):
        for clip in range(clips):
            for _ in range(repeats):
                for name, level in (("a", 50 + difference + of_listener[listener] + of_clip[clip]), ("b", 50.0)):
                    rating = round(level + sd[2] * rng.standard_normal())
                    rows.append((f"L{listener}", f"c{clip}", name, float(rating)))
    return pd.DataFrame(rows, columns=["listener", "clip", "device", "rating"])


def concluded(table, **more):
    return scale_contrast(table, **{"device": "a", "comparator": "b", "margin": 8.0, **more})


@pytest.mark.parametrize("repeats", [1, 2])
def test_listeners_are_the_units(repeats):
    """scipy's one-sample t of one mean difference per listener."""
    table = ratings(repeats=repeats)
    found = concluded(table)
    wide = table.groupby(["listener", "device"])["rating"].mean().unstack()
    differences = wide["a"] - wide["b"]
    held = scipy_stats.ttest_1samp(differences, 0.0)
    interval = held.confidence_interval(0.95)
    assert (found.unit, found.units, found.conclusion.df) == ("listener", 8, 7)
    assert found.conclusion.estimate == pytest.approx(differences.mean(), rel=1e-12)
    assert found.p_value == pytest.approx(held.pvalue, rel=1e-9)
    assert found.conclusion.interval == pytest.approx((interval.low, interval.high), rel=1e-9)
    assert found.scope == "for these clips, and for listeners like these"
    # scipy 1.17: permutation of signs, all 2**8 of them, of the difference of medians
    medians = scipy_stats.permutation_test(
        (wide["a"].to_numpy(), wide["b"].to_numpy()), lambda x, y: np.median(x) - np.median(y),
        permutation_type="samples", n_resamples=np.inf,
    )  # fmt: skip
    assert found.medians.p_value == pytest.approx(medians.pvalue, abs=1e-9)


def test_a_clip_answered_more_often_weighs_no_more():
    table = ratings(listeners=3)
    again = table[(table["listener"] == "L0") & (table["clip"] == "c0")]
    found = concluded(pd.concat([table, again], ignore_index=True))
    assert found.conclusion.estimate == pytest.approx(concluded(table).conclusion.estimate, rel=1e-12)


def test_one_listener_is_judged_over_clips_or_over_pages():
    table = ratings(listeners=1)
    found = concluded(table)
    wide = table.pivot_table(index="clip", columns="device", values="rating")
    held = scipy_stats.ttest_1samp(wide["a"] - wide["b"], 0.0)
    assert (found.unit, found.scope) == ("clip", "for this listener, on clips like these")
    assert found.p_value == pytest.approx(held.pvalue, rel=1e-9)
    two = ratings(listeners=1, clips=2, repeats=6)
    pages = concluded(two)
    assert (pages.unit, pages.scope, pages.conclusion.df) == ("page", "for this listener and these clips", 10)
    # The pooled variance within two clips of six pages each, as in scipy's two-sample test of equal variances.
    a, b = (two[two["device"] == name]["rating"].to_numpy() for name in "ab")
    first, second = (a - b)[:6], (a - b)[6:]
    t = scipy_stats.ttest_ind(first, -second)
    assert pages.conclusion.estimate / pages.conclusion.std_error == pytest.approx(t.statistic, rel=1e-9)
    alone = concluded(ratings(listeners=1, clips=2))
    assert (alone.word, alone.conclusion) == ("open", None)
    assert "nothing to judge the scatter by" in alone.why_not


def test_words_are_those_of_the_limits():
    words = {shift: concluded(ratings(difference=shift, listeners=40, seed=5)).word for shift in (15.0, -15.0, 0.0)}
    assert words == {15.0: "shown", -15.0: "refuted", 0.0: "negligible"}
    assert concluded(ratings(difference=3.0, listeners=3)).word == "open"
    claimed = concluded(ratings(difference=-15.0, listeners=40), direction="claimed")
    assert claimed.word == "refuted"
    assert claimed.p_value < 0.05


def test_pages_that_nobody_answered_stand_against_the_word():
    """By hand: with as many pages lacking as answered, a mean of x becomes (x - margin) / 2."""
    table = ratings(difference=25.0, listeners=6, seed=2)
    alone = concluded(table)
    assert alone.word == "shown"
    missing = {(f"L{k}", f"c{c}"): 1 for k in range(6) for c in range(5)}
    found = concluded(table, unanswered=missing)
    assert (found.unanswered, found.word_if_answered_only) == (30, "shown")
    halved = table.groupby(["listener", "device"])["rating"].mean().unstack()
    held = scipy_stats.ttest_1samp((halved["a"] - halved["b"] - 8.0) / 2, 0.0)
    assert found.p_value == pytest.approx(max(held.pvalue, alone.p_value), rel=1e-9)
    level = concluded(ratings(difference=0.0, listeners=40, seed=5), unanswered={("L0", "c0"): 1})
    assert level.word == "negligible"
    many = {(f"X{k}", "c0"): 5 for k in range(60)}
    lost = concluded(ratings(difference=0.0, listeners=40, seed=5), unanswered=many)
    assert (lost.word, lost.word_if_answered_only) == ("open", "negligible")


def test_negligible_brings_the_p_of_two_one_sided_tests():
    table = ratings(difference=0.0, listeners=40, seed=5)
    wide = table.groupby(["listener", "device"])["rating"].mean().unstack()
    differences = wide["a"] - wide["b"]
    sides = [
        scipy_stats.ttest_1samp(differences, 8.0, alternative="less").pvalue,
        scipy_stats.ttest_1samp(differences, -8.0, alternative="greater").pvalue,
    ]
    assert concluded(table).p_value == pytest.approx(max(sides), rel=1e-6)


def test_equal_differences_are_no_certainty():
    table = ratings(sd=(0.0, 0.0, 0.0))
    found = concluded(table)
    assert found.word == "shown"
    # One step of the scale between two means of five ratings: 1 / 5 / sqrt(2), over the root of eight listeners.
    assert found.conclusion.std_error == pytest.approx(1 / 5 / 2**0.5 / 8**0.5, rel=1e-9)


def test_clips_as_a_sample_make_it_wider_and_need_five():
    table = ratings(sd=(4.0, 12.0, 6.0), listeners=12)
    wider = clips_as_a_sample(table, device="a", comparator="b", margin=8.0)
    these = concluded(table).conclusion
    assert wider.estimate == pytest.approx(these.estimate, abs=1e-6)
    assert wider.std_error > 1.5 * these.std_error
    assert clips_as_a_sample(ratings(clips=4), device="a", comparator="b", margin=8.0) is None
