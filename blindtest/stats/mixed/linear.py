"""Linear mixed models of ratings: devices and modes against listeners and clips that differ.

    fit_linear_mixed("rating ~ device * mode", table, random={"listener": "1", "clip": "1", "listener:device": "1"})

Listeners and clips are both random, or the result holds for these clips only (Clark 1973; Judd, Westfall & Kenny
2012). A variance of exactly zero is a result: the group varies no more than the residual explains, and degrees of
freedom are those of the model without it.

Sources: Patterson & Thompson 1971 (Biometrika 58, 545) for REML; Bates, Maechler, Bolker & Walker 2015 (J. Stat. Softw.
67(1)) for the criterion and its parameters; Satterthwaite 1946; Kenward & Roger 1997.
"""

import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import isfinite, log, sqrt
from typing import TYPE_CHECKING, Any, Literal, get_args

import numpy as np
from numpy.typing import NDArray

from blindtest.errors import BlindtestError, Fault, did_you_mean
from blindtest.stats.mixed.contrasts import contrast_table
from blindtest.stats.mixed.degrees_of_freedom import DegreesOfFreedom, JointTest, joint_test, satterthwaite
from blindtest.stats.mixed.icc import IntraclassShares, intraclass_shares
from blindtest.stats.mixed.influence import InfluenceResult, influence_of
from blindtest.stats.mixed.kenward_roger import MOST_PARAMETERS, KenwardRoger
from blindtest.stats.mixed.linear_fit import AnyLinearFit, LinearFit, PreparedLinear, prepared_for, prepared_linear
from blindtest.stats.mixed.linear_profile import profile_table
from blindtest.stats.mixed.marginal_means import coefficient_table, marginal_means, reference_grid
from blindtest.stats.mixed.model_matrix import model_matrix
from blindtest.stats.mixed.random_effects import RandomEffects
from blindtest.stats.mixed.random_part import RandomSpec
from blindtest.stats.mixed.residuals import ResidualChecks, residual_checks
from blindtest.stats.mixed.terms import checked_term, term_hypotheses, term_tests
from blindtest.stats.pair_model import Convergence

if TYPE_CHECKING:
    from pandas import DataFrame

    from blindtest.stats.mixed.contrasts import Adjust

__all__ = ["LinearMixedResult", "fit_linear_mixed", "linear_result", "prepare_linear_mixed"]

