"""Posteriors of psychometric functions."""

import json

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import simpson
from scipy.stats import binom, lognorm, norm

from blindtest.stats import ThresholdPriors, fit_threshold, threshold_posterior

ROWS = pd.DataFrame({"level": [-2, -1, 0, 1, 2], "correct": [11, 13, 15, 18, 20], "trials": 20})
PRIORS = ThresholdPriors(place=(0.0, 1.5), slope=(1.0, 0.6))


def test_it_is_what_integration_gives():
    """Place and log slope integrated by Simpson's rule on a fine grid of densities of scipy.stats, lapse fixed."""
    x, k = ROWS["level"].to_numpy(), ROWS["correct"].to_numpy()
    place, slope = np.linspace(-6, 6, 1201)[:, None], np.exp(np.linspace(-3, 3, 601))[None, :]
    p = 0.5 + 0.48 * norm.cdf(slope[..., None] * (x - place[..., None]))
    joint = np.prod(binom.pmf(k, 20, p), axis=2) * norm.pdf(place, 0, 1.5) * lognorm.pdf(slope, 0.6, scale=1.0)

    def over(values):
        return simpson(simpson(values * joint * slope, dx=0.01, axis=1), dx=0.01)

    result = threshold_posterior(ROWS, link="normal", guess=0.5, priors=PRIORS, lapse=0.02)
    evidence = over(1.0)
    assert result.log_evidence == pytest.approx(np.log(evidence), abs=1e-3)
    assert result.slope == pytest.approx(over(slope) / evidence, rel=1e-3)
    at = place + norm.ppf(0.25 / 0.48) / slope
    mean = over(at) / evidence
    threshold = result.threshold(0.75)
    assert threshold.estimate == pytest.approx(mean, abs=1e-3)
    assert threshold.std == pytest.approx(np.sqrt(over((at - mean) ** 2) / evidence), rel=5e-3)
    for limit, share in zip(threshold.interval, (0.025, 0.975), strict=True):
        assert over((at <= limit) * 1.0) / evidence == pytest.approx(share, abs=2e-3)


def test_vague_priors_and_many_trials_give_the_maximum_of_the_likelihood():
    rows = ROWS.assign(correct=ROWS["correct"] * 100, trials=2000)
    fit = fit_threshold(rows, link="normal", guess=0.5, lapse=0.0)
    result = threshold_posterior(rows, link="normal", guess=0.5, lapse=0.0)
    assert result.slope == pytest.approx(fit.slope, rel=0.01)
    assert result.slope_interval == pytest.approx(fit.slope_interval, rel=0.02)
    theirs, ours = fit.threshold(0.75), result.threshold(0.75)
    assert ours.estimate == pytest.approx(theirs.estimate, abs=0.005)
    assert ours.interval == pytest.approx(theirs.interval, abs=0.01)


def test_without_answers_to_speak_of_the_prior_stays():
    rows = pd.DataFrame({"level": [0.0], "correct": [1], "trials": [1]})
    priors = ThresholdPriors(place=(3, 0.1), slope=(2, 0.05))
    result = threshold_posterior(rows, link="logistic", guess=0.5, priors=priors, lapse=0.0)
    assert result.threshold(0.75).estimate == pytest.approx(3, abs=0.05)
    assert result.slope == pytest.approx(2, abs=0.02)


def test_all_right_has_a_posterior():
    """Where maximum likelihood has nothing to say the prior holds the threshold, and it moves down."""
    rows = pd.DataFrame({"level": [0, 1, 2], "correct": [10, 10, 10], "trials": 10})
    result = threshold_posterior(rows, link="normal", guess=0.5)
    assert result.threshold(0.75).estimate < 0
    assert np.isfinite(result.threshold(0.75).interval).all()
    assert json.loads(json.dumps(result.to_dict(), allow_nan=False))["sentence"] == result.sentence


def test_a_falling_curve_is_the_mirror_of_a_rising_one():
    mirrored = ROWS.assign(level=-ROWS["level"])
    falling = ThresholdPriors(place=(0.0, 1.5), slope=(1.0, 0.6), falling=True)
    one = threshold_posterior(ROWS, link="logistic", guess=0.5, priors=PRIORS)
    other = threshold_posterior(mirrored, link="logistic", guess=0.5, priors=falling)
    assert other.slope == pytest.approx(-one.slope, rel=1e-9)
    assert other.threshold(0.8).estimate == pytest.approx(-one.threshold(0.8).estimate, abs=1e-9)
    assert other.slope_interval == pytest.approx(tuple(-limit for limit in one.slope_interval[::-1]), rel=1e-6)


def test_weights_are_a_distribution_and_priors_are_stated():
    result = threshold_posterior(ROWS, link="weibull", guess=0.5)
    assert result.weights.sum() == pytest.approx(1, abs=1e-12)
    assert 0 < result.lapse < 0.06
    assert "place normal(0, 4)" in result.sentence
    assert "lapse beta(1, 20)" in result.sentence


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: ThresholdPriors(place=(0, 0), slope=(1, 1)), "standard deviation above 0"),
        (lambda: ThresholdPriors(place=(0, 1), slope=(-1, 1)), "median and a spread above 0"),
        (lambda: ThresholdPriors(place=(0, 1), slope=(1, 1), lapse=(0, 1)), "lapse rate must be above 0"),
        (lambda: ThresholdPriors.of_levels(1, 1), "must lie above the lowest"),
        (lambda: threshold_posterior(ROWS, link="normal", guess=0.5).threshold(0.99), "must lie between"),
        (lambda: threshold_posterior(ROWS, link="normal", guess=1.5), "guess rate"),
    ],
)
def test_what_means_nothing_is_refused(call, text):
    with pytest.raises(ValueError, match=text):
        call()
