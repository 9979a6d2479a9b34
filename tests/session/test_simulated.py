"""Simulated listeners: what they get right agrees with the closed forms of their decision rule."""

import runpy
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad
from scipy.special import expit, ndtr
from scipy.stats import chi2, norm

from blindtest.methods import METHODS, Setting
from blindtest.session import (
    RULES,
    HeardTrial,
    Liking,
    Opinion,
    SimulatedListener,
    Spreads,
    rows_of,
    simulate_sitting,
    simulated_clock,
    simulated_opinions,
)

P = runpy.run_path(str(Path(__file__).parent / "plans.py"))
TRIALS = 20_000
HERON, PLOVER = P["CONDITIONS"]


def trial(method, sounding, *, phase="blind", clip="c", compared=P["CONDITIONS"], ties=0):
    """Return a trial as a listener meets it, its question asked by the method."""
    setting = Setting(conditions=compared, numbers={"ties": ties}, labels=compared)
    question = METHODS[method].question(tuple(sounding), setting)
    return HeardTrial(method=method, phase=phase, clip=clip, sounding=sounding, compared=compared, question=question)


def share(said, value):
    return sum(each == value for each in said) / len(said)


def within(share, expected, count=TRIALS):
    """Whether a share lies within 4 standard errors of what is expected."""
    return abs(share - expected) <= 4 * np.sqrt(expected * (1 - expected) / count)


def differencing(d):
    """ABX, differencing (Macmillan & Creelman 2005; formula as in R packages sensR and psyphy, methods.md 2.3)."""
    return ndtr(d / np.sqrt(2)) * ndtr(d / np.sqrt(6)) + ndtr(-d / np.sqrt(2)) * ndtr(-d / np.sqrt(6))


def independent(d):
    """ABX, independent observations (the same sources)."""
    return ndtr(d / np.sqrt(2)) * ndtr(d / 2) + ndtr(-d / np.sqrt(2)) * ndtr(-d / 2)


CHECK_VALUES = {  # methods.md 9.2, numbers 15 and 16
    ("differencing", 1.0): 0.58248,
    ("independent", 1.0): 0.59966,
    ("differencing", 2.0): 0.74682,
    ("independent", 2.0): 0.78765,
}


@pytest.mark.parametrize(
    ("rule", "d_prime"), [(r, d) for r in ("differencing", "independent") for d in (0.0, 1.0, 2.0, 3.5)]
)
def test_the_proportion_right_is_that_of_the_rule(rule, d_prime):
    expected = {"differencing": differencing, "independent": independent}[rule](d_prime)
    assert expected == pytest.approx(CHECK_VALUES.get((rule, d_prime), expected), abs=5e-6)
    listener, rng = SimulatedListener(pseudonym="L1", d_prime=d_prime, rule=rule), np.random.default_rng(17)
    plan = P["make"](blocks=(P["block"]("t", "abx", TRIALS),), seed=1)
    draw, setting = plan.methods["abx"].draw, plan.setting(plan.protocol.blocks[0])
    right = 0
    for number in range(TRIALS):
        # Drawn as the plan draws it, but for the order of clips, which takes long for so many trials.
        drawn = draw(plan.draws.source(f"key/{number}"), setting, ())
        sounding = {slot.name: slot.condition for slot in drawn.slots}
        right += listener.answer(trial("abx", sounding), rng) == drawn.right
    error = np.sqrt(expected * (1 - expected) / TRIALS)
    assert right / TRIALS == pytest.approx(expected, abs=4 * error)


