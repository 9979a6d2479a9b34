"""What else should be looked at beside a result, as far as the data allow: each look in one sentence and a few words.

Nothing here decides anything. A look is *notable* where it found what would make a reader think twice; the others are
named in passing, so that their absence is no secret and nobody has to read them.
"""

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import exp, log, sqrt
from typing import TYPE_CHECKING, Any

from blindtest.errors import BlindtestError
from blindtest.stats.bayes import bayesian_discrimination, bayesian_preference
from blindtest.stats.beta_binomial import fit_beta_binomial
from blindtest.stats.bias import response_bias
from blindtest.stats.binomial import lower_tail
from blindtest.stats.circular_triads import circular_triads
from blindtest.stats.confidence import confidence_look
from blindtest.stats.discrimination import DiscriminationResult
from blindtest.stats.heterogeneity import fit_heterogeneous_preferences
from blindtest.stats.listeners import ListenerResults, counted_trials, listener_results
from blindtest.stats.mixed.binary import fit_binary_mixed
from blindtest.stats.mixed.linear import LinearMixedResult, fit_linear_mixed
from blindtest.stats.ranks import rank_companions
from blindtest.stats.rating_model import rating_model
from blindtest.stats.same_different import same_different_test
from blindtest.stats.sensitivity import decision_rule
from blindtest.stats.trends import trial_trend

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["Companion", "attribute_companions", "choice_companions", "p_short", "preference_companions"]

LEAST_LISTENERS = 3
"""Listeners below which nothing is said of how they differ."""
MOST_LEFT_OUT = 200
"""Listeners up to which each is left out once."""
LEAST_TRENDING = 8
"""Trials below which a trend is not looked for."""
MOST_TRENDING = 2000
"""Trials above which the exact test of a trend takes too long to stand beside a result unasked."""
MODELLED = (5, 500)
"""Listeners between which a model of them stands beside a result; clips from the first number on."""
TELLING = 3.0
"""A Bayes factor below this, either way, says next to nothing."""
MOST_SAID = 1000
"""Larger ones are said to be larger: their digits mean nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Companion:
    """One look beside a result."""

    name: str
    sentence: str
    """What was found, in plain words."""
    short: str
    """The same in a few words."""
    notable: bool
    """Whether it should make a reader think twice."""
    result: Any
    """The result itself."""
    asked: bool = False
    """Whether the plan asked for it, so that it is said in full also where nothing of it is notable."""

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {
            "name": self.name,
            "sentence": self.sentence,
            "notable": self.notable,
            "result": self.result.to_dict(),
        }


Look = Callable[[], Companion | None]


def _seen(looks: Sequence[Look]) -> tuple[Companion, ...]:
    """Return what the looks found; one that the data don't allow is left out."""
    found = []
    for look in looks:
        try:
            companion = look()
        except BlindtestError:
            # A table too small or one-sided for this look; the result beside which it stands says so itself.
            continue
        if companion is not None:
            found.append(companion)
    return tuple(found)


def choice_companions(
    table: "DataFrame", *, method: str, alpha: float = 0.05, margin: float | None = None
) -> tuple[Companion, ...]:
    """Return what stands beside right and wrong answers: trend, bias, differing listeners, Bayesian companion.

    With enough listeners also what each of them hears by a model in which they, and clips, differ.

    Parameters
    ----------
    table : trial table; see `counted_trials`
    method : the decision rule
    margin : share of trials heard that matters, for the Bayesian companion
    """
    found = listener_results(table, method=method)
    return _seen(
        (
            lambda: _fewer(found.pooled, alpha),
            lambda: _panel(found, alpha),
            lambda: _sensitivities(table, method, alpha),
            lambda: _trend(table, method, found.pooled.trials, alpha),
            lambda: _called(table, found.pooled, alpha) if method == "same-different" else _bias(table, method, alpha),
            lambda: _bayes(found.pooled, margin),
            lambda: _sure(table, method, alpha),
        )
    )


