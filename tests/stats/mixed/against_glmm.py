"""Hold our binary fits against others', number by number, and print how far they are apart.

    python tests/stats/mixed/against_glmm.py

References (tests/references/stats, the calls stand in each file): lme4 1.1.31 glmer on R 4.2.2, optimised far beyond
its defaults, with links of psyphy 0.2.3 for the guess rate; glmmTMB 1.1.5 for cbpp; a separate quadrature of 3001
nodes, its Laplace approximations by both kinds of information and its profile intervals. lme4's Laplace expands with
the *expected* information where the link is not canonical: those files test our `information="expected"`. The
textbook's observed Hessian stands in the quadrature files, and its standard errors and the model with two variances in
OBSERVED below, from a separate dense program (November 2026).

Tolerances are those of the references: estimates 2e-3 of a standard error, or 1e-4 of themselves; standard errors,
variances and standard deviations 1e-3; log-likelihood 1e-4 (quadrature 1e-6); 25 nodes against the exact maximum
1e-6, 9 against 25 nodes 1e-5; profile limits 1e-4 of the interval's width (of lme4's Laplace, interpolated by
splines: 1e-3).
"""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from blindtest.stats import BinaryMixedResult, fit_binary_mixed

REFERENCES = Path(__file__).parents[2] / "references" / "stats"
LISTENER = {"listener": "1"}
BOTH = {"listener": "1", "listener:pair": "1"}
MODELS: dict[str, dict[str, Any]] = {
    "glmm_cbpp_logit": {"formula": "incidence ~ period", "random": {"herd": "1"}, "trials": "size"},
    "abx_small_logit": {"formula": "correct ~ pair", "random": LISTENER},
    "abx_small_mafc2logit": {"formula": "correct ~ 0 + pair", "random": LISTENER, "guess": 0.5},
    "abx_small_mafc2probit": {"formula": "correct ~ 0 + pair", "random": LISTENER, "guess": 0.5, "link": "probit"},
    "abx_small_mafc2probit_lp": {"formula": "correct ~ 0 + pair", "random": BOTH, "guess": 0.5, "link": "probit"},
}
FILES: dict[str, tuple[str, dict[str, Any]]] = {
    "glmm_cbpp_logit_laplace": ("glmm_cbpp_logit", {}),
    "glmm_cbpp_logit_nagq9": ("glmm_cbpp_logit", {"quadrature": 9}),
    "abx_small_logit_laplace": ("abx_small_logit", {}),
    "abx_small_logit_nagq25": ("abx_small_logit", {"quadrature": 25}),
    "abx_small_mafc2logit_laplace": ("abx_small_mafc2logit", {"information": "expected"}),
    "abx_small_mafc2logit_nagq25": ("abx_small_mafc2logit", {"quadrature": 25}),
    "abx_small_mafc2probit_laplace": ("abx_small_mafc2probit", {"information": "expected"}),
    "abx_small_mafc2probit_nagq25": ("abx_small_mafc2probit", {"quadrature": 25}),
    "abx_small_mafc2probit_lp_laplace": ("abx_small_mafc2probit_lp", {"information": "expected"}),
}
QUADRATURE = {
    "glmm_cbpp_quadrature": {"logit": "glmm_cbpp_logit"},
    "abx_small_quadrature": {
        "logit": "abx_small_logit",
        "mafc2logit": "abx_small_mafc2logit",
        "mafc2probit": "abx_small_mafc2probit",
    },
}
OBSERVED: dict[str, tuple[tuple[float, float], tuple[float, float], dict[str, float], float]] = {
    "abx_small_mafc2logit": ((0.3182356, 1.6769755), (0.499322, 0.553721), {"listener": 0.997998}, -82.885575),
    "abx_small_mafc2probit": ((0.1927809, 0.9756786), (0.294337, 0.307627), {"listener": 0.334126}, -82.932699),
    "abx_small_mafc2probit_lp": (
        (0.2133098, 1.0523134),
        (0.332746, 0.365849),
        {"listener": 0.242953, "listener:pair": 0.276579},
        -82.574909,
    ),
}
"""Laplace with the observed Hessian: estimates, standard errors, variances, log-likelihood."""


@dataclass(frozen=True, kw_only=True)
class Number:
    """One number of a reference, and how far ours is from it in units of the tolerance."""

    file: str
    kind: str
    name: str
    ours: float
    reference: float
    unit: float
    """What a difference is divided by: the number itself, a standard error, a width, or 1."""
    tolerance: float

    @property
    def difference(self) -> float:
        return abs(self.ours - self.reference) / self.unit

    @property
    def within(self) -> bool:
        return self.difference <= self.tolerance


