"""Hold our fits against R's, number by number, and print how far they are apart.

    python tests/stats/mixed/against_lme4.py

Reference: lme4 1.1.31, lmerTest 3.1.3, pbkrtest 0.5.2, emmeans 1.8.4.1 (R 4.2.2), each fit optimised far beyond lme4's
defaults; the calls stand in tests/references/stats/lmm_*.json and panel_ratings_*.json. The tolerances are those of the
references' own accuracy: estimates 1e-4 of a standard error; standard errors and standard deviations 1e-4; correlations
1e-3; log likelihood 1e-4, AIC and BIC 2e-4 (absolute); degrees of freedom 1 %, Kenward-Roger's
standard error 5e-4, p 2 %.
"""

import json
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from blindtest.stats import LinearMixedResult, fit_linear_mixed

REFERENCES = Path(__file__).parents[2] / "references" / "stats"
MODELS: dict[str, tuple[str, dict[str, str]]] = {
    "lmm_sleepstudy": ("Reaction ~ Days", {"Subject": "1 + Days"}),
    "lmm_penicillin": ("diameter ~ 1", {"plate": "1", "sample": "1"}),
    "panel_ratings_small_cross": ("rating ~ device * condition", {"listener": "1", "clip": "1"}),
    "panel_ratings_small_slope": ("rating ~ device * condition", {"listener": "1 + condition", "clip": "1"}),
    "panel_ratings_unbalanced_int": (
        "rating ~ device * condition",
        {"listener": "1", "listener:device": "1", "clip": "1"},
    ),
    "panel_ratings_unbalanced_products": (
        "rating ~ device * condition",
        {"listener": "1", "clip": "1", "listener:device": "1", "listener:condition": "1", "clip:device": "1"},
    ),
}
FITS = [f"{model}_{criterion}" for model in MODELS for criterion in ("reml", "ml")]


@dataclass(frozen=True, kw_only=True)
class Number:
    """One number of the reference, and how far ours is from it in units of the tolerance."""

    kind: str
    name: str
    ours: float
    reference: float
    unit: float
    """What a difference is divided by: the number itself, a standard error, or 1."""
    tolerance: float

    @property
    def difference(self) -> float:
        return abs(self.ours - self.reference) / self.unit

    @property
    def within(self) -> bool:
        return self.difference <= self.tolerance


def our_name(term: str) -> str:
    """R's name of a coefficient as formulaic has it."""
    parts = []
    for part in term.split(":"):
        found = re.fullmatch(r"(device|condition)(\w+)", part)
        parts.append(f"{found[1]}[T.{found[2]}]" if found else part.replace("(Intercept)", "Intercept"))
    return ":".join(parts)


def listed(value: Any) -> list[Any]:
    """R writes a list of one as a bare value."""
    return value if isinstance(value, list) else [value]


def fitted(name: str, *, df: str = "satterthwaite") -> tuple[LinearMixedResult, dict[str, Any]]:
    content = json.loads((REFERENCES / f"{name}.json").read_text(encoding="utf-8"))
    table = pd.read_csv(REFERENCES / content["data"])
    for column in content["factor_levels_in_order"]:
        table[column] = table[column].astype(str)
    model, criterion = name.rsplit("_", 1)
    formula, random = MODELS[model]
    return fit_linear_mixed(formula, table, random=random, reml=criterion == "reml", df=df), content["expected"]


class Collected:
    """The numbers of one fit."""

    def __init__(self) -> None:
        self.numbers: list[Number] = []

    def add(self, kind: str, name: str, ours: float, reference: float, tolerance: float, unit: float = 1.0) -> None:
        self.numbers.append(
            Number(
                kind=kind,
                name=name,
                ours=float(ours),
                reference=float(reference),
                unit=float(unit),
                tolerance=tolerance,
            )
        )

    def relative(self, kind: str, name: str, ours: float, reference: float, tolerance: float) -> None:
        self.add(kind, name, ours, reference, tolerance, max(abs(reference), 1e-300))