def _sure(table: "DataFrame", method: str, alpha: float) -> Companion | None:
    if "confidence" not in table or table["confidence"].isna().all():
        return None
    rows = counted_trials(table)
    rows = rows[rows["confidence"].notna()]
    result = confidence_look(
        rows["correct"].to_numpy(dtype=bool),
        rows["confidence"].to_numpy(dtype=float),
        listener=list(rows["listener"]) if "listener" in rows else None,
        guess=float(decision_rule(method).guess),
        level=1 - alpha,
    )
    return Companion(
        name="how sure",
        sentence=result.sentence,
        short=f"how sure (area under the type-2 curve {result.area:.2f})",
        notable=result.area_interval[1] < 0.5,
        result=result,
        asked=True,
    )


def attribute_companions(table: "DataFrame", *, method: str, alpha: float = 0.05) -> tuple[Companion, ...]:
    """Return what stands beside choices of the one with more of an attribute: trend, and places that were favoured.

    What is heard beyond guessing, and models of it, look at one side of guessing only: here there are two.
    """
    found = listener_results(table, method=method)
    return _seen(
        (
            lambda: _trend(table, method, found.pooled.trials, alpha),
            lambda: _bias(table, method, alpha),
        )
    )


def _fewer(pooled: DiscriminationResult, alpha: float) -> Companion | None:
    """Return that fewer are right than by guessing, which no deafness explains; None where there is no sign of it."""
    p = lower_tail(pooled.correct, pooled.trials, decision_rule(pooled.method).guess)
    if p > alpha:
        return None
    return Companion(
        name="fewer right than by guessing",
        sentence=(
            f"{pooled.correct} of {pooled.trials} right are fewer than by guessing: so few or fewer come by guessing "
            f"with {p_short(p)}. Who hears nothing guesses, and is right as often as a guesser; whoever is wrong this "
            "often may hear the difference and answer the other way round. Look whether answers, keys or columns are "
            "exchanged before believing that little is heard."
        ),
        short=f"fewer right than by guessing ({p_short(p)})",
        notable=True,
        result=pooled,
    )


def _panel(found: ListenerResults, alpha: float) -> Companion | None:
    counts = [(one.correct, one.trials) for one in found.results if one.trials > 1]
    if len(counts) < 3:
        return None
    result = fit_beta_binomial(
        [correct for correct, _ in counts],
        [trials for _, trials in counts],
        guess=float(decision_rule(found.method).guess),
        level=1 - alpha,
    )
    return Companion(
        name="listeners differ",
        sentence=result.sentence,
        short=f"listeners differing in what they hear (overdispersion {result.gamma:.2f}, {p_short(result.p_value)})",
        notable=result.p_value <= alpha,
        result=result,
    )


def _sensitivities(table: "DataFrame", method: str, alpha: float) -> Companion | None:
    """Return each listener's d', drawn towards the panel's as far as their few answers say little."""
    counted = counted_trials(table)
    if "listener" not in counted or not MODELLED[0] <= counted["listener"].nunique() <= MODELLED[1]:
        return None
    rows = counted.assign(correct=counted["correct"].astype(int))
    random = {"listener": "1"}
    if "clip" in rows and rows["clip"].notna().all() and MODELLED[0] <= rows["clip"].nunique() < len(rows):
        random["clip"] = "1"
    result = fit_binary_mixed(
        "correct ~ 1", rows, random=random, link="probit", guess=float(decision_rule(method).guess), level=1 - alpha
    )
    if not result.convergence.converged:
        return None
    single = result.sensitivity(method=method, group="listener")
    low, high = float(single["d_prime"].min()), float(single["d_prime"].max())
    components = result.variance_components
    spread = ", ".join(
        f"{group} {sqrt(float(variance)):.2f}"
        for group, variance in zip(components["group"], components["variance"], strict=True)
        if group in random
    )
    clips = " and clips" if "clip" in random else ""
    return Companion(
        name="d' of listeners",
        sentence=(
            f"A model in which listeners{clips} differ (probit above guessing, Laplace's approximation; standard "
            f"deviations {spread}) has single listeners between d' {low:.2f} and {high:.2f}, each drawn towards the "
            "panel's as far as their own answers say little."
        ),
        short=f"single listeners' d' {low:.2f} to {high:.2f} by a model in which they differ",
        notable=False,
        result=result,
    )