@pytest.mark.parametrize(
    ("method", "d_prime", "expected"),
    [  # methods.md 9.2, numbers 15 and 16; 2.3 for duo-trio, which has the formula of ABX by differencing
        ("triangle", 0.0, 1 / 3),
        ("triangle", 1.0, 0.41805),
        ("triangle", 2.0, 0.60481),
        ("duo-trio", 0.0, 1 / 2),
        ("duo-trio", 1.0, 0.58248),
        ("duo-trio", 2.0, 0.74682),
        ("tetrad", 0.0, 1 / 3),
        ("tetrad", 1.0, 0.49381),
        ("tetrad", 2.0, 0.77767),
        ("2afc", 0.0, 1 / 2),
        ("2afc", 1.0, 0.76025),
        ("2afc", 2.0, 0.92135),
        ("3afc", 0.0, 1 / 3),
        ("3afc", 1.0, 0.63370),
        ("3afc", 2.0, 0.86577),
    ],
)
def test_tests_of_a_difference_are_decided_by_differences(method, d_prime, expected):
    listener, rng = SimulatedListener(pseudonym="L1", d_prime=d_prime), np.random.default_rng(23)
    plan = P["make"](blocks=(P["block"]("t", method, TRIALS),), seed=2)
    setting = plan.setting(plan.protocol.blocks[0])
    right = 0
    for number in range(TRIALS):
        drawn = plan.methods[method].draw(plan.draws.source(f"key/{number}"), setting, ())
        sounding = {slot.name: slot.condition for slot in drawn.slots}
        right += listener.answer(trial(method, sounding), rng) == drawn.right
    assert within(right / TRIALS, expected)


@pytest.mark.parametrize("criterion", [0.5, 1.5, 3.0])
@pytest.mark.parametrize("d_prime", [0.0, 1.0, 2.5])
def test_pairs_are_called_different_beyond_the_listeners_criterion(d_prime, criterion):
    """Macmillan & Creelman 2005, ch. 9 (differencing): the two rates, whatever the criterion, by the listener's own
    rule; d' from them by R's sensR agrees with stats.same_different_test, tests/stats."""
    listener = SimulatedListener(pseudonym="L1", d_prime=d_prime, criterion=criterion)
    rng = np.random.default_rng(29)
    root = np.sqrt(2)
    pairs = {"same": {"1": PLOVER, "2": PLOVER}, "different": {"1": PLOVER, "2": HERON}}
    called = {
        name: [listener.answer(trial("same-different", pair), rng)["choice"] for _ in range(TRIALS)]
        for name, pair in pairs.items()
    }
    hits = ndtr((d_prime - criterion) / root) + ndtr((-criterion - d_prime) / root)
    assert within(share(called["same"], "different"), 2 * ndtr(-criterion / root))
    assert within(share(called["different"], "different"), hits)


def test_an_attribute_can_be_heard_the_other_way_round():
    """P(the one 1.5 below two others is the highest), by scipy's quadrature of phi(z + d) Phi(z)^2."""
    listener = SimulatedListener(pseudonym="L1", d_prime=1.5, rule="the other way round")
    rng = np.random.default_rng(31)
    met = trial("3afc", {"1": PLOVER, "2": HERON, "3": PLOVER})
    expected, _ = quad(lambda z: norm.pdf(z + 1.5) * norm.cdf(z) ** 2, -12, 12)
    assert within(share([listener.answer(met, rng)["choice"] for _ in range(TRIALS)], "2"), expected)


def test_a_guesser_is_right_half_of_the_time_whatever_the_difference():
    listener, rng = SimulatedListener(pseudonym="L1", d_prime=9.0, rule="guesser"), np.random.default_rng(3)
    met = trial("abx", {"A": HERON, "B": PLOVER, "X": HERON})
    said = [listener.answer(met, rng)["choice"] for _ in range(TRIALS)]
    assert said.count("A") / TRIALS == pytest.approx(0.5, abs=4 * np.sqrt(0.25 / TRIALS))


def test_a_clip_can_bring_the_difference_out_more():
    listener = SimulatedListener(pseudonym="L1", d_prime=0.0, d_prime_by_clip={"drums-c2": 12.0})
    rng = np.random.default_rng(5)
    loud, soft = (trial("abx", {"A": PLOVER, "B": HERON, "X": HERON}, clip=clip) for clip in ("drums-c2", "strings-c1"))
    assert all(listener.answer(loud, rng) == {"choice": "B"} for _ in range(200))
    said = [listener.answer(soft, rng)["choice"] for _ in range(2000)]
    assert 900 < said.count("B") < 1100


def run(seed=1, **more):
    rng = np.random.default_rng(seed)
    saved = []
    sitting = simulate_sitting(
        P["make"](),
        SimulatedListener(pseudonym="L-sim", d_prime=1.5),
        rng,
        simulated_clock(P["START"], rng),
        save=saved.append,
        **more,
    )
    return sitting, saved