def compare(name: str) -> list[Number]:
    """Every number of one reference file that our results have."""
    found = Collected()
    result, expected = fitted(name)
    for term, value in expected["fixef"].items():
        ours = result.coefficients.loc[our_name(term)]
        found.add("estimate", term, ours["estimate"], value, 1e-4, expected["se"][term])
        found.relative("std. error", term, ours["std_error"], expected["se"][term], 1e-4)
        found.add("statistic", term, ours["statistic"], expected["stat"][term], 1e-4 * max(1, abs(ours["statistic"])))
    names = [our_name(term) for term in listed(expected["vcov"]["rows"])]
    theirs = np.atleast_2d(np.asarray(expected["vcov"]["values"], dtype=float))
    for i, row in enumerate(names):
        for j, column in enumerate(names):
            ours = result.covariance.loc[row, column]
            found.add("covariance", f"{row}, {column}", ours, theirs[i, j], 2e-4, np.sqrt(theirs[i, i] * theirs[j, j]))
    _variances(found, result, expected)
    found.add("log likelihood", "", result.log_likelihood, expected["logLik"], 1e-4)
    found.add("AIC, BIC", "AIC", result.aic, expected["AIC"], 2e-4)
    found.add("AIC, BIC", "BIC", result.bic, expected["BIC"], 2e-4)
    found.add("parameters", "", result.parameters, expected["npar"], 0.0)
    found.relative("std. deviation", "sigma", result.sigma, expected["sigma"], 1e-4)
    _effects(found, result, expected)
    _tests(found, result, expected, "satterthwaite")
    if "kenward_roger" in expected:
        _tests(found, fitted(name, df="kenward-roger")[0], expected, "kenward_roger")
    return found.numbers


def _variances(found: Collected, result: LinearMixedResult, expected: dict[str, Any]) -> None:
    table = result.variance_components
    rows = expected["varcomp"]
    for group, one, other, value, sd in zip(
        *(listed(rows[key]) for key in ("group", "var1", "var2", "variance_or_cov", "sd_or_cor")), strict=True
    ):
        named = "residual" if group == "Residual" else group
        here = table[table["group"] == named]
        if one is not None:
            here = here[here["term"] == our_name(one)]
        here = here[here["other"].isna()] if other is None else here[here["other"] == our_name(other)]
        (ours,) = here["variance"]
        if other is None:
            found.relative("std. deviation", f"{group} {one}", np.sqrt(ours), sd, 1e-4)
        else:
            variances = [expected_variance(rows, group, name) for name in (one, other)]
            found.add("correlation", group, ours / np.sqrt(np.prod(variances)), sd, 1e-3)
            found.add("covariance of effects", group, ours, value, 1e-3, np.sqrt(np.prod(variances)))


def expected_variance(rows: dict[str, Any], group: str, term: str) -> float:
    for of, one, other, value in zip(rows["group"], rows["var1"], rows["var2"], rows["variance_or_cov"], strict=True):
        if of == group and one == term and other is None:
            return float(value)
    raise KeyError(term)


def _effects(found: Collected, result: LinearMixedResult, expected: dict[str, Any]) -> None:
    for group, content in expected["ranef"].items():
        modes, variances = result.random_effects[group], result.conditional_variances[group]
        assert list(modes.index) == content["level"]
        for place, (term, values) in enumerate(content["modes"].items()):
            theirs = np.asarray(content["cond_var"], dtype=float)
            spread = theirs[place] if theirs.shape[0] == len(content["modes"]) else theirs[:, place]
            for level, value, variance in zip(content["level"], values, spread, strict=True):
                name = f"{group} {level}"
                ours = modes.loc[level, our_name(term)]
                found.add("conditional mode", name, ours, value, 2e-4, np.sqrt(variance))
                found.relative("conditional variance", name, variances.loc[level, our_name(term)], variance, 3e-4)


