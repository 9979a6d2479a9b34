"""Binary mixed models against lme4, glmmTMB, dense quadrature: every number our results have (against_glmm.py)."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from blindtest.stats import fit_binary_mixed

SCRIPT = Path(__file__).with_name("against_glmm.py")
SPEC = importlib.util.spec_from_file_location("against_glmm", SCRIPT)
against_glmm = importlib.util.module_from_spec(SPEC)
sys.modules["against_glmm"] = against_glmm
SPEC.loader.exec_module(against_glmm)


def check(numbers, least):
    assert len(numbers) >= least
    beyond = [number for number in numbers if not number.within]
    assert not beyond, f"{len(beyond)} of {len(numbers)}, the first: {beyond[0]}"


@pytest.mark.parametrize("file", against_glmm.FILES)
def test_every_number_is_that_of_lme4(file):
    # lme4 1.1.31 on R 4.2.2, psyphy 0.2.3, glmmTMB 1.1.5; the calls stand in the files.
    check(list(against_glmm.numbers_of(file)), 28)


@pytest.mark.parametrize("file", against_glmm.QUADRATURE)
def test_both_laplace_approximations_and_the_exact_maximum_are_those_of_dense_quadrature(file):
    check(list(against_glmm.quadrature_numbers(file)), 28)


@pytest.mark.parametrize("model", against_glmm.OBSERVED)
def test_the_observed_hessian_is_the_one_that_is_taken(model):
    check(list(against_glmm.observed_numbers(model)), 6)


def test_counts_spelled_out_as_rows_lose_the_binomial_coefficients(references):
    """lme4's cbpp as 0/1 rows: the same fit; the sum of log C(n, k) is 185.47566 (lgamma, by hand: see the test)."""
    from math import comb, log

    herds = pd.read_csv(references / "data" / "cbpp.csv", dtype={"herd": str, "period": str})
    constant = sum(log(comb(n, k)) for n, k in zip(herds["size"], herds["incidence"], strict=True))
    assert constant == pytest.approx(185.47566, abs=5e-6)
    rows = herds.loc[herds.index.repeat(herds["size"])].reset_index(drop=True)
    rows["sick"] = np.concatenate([np.arange(n) < k for n, k in zip(herds["size"], herds["incidence"], strict=True)])
    single = fit_binary_mixed("sick ~ period", rows, random={"herd": "1"})
    counted = fit_binary_mixed("incidence ~ period", herds, random={"herd": "1"}, trials="size")
    assert counted.log_likelihood == pytest.approx(-92.02628187, abs=1e-6)  # lme4 1.1.31, glmm_cbpp_logit_laplace
    assert single.log_likelihood == pytest.approx(counted.log_likelihood - constant, abs=1e-8)
    assert single.coefficients.to_numpy() == pytest.approx(counted.coefficients.to_numpy(), rel=1e-6)
    assert (single.rows, single.trials, counted.rows, counted.trials) == (842, 842, 56, 842)


@pytest.mark.parametrize(
    ("link", "estimates"),
    # glm of R 4.2.2 with psyphy 0.2.3's mafc links; x -2 ... 2, 11 13 15 18 20 of 20 right, guess rate 1/2. Their
    # standard errors take the expected information, so only estimates are compared; glm stops at a relative change of
    # the deviance of 1e-8, which leaves the fifth digit open.
    [("logit", (0.194830, 1.488338)), ("probit", (0.124782, 0.878771))],
)
def test_without_spread_it_is_the_generalised_linear_model(link, estimates):
    rows = pd.DataFrame(
        {"x": np.repeat([-2, -1, 0, 1, 2], 2), "right": [5, 6, 7, 6, 7, 8, 9, 9, 10, 10], "half": ["a", "b"] * 5}
    )
    result = fit_binary_mixed("right ~ x", rows.assign(n=10), random={"half": "1"}, trials="n", guess=0.5, link=link)
    assert result.singular == ("half",)
    assert result.variance_components["variance"].tolist() == [0.0]
    assert result.coefficients["estimate"].tolist() == pytest.approx(estimates, abs=2e-5)
    assert "At exactly 0: half" in result.sentence


def test_without_spread_and_guess_rate_it_is_statsmodels(references):
    """statsmodels' GLM (canonical link, where observed and expected information agree), and its Wald intervals."""
    import statsmodels.api as sm

    table = pd.read_csv(references / "data" / "abx_small.csv").assign(half=lambda t: (t["trial"] % 2).astype(str))
    result = fit_binary_mixed("correct ~ pair", table, random={"half": "1"})
    assert result.singular == ("half",)
    x = np.column_stack([np.ones(len(table)), table["pair"] == "pair2"])
    glm = sm.GLM(table["correct"], x, family=sm.families.Binomial()).fit(tol=1e-12)
    assert result.log_likelihood == pytest.approx(glm.llf, abs=1e-9)
    assert result.coefficients["estimate"].tolist() == pytest.approx(list(glm.params), abs=1e-7)
    assert result.coefficients["std_error"].tolist() == pytest.approx(list(glm.bse), rel=1e-5)
    assert result.coefficients[["ci_low", "ci_high"]].to_numpy() == pytest.approx(glm.conf_int().to_numpy(), rel=1e-5)