@cache
def fitted(model: str, **options: Any) -> BinaryMixedResult:
    """Return our fit."""
    name, text = ("cbpp", ("herd", "period")) if "cbpp" in model else ("abx_small", ())
    table = pd.read_csv(REFERENCES / "data" / f"{name}.csv", dtype=dict.fromkeys(text, str))
    arguments = dict(MODELS[model])
    return fit_binary_mixed(arguments.pop("formula"), table, **arguments, **options)


def numbers_of(file: str) -> Iterator[Number]:
    """Return every number of one of lme4's files that a fit has, ours beside it."""
    model, options = FILES[file]
    content = json.loads((REFERENCES / f"{file}.json").read_text(encoding="utf-8"))
    theirs, ours = content["expected"], fitted(model, **options)
    nodes = options.get("quadrature", 1)

    def number(kind: str, name: str, our: float, their: float, unit: float, tolerance: float) -> Number:
        return Number(file=file, kind=kind, name=name, ours=our, reference=their, unit=unit or 1.0, tolerance=tolerance)

    table = ours.coefficients
    order = list(theirs["fixef"])
    for place, name in enumerate(order):
        row, se = table.iloc[place], theirs["se"][name]
        yield number("estimate", name, row["estimate"], theirs["fixef"][name], se, 2e-3)
        yield number("standard error", name, row["std_error"], se, se, 1e-3)
        yield number("statistic", name, row["statistic"], theirs["stat"][name], max(abs(theirs["stat"][name]), 1), 3e-3)
        yield number("p", name, row["p_value"], theirs["p_wald_z"][name], theirs["p_wald_z"][name], 2e-2)
        low, high = theirs["wald_ci95"]["values"][place]
        yield number("Wald limit", name, row["ci_low"], low, high - low, 1e-3)
        yield number("Wald limit", name, row["ci_high"], high, high - low, 1e-3)
        for other, value in enumerate(theirs["vcov"]["values"][place]):
            unit = se * theirs["se"][order[other]]
            yield number("covariance", f"{name}, {order[other]}", ours.covariance.iloc[place, other], value, unit, 2e-3)
    variances = theirs["varcomp"]
    groups, values = (np.atleast_1d(variances[key]) for key in ("group", "variance_or_cov"))
    mine = ours.variance_components.set_index("group")["variance"]
    for group, value, theta in zip(groups, values, theirs["theta"].values(), strict=True):
        yield number("variance", group, mine[group], float(value), float(value), 1e-3)
        yield number("standard deviation", group, float(np.sqrt(mine[group])), theta, theta, 1e-3)
    if not (nodes > 1 and "cbpp" in file):  # lme4's value for counts by quadrature is relative to the saturated model
        yield number("log-likelihood", "", ours.log_likelihood, theirs["logLik"], 1, 1e-4)
        yield number("AIC", "", ours.aic, theirs["AIC"], 1, 2e-4)
        yield number("BIC", "", ours.bic, theirs["BIC"], 1, 2e-4)
    for group, effects in theirs["ranef"].items():
        sd = float(np.sqrt(mine[group]))
        modes = ours.random_effects[group]["Intercept"]
        for level, value in zip(effects["level"], effects["modes"]["(Intercept)"], strict=True):
            yield number("mode", f"{group} {level}", modes[level], value, sd, 1e-3)
        if nodes > 1 and ours.guess:
            continue  # lme4 takes the expected information here too, ours is the observed one
        conditional = ours.conditional_variances[group]["Intercept"]
        for level, value in zip(effects["level"], effects["cond_var"][0], strict=True):
            yield number("conditional variance", f"{group} {level}", conditional[level], value, value, 1e-3)
    if "profile_ci95" in theirs:
        profile = ours.profile()
        rows = [*profile.index[-1:], *profile.index[:-1]]
        for name, (low, high) in zip(rows, theirs["profile_ci95"]["values"], strict=True):
            yield number("profile limit", name, profile.loc[name, "ci_low"], low, high - low, 1e-3)
            yield number("profile limit", name, profile.loc[name, "ci_high"], high, high - low, 1e-3)
    for peer in content.get("agreement", {}).values():
        if isinstance(peer, dict) and "fixef" in peer:
            for place, name in enumerate(peer["fixef"]):
                row, se = table.iloc[place], peer["se"][name]
                yield number("glmmTMB estimate", name, row["estimate"], peer["fixef"][name], se, 2e-3)
                yield number("glmmTMB standard error", name, row["std_error"], se, se, 1e-3)
            for group, sd in peer["sd"].items():
                value = sd["(Intercept)"]
                yield number("glmmTMB SD", group, float(np.sqrt(mine[group])), value, value, 1e-3)
            yield number("glmmTMB log-likelihood", "", ours.log_likelihood, -peer["minus2logLik"] / 2, 1, 1e-4)