def _tests(found: Collected, result: LinearMixedResult, expected: dict[str, Any], method: str) -> None:
    rows = expected[method]
    short = "KR" if method == "kenward_roger" else "Satterthwaite"
    for i, term in enumerate(listed(rows["term"])):
        ours = result.coefficients.loc[our_name(term)]
        found.relative(f"df, {short}", term, ours["df"], listed(rows["df"])[i], 1e-2)
        found.relative(f"p, {short}", term, ours["p_value"], listed(rows["p"])[i], 2e-2)
        if method == "kenward_roger":
            found.relative("std. error, KR", term, ours["std_error"], listed(rows["se_adjusted"])[i], 5e-4)
    joint = expected[f"anova_type3_{method}"]
    if joint:
        tests = result.tests()
        for i, term in enumerate(listed(joint["term"])):
            found.relative(f"F, {short}", term, tests.loc[term, "statistic"], listed(joint["F"])[i], 1e-3)
            found.relative(
                f"df of F, {short}", term, tests.loc[term, "denominator_df"], listed(joint["den_df"])[i], 1e-2
            )
    for name, rows in expected.get(f"emmeans_{method}", {}).items():
        _marginal(found, result, name, rows, short)


def _marginal(found: Collected, result: LinearMixedResult, name: str, rows: dict[str, Any], short: str) -> None:
    estimate = "estimate"
    sign = 1
    if name.startswith("means"):
        estimate = "emmean"
        factors = [key for key in ("device", "condition") if key in rows]
        ours = result.means(factors)
        keys = [tuple(values) for values in zip(*(rows[key] for key in factors), strict=True)]
        ours = ours.set_index(factors)
        ours.index = pd.Index([key if isinstance(key, tuple) else (key,) for key in ours.index], tupleize_cols=False)
    elif name.startswith("device_pairs"):
        by = ["condition"] if "condition" in rows else []
        ours = result.contrast("device", by=by, adjust=name.rsplit("_", 1)[1])
        keys = list(zip(rows["contrast"], *(rows[key] for key in by), strict=True))
        ours.index = pd.Index(list(zip(ours["contrast"], *(ours[key] for key in by), strict=True)), tupleize_cols=False)
    elif name.startswith("condition_effect") and "bonferroni" not in name:
        sign = -1
        ours = result.contrast("condition", by=["device"], adjust="holm" if "holm" in name else "none")
        keys = [(value,) for value in rows["device"]]
        ours.index = pd.Index([(value,) for value in ours["device"]], tupleize_cols=False)
    else:
        return
    ours.index = pd.Index([str(key) for key in ours.index])
    for i, key in enumerate(keys):
        row = ours.loc[str(key)]
        error = rows["SE"][i]
        found.add("emmeans: estimate", f"{name} {key}", sign * row["estimate"], rows[estimate][i], 1e-4, error)
        found.relative("emmeans: std. error", f"{name} {key}", row["std_error"], rows["SE"][i], 5e-4)
        found.relative(f"emmeans: df, {short}", f"{name} {key}", row["df"], rows["df"][i], 1e-2)
        ends = sorted((sign * row["ci_low"], sign * row["ci_high"]))
        for mine, theirs in zip(ends, (rows["lower.CL"][i], rows["upper.CL"][i]), strict=True):
            found.add("emmeans: interval", f"{name} {key}", mine, theirs, 1e-2, error)
        if "p_value" in row:
            found.relative("emmeans: p", f"{name} {key}", row["p_value"], rows["p.value"][i], 2e-2)


def table_of(numbers: list[Number]) -> pd.DataFrame:
    """How many numbers of each kind, and the worst difference in the kind's unit."""
    rows = [
        {
            "kind": number.kind,
            "difference": number.difference,
            "share": number.difference / max(number.tolerance, 1e-300) if number.difference else 0.0,
        }
        for number in numbers
    ]
    frame = pd.DataFrame(rows)
    grouped = frame.groupby("kind", sort=False)
    return pd.DataFrame(
        {
            "numbers": grouped.size(),
            "worst difference": grouped["difference"].max(),
            "of the tolerance": grouped["share"].max(),
        }
    )


if __name__ == "__main__":
    everything = [number for name in FITS for number in compare(name)]
    table = table_of(everything)
    print(table.to_string(formatters={"worst difference": "{:.1e}".format, "of the tolerance": "{:.1%}".format}))
    print(
        f"{len(everything)} numbers of {len(FITS)} fits, {sum(not n.within for n in everything)} beyond the tolerance"
    )
    for number in everything:
        if not number.within:
            print(number)