Floats = NDArray[np.float64]
DfMethod = Literal["satterthwaite", "kenward-roger"]
CROSSED: Mapping[str, str] = {"listener": "1", "clip": "1"}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LinearMixedResult:
    """A fitted linear mixed model, with tables for reading and methods for asking."""

    formula: str
    coefficients: "DataFrame"
    """By term: estimate, std_error, df, statistic, p_value, ci_low, ci_high. Under Kenward-Roger with its errors."""
    variance_components: "DataFrame"
    """group, term, other (None for a variance), variance (or covariance); the residual variance last."""
    log_likelihood: float
    """Under REML that of the contrasts free of fixed effects, as lme4 gives it; fixed parts can't be compared by it."""
    aic: float
    bic: float
    """Both count fixed effects, (co)variances and the residual variance, as lme4 does."""
    parameters: int
    sigma: float
    """Residual standard deviation."""
    n: int
    """Rows fitted."""
    groups: Mapping[str, int]
    """Levels of each group of the random part."""
    dropped: Mapping[str, int]
    """Column -> rows left out because its value is missing."""
    reml: bool
    df_method: DfMethod
    """That of the tables: Satterthwaite's also where Kenward-Roger was asked for and not offered (see `remarks`)."""
    singular: bool
    """Whether a variance is zero, or a correlation one."""
    convergence: Convergence
    remarks: tuple[str, ...]
    level: float
    fit: AnyLinearFit
    kenward_roger: KenwardRoger | None
    method: str = "linear mixed model"
    assumptions: tuple[str, ...] = (
        "effects of listeners, clips and their products are draws from normal distributions",
        "residuals are normal, independent and spread alike everywhere on the scale",
        "the random part holds whatever varies with what is tested",
    )
    source: str = (
        "Patterson & Thompson 1971; Bates et al. 2015; degrees of freedom: Satterthwaite 1946, Kenward & Roger 1997"
    )

    @property
    def random_effects(self) -> RandomEffects:
        """Conditional modes: group -> a row per level, a column per term."""
        return RandomEffects(fit=self.fit, variances=False)

    @property
    def conditional_variances(self) -> RandomEffects:
        """Variances of the conditional modes given variances and fixed effects: group -> a row per level."""
        return RandomEffects(fit=self.fit, variances=True)

    @property
    def covariance(self) -> "DataFrame":
        """Covariance of the fixed effects, the adjusted one under Kenward-Roger."""
        import pandas as pd

        names = list(self.fit.model.terms)
        return pd.DataFrame(self._cov, index=names, columns=names)

    @property
    def _cov(self) -> Floats:
        return self.fit.cov_beta if self.kenward_roger is None else self.kenward_roger.cov_adjusted

    @property
    def df_of(self) -> DegreesOfFreedom:
        """From contrasts of the coefficients, (m, p), to their degrees of freedom."""
        return _df_of(self.fit, self.kenward_roger)

    def means(self, factors: Sequence[str] = (), *, level: float | None = None) -> "DataFrame":
        """Return estimated marginal means: the factors, estimate, std_error, df, ci_low, ci_high.

        All other factors are averaged with equal weights, covariates held at their means.
        """
        names = [factors] if isinstance(factors, str) else list(factors)
        return marginal_means(
            self._grid, self.fit.beta, self._cov, self.df_of, names, level=self.level if level is None else level
        )

    def contrast(
        self,
        factor: str,
        *,
        by: Sequence[str] = (),
        adjust: "Adjust" = "tukey",
        level: float | None = None,
    ) -> "DataFrame":
        """Return differences between a factor's levels; see `contrast_table` for columns and adjustments."""
        return contrast_table(
            self._grid,
            self.fit.beta,
            self._cov,
            self.df_of,
            factor,
            by=by,
            adjust=adjust,
            level=self.level if level is None else level,
        )

    def tests(self) -> "DataFrame":
        """Return a joint test of each term: statistic (F), numerator_df, denominator_df, p_value."""
        return term_tests(term_hypotheses(self.fit.model.spec, self._grid), self._joint)

    def test(self, term: str) -> JointTest:
        """Return the joint test of one term."""
        weights = checked_term(term_hypotheses(self.fit.model.spec, self._grid), term)
        return self._joint(weights, term)

    def profile(self, names: Sequence[str] | None = None, *, level: float | None = None) -> "DataFrame":
        """Return profile likelihood intervals, by maximum likelihood; see `profile_table` for the parameters' names."""
        return profile_table(self._by_blocks("profile intervals"), names, level=self.level if level is None else level)

    def influence(self, group: str = "listener") -> InfluenceResult:
        """Return what each level of a group does to the fixed effects: the model fitted again without it."""
        return influence_of(self._by_blocks("influence"), group)

    def residual_checks(self) -> ResidualChecks:
        """Return skewness, spread and quantiles of the residuals."""
        return residual_checks(self._by_blocks("residual checks"))

    def intraclass_shares(self) -> IntraclassShares:
        """Return each group's share of the variance of one answer."""
        return intraclass_shares(self._by_blocks("intraclass shares"), level=self.level)

    def _by_blocks(self, what: str) -> LinearFit:
        if not isinstance(self.fit, LinearFit):
            raise BlindtestError(
                Fault(
                    problem=f"{what}: not offered where the random part was too large for blocks",
                    key="random",
                    got=", ".join(f"{group}: {count}" for group, count in self.groups.items()),
                )
            )
        return self.fit

    def _joint(self, weights: Floats, name: str) -> JointTest:
        if self.kenward_roger is not None:
            return self.kenward_roger.joint_test(weights, self.fit.beta, name=name)
        return joint_test(weights, self.fit.beta, self.fit.cov_beta, self.df_of, name=name)

    @property
    def _grid(self) -> Any:
        model = self.fit.model
        return reference_grid(model.encode, model.factors, model.covariates)

    @property
    def fitted(self) -> Floats:
        """Fitted value of each row used, random effects included, (n,)."""
        return self.fit.fitted()

    @property
    def residuals(self) -> Floats:
        """Answer less fitted value of each row used, (n,)."""
        return np.asarray(self.fit.response - self.fitted)

    @property
    def sentence(self) -> str:
        """The fit in plain words."""
        table = self.variance_components
        alone = table[table["other"].isna()]
        total = float(alone["variance"].sum())
        rows: list[Any] = list(alone.itertuples())
        shares = ", ".join(f"{_named(row.group, row.term)} {sqrt(max(row.variance, 0.0)):.3g}" for row in rows)
        state = "converged" if self.convergence.converged else "did NOT converge"
        text = (
            f"{self.n} answers, {'REML' if self.reml else 'ML'}; standard deviations: {shares} "
            f"(together {sqrt(total):.3g}). The fit {state} in {self.convergence.steps} steps."
        )
        return " ".join((text, *self.remarks))

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentence included; tables as lists of rows."""
        table = self.variance_components
        return {
            "method": self.method,
            "formula": self.formula,
            "coefficients": [{"term": str(term), **_row(row)} for term, row in self.coefficients.iterrows()],
            "variance_components": [_row(row) for _, row in table.iterrows()],
            "log_likelihood": self.log_likelihood,
            "aic": self.aic,
            "bic": self.bic,
            "parameters": self.parameters,
            "sigma": self.sigma,
            "n": self.n,
            "groups": dict(self.groups),
            "dropped": dict(self.dropped),
            "reml": self.reml,
            "df_method": self.df_method,
            "singular": self.singular,
            "convergence": self.convergence.to_dict(),
            "remarks": list(self.remarks),
            "level": self.level,
            "assumptions": list(self.assumptions),
            "source": self.source,
            "sentence": self.sentence,
        }


def fit_linear_mixed(
    formula: str,
    table: "DataFrame",
    *,
    random: RandomSpec = CROSSED,
    reml: bool = True,
    df: DfMethod = "satterthwaite",
    level: float = 0.95,
) -> LinearMixedResult:
    """Fit a linear mixed model by restricted or full maximum likelihood.

    Parameters
    ----------
    formula : response ~ fixed part, Wilkinson-Rogers notation as formulaic reads it
    table : a row per answer; text columns are factors, the first level (sorted, or a Categorical's own first) is the
        reference; rows with a missing value are left out and counted
    random : group -> formula of what varies over its levels. A group may be a product, "listener:device", and has a
    scalar
        variance with "1"; "1 + mode" gives correlated slopes; {"listener": ["1", "0 + dose"]} uncorrelated parts
    reml : False for maximum likelihood, to compare fixed parts
    df : degrees of freedom; Kenward-Roger corrects the standard errors too and asks for REML

    Raises
    ------
    BlindtestError
        What in formula, table or random part can't be fitted, all at once.
    """
    if df not in get_args(DfMethod):
        raise BlindtestError(
            Fault(
                problem="no such method for degrees of freedom",
                key="df",
                got=df,
                allowed=", ".join(get_args(DfMethod)),
                remedy=did_you_mean(str(df), get_args(DfMethod)),
            )
        )
    if df == "kenward-roger" and not reml:
        raise BlindtestError(
            Fault(problem="Kenward-Roger corrects REML fits", key="df", got=df, remedy="use reml=True or Satterthwaite")
        )
    fit = prepared_for(model_matrix(formula, table, random=random)).fit(reml=reml)
    return linear_result(fit, df=df, level=level)


def prepare_linear_mixed(formula: str, table: "DataFrame", *, random: RandomSpec = CROSSED) -> PreparedLinear:
    """Return a model ready to fit many responses to one table: `prepare_linear_mixed(...).fit(response)`.

    The table may lack the response's column.
    """
    return prepared_linear(model_matrix(formula, table, random=random, response=False))


def linear_result(fit: AnyLinearFit, *, df: DfMethod = "satterthwaite", level: float = 0.95) -> LinearMixedResult:
    """Wrap up a fit: tables, degrees of freedom, remarks."""
    model, remarks = fit.model, _remarks(fit)
    adjusted = None
    if df == "kenward-roger":
        if isinstance(fit, LinearFit) and len(fit.phi) <= MOST_PARAMETERS:
            adjusted = fit.kenward_roger()
        elif len(fit.phi) <= MOST_PARAMETERS:
            remarks = (
                *remarks,
                "Kenward-Roger is not offered for random parts this large, where it differs little: Satterthwaite's "
                "degrees of freedom are used instead.",
            )
        else:
            remarks = (
                *remarks,
                f"Kenward-Roger is offered up to {MOST_PARAMETERS} variances and covariances, this model has "
                f"{len(fit.phi)}: Satterthwaite's degrees of freedom are used instead.",
            )
    if not fit.convergence.converged:
        warnings.warn(_unconverged(fit.convergence), stacklevel=3)
    cov = fit.cov_beta if adjusted is None else adjusted.cov_adjusted
    parameters = len(fit.beta) + len(fit.phi)
    return LinearMixedResult(
        formula=model.formula,
        coefficients=coefficient_table(
            model.terms, fit.beta, cov, _df_of(fit, adjusted)(np.eye(len(fit.beta))), level=level
        ),
        variance_components=_components(fit),
        log_likelihood=fit.log_likelihood,
        aic=fit.criterion + 2 * parameters,
        bic=fit.criterion + log(model.n) * parameters,
        parameters=parameters,
        sigma=sqrt(fit.sigma2),
        n=model.n,
        groups={term.group: term.grouping.count for term in model.random},
        dropped=dict(model.dropped),
        reml=fit.reml,
        df_method="satterthwaite" if adjusted is None else df,
        singular=fit.singular,
        convergence=fit.convergence,
        remarks=remarks,
        level=level,
        fit=fit,
        kenward_roger=adjusted,
    )


def _df_of(fit: AnyLinearFit, adjusted: KenwardRoger | None) -> DegreesOfFreedom:
    if adjusted is not None:
        return adjusted.df_of
    cov, gradient, spread = fit.cov_beta, fit.cov_beta_gradient(), fit.phi_covariance()
    return lambda weights: satterthwaite(weights, cov, gradient, spread)


def _components(fit: AnyLinearFit) -> "DataFrame":
    """Of each term the variances, then the covariances."""
    import pandas as pd

    rows = [
        {"group": label.group, "term": label.term, "other": label.other, "variance": float(value)}
        for label, value in zip(fit.labels, fit.phi, strict=True)
    ]
    order = sorted(range(len(rows)), key=lambda i: (fit.labels[i].part, rows[i]["other"] is not None, i))
    columns: dict[str, Any] = {}
    for name in ("group", "term", "other", "variance"):
        values = [rows[i][name] for i in order]
        # As objects, since a column of strings alone would turn None into NaN.
        columns[name] = pd.Series(values, dtype=np.float64 if name == "variance" else object)
    return pd.DataFrame(columns)


def _remarks(fit: AnyLinearFit) -> tuple[str, ...]:
    out = []
    zero = [
        _named(label.group, label.term)
        for label, value in zip(fit.labels, fit.phi, strict=True)
        if label.other is None and value == 0
    ]
    if zero:
        out.append(
            f"No variance was found for {', '.join(zero)}: it is exactly zero at the maximum, and degrees of freedom "
            "are those of the model without it."
        )
    for term, factor in zip(fit.model.random, fit.factors, strict=True):
        spread = (factor**2).sum(axis=1) > 0
        if len(factor) > 1 and np.any(spread & (np.diagonal(factor) == 0)):
            out.append(
                f"The effects of {term.group} ({', '.join(term.columns)}) are perfectly correlated at the maximum: the "
                "table does not tell them apart."
            )
    if isinstance(fit, LinearFit) and fit.blurred:
        out.append(
            "The covariances of the random effects are too close to flat for rounding: degrees of freedom are unsafe. "
            "Centre the columns of slopes on zero."
        )
    if dropped := sum(fit.model.dropped.values()):
        names = ", ".join(fit.model.dropped)
        out.append(f"{dropped} rows with a missing value ({names}) were left out.")
    if not fit.convergence.converged:
        out.append(_unconverged(fit.convergence))
    return tuple(out)


def _unconverged(convergence: Convergence) -> str:
    return (
        f"The fit did not converge in {convergence.steps} steps (criterion: {convergence.criterion}; largest slope "
        f"{convergence.gradient:.2g} per answer): {convergence.remedy}."
    )


def _named(group: str, term: str | None) -> str:
    return group if term in (None, "Intercept") else f"{group} ({term})"


def _row(row: Any) -> dict[str, Any]:
    return {
        str(name): value if value is None or isinstance(value, str) else (float(value) if isfinite(value) else None)
        for name, value in row.items()
    }
