"""The model behind a panel's verdict: mean squares against lme4 and the REML engine, missing cells, orders, clips."""

import json

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from scipy.special import stdtrit

from blindtest.errors import BlindtestError
from blindtest.stats import fit_linear_mixed, survival
from blindtest.stats.contrasts import Estimates
from blindtest.stats.rating_table import read_ratings
from blindtest.stats.ratings import Panel
from blindtest.stats.survival_model import model_of_ratings, model_of_signs, prepared_ratings, term_of
from blindtest.stats.two_way import crossed_mean, difference_of_orders

PANEL = {"device": "device", "comparator": "other"}
TERMS = ("labelled", "blind", "difference", "kept")


def ratings(
    rng, listeners=12, clips=6, labelled=20.0, blind=10.0, sd_clip=6.0, sd_listener=8.0, sd_page=5.0, sd_rating=8.0
):
    """A table by the model itself: all eight parts, a page and a residual."""
    own, own_mode = rng.normal(0, sd_listener, listeners), rng.normal(0, 6, (listeners, 2))
    clip, clip_mode = rng.normal(0, sd_clip, clips), rng.normal(0, sd_clip / 2, (clips, 2))
    level, level_mode = rng.normal(0, 8, listeners), rng.normal(0, 4, (listeners, 2))
    hard, hard_mode = rng.normal(0, 6, clips), rng.normal(0, 3, (clips, 2))
    rows = []
    for i in range(listeners):
        for j in range(clips):
            for m, mode in enumerate(("labelled", "blind")):
                effect = (labelled, blind)[m] + own[i] + own_mode[i, m] + clip[j] + clip_mode[j, m]
                base = 50 + level[i] + level_mode[i, m] + hard[j] + hard_mode[j, m] + rng.normal(0, sd_page)
                for device, side in (("device", 0.5), ("other", -0.5)):
                    rows.append(
                        (f"L{i:02}", f"c{j}", device, mode, mode, base + side * effect + rng.normal(0, sd_rating))
                    )
    return pd.DataFrame(rows, columns=["listener", "clip", "device", "mode", "sitting", "rating"])


@pytest.fixture(scope="module")
def table():
    return ratings(np.random.default_rng(2))


def judged(table, **options):
    return survival(table, **PANEL, mixed_model=False, **options)


def incomplete(panel):
    """The same panel with one more listener of whom a single rating is known: fitted by REML."""
    ratings = np.concatenate([panel.ratings, np.full((2, 1, len(panel.clips), 2), np.nan)], axis=1)
    signs = np.concatenate([panel.signs, np.full((2, 1, len(panel.clips)), np.nan)], axis=1)
    return Panel(
        listeners=(*panel.listeners, "nobody"), clips=panel.clips, ratings=ratings, signs=signs, order=None, remarks=()
    )


def test_mean_squares_are_lme4_s_on_penicillin(references):
    """R 4.2.2, lme4 1.1.31, lmerTest 3.1.3: diameter ~ 1 + (1 | plate) + (1 | sample), t 28.4108058, df 5.4870923."""
    data = pd.read_csv(references / "data" / "penicillin.csv")
    found = crossed_mean(data.pivot(index="plate", columns="sample", values="diameter").to_numpy(), clips_drawn=True)
    assert float(found.mean) == pytest.approx(22.9722222, abs=1e-6)
    assert float(found.mean / found.std_error) == pytest.approx(28.4108058, rel=1e-5)
    assert float(found.whole_df) == pytest.approx(5.4870923, rel=1e-5)


def test_these_clips_are_a_t_test_on_means_of_listeners():
    """scipy.stats.ttest_1samp on one mean per listener."""
    y = np.random.default_rng(1).normal(5, 3, (9, 4)) + np.arange(4)
    found, theirs = crossed_mean(y, clips_drawn=False), stats.ttest_1samp(y.mean(axis=1), 0)
    for tail in (0.05, 0.025, 0.005):
        interval = theirs.confidence_interval(1 - 2 * tail)
        assert (float(found.lower(tail)), float(found.upper(tail))) == pytest.approx(tuple(interval), abs=1e-12)


def test_orders_are_two_samples_of_listeners():
    """scipy.stats.ttest_ind with equal variances; the mean gives both orders the same weight."""
    rng = np.random.default_rng(3)
    y, order = rng.normal(5, 3, (11, 4)), np.arange(11) % 3 == 0
    rows = y.mean(axis=1)
    apart, theirs = difference_of_orders(y, order), stats.ttest_ind(rows[order], rows[~order])
    assert (float(apart.lower(0.025)), float(apart.upper(0.025))) == pytest.approx(
        tuple(theirs.confidence_interval(0.95)), abs=1e-12
    )
    middle = crossed_mean(y, order=order, clips_drawn=False)
    assert float(middle.mean) == pytest.approx((rows[order].mean() + rows[~order].mean()) / 2)
    assert float(middle.std_error) == pytest.approx(float(apart.std_error) / 2)
    assert float(middle.df) == 9