def test_a_simulated_sitting_goes_through_the_state_machine():
    sitting, saved = run()
    assert sitting.step == "finished"
    assert tuple(saved) == sitting.answers
    assert len(saved) == sitting.plan.length
    times = [answer.answered_at for answer in saved]
    assert times == sorted(times)
    assert all(answer.time_taken_s > 0 and answer.switches == 2 for answer in saved)
    assert {row["listener"] for answer in saved for row in rows_of(answer)} == {"L-sim"}


def test_the_same_seed_gives_the_same_sitting_and_another_one_does_not():
    assert run()[0].answers == run()[0].answers
    assert run()[0].answers != run(seed=2)[0].answers


def test_a_listener_may_leave_early():
    sitting, saved = run(stop_after=3)
    assert (len(saved), sitting.over) == (3, False)


def test_every_method_has_a_rule():
    assert set(RULES) == set(METHODS)


# Paired preference: closed forms of Rao & Kupper (1967, J. Am. Stat. Assoc. 62, 194): with pi = exp(utility) and
# theta = exp(threshold), P(i before j) = pi_i / (pi_i + theta pi_j),
# P(tie) = (theta^2 - 1) pi_i pi_j / ((pi_i + theta pi_j)(pi_j + theta pi_i)).


@pytest.mark.parametrize(
    ("difference", "threshold", "bias"), [(0, 0, 0), (1.2, 0, 0), (1.2, 0.8, 0), (-0.5, 0.8, 0.4), (0, 1.5, 0)]
)
def test_preferences_come_as_often_as_the_model_says(difference, threshold, bias):
    liking = Liking(utility={HERON: difference, PLOVER: 0.0}, tie_threshold=threshold, first_bias=bias)
    listener, rng = SimulatedListener(pseudonym="L1", liking=liking), np.random.default_rng(11)
    theta = np.exp(threshold)
    for first, second, gain in ((HERON, PLOVER, difference), (PLOVER, HERON, -difference)):
        said = [
            listener.answer(trial("preference", {"1": first, "2": second}, ties=1), rng)["choice"]
            for _ in range(TRIALS)
        ]
        strength = np.exp(gain + bias)
        expected = {"1": strength / (strength + theta), "2": 1 / (1 + theta * strength)}
        expected["none"] = (theta**2 - 1) * strength / ((strength + theta) * (1 + theta * strength))
        assert sum(expected.values()) == pytest.approx(1)
        assert all(within(share(said, value), p) for value, p in expected.items())


def test_where_no_preference_is_no_answer_one_of_the_two_is_chosen():
    """Then the threshold plays no part: the Bradley-Terry model (1952, Biometrika 39, 324)."""
    liking = Liking(utility={HERON: 0.7, PLOVER: 0.0}, tie_threshold=2.0)
    listener, rng = SimulatedListener(pseudonym="L1", liking=liking), np.random.default_rng(12)
    met = trial("preference", {"1": HERON, "2": PLOVER})
    said = [listener.answer(met, rng)["choice"] for _ in range(TRIALS)]
    assert set(said) == {"1", "2"}
    assert within(share(said, "1"), expit(0.7))


@pytest.mark.parametrize("knows", [0.0, 0.4, 1.0])
@pytest.mark.parametrize("names", [2, 3, 5])
def test_recognition_is_right_by_knowledge_or_by_luck(knows, names):
    """p + (1 - p)/n, by the law of total probability."""
    compared = tuple(f"c{k}" for k in range(names))
    listener, rng = SimulatedListener(pseudonym="L1", recognises=knows), np.random.default_rng(13)
    right = 0
    for number in range(TRIALS):
        which = number % names
        met = trial("recognition", {"?": compared[which]}, compared=compared)
        right += listener.answer(met, rng) == {"choice": str(which + 1)}
    assert within(right / TRIALS, knows + (1 - knows) / names)


SCALE = (0.0, 100.0)


def ratings(opinion, condition, phase="blind", clip="c", count=TRIALS, seed=14):
    rng = np.random.default_rng(seed)
    return np.array([opinion.rating(condition, clip, phase, rng, scale=SCALE) for _ in range(count)])


def test_ratings_scatter_about_the_true_quality():
    """Rounding to steps of 1 adds a variance of 1/12 (Sheppard's correction)."""
    said = ratings(Opinion(quality={HERON: 55.25}, residual=9.0), HERON)
    sd = np.sqrt(81 + 1 / 12)
    assert said.mean() == pytest.approx(55.25, abs=4 * sd / np.sqrt(TRIALS))
    # The standard error of a normal sample's standard deviation is sd / sqrt(2 n).
    assert said.std() == pytest.approx(sd, abs=4 * sd / np.sqrt(2 * TRIALS))
    assert np.all(said == np.round(said))


