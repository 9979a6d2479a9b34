"""Response bias: answers that come for their own sake, whatever is heard.

A listener who answers "A" too readily is right more often when X is A. Exact test: given how many answers were right,
they fall on the trials of each truth as a fair draw would, unless one answer is favoured (Fisher 1935); listeners are
strata, so they may differ in ability. With two answers the hits H = P("A" given A) and false alarms F = P("A" given B)
also say what the listener would score without bias: Phi((z(H) - z(F))/2), from which d' follows.

The same test serves positions: of 2-AFC and duo-trio first against second, of a triangle each of its three.

Source: Macmillan & Creelman 2005, Detection Theory; Fisher 1935 (JRSS 98, 39); Freeman & Halton 1951 (Biometrika 38,
141) for more than two answers.
"""

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import product
from math import inf, isinf, nan
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.special import chdtrc, gammaln, ndtr

from blindtest.errors import BlindtestError, Fault, did_you_mean
from blindtest.nouns import number_of
from blindtest.stats.binomial import Interval, checked_probability
from blindtest.stats.exact_sums import NEARLY, score_sum
from blindtest.stats.listeners import counted_trials, one_method
from blindtest.stats.multiplicity import adjust_p_values
from blindtest.stats.plain import plain
from blindtest.stats.sensitivity import d_prime, decision_rule
from blindtest.stats.two_rates import two_rates

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["ResponseBias", "response_bias"]