@pytest.mark.parametrize("clips_drawn", [True, False])
def test_mean_squares_are_the_reml_fit_where_nothing_is_missing(table, clips_drawn):
    """The residual is pooled with other strata by REML: errors of differences agree to 2 %, the rest to 1e-6."""
    panel = read_ratings(table).panel("device", "other")
    closed = model_of_ratings(panel, kept=2 / 3, clips_drawn=clips_drawn, least_sd=0.0)
    fitted = model_of_ratings(incomplete(panel), kept=2 / 3, clips_drawn=clips_drawn, least_sd=0.0)
    assert (closed.route, fitted.route) == ("mean squares", "REML")
    for name in TERMS:
        ours, theirs = getattr(closed.contrasts, name), getattr(fitted.contrasts, name)
        assert float(theirs.mean) == pytest.approx(float(ours.mean), abs=1e-8)
        close = 1e-6 if name in ("labelled", "blind") or not clips_drawn else 0.02
        assert float(theirs.std_error) == pytest.approx(float(ours.std_error), rel=close)
        assert float(theirs.df) == pytest.approx(float(ours.df), rel=1e-4)
        if clips_drawn:
            assert float(theirs.clip_variance) == pytest.approx(float(ours.clip_variance), rel=max(close, 1e-5) * 3)
            assert float(theirs.clip_df) == pytest.approx(5, rel=1e-4)


def test_shares_of_pairs_of_two_clips_are_the_mixed_model_of_statsmodels():
    """statsmodels MixedLM by REML, sum contrasts of clips: clips weigh the same, however many ratings are missing."""
    from statsmodels.formula.api import mixedlm

    rng = np.random.default_rng(11)
    signs = rng.normal(0.3, 0.4, (2, 14, 2)) + np.array([0.5, -0.5]) + rng.normal(0, 0.3, (14, 1))
    signs[:, :6, 1] = np.nan
    panel = Panel(
        listeners=tuple(f"L{i}" for i in range(14)), clips=("a", "b"), order=None, remarks=(), signs=signs,
        ratings=np.full((2, 14, 2, 2), np.nan),
    )  # fmt: skip
    found = model_of_signs(panel, kept=2 / 3, clips_drawn=False, least_sd=0.0).contrasts
    listener, clip = np.nonzero(~np.isnan(signs[0]))
    for name, values in (("labelled", signs[0]), ("kept", signs[1] - 2 / 3 * signs[0])):
        rows = pd.DataFrame({"y": values[listener, clip], "clip": clip, "listener": listener})
        theirs = mixedlm("y ~ C(clip, Sum)", rows, groups="listener").fit(reml=True)
        assert float(getattr(found, name).mean) == pytest.approx(theirs.params["Intercept"], abs=1e-4)


@pytest.mark.parametrize("kept", [2 / 3, 1.0])
def test_the_least_scatter_of_a_difference_is_that_of_both_parts(table, kept):
    """Independent scatters add as squares: where all else is smaller, it alone makes the standard error."""
    panel = read_ratings(table).panel("device", "other")
    for one in (panel, incomplete(panel)):
        for model in (model_of_signs, model_of_ratings):
            found = model(one, kept=kept, clips_drawn=False, least_sd=1e4).contrasts
            for name, share in (("labelled", 0.0), ("blind", 0.0), ("difference", 1.0), ("kept", kept)):
                least = 1e4 * np.sqrt((1 + share**2) / len(one.listeners))
                assert float(getattr(found, name).std_error) == pytest.approx(least, rel=1e-3), (name, model)


def test_parts_of_an_error_are_kenward_and_roger_s_whole(table):
    """What listeners and clips add makes the adjusted standard error of fit_linear_mixed, missing cells and all."""
    panel = read_ratings(table.sample(frac=0.8, random_state=5)).panel("device", "other")
    prepared, places, lost = prepared_ratings(panel, (1,), clips_drawn=True)
    fit = prepared.fit(panel.ratings[places])
    found = term_of(fit, "x", panel)
    rows = pd.DataFrame(
        {
            "rating": panel.ratings[places],
            "x": 0.5 - places[3],
            "listener": np.asarray(panel.listeners)[places[1]],
            "clip": np.asarray(panel.clips)[places[2]],
            "page": [f"{i} {j}" for i, j in zip(places[1], places[2], strict=True)],
        }
    )
    parts = ["1", "0 + x"]
    theirs = fit_linear_mixed(
        "rating ~ x", rows, random={"listener": parts, "page": "1", "clip": parts}, df="kenward-roger"
    ).coefficients.loc["x"]
    assert float(found.mean) == pytest.approx(theirs["estimate"], abs=1e-5)
    assert float(found.std_error) == pytest.approx(theirs["std_error"], rel=1e-4)
    assert lost == ()