def test_the_scale_has_ends():
    """The mean of min(100, N(100, s)) is 100 - s/sqrt(2 pi): half of the normal's mean absolute deviation."""
    opinion = Opinion(quality={HERON: 100.0, PLOVER: -3.0}, residual=12.0, step=0.001)
    high, low = ratings(opinion, HERON), ratings(opinion, PLOVER)
    assert high.max() == 100
    assert low.min() == 0
    assert share(high, 100.0) == pytest.approx(0.5, abs=4 * 0.5 / np.sqrt(TRIALS))
    sd = 12 * np.sqrt(0.5 - 1 / (2 * np.pi))
    assert high.mean() == pytest.approx(100 - 12 / np.sqrt(2 * np.pi), abs=4 * sd / np.sqrt(TRIALS))


def test_a_name_is_worth_something_only_where_it_is_read():
    opinion = Opinion(quality={HERON: 40.0, PLOVER: 60.0}, name_bias={HERON: 25.0})
    expected = {"blind": 40, "practice": 40, "labelled": 65, "worn": 65}
    for phase, worth in expected.items():
        assert opinion.expected(HERON, "c", phase) == worth
        assert opinion.expected(PLOVER, "c", phase) == 60


def spread_fits(values, variance):
    """Whether a sample variance lies where chi-square with n - 1 degrees of freedom has all but 1e-4."""
    df = len(values) - 1
    low, high = chi2.ppf([5e-5, 1 - 5e-5], df)
    return low <= df * np.var(values, ddof=1) / variance <= high


EVERY = Spreads(
    listener=20, listener_device=8, listener_mode=10, listener_device_mode=6, clip=15, clip_device=5, clip_mode=4,
    clip_device_mode=3, residual=12,
)  # fmt: skip


def test_the_variance_of_an_effect_is_that_of_the_model():
    """Of a listener's effect (heron minus plover): only parts that belong to a condition count, twice each; and what
    two modes share of it is the listener's taste."""
    count = 3000
    panel = simulated_opinions(
        count, quality={HERON: 50, PLOVER: 30}, clips=("c",), spreads=EVERY, rng=np.random.default_rng(15)
    )
    blind, labelled = (
        np.array([o.expected(HERON, "c", mode) - o.expected(PLOVER, "c", mode) for o in panel])
        for mode in ("blind", "labelled")
    )
    assert spread_fits(blind, 2 * (8**2 + 6**2))
    assert spread_fits(labelled, 2 * (8**2 + 6**2))
    assert spread_fits(blind - labelled, 4 * 6**2)
    rates_all = [o.expected(HERON, "c", "blind") for o in panel]
    assert spread_fits(rates_all, 20**2 + 8**2 + 10**2 + 6**2)


def test_clips_deviate_alike_for_all_listeners():
    clips = tuple(f"c{k}" for k in range(2000))
    one, other = simulated_opinions(
        2, quality={HERON: 50, PLOVER: 30}, clips=clips, spreads=EVERY, rng=np.random.default_rng(16)
    )
    own, theirs = (np.array([o.expected(HERON, clip, "blind") for clip in clips]) for o in (one, other))
    # One number for all clips: what tells the two listeners apart.
    assert np.ptp(own - theirs) == pytest.approx(0, abs=1e-9)
    assert spread_fits(own, 15**2 + 5**2 + 4**2 + 3**2)
    effect = own - [one.expected(PLOVER, clip, "blind") for clip in clips]
    assert spread_fits(effect, 2 * (5**2 + 3**2))


def test_what_is_new_in_a_sitting_stays_through_it():
    opinion, rng = Opinion(quality={HERON: 50.0}, sitting_device=7.0), np.random.default_rng(17)
    days = [opinion.today(rng) for _ in range(2000)]
    assert spread_fits([day.expected(HERON, "c", "blind") for day in days], 49)
    assert len({days[0].expected(HERON, clip, "labelled") for clip in "abc"}) == 1
    assert Opinion(quality={HERON: 50.0}).today(rng).deviations == {}


