"""What a name is worth: separated from the sound, against statsmodels and by every deal of the right labels."""

import json
from itertools import combinations

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy import stats

from blindtest.errors import BlindtestError
from blindtest.stats import label_effect

COLUMNS = ["listener", "clip", "sound", "label", "trial", "rating"]


def ratings(rng, listeners=12, clips=6, repeats=2, label=6.0, sound=4.0, sd_own=3.0, sd_clip=2.0, sd_rating=10.0):
    """Labels right on a random half of each listener's trials; A and B are the names."""
    named, heard = rng.normal(0, sd_own, listeners), rng.normal(0, sd_own, listeners)
    on_clip, of_clip = rng.normal(0, sd_clip, clips), rng.normal(0, sd_clip, clips)
    rows = []
    for i in range(listeners):
        right, trial = rng.permutation(np.arange(clips * repeats * 2) % 2 == 0), 0
        for j in range(clips):
            for side in (0.5, -0.5) * repeats:
                name = side if right[trial] else -side
                mean = 50 + (sound + heard[i] + of_clip[j]) * side + (label + named[i] + on_clip[j]) * name
                rows.append(
                    (
                        f"L{i:02}",
                        f"c{j}",
                        *("BA"[one < 0] for one in (side, name)),
                        trial,
                        mean + rng.normal(0, sd_rating),
                    )
                )
                trial += 1
    return pd.DataFrame(rows, columns=COLUMNS)  # fmt: skip


@pytest.fixture(scope="module")
def table():
    return ratings(np.random.default_rng(4))


def test_one_listener_is_least_squares(table):
    """statsmodels OLS with clips fixed: estimates, errors and degrees of freedom."""
    own = table[table["listener"] == "L03"]
    coded = own.assign(s=np.where(own["sound"] == "B", 0.5, -0.5), n=np.where(own["label"] == "B", 0.5, -0.5))
    theirs = smf.ols("rating ~ s * n + C(clip)", coded).fit()
    result = label_effect(own)
    for ours, name in ((result.label, "n"), (result.sound, "s"), (result.together, "s:n")):
        assert ours.estimate == pytest.approx(theirs.params[name], abs=1e-9)
        assert ours.std_error == pytest.approx(theirs.bse[name], abs=1e-9)
        assert ours.interval == pytest.approx(tuple(theirs.conf_int().loc[name]), abs=1e-9)
    assert result.scope == "for this listener and these clips"
    assert result.label_conclusion.p_value == pytest.approx(theirs.pvalues["n"], rel=1e-6)


def test_name_and_sound_come_out_as_they_were_put_in():
    """Sixteen panels: mean estimates within four standard errors of 6 and 4."""
    rng = np.random.default_rng(11)
    found = [label_effect(ratings(rng), draws=1) for _ in range(16)]
    for name, true in (("label", 6.0), ("sound", 4.0)):
        values = np.array([getattr(one, name).estimate for one in found])
        assert abs(values.mean() - true) < 4 * values.std(ddof=1) / 4
        covered = [low <= true <= high for low, high in (getattr(one, name).interval for one in found)]
        assert sum(covered) >= 12


def test_a_balanced_panel_is_a_t_test_on_one_contrast_per_listener():
    """Two by two on every clip: with these clips, scipy's t test on each listener's mean under B minus that under A."""
    rng = np.random.default_rng(3)
    own = rng.normal(0, 6, 8)
    rows = [
        (f"L{i}", f"c{j}", sound, label, 60 + own[i] * (label == "B") + rng.normal(0, 3))
        for i in range(8)
        for j in range(4)
        for sound in "AB"
        for label in "AB"
    ]
    table = pd.DataFrame(rows, columns=["listener", "clip", "sound", "label", "rating"])
    means = table.groupby(["listener", "label"])["rating"].mean().unstack()
    theirs = stats.ttest_1samp(means["B"] - means["A"], 0)
    result = label_effect(table, only_these_clips=True)
    assert result.label.estimate == pytest.approx((means["B"] - means["A"]).mean(), abs=1e-8)
    assert result.label.interval == pytest.approx(tuple(theirs.confidence_interval(0.95)), abs=1e-3)
    assert result.label_conclusion.p_value == pytest.approx(theirs.pvalue, rel=1e-3)