def _trend(table: "DataFrame", method: str, trials: int, alpha: float) -> Companion | None:
    if not LEAST_TRENDING <= trials <= MOST_TRENDING:
        return None
    result = trial_trend(table, method=method, level=1 - alpha)
    return Companion(
        name="trend",
        sentence=result.sentence,
        short=f"learning or fatigue over the trials ({p_short(result.p_value)})",
        notable=result.p_value <= alpha,
        result=result,
    )


def _called(table: "DataFrame", pooled: DiscriminationResult, alpha: float) -> Companion | None:
    """Return what pairs were called: sensitivity apart from the readiness to say "different"."""
    rows = counted_trials(table)
    if "response" not in rows:
        return None
    # Whether the pair was the same follows from what it was called, and whether that was right.
    counts = Counter(zip(rows["response"].astype(str), rows["correct"].astype(bool), strict=True))
    same = counts["same", True] + counts["different", False]
    if not 0 < same < len(rows):
        return None
    result = same_different_test(
        counts["same", True],
        counts["different", False],
        counts["same", False],
        counts["different", True],
        level=1 - alpha,
    )
    split = (result.p_value <= alpha) != (pooled.p_value <= alpha)
    sentence = result.sentence
    if split:
        sentence += (
            " This looks at the readiness to say different too, and comes out otherwise than the number right: read "
            "both."
        )
    return Companion(
        name="same and different",
        sentence=sentence,
        short=f"pairs by what they were called (d' {result.d_prime:.2f}, {p_short(result.p_value)})",
        notable=split,
        result=result,
    )


def _bias(table: "DataFrame", method: str, alpha: float) -> Companion | None:
    if "response" not in table or table["response"].isna().all():
        return None
    result = response_bias(table, method=method, level=1 - alpha)
    return Companion(
        name="bias",
        sentence=result.sentence,
        short=f"one answer favoured ({p_short(result.p_value)})",
        notable=result.p_value <= alpha,
        result=result,
    )


def _bayes(pooled: DiscriminationResult, margin: float | None) -> Companion:
    result = bayesian_discrimination(pooled.correct, pooled.trials, method=pooled.method, margin=margin)
    return _weighed(result)


def _weighed(result: Any) -> Companion:
    factor = abs(result.log_bayes_factor)
    side = "a difference" if result.log_bayes_factor >= 0 else "none"
    said = f"{exp(factor):.3g}" if factor < log(MOST_SAID) else f"over {MOST_SAID}"
    return Companion(
        name="Bayesian",
        sentence=f"With a {result.prior} prior: {result.sentence}",
        short=f"Bayes factor {said} for {side}",
        notable=factor < log(TELLING),
        result=result,
    )


def preference_companions(
    table: "DataFrame", *, wins: int, losses: int, alpha: float = 0.05, margin: float | None = None
) -> tuple[Companion, ...]:
    """Return what stands beside preferences: circular triads, listeners that differ, the Bayesian companion.

    Parameters
    ----------
    table : comparisons, see `read_comparisons`
    wins, losses : of the claimed device against its comparator; both 0 where no pair is claimed
    margin : probability beyond 1/2 that matters
    """
    return _seen(
        (
            lambda: _circular(table, alpha),
            lambda: _differing(table, alpha),
            lambda: _weighed(bayesian_preference(wins, wins + losses, margin=margin)) if wins + losses else None,
        )
    )