WITH_RATES = ("abx", "abx-independent", "duo-trio", "2afc", "same-different-independent")
"""Methods whose unbiased score follows from hits and false alarms."""
MOST_OUTCOMES = 400_000
"""Tables up to which Freeman and Halton's test is found exactly; beyond it Pearson's chi-square stands in."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ResponseBias:
    """Whether one of the answers was favoured, and what that hid; of one listener, or of all with `by_listener`."""

    listener: str
    """"(all)" for all listeners together."""
    method: str
    answers: tuple[str, ...]
    """Sorted; the order of the next three."""
    given: tuple[int, ...]
    """How often each was answered."""
    trials: tuple[int, ...]
    """How often each was the right answer."""
    right: tuple[int, ...]
    """How often it was answered where it was right."""
    p_value: float
    """Exact, two-sided, of no answer being favoured; listeners as strata where there are two answers."""
    adjusted_p_value: float
    """Holm, over listeners; for all together the same as `p_value`."""
    hits: float
    """P(first of `answers` given that it is right); NaN with more than two answers."""
    false_alarms: float
    """P(first of `answers` given that the other is right)."""
    criterion: float
    """-(z(H) + z(F))/2: below 0 where the first of `answers` is favoured."""
    proportion: float
    """Right answers, as they were."""
    unbiased_proportion: float
    """Phi((z(H) - z(F))/2); NaN where rates don't give it."""
    d_prime: float
    """From `proportion`."""
    unbiased_d_prime: float
    """From `unbiased_proportion`."""
    unbiased_d_prime_interval: Interval
    """Profile likelihood over the criterion."""
    level: float
    exact: bool
    by_listener: tuple["ResponseBias", ...] = ()
    test: str = "Fisher's exact test (two-sided: as improbable or more), listeners as strata"
    source: str = "Fisher 1935; Freeman & Halton 1951; Macmillan & Creelman 2005 for unbiased scores"
    assumptions: tuple[str, ...] = (
        "the right answer of each trial was drawn independently of everything before it",
        "within a listener trials are equally hard and independent",
    )

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        counts = ", ".join(
            f'"{answer}" was answered {number_of(given, "time")} and right in {number_of(trials, "trial")}'
            for answer, given, trials in zip(self.answers, self.given, self.trials, strict=True)
        )
        text = (
            f"{self.listener}: {counts}. Without bias so uneven a pattern has probability {self.p_value:.3g} (exact)."
        )
        if self.unbiased_proportion == self.unbiased_proportion:
            low, high = self.unbiased_d_prime_interval
            text += (
                f" {100 * self.proportion:.1f} % right; without bias {100 * self.unbiased_proportion:.1f} %, "
                f"d' {self.unbiased_d_prime:.2f} ({100 * self.level:g} % interval {low:.2f} to {high:.2f}) in place of "
                f"{self.d_prime:.2f}."
            )
        return text

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentence included; infinite and undefined numbers become None."""
        return plain(self, "sentence")


def response_bias(table: "DataFrame", *, method: str | None = None, level: float = 0.95) -> ResponseBias:
    """Return whether the listeners of a trial table favoured one of the answers or positions.

    At 95 % and 16 to 40 trials the interval of the unbiased d' covers .94 on average and .91 in the worst case looked
    at, with 12 trials .85 (exact: tests/references/stats/choices_error_rates.csv).

    Parameters
    ----------
    table : a row per trial: response, correct, and `truth` (the right answer) unless there are two answers only; with
        `listener` each is looked at too. See `counted_trials` for the rows that count
    method : the decision rule; default: what the table says

    Raises
    ------
    BlindtestError
        A missing column, no answered trial, answers that contradict `correct`, or one answer only throughout.
    """
    checked_probability("level", level)
    missing = [name for name in ("response", "correct") if name not in table]
    if missing:
        raise BlindtestError(
            *(
                Fault(
                    problem=f"the table has no column {name!r}",
                    got=", ".join(map(str, table.columns)),
                    remedy=did_you_mean(name, map(str, table.columns)) or "name the column that holds it",
                )
                for name in missing
            )
        )
    counted = counted_trials(table)
    counted = counted[counted["response"].notna()]
    if counted.empty:
        raise BlindtestError(Fault(problem="no trial of this table has an answer", key="response", got="none"))
    method = one_method(counted, method)
    responses = [_word(value) for value in counted["response"]]
    correct = [bool(value) for value in counted["correct"]]
    truths = _truths(counted, responses, correct, two_answers=decision_rule(method).guess == Fraction(1, 2))
    answers = tuple(sorted(set(responses) | set(truths)))
    if len(answers) < 2:
        raise BlindtestError(
            Fault(
                problem="only one answer occurs, so nothing can be said about favouring it",
                key="response",
                got=answers[0],
                allowed="two or more answers, right or given",
            )
        )
    names = [str(name) for name in counted["listener"]] if "listener" in counted else ["(not named)"] * len(correct)
    of: dict[str, list[Row]] = {}
    for row in zip(names, responses, truths, correct, strict=True):
        of.setdefault(row[0], []).append(row)
    listeners = sorted(of)
    strata = [of[name] for name in listeners]
    single = [_bias(name, [own], answers, method, level) for name, own in zip(listeners, strata, strict=True)]
    adjusted = adjust_p_values([result.p_value for result in single])
    by_listener = tuple(replace(result, adjusted_p_value=float(p)) for result, p in zip(single, adjusted, strict=True))
    if len(listeners) == 1:
        return by_listener[0]
    return _bias("(all)", strata, answers, method, level, by_listener=by_listener)


Row = tuple[str, str, str, bool]
"""listener, response, truth, correct"""


def _word(value: Hashable) -> str:
    return str(value)


def _truths(counted: "DataFrame", responses: Sequence[str], correct: Sequence[bool], *, two_answers: bool) -> list[str]:
    if "truth" in counted and counted["truth"].notna().all():
        truths = [_word(value) for value in counted["truth"]]
        wrong = [
            i for i, row in enumerate(zip(responses, truths, correct, strict=True)) if (row[0] == row[1]) != row[2]
        ]
        if wrong:
            raise BlindtestError(
                *(
                    Fault(
                        problem=f"row {counted.index[i]}: response and right answer contradict `correct`",
                        key="correct",
                        got=f"{responses[i]} given, {truths[i]} right, correct {correct[i]}",
                    )
                    for i in wrong[:20]
                )
            )
        return truths
    answers = sorted(set(responses))
    if len(answers) == 1 and two_answers:
        answers.append({"A": "B", "B": "A"}.get(answers[0], f"not {answers[0]}"))
    if len(answers) > 2 or (len(answers) < 2 and not all(correct)):
        raise BlindtestError(
            Fault(
                problem="which answer was right can't be told from response and correct alone",
                key="truth",
                got=f"answers {', '.join(answers)}",
                remedy="add a column 'truth' with the right answer of each trial",
            )
        )
    other = {answers[0]: answers[-1], answers[-1]: answers[0]}
    return [given if right else other[given] for given, right in zip(responses, correct, strict=True)]


def _bias(
    listener: str,
    strata: Sequence[Sequence[Row]],
    answers: tuple[str, ...],
    method: str,
    level: float,
    *,
    by_listener: tuple[ResponseBias, ...] = (),
) -> ResponseBias:
    rows = [row for own in strata for row in own]
    trials = tuple(sum(truth == answer for _, _, truth, _ in rows) for answer in answers)
    right = tuple(sum(truth == answer and hit for _, _, truth, hit in rows) for answer in answers)
    if len(answers) == 2:
        found = score_sum([([int(row[2] == answers[0]) for row in own], [row[3] for row in own]) for own in strata])
        p_value, exact = found.two_sided, found.exact
    else:
        p_value, exact = _freeman_halton(right, trials)
    proportion = sum(right) / len(rows)
    hits = right[0] / trials[0] if len(answers) == 2 and trials[0] else nan
    false_alarms = 1 - right[1] / trials[1] if len(answers) == 2 and trials[1] else nan
    unbiased, d, interval, criterion = nan, nan, (nan, nan), nan
    if hits == hits and false_alarms == false_alarms:
        rates = two_rates(right[0], trials[0], trials[1] - right[1], trials[1], level=level)
        criterion = rates.criterion
        if method in WITH_RATES:
            unbiased = _proportion(rates.distance)
            d = nan if unbiased != unbiased else d_prime(unbiased, method)
            low, high = (d_prime(_proportion(limit), method) for limit in rates.distance_interval)
            interval = (low, high)
    return ResponseBias(
        listener=listener,
        method=method,
        answers=answers,
        given=tuple(sum(given == answer for _, given, _, _ in rows) for answer in answers),
        trials=trials,
        right=right,
        p_value=p_value,
        adjusted_p_value=p_value,
        hits=hits,
        false_alarms=false_alarms,
        criterion=criterion,
        proportion=proportion,
        unbiased_proportion=unbiased,
        d_prime=d_prime(proportion, method),
        unbiased_d_prime=d,
        unbiased_d_prime_interval=interval,
        level=float(level),
        exact=exact,
        by_listener=by_listener,
    )


def _proportion(distance: float) -> float:
    return (1.0 if distance > 0 else 0.0) if isinf(distance) else float(ndtr(distance / 2))


def _freeman_halton(right: Sequence[int], trials: Sequence[int]) -> tuple[float, bool]:
    """Return the exact two-sided p of equal shares right, given how many were right in all."""
    total, n = sum(right), sum(trials)
    if np.prod([count + 1.0 for count in trials[:-1]]) > MOST_OUTCOMES:
        expected = [count * total / n for count in trials]
        pearson = sum(
            (x - e) ** 2 / e * n / (n - total) for x, e in zip(right, expected, strict=True) if e > 0 and n > total
        )
        return float(chdtrc(len(trials) - 1, pearson)), False

    def log_ways(counts: Sequence[int]) -> float:
        if not 0 <= counts[-1] <= trials[-1]:
            return -inf
        return float(
            sum(gammaln(t + 1) - gammaln(x + 1) - gammaln(t - x + 1) for x, t in zip(counts, trials, strict=True))
        )

    all_ways = np.array(
        [log_ways((*most, total - sum(most))) for most in product(*(range(count + 1) for count in trials[:-1]))]
    )
    chances = np.exp(all_ways - all_ways.max())
    here = np.exp(log_ways(tuple(right)) - all_ways.max())
    return min(1.0, float(chances[chances <= here * NEARLY].sum() / chances.sum())), True
