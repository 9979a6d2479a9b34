"""What a plan for ratings can show, as a report tells it."""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from blindtest.report.rating_facts import VERDICTS, Verdict

if TYPE_CHECKING:
    from blindtest.stats import SurvivalPower

__all__ = ["SurvivalPlanFacts"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SurvivalPlanFacts:
    """How often a plan reaches each verdict, over the true blind effect; simulated before anybody listened."""

    unit: Literal["listener", "sitting"]
    listeners: int
    labelled_sittings: int
    """Of each listener."""
    blind_sittings: int
    ratings: int = 0
    """Of each device, in each mode and sitting; 0 where the spreads found stand for them."""
    margin: float
    kept: float
    alpha: float = 0.05
    labelled_effect: float
    """True labelled effect assumed, points."""
    blind_effects: tuple[float, ...] = ()
    """Abscissa: true blind effect, points."""
    chances: tuple[tuple[Verdict, tuple[float, ...]], ...] = ()
    """(verdict, share of simulated studies that end with it at each blind effect)."""
    studies: int | None = None
    """Simulated at each point."""
    assumptions: tuple[str, ...] = ()
    """Of the simulation, in words: spread of listeners, of modes, of single ratings."""

    @classmethod
    def of(cls, power: "SurvivalPower") -> "SurvivalPlanFacts":
        """Return the facts of `stats.survival_power`, which takes the blind effects of the abscissa."""
        rows = sorted(power.chances, key=lambda row: row.blind)
        named: tuple[Verdict, ...] = (*VERDICTS, "undecided", "nothing on record")
        return cls(
            unit="listener" if power.unit == "listener" else "sitting",
            listeners=power.listeners,
            labelled_sittings=power.sittings[0],
            blind_sittings=power.sittings[1],
            ratings=power.ratings,
            margin=power.margin,
            kept=power.kept,
            alpha=power.alpha,
            labelled_effect=rows[0].labelled,
            blind_effects=tuple(row.blind for row in rows),
            chances=tuple(
                (verdict, tuple(float(getattr(row, verdict.replace(" ", "_"))) for row in rows)) for verdict in named
            ),
            studies=power.studies,
            assumptions=tuple(power.assumptions),
        )

    def __post_init__(self) -> None:
        for verdict, curve in self.chances:
            if len(curve) != len(self.blind_effects):
                raise ValueError(f"{len(self.blind_effects)} effects, but {len(curve)} chances of {verdict}")

    @property
    def reachable(self) -> tuple[Verdict, ...]:
        """Verdicts that end at least half of the simulated studies somewhere on the abscissa."""
        return tuple(v for v, curve in self.chances if v in VERDICTS and max(curve, default=0.0) >= 0.5)