def test_the_exact_test_is_the_count_of_all_deals():
    """Eight trials of one listener: all 70 ways to deal four right labels, each fitted by least squares."""
    rng = np.random.default_rng(8)
    sound = np.array([1, -1] * 4) / 2
    right = rng.permutation(np.arange(8) < 4)
    y = rng.normal(0, 5, 8) + 6 * np.where(right, sound, -sound)
    table = pd.DataFrame(
        {
            "listener": "L1",
            "clip": ["c0", "c0", "c1", "c1"] * 2,
            "sound": np.where(sound > 0, "B", "A"),
            "label": np.where(np.where(right, sound, -sound) > 0, "B", "A"),
            "rating": y,
        }
    )

    def moved(which):
        name = np.where(np.isin(np.arange(8), which), sound, -sound)
        design = np.stack([np.ones(8), sound, table["clip"] == "c1", name], axis=1).astype(float)
        if np.linalg.matrix_rank(design) < 4:
            return 0.0
        return abs(np.linalg.lstsq(design, y, rcond=None)[0][3])

    deals = np.array([moved(which) for which in combinations(range(8), 4)])
    share = np.mean(deals >= moved(np.flatnonzero(right)) * (1 - 1e-9))
    found = label_effect(table, draws=20_000, seed=1).exact_p_value
    assert found == pytest.approx(share, abs=4 * np.sqrt(share * (1 - share) / 20_000) + 1e-4)


def test_the_exact_test_keeps_its_level():
    """No effect of the name, listeners who differ in it not at all, wild scatter: p <= .2 in a fifth of 200 studies."""
    rng = np.random.default_rng(12)
    small = 0
    for _ in range(200):
        own = ratings(rng, listeners=1, clips=3, repeats=4, label=0.0, sd_own=0.0, sd_clip=0.0)
        own["rating"] += 40 * rng.standard_t(1.5, len(own))
        small += label_effect(own, draws=99, seed=int(rng.integers(1 << 30))).exact_p_value <= 0.2
    assert small <= 40 + 4 * np.sqrt(200 * 0.2 * 0.8)
    assert small >= 40 - 4 * np.sqrt(200 * 0.2 * 0.8)


@pytest.mark.parametrize(
    ("truth", "margin", "word"),
    [
        ({"label": 25.0}, 8.0, "shown"),
        ({"label": -25.0}, 8.0, "refuted"),
        ({"label": 0.0}, 12.0, "negligible"),
        ({"label": 4.0, "sd_own": 15.0, "listeners": 5}, 6.0, "open"),
    ],
)
def test_words(truth, margin, word):
    result = label_effect(ratings(np.random.default_rng(1), **truth), margin=margin, draws=99)
    assert result.word == word
    assert result.sentence.startswith(f"{word}: ")
    assert "for listeners and clips like these" in result.sentence
    assert json.loads(json.dumps(result.to_dict(), allow_nan=False))["sentence"] == result.sentence


def test_names_turned_round_turn_the_effect_round(table):
    one = label_effect(table, device="B", comparator="A", draws=99)
    other = label_effect(table, device="A", comparator="B", draws=99)
    assert other.label.estimate == pytest.approx(-one.label.estimate, abs=1e-6)
    assert other.exact_p_value == one.exact_p_value
    assert label_effect(table, draws=99).device == "B"
    assert label_effect(table, device="A", draws=99).comparator == "B"


def test_rows_in_another_order_give_the_same(table):
    turned = table.sample(frac=1, random_state=3)
    one, other = label_effect(table, draws=9), label_effect(turned, draws=9)
    assert other.label.interval == pytest.approx(one.label.interval, abs=1e-5)


def test_a_page_whose_labels_are_exchanged_together_is_dealt_together(table):
    paired = table.assign(trial=table["trial"] // 2)
    with pytest.raises(BlindtestError, match="trial: one trial holds a right and a wrong label"):
        label_effect(paired)


@pytest.mark.parametrize(
    ("change", "text"),
    [
        (lambda t: t.assign(label=t["sound"]), "labels are always right"),
        (lambda t: t.assign(label=t["sound"].map({"A": "B", "B": "A"})), "labels are always wrong"),
        (lambda t: t.drop(columns="label"), "label: the table has no such column"),
        (lambda t: t.assign(sound="A", label="A"), "there is only one name"),
        (lambda t: t.assign(label=t["label"].where(t.index > 2, "C")), "which two names shall be compared"),
        (
            lambda t: t.assign(rating=t["rating"].astype(object).where(t.index != 4, "x")),
            "line 5: rating: not a number",
        ),
        (lambda t: t.assign(rating=np.nan), "the table holds no rating"),
        (lambda t: t.assign(rating=50.0), "all ratings are alike"),
        (lambda t: t[t["listener"].isin(["L00", "L01"])], "two listeners are too few for a panel"),
        (lambda t: t[t.index < 4], "leave nothing to estimate an error by|can't tell"),
        (lambda t: t.assign(clip=t["clip"].where(t.index != 1)), "line 2: clip: the row does not say this"),
    ],
)
def test_tables_that_say_nothing_about_names_are_refused(table, change, text):
    with pytest.raises(BlindtestError, match=text):
        label_effect(change(table), draws=9)


def test_rows_without_a_rating_are_counted(table):
    gone = table.assign(rating=table["rating"].where(table.index != 7))
    assert "1 row holds no rating and is left out" in label_effect(gone, draws=9).remarks