def quadrature_numbers(file: str) -> Iterator[Number]:
    """Return every number of a quadrature file: exact maximum, profiles, and both Laplace approximations."""
    expected = json.loads((REFERENCES / f"{file}.json").read_text(encoding="utf-8"))["expected"]
    for key, model in QUADRATURE[file].items():
        content = expected[key]

        def number(
            kind: str,
            name: str,
            our: float,
            their: float,
            unit: float,
            tolerance: float,
            key: str = key,
        ) -> Number:
            return Number(
                file=f"{file} {key}",
                kind=kind,
                name=name,
                ours=our,
                reference=their,
                unit=unit,
                tolerance=tolerance,
            )

        for kind, options in (
            ("exact_ml", {"quadrature": 25}),
            ("laplace_expected_information", {"information": "expected"}),
            ("laplace_observed_hessian", {}),
        ):
            theirs, ours = content[kind], fitted(model, **options)
            sd = ours.variance_components["variance"].iloc[0] ** 0.5
            exact = kind == "exact_ml"
            for place, (name, value) in enumerate(zip(content["terms"], theirs["fixef"], strict=True)):
                se = content["exact_ml"]["se_fixef"][place]
                our = ours.coefficients["estimate"].iloc[place]
                yield number(f"{kind} estimate", name, our, value, se, 1e-5 if exact else 2e-3)
                if exact:
                    yield number(
                        "exact_ml standard error", name, ours.coefficients["std_error"].iloc[place], se, se, 1e-3
                    )
            yield number(f"{kind} SD", "", sd, theirs["sigma_group"], theirs["sigma_group"], 1e-5 if exact else 1e-3)
            yield number(f"{kind} log-likelihood", "", ours.log_likelihood, -theirs["minus2logLik"] / 2, 1, 1e-6)
            if exact:
                # The standard error of a variance is 2 sd times that of the standard deviation.
                error = ours.variance_components["std_error"].iloc[0] / (2 * sd)
                yield number("exact_ml standard error", "sd", error, theirs["se_sigma"], theirs["se_sigma"], 1e-3)
                profile = ours.profile()
                for name, (low, high) in zip(profile.index, theirs["profile_ci95"].values(), strict=True):
                    width = high - low
                    yield number("exact_ml profile limit", name, profile.loc[name, "ci_low"], low, width, 1e-4)
                    yield number("exact_ml profile limit", name, profile.loc[name, "ci_high"], high, width, 1e-4)


def observed_numbers(model: str) -> Iterator[Number]:
    """Return the numbers of the table of observed-Hessian Laplace fits."""
    estimates, errors, variances, log_likelihood = OBSERVED[model]
    ours = fitted(model)
    mine = ours.variance_components.set_index("group")["variance"]

    def number(kind: str, name: str, our: float, their: float, unit: float, tolerance: float) -> Number:
        return Number(
            file=f"observed Hessian {model}",
            kind=kind,
            name=name,
            ours=our,
            reference=their,
            unit=unit,
            tolerance=tolerance,
        )

    for place, (estimate, error) in enumerate(zip(estimates, errors, strict=True)):
        name, row = ours.coefficients.index[place], ours.coefficients.iloc[place]
        yield number("observed estimate", name, row["estimate"], estimate, error, 2e-3)
        yield number("observed standard error", name, row["std_error"], error, error, 1e-3)
    for group, value in variances.items():
        yield number("observed variance", group, mine[group], value, value, 1e-3)
    yield number("observed log-likelihood", "", ours.log_likelihood, log_likelihood, 1, 1e-4)


def everything() -> list[Number]:
    """Return all numbers of all references."""
    return [
        *(number for file in FILES for number in numbers_of(file)),
        *(number for file in QUADRATURE for number in quadrature_numbers(file)),
        *(number for model in OBSERVED for number in observed_numbers(model)),
    ]


def main() -> None:
    """Print, by kind, how many numbers there are and the worst difference beside its tolerance."""
    numbers = everything()
    print(f"{'kind':<40}{'numbers':>8}{'worst':>12}{'tolerance':>12}  where")
    for kind in dict.fromkeys(number.kind for number in numbers):
        own = [number for number in numbers if number.kind == kind]
        worst = max(own, key=lambda number: number.difference / number.tolerance)
        where = f"{worst.file} {worst.name}"
        print(f"{kind:<40}{len(own):>8}{worst.difference:>12.2e}{worst.tolerance:>12.0e}  {where}")
    outside = [number for number in numbers if not number.within]
    print(f"\n{len(numbers)} numbers, {len(outside)} outside their tolerance")
    for number in outside:
        print(number)


if __name__ == "__main__":
    main()