def test_the_quantile_lies_between_those_of_its_parts_and_never_below_one_alone():
    found = Estimates(
        mean=np.array([0.0]),
        std_error=np.sqrt([5.0]),
        df=np.asarray(11.0),
        clip_variance=np.array([1.0]),
        clip_floor=np.array([1.5]),
        clip_df=np.asarray(4.0),
    )
    weighed = (0.8 * stdtrit(11, 0.95) + 0.2 * stdtrit(4, 0.95)) * np.sqrt(5)
    assert found.half_width(0.05) == pytest.approx(weighed)
    alone = Estimates(
        mean=np.array([0.0]),
        std_error=np.sqrt([5.0]),
        df=np.asarray(11.0),
        clip_variance=np.array([4.0]),
        clip_floor=np.array([4.8]),
        clip_df=np.asarray(4.0),
    )
    assert alone.half_width(0.025) >= stdtrit(4, 0.975) * np.sqrt(4.8)


# the verdict


def test_five_clips_are_a_sample_and_four_are_these(table):
    drawn = judged(table)
    assert drawn.clips_drawn
    assert drawn.scope == "for listeners and clips like these"
    assert "12 listeners, 6 clips" in drawn.sentence
    assert drawn.clip_spread > 0
    few = judged(table[table["clip"].isin(["c0", "c1", "c2", "c3"])])
    assert not few.clips_drawn
    assert few.scope == "for listeners like these and these clips"
    assert (
        "with fewer than 5 clips their spread says too little about others: the verdict is about these" in few.remarks
    )
    asked = judged(table, only_these_clips=True)
    assert asked.scope == few.scope
    assert asked.blind.std_error < drawn.blind.std_error
    # Of these clips, nothing missing: the contrast per listener itself.
    assert asked.blind.interval == pytest.approx(asked.contrasts.blind.interval, abs=1e-9)


def test_a_claim_about_other_clips_asks_for_five(table):
    few = table[table["clip"].isin(["c0", "c1", "c2"])]
    sure = few.assign(rating=few["rating"].where(few["device"] != "device", few["rating"] + 60))
    assert judged(sure).verdict == "survives"
    result = judged(sure, only_these_clips=False)
    assert result.reading == "undecided: 3 clips say too little about others, it takes 5 or more"
    assert result.smallest_alpha is None


def test_one_clip_that_stands_out_decides_about_these_clips_only():
    """Twelve listeners agree on every clip; five clips show nothing, one an effect of 100: about others, open."""
    table = ratings(np.random.default_rng(7), labelled=25, blind=0, sd_clip=0, sd_listener=1, sd_rating=2)
    wild = (table["clip"] == "c0") & (table["mode"] == "blind") & (table["device"] == "device")
    table.loc[wild, "rating"] += 100
    table["rating"] /= 2
    assert judged(table, only_these_clips=True, margin=4).blind.lower_limit > 4
    assert judged(table, margin=4).verdict == "undecided"
    assert judged(table, margin=4).blind.upper_limit > judged(table, margin=4, only_these_clips=True).blind.upper_limit


def test_missing_ratings_are_no_reason_to_throw_others_away(table):
    """A fifth of the ratings gone: contrasts lose pages with one device, the model keeps them."""
    part = table.sample(frac=0.8, random_state=3)
    result = judged(part)
    assert "REML" in result.method
    assert result.blind.std_error < 1.6 * judged(table).blind.std_error
    assert result.blind.estimate == pytest.approx(judged(table).blind.estimate, abs=2 * result.blind.std_error)
    said = " ".join(result.remarks)
    assert "are left out of the contrasts" in said
    assert "uses all there are, pages with one of the two devices too" in said
    assert result.contrasts.listeners == 12
    assert json.loads(json.dumps(result.to_dict(), allow_nan=False))["sentence"] == result.sentence


def test_the_order_of_rows_changes_nothing_where_ratings_are_missing(table):
    part = table.sample(frac=0.8, random_state=3)
    one, other = judged(part), judged(part.sort_values(["rating"]))
    assert other.blind.interval == pytest.approx(one.blind.interval, abs=1e-6)
    assert other.kept_contrast.interval == pytest.approx(one.kept_contrast.interval, abs=1e-6)
    assert other.verdict == one.verdict


