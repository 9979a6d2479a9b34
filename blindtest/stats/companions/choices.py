"""Looks beside choices: fewer right than by guessing, listeners who differ, trend, bias, Bayes, how sure they were."""

from collections import Counter
from math import sqrt
from typing import TYPE_CHECKING

from blindtest.stats.bayes import bayesian_discrimination
from blindtest.stats.beta_binomial import fit_beta_binomial
from blindtest.stats.bias import response_bias
from blindtest.stats.binomial import lower_tail
from blindtest.stats.companions.companion import MOST_TRENDING, Companion, p_short, seen, weighed
from blindtest.stats.confidence import confidence_look
from blindtest.stats.discrimination import DiscriminationResult
from blindtest.stats.listeners import ListenerResults, counted_trials, listener_results
from blindtest.stats.mixed.binary import fit_binary_mixed
from blindtest.stats.same_different import same_different_test
from blindtest.stats.sensitivity import decision_rule
from blindtest.stats.trends import trial_trend

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["attribute_companions", "choice_companions"]

LEAST_TRENDING = 8
"""Trials below which a trend is not looked for."""
MODELLED = (5, 500)
"""Listeners between which a model of them stands beside a result; clips from the first number on."""


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
    return seen(
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
    return seen(
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
    return weighed(result)
