"""Plans of pairs without a guess rate of their own: same-different, and 2-AC."""

from typing import Any, Literal, cast

from blindtest.errors import Fault, WrongUse
from blindtest.report import PlanCurves
from blindtest.stats import Hands, same_different_power, two_ac_power
from blindtest.steps.plans.contract import PlanAsked, PlanShown, fitting

__all__ = ["DRAWN_D", "plan_same_different", "plan_two_ac"]

DRAWN_D = (1.0, 1.5, 2.0, 3.0)
DEFAULT_TRIALS = 40
DEFAULT_D = 1.5
DEFAULT_TAU = 0.5
SIZES = (8, 12, 16, 20, 24, 28, 32, 36, 40, 48, 56, 64, 72, 80, 96, 112, 128, 160, 200)


def plan_same_different(asked: PlanAsked, hands: Hands | None) -> PlanShown:
    """Return what half as many same and half as many different pairs can show."""
    fits = fitting(asked)
    trials = fits or asked.trials or DEFAULT_TRIALS
    if trials < 2:
        raise WrongUse(Fault(problem="it takes a same pair and a different one", key="--trials", got=trials))
    method = cast(Literal["same-different", "same-different-independent"], asked.method)

    def at(count: int, d: float, tau: float | None) -> Any:
        return same_different_power(
            count // 2, count - count // 2, d_prime=d, tau=tau, method=method, alpha=asked.alpha
        )

    found = at(trials, DEFAULT_D if asked.d_prime is None else asked.d_prime, asked.tau)
    sizes = _sizes(trials)
    curves = PlanCurves(
        title="What plans of same and different pairs show",
        size="pairs",
        sizes=sizes,
        chance="of being shown",
        curves=tuple((f"d' {d:g}", tuple(at(size, d, None).power for size in sizes)) for d in DRAWN_D),
        planned=trials,
    )
    lines = [*_minutes(asked, trials), found.sentence, *_assumed(asked, "d_prime", f"d' {DEFAULT_D:g}", "--d-prime")]
    return PlanShown(method=method, lines=tuple(lines), values=found.to_dict(), curves=curves)


def plan_two_ac(asked: PlanAsked, hands: Hands | None) -> PlanShown:
    """Return what pairs can show in which neither may be named."""
    trials = fitting(asked) or asked.trials or DEFAULT_TRIALS
    tau = DEFAULT_TAU if asked.tau is None else asked.tau

    def at(count: int, d: float) -> Any:
        return two_ac_power(count, d_prime=d, tau=tau, alpha=asked.alpha, two_sided=not asked.one_sided)

    found = at(trials, DEFAULT_D if asked.d_prime is None else asked.d_prime)
    sizes = _sizes(trials)
    curves = PlanCurves(
        title="What plans of pairs show in which neither may be named",
        size="pairs",
        sizes=sizes,
        chance="of being shown",
        curves=tuple((f"d' {d:g}", tuple(at(size, d).power for size in sizes)) for d in (0.5, 0.75, 1.0, 1.5)),
        planned=trials,
    )
    lines = [
        *_minutes(asked, trials),
        found.sentence,
        *_assumed(asked, "d_prime", f"d' {DEFAULT_D:g}", "--d-prime"),
        *_assumed(asked, "tau", f"threshold tau {DEFAULT_TAU:g}", "--tau"),
    ]
    return PlanShown(method="2-ac", lines=tuple(lines), values=found.to_dict(), curves=curves)


def _sizes(planned: int) -> tuple[int, ...]:
    most = max(80, 2 * planned)
    return tuple(sorted({*(size for size in SIZES if size <= most), planned} if planned >= SIZES[0] else SIZES))


def _minutes(asked: PlanAsked, trials: int) -> list[str]:
    if asked.minutes is None:
        return []
    return [f"{asked.minutes:g} minutes hold {trials} pairs that count ({asked.seconds:g} s each)."]


def _assumed(asked: PlanAsked, name: str, what: str, option: str) -> list[str]:
    return [f"Assumed: {what}; name yours ({option})."] if getattr(asked, name) is None else []
