"""Opinions of simulated listeners: what they think of each condition, and what their ratings are made of.

A rating is the sum of the true quality of what sounds, of what the name is worth that is read (right or wrong), of
deviations that belong to the listener and to the clip, and of a scatter of its own; then it is brought onto the scale.
The deviations are those of the mixed model for labelled and blind ratings (claims, section 4), each a normal draw that
stays as it is: a listener's deviations in every sitting of theirs, a clip's for all listeners.

An effect is the difference of two conditions, so the parts that belong to a condition enter it with the square root of
two times their standard deviation, and the other parts not at all.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from itertools import product

import numpy as np

__all__ = ["NAMED", "Opinion", "Spreads", "simulated_opinions"]

NAMED = ("labelled", "worn")
"""Phases in which the listener reads the name of what sounds."""
MODES = ("blind", *NAMED)


@dataclass(frozen=True, slots=True, kw_only=True)
class Spreads:
    """Standard deviations of the parts of one rating, in scale points."""

    listener: float = 0.0
    """How high or low a listener rates everything."""
    listener_device: float = 0.0
    """A listener's taste: more or less for a condition than others have, in all modes alike."""
    listener_mode: float = 0.0
    """How high or low a listener rates everything in one mode: blind, labelled or worn."""
    listener_device_mode: float = 0.0
    """What is new for a condition in one mode."""
    clip: float = 0.0
    clip_device: float = 0.0
    clip_mode: float = 0.0
    clip_device_mode: float = 0.0
    sitting_device: float = 0.0
    """What is new for a condition in one sitting of one listener."""
    residual: float = 0.0
    """Of a single rating."""

    def __post_init__(self) -> None:
        for each in fields(self):
            if not 0 <= getattr(self, each.name) < np.inf:
                raise ValueError(f"{each.name} is a standard deviation, got {getattr(self, each.name)}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Opinion:
    """What one listener's ratings are made of."""

    quality: Mapping[str, float]
    """True quality by condition, points of the scale."""
    name_bias: Mapping[str, float] = field(default_factory=dict)
    """What the name of a condition is worth, points; added in labelled and worn phases, and where a name that may be
    wrong is read: that of the name, whatever sounds."""
    deviations: Mapping[tuple[str, ...], float] = field(default_factory=dict)
    """By term and what it belongs to: ('listener_device', 'heron'), ('clip_mode', 'strings', 'blind') ..."""
    sitting_device: float = 0.0
    residual: float = 0.0
    step: float = 1.0
    """What ratings are rounded to."""

    def expected(self, condition: str, clip: str, phase: str, label: str = "") -> float:
        """Return the rating without its own scatter, before it is brought onto the scale.

        `label`: the condition whose name is read, where that may be another than what sounds.
        """
        mode = phase if phase in NAMED else "blind"
        read = label or (condition if mode in NAMED else "")
        name = self.name_bias.get(read, 0.0)
        held = {"device": condition, "mode": mode, "clip": clip}
        own = sum(self.deviations.get((term, *(held[one] for one in of)), 0.0) for term, of in _TERMS.items())
        return self.quality[condition] + name + own

    def rating(
        self,
        condition: str,
        clip: str,
        phase: str,
        rng: np.random.Generator,
        *,
        scale: tuple[float, float],
        label: str = "",
    ) -> float:
        """Return a rating: scattered, rounded to the step, held at the ends of the scale."""
        said = self.expected(condition, clip, phase, label) + self.residual * rng.standard_normal()
        # Rounded once more: 33 steps of .1 are 3.3000000000000003 else.
        return float(np.clip(np.round(np.round(said / self.step) * self.step, 9), *scale))

    def today(self, rng: np.random.Generator) -> "Opinion":
        """Return the opinion as it is in one sitting."""
        if self.sitting_device == 0:
            return self
        fresh: dict[tuple[str, ...], float] = {
            ("sitting_device", one): self.sitting_device * rng.standard_normal() for one in self.quality
        }
        return replace(self, deviations={**self.deviations, **fresh})


_TERMS: dict[str, tuple[str, ...]] = {
    "listener": (),
    "listener_device": ("device",),
    "listener_mode": ("mode",),
    "listener_device_mode": ("device", "mode"),
    "clip": ("clip",),
    "clip_device": ("clip", "device"),
    "clip_mode": ("clip", "mode"),
    "clip_device_mode": ("clip", "device", "mode"),
    "sitting_device": ("device",),
}
"""Terms of the model, and what each deviation belongs to besides the listener, the panel or the sitting."""


def simulated_opinions(
    listeners: int,
    *,
    quality: Mapping[str, float],
    name_bias: Mapping[str, float] | None = None,
    clips: Sequence[str],
    spreads: Spreads,
    rng: np.random.Generator,
    step: float = 1.0,
) -> tuple[Opinion, ...]:
    """Return the opinions of a panel: each listener's own deviations, and those of the clips, shared by all.

    Parameters
    ----------
    quality, name_bias : by condition, points of the scale; see `Opinion`
    clips : ids
    rng : numpy's generator; the same seed gives the same panel
    step : what ratings are rounded to
    """
    levels = {"device": tuple(quality), "mode": MODES, "clip": tuple(clips)}

    def drawn(prefix: str) -> dict[tuple[str, ...], float]:
        return {
            (term, *level): sd * float(rng.standard_normal())
            for term, of in _TERMS.items()
            if term.startswith(prefix) and (sd := getattr(spreads, term)) > 0
            for level in product(*(levels[one] for one in of))
        }

    shared = drawn("clip")
    return tuple(
        Opinion(
            quality=dict(quality),
            name_bias=dict(name_bias or {}),
            deviations={**shared, **drawn("listener")},
            sitting_device=spreads.sitting_device,
            residual=spreads.residual,
            step=step,
        )
        for _ in range(listeners)
    )