def crossed(table, shift):
    """Even listeners blind first; the blind effect of the others is larger by `shift`: they know the names by sound."""
    even = table["listener"].str[1:].astype(int) % 2 == 0
    rating = table["rating"].where(
        even | (table["mode"] != "blind") | (table["device"] != "device"), table["rating"] + shift
    )
    return table.assign(rating=rating, order=np.where(even, "blind-first", "labelled-first"))


@pytest.mark.parametrize("share", [1.0, 0.85])
def test_what_one_phase_does_to_the_next_is_no_spread_of_listeners(table, share):
    part = table.sample(frac=share, random_state=1) if share < 1 else table
    plain, moved = judged(crossed(part, 0.0)), judged(crossed(part, 30.0))
    assert moved.order_effect.estimate == pytest.approx(plain.order_effect.estimate - 30, abs=1e-4)
    assert moved.blind.estimate == pytest.approx(plain.blind.estimate + 15, abs=1e-4)
    assert moved.blind.std_error == pytest.approx(plain.blind.std_error, rel=1e-4)
    assert moved.labelled.interval == pytest.approx(plain.labelled.interval, abs=1e-4)
    assert "device x mode x order" in moved.method
    # One contrast per listener takes it for a spread of listeners.
    assert moved.contrasts.blind.std_error > 1.2 * plain.contrasts.blind.std_error


def test_the_order_of_phases_is_read_from_numbered_sittings(table):
    even = table["listener"].str[1:].astype(int) % 2 == 0
    first = np.where(even, "blind", "labelled")
    numbered = table.assign(sitting=np.where(table["mode"] == first, 3, 8))
    assert judged(numbered).blind == judged(crossed(table, 0.0)).blind
    assert judged(table.assign(sitting=np.where(table["mode"] == "blind", 1, 2))).order_effect is None
    assert judged(table.assign(sitting=1)).order_effect is None  # one number in both modes tells no order


def test_one_listener_of_an_order_says_nothing_about_it(table):
    lone = table.assign(order=np.where(table["listener"] == "L00", "blind-first", "labelled-first"))
    result = judged(lone)
    assert result.order_effect is None
    assert any(remark.startswith("too few listeners had the phases") for remark in result.remarks)


@pytest.mark.parametrize(
    ("order", "text"),
    [
        ("blind-frist", "line 1: order: no such order of phases, got 'blind-frist'.*did you mean 'blind-first'"),
        (None, "L00 had another order in an earlier row"),
    ],
)
def test_orders_that_cannot_be_are_refused(table, order, text):
    given = np.where(table["mode"] == "blind", "blind-first", "labelled-first") if order is None else order
    with pytest.raises(BlindtestError, match=text):
        judged(table.assign(order=given))


def test_the_smallest_alpha_is_where_the_verdict_is_lost(table):
    sure = table.assign(rating=table["rating"].where(table["device"] != "device", table["rating"] + 60))
    result = judged(sure)
    assert result.verdict == "survives"
    least = result.smallest_alpha
    assert 0 < least < 0.05
    assert judged(sure, alpha=least * 1.01).verdict == "survives"
    assert judged(sure, alpha=least * 0.99).verdict == "undecided"


def test_a_panel_of_too_few_ratings_falls_back_on_contrasts():
    """Ratings that the model can't be fitted to: the verdict is that of contrasts and says so."""
    rows = [
        (f"L{i}", "c0", device, mode, mode, 50.0 + (10 + i if device == "device" else 0))
        for i in range(4)
        for mode in ("labelled", "blind")
        for device in ("device", "other")
    ]
    rows += [("L0", "c1", "device", mode, mode, 61.0) for mode in ("labelled", "blind")]
    result = judged(pd.DataFrame(rows, columns=["listener", "clip", "device", "mode", "sitting", "rating"]))
    assert result.contrasts is None
    assert any(remark.startswith("no mixed model (") for remark in result.remarks)
    assert result.blind.df == 3


def test_the_model_beside_it_names_what_scatters(table):
    opinion = survival(table, **PANEL).mixed_model
    assert opinion.fitted
    assert {one.group for one in opinion.scatter} == {
        "listener", "clip", "listener:device", "listener:mode", "clip:device", "clip:mode", "listener:device:mode",
        "clip:device:mode", "residual",
    }  # fmt: skip
    assert opinion.difference == pytest.approx(judged(table).difference.estimate, abs=1e-6)
    assert survival(crossed(table, 20.0), **PANEL).mixed_model.model.startswith("rating ~ x * m * order")
