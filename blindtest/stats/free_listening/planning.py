"""What a plan of free listening can conclude, before anybody listens.

Choices of one listener: exact, by going through every count. Dwell, and panels of either: simulated with a seed, the
Monte Carlo error stated. A track's share is drawn from a beta distribution with the mean and standard deviation given
(.25 per track is an assumption, not a measurement); a listener's own mean from a normal one, cut where shares end.
"""

from collections import Counter
from dataclasses import dataclass
from math import sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blindtest.stats.binomial import checked_counts, checked_probability, point
from blindtest.stats.direction import Direction
from blindtest.stats.free_listening.panel_share import check_direction_and_unit
from blindtest.stats.free_listening.words import checked_margin
from blindtest.stats.panel_chances import PanelChances
from blindtest.stats.plain import plain
from blindtest.stats.preference import margin_bounds, sides, word_of

__all__ = ["FreeListeningPower", "choice_power", "dwell_power", "panel_choice_chances"]

Floats = NDArray[np.float64]

SIMULATED = "simulated studies, sign flips of tracks (one listener) or of listeners' means"
STUDIES = 2000
FLIPS = 2000
"""Sign flips of each simulated study, where there are more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FreeListeningPower:
    """How often a plan ends with each word, where this is the true share."""

    test: str
    """"choice" or "dwell"."""
    tracks: int
    """Per listener."""
    listeners: int
    share: float
    """True share of the device (choice: probability to be chosen), of two slots."""
    sd_track: float
    """Standard deviation of the share from track to track (dwell)."""
    sd_listener: float
    """... of a listener's own mean from listener to listener."""
    margin: float | None
    alpha: float
    direction: Direction
    shown: float
    refuted: float
    negligible: float
    open: float
    studies: int
    """Simulated; 0: exact."""
    seed: int
    method: str
    assumptions: tuple[str, ...] = (
        "two slots on every track",
        "shares from track to track follow a beta distribution, listeners' means a normal one",
    )

    @property
    def monte_carlo_error(self) -> float:
        """Standard error of the largest uncertainty a chance can have here; 0 where they are exact."""
        return sqrt(0.25 / self.studies) if self.studies else 0.0

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        who = "one listener" if self.listeners == 1 else f"{self.listeners} listeners"
        how = f"{self.studies} simulated studies" if self.studies else "exact"
        return (
            f"{self.tracks} tracks of {who} at a true share of {self.share:g} end as shown with probability "
            f"{self.shown:.2f}, refuted {self.refuted:.2f}, negligible {self.negligible:.2f}, open {self.open:.2f} "
            f"({self.test}, {self.direction}, alpha {self.alpha:g}; {how})."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentence included."""
        return plain(self, "monte_carlo_error", "sentence")


def choice_power(
    tracks: int,
    *,
    share: float,
    listeners: int = 1,
    sd_listener: float = 0.0,
    margin: float | None = None,
    alpha: float = 0.05,
    direction: Direction = "two-sided",
    studies: int = STUDIES,
    seed: int = 1,
) -> FreeListeningPower:
    """Return how often a plan of choices between two slots ends with each word.

    Parameters
    ----------
    tracks : per listener
    share : true probability that the device's slot is chosen
    sd_listener : of that probability from listener to listener; panels only

    Raises
    ------
    ValueError
        Numbers out of range.
    """
    _checked(tracks, listeners, share, sd_listener, alpha, direction)
    margin = checked_margin(margin)
    if listeners == 1:
        chances, simulated = _exact_words(tracks, share, margin, alpha, direction), 0
    else:
        rng = np.random.default_rng(seed)
        own = _own_means(rng, share, sd_listener, (studies, listeners))
        means = rng.binomial(tracks, own) / tracks - 0.5
        chances, simulated = _simulated_words(means, margin, alpha, direction, rng), studies
    return FreeListeningPower(
        test="choice",
        tracks=tracks,
        listeners=listeners,
        share=float(share),
        sd_track=0.0,
        sd_listener=float(sd_listener) if listeners > 1 else 0.0,
        margin=margin,
        alpha=float(alpha),
        direction=direction,
        **chances,
        studies=simulated,
        seed=seed,
        method=SIMULATED if simulated else "exact: every count gone through",
    )


def panel_choice_chances(
    *,
    listeners: int,
    trials: int,
    margin: float,
    alpha: float = 0.05,
    direction: Direction = "two-sided",
    spread: float = 0.0,
) -> PanelChances:
    """Return how often a panel's choices between two slots end as each word, each where it is true of the mean.

    Parameters
    ----------
    listeners : two or more; fewer than five (six where both sides are asked) are too few for any word
    trials : tracks of each listener, all with a choice
    margin : share beyond an equal one, (0, 1/2)
    spread : standard deviation of the share from listener to listener

    Raises
    ------
    ValueError
        Fewer than two listeners, or a number out of its range.
    """
    if listeners < 2:
        raise ValueError(f"a panel is two listeners or more, got {listeners}")
    more, less, alike = (
        choice_power(
            trials,
            share=share,
            listeners=listeners,
            sd_listener=spread,
            margin=margin,
            alpha=alpha,
            direction=direction,
        )
        for share in (0.5 + margin, 0.5 - margin, 0.5)
    )
    return PanelChances(
        kind="keeps listening",
        method="free-listening",
        listeners=int(listeners),
        trials=int(trials),
        margin=float(margin),
        alpha=float(alpha),
        direction=direction,
        spread=float(spread),
        chance_shown=more.shown,
        chance_refuted=less.refuted,
        chance_negligible=alike.negligible,
        studies=more.studies,
        seed=more.seed,
        source="simulated; sign flips of one share per listener",
    )


def dwell_power(
    tracks: int,
    *,
    share: float,
    sd: float = 0.25,
    listeners: int = 1,
    sd_listener: float = 0.0,
    margin: float | None = None,
    alpha: float = 0.05,
    direction: Direction = "two-sided",
    studies: int = STUDIES,
    seed: int = 1,
) -> FreeListeningPower:
    """Return how often a plan of dwell in two slots ends with each word, simulated.

    Parameters
    ----------
    tracks : per listener
    share : true mean share of the device
    sd : standard deviation of the share from track to track; .25 is an assumption
    sd_listener : of the mean share from listener to listener; panels only

    Raises
    ------
    ValueError
        Numbers out of range; a standard deviation that shares with this mean can't have.
    """
    _checked(tracks, listeners, share, sd_listener, alpha, direction)
    margin = checked_margin(margin)
    if not 0 < sd**2 < share * (1 - share):
        raise ValueError(f"shares with mean {share:g} have a standard deviation below {sqrt(share * (1 - share)):.3f}")
    rng = np.random.default_rng(seed)
    own = _own_means(rng, share, sd_listener if listeners > 1 else 0.0, (studies, listeners))
    # The least room is at the most extreme mean: there the spread gives way.
    size = np.maximum(own * (1 - own) / sd**2 - 1, 0.1)
    shares = rng.beta((own * size)[..., None], ((1 - own) * size)[..., None], (studies, listeners, tracks))
    values = shares[:, 0, :] - 0.5 if listeners == 1 else shares.mean(axis=2) - 0.5
    return FreeListeningPower(
        test="dwell",
        tracks=tracks,
        listeners=listeners,
        share=float(share),
        sd_track=float(sd),
        sd_listener=float(sd_listener) if listeners > 1 else 0.0,
        margin=margin,
        alpha=float(alpha),
        direction=direction,
        **_simulated_words(values, margin, alpha, direction, rng),
        studies=studies,
        seed=seed,
        method=SIMULATED,
    )


def _checked(tracks: int, listeners: int, share: float, sd_listener: float, alpha: float, direction: Direction) -> None:
    checked_counts(0, tracks)
    checked_probability("alpha", alpha)
    checked_probability("the share", share)
    check_direction_and_unit(direction, None)
    if listeners < 1:
        raise ValueError(f"there must be at least one listener, got {listeners}")
    if not 0 <= sd_listener < 0.5:
        raise ValueError(f"the standard deviation over listeners must lie in 0 ... 0.5, got {sd_listener}")


def _own_means(rng: np.random.Generator, share: float, sd: float, shape: tuple[int, int]) -> Floats:
    return np.asarray(np.clip(rng.normal(share, sd, shape), 0.02, 0.98)) if sd else np.full(shape, share)


def _exact_words(tracks: int, share: float, margin: float | None, alpha: float, direction: Direction) -> dict[str, Any]:
    bounds = margin_bounds(margin)
    words: Counter[str] = Counter()
    for wins in range(tracks + 1):
        word = word_of(*sides(wins, tracks - wins, 0, alpha=alpha, direction=direction, bounds=bounds))
        words[word] += point(wins, tracks, share)  # type: ignore[assignment]
    return _all_words(words["shown"], words["refuted"], words["negligible"])


def _all_words(shown: float, refuted: float, negligible: float) -> dict[str, Any]:
    rest = max(0.0, 1 - shown - refuted - negligible)
    return {"shown": shown, "refuted": refuted, "negligible": negligible, "open": rest}


def _simulated_words(
    values: Floats, margin: float | None, alpha: float, direction: Direction, rng: np.random.Generator
) -> dict[str, Any]:
    """Return the share of studies, (studies, units) values, that end with each word by sign flips of the units."""
    units = values.shape[1]
    if 2**units <= FLIPS:
        flipped = (np.arange(2**units)[:, None] >> np.arange(units)) & 1
    else:
        flipped = np.vstack([np.zeros(units, dtype=np.int64), rng.integers(0, 2, (FLIPS - 1, units))])
    sizes = flipped.sum(axis=1)
    moved = sizes > 0
    thresholds = np.sort(values @ flipped[moved].T / sizes[moved], axis=1)
    draws, unmoved = len(flipped), int(np.sum(~moved))

    def free(rare: float) -> int:
        return int(np.floor(rare * draws + 1e-10)) - unmoved

    tail = free(alpha / 2 if direction == "two-sided" else alpha)
    nobody = np.zeros(len(values), dtype=bool)
    claimed = thresholds[:, tail] > 1e-10 if tail >= 0 else nobody
    other = thresholds[:, -1 - tail] < -1e-10 if tail >= 0 else nobody
    within = nobody
    if margin is not None and (one := free(alpha)) >= 0:
        within = (thresholds[:, one] > -margin) & (thresholds[:, -1 - one] < margin)
    return _all_words(
        float(np.mean(claimed & ~within)), float(np.mean(other & ~claimed & ~within)), float(np.mean(within))
    )