def test_a_spread_below_nothing_is_a_mistake_of_the_caller():
    for wrong in (-1.0, float("nan"), float("inf")):
        with pytest.raises(ValueError, match="listener_device is a standard deviation, got"):
            Spreads(listener_device=wrong)


@pytest.mark.parametrize(("block", "missing"), [("preference", "liking"), ("rating", "opinion")])
def test_a_listener_who_was_not_told_what_to_think_says_so(block, missing):
    plan, rng = P["make"](blocks=(P["block"]("b", block, 1),)), np.random.default_rng(1)
    with pytest.raises(ValueError, match=f"the simulated listener L1 has no {missing}"):
        simulate_sitting(plan, SimulatedListener(pseudonym="L1"), rng, simulated_clock(P["START"], rng))


def of_panel(count, blocks, *, seed, bias, spreads=EVERY):
    """Return the trial table of a panel, one sitting each, and what was true of it."""
    rng = np.random.default_rng(seed)
    opinions = simulated_opinions(
        count, quality={HERON: 45, PLOVER: 45}, name_bias=bias, clips=P["CLIPS"], spreads=spreads, rng=rng, step=0.01
    )
    rows = []
    for number, opinion in enumerate(opinions):
        listener = SimulatedListener(pseudonym=f"L{number}", opinion=opinion, recognises=0.6)
        plan = P["make"](blocks=blocks, seed=(seed, number), sitting=number + 1)
        sitting = simulate_sitting(plan, listener, rng, simulated_clock(P["START"], rng))
        assert sitting.step == "finished"
        rows += [row for answer in sitting.answers for row in rows_of(answer)]
    return pd.DataFrame(rows)


def test_a_panel_goes_through_all_phases_as_people_do():
    """The effect of a name, by the rows of the trial table: as it was put in, within four standard errors."""
    small = Spreads(listener=5, listener_device=4, listener_device_mode=2, clip=5, residual=3)
    table = of_panel(40, P["SURVIVAL_BLOCKS"], seed=18, bias={HERON: 20.0}, spreads=small)
    rated = table[table["kind"] == "rate"].assign(response=lambda t: t["response"].astype(float))
    means = rated.groupby(["phase", "listener", "condition"])["response"].mean().unstack()
    effects = (means[HERON] - means[PLOVER]).groupby("phase").agg(["mean", "sem"])
    for phase, true in (("blind", 0.0), ("labelled", 20.0), ("worn", 20.0)):
        assert abs(effects.loc[phase, "mean"] - true) < 4 * effects.loc[phase, "sem"]
        assert effects.loc[phase, "sem"] < 1.5
    right = table[table["method"] == "recognition"]["correct"]
    assert within(right.mean(), 0.6 + 0.4 / 2, len(right))
    assert set(table[table["phase"] == "worn"]["switches"]) == {0}


def test_the_verdict_on_a_simulated_panel_is_the_truth():
    """Through sittings, rows and `survival`: what was put in as the work of a name vanishes, what is heard survives."""
    from blindtest.stats import survival

    blocks = (P["block"]("blind", "rating", 4), P["block"]("labelled", "rating", 4, "labelled"))
    quiet = Spreads(listener=10, listener_device=4, listener_device_mode=3, clip=5, residual=6)
    for seed, quality, bias, verdict in ((19, 0.0, 25.0, "vanishes"), (20, 25.0, 0.0, "survives")):
        rng = np.random.default_rng(seed)
        opinions = simulated_opinions(
            16, quality={HERON: 40 + quality, PLOVER: 40}, name_bias={HERON: bias}, clips=P["CLIPS"], spreads=quiet,
            rng=rng,
        )  # fmt: skip
        rows = []
        for number, opinion in enumerate(opinions):
            plan = P["make"](blocks=blocks, seed=(seed, number), sitting=number + 1)
            listener = SimulatedListener(pseudonym=f"L{number}", opinion=opinion)
            sitting = simulate_sitting(plan, listener, rng, simulated_clock(P["START"], rng))
            rows += [row for answer in sitting.answers for row in rows_of(answer)]
        table = pd.DataFrame(rows).rename(columns={"condition": "device", "phase": "mode", "response": "rating"})
        table = table[["listener", "clip", "device", "mode", "sitting", "rating"]]
        assert survival(table, device=HERON, comparator=PLOVER).verdict == verdict