def _circular(table: "DataFrame", alpha: float) -> Companion | None:
    if "listener" not in table or len({*table["first"].dropna(), *table["second"].dropna()}) < 3:
        return None
    result = circular_triads(table)
    unlike = int((result.listeners["p_value"] > alpha).sum())
    return Companion(
        name="circular triads",
        sentence=result.sentence,
        short=f"circular preferences ({len(result.listeners) - unlike} of {len(result.listeners)} listeners follow "
        "one scale)",
        notable=unlike > 0,
        result=result,
    )


def _differing(table: "DataFrame", alpha: float) -> Companion | None:
    if "listener" not in table or table["listener"].nunique() < LEAST_LISTENERS or len(table) > MOST_TRENDING:
        return None
    result = fit_heterogeneous_preferences(table, parts=["listener"], level=1 - alpha)
    p_value = float(result.parts["p_value"].iloc[0])
    return Companion(
        name="listeners differ",
        sentence=result.sentence,
        short=f"listeners differing in what they prefer ({p_short(p_value)})",
        notable=p_value <= alpha,
        result=result,
    )


def rating_companions(
    fit: LinearMixedResult, table: "DataFrame", *, factor: str = "device", alpha: float = 0.05
) -> tuple[Companion, ...]:
    """Return what stands beside a mixed model of ratings: ranks and where they disagree, residuals, single listeners.

    Parameters
    ----------
    fit : of the ratings in `table`
    factor : what is tested; a row of `table` says its level, its listener and the rating
    """
    return _seen(
        (
            lambda: _ranks(fit, table, factor, alpha),
            lambda: _residuals(fit),
            lambda: _single_listeners(fit),
        )
    )


def survival_companions(
    table: "DataFrame", *, device: str, comparator: str, alpha: float = 0.05
) -> tuple[Companion, ...]:
    """Return what stands beside a verdict: the companions of the blind ratings of both devices, by their own model.

    Parameters
    ----------
    table : labelled and blind ratings, see `survival`
    """
    rows = table[(table["mode"] == "blind") & table["device"].isin([device, comparator]) & table["rating"].notna()]
    try:
        model = rating_model(rows)
        fit = fit_linear_mixed(model.formula, rows, random=model.random, level=1 - alpha)
    except BlindtestError:
        # Too few ratings for a model: the verdict says so itself.
        return ()
    return rating_companions(fit, rows, alpha=alpha)


def _ranks(fit: LinearMixedResult, table: "DataFrame", factor: str, alpha: float) -> Companion | None:
    if "listener" not in table or table["listener"].nunique() < LEAST_LISTENERS or factor not in table:
        return None
    found = rank_companions(table, treatment=factor)
    result = found.against(fit.contrast(factor), alpha=alpha)
    sentence = result.sentence
    if not result.agree and any(group.split(":")[0] == "clip" for group in fit.groups):
        sentence += " Ranks speak of these clips only; a model that takes clips as a sample of others finds less."
    return Companion(
        name="ranks",
        sentence=sentence,
        short="ranks find the same differences",
        notable=not result.agree,
        result=result,
    )


def _residuals(fit: LinearMixedResult) -> Companion:
    result = fit.residual_checks()
    return Companion(
        name="residuals",
        sentence=result.sentence,
        short=f"skewness of the residuals {result.skewness:+.2f}",
        notable=result.skewed != "within .5",
        result=result,
    )


def _single_listeners(fit: LinearMixedResult) -> Companion | None:
    if not LEAST_LISTENERS <= fit.groups.get("listener", 0) <= MOST_LEFT_OUT:
        return None
    result = fit.influence("listener")
    most = float(result.levels["cooks_distance"].max())
    return Companion(
        name="single listeners",
        sentence=result.sentence,
        short=f"no single listener moves the result far (Cook's distance {most:.2f} at most)",
        notable=most > 1,
        result=result,
    )


def p_short(p_value: float) -> str:
    """Return a p value in few characters."""
    return "p < .001" if p_value < 0.001 else f"p = {p_value:.2g}".replace("0.", ".", 1)
