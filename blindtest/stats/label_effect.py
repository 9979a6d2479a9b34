"""What a name is worth when it may be wrong: ratings with unreliable labels.

Listeners are told that the labels are right on a random, unmarked half of the trials, and wrong on the other. Then name
and sound are independent by design, and rating ~ sound + label separates what is heard from what is read, in one
phase, without order effects and without deceiving anybody. Knowing that labels may be wrong, listeners trust them less:
the label effect comes out, if anything, too small.

Beside the mixed model stands an exact test that assumes nothing about scatter: which trials had right labels was drawn
at random, so the statistic is computed again with the right labels dealt anew among each listener's trials, within
whatever the plan dealt them evenly in.

Source: claims, section 3; Fisher 1935 (The Design of Experiments) for the re-randomisation; Phipson & Smyth 2010 (Stat.
Appl. Genet. Mol. Biol. 9, 39) for (b + 1)/(m + 1).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from blindtest.errors import BlindtestError, Fault, did_you_mean
from blindtest.nouns import number_of
from blindtest.stats.binomial import checked_probability
from blindtest.stats.contrast_conclusion import ContrastConclusion
from blindtest.stats.contrasts import Estimates
from blindtest.stats.crossed_terms import crossed_terms, rated_rows
from blindtest.stats.estimate_conclusion import conclude_estimate, p_value_of
from blindtest.stats.plain import plain
from blindtest.stats.preference import PreferenceWord
from blindtest.stats.verdict import Effect, effect_of

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["LabelEffectResult", "label_effect"]

Floats = NDArray[np.float64]
COLUMNS = ("listener", "clip", "sound", "label", "rating")
_AT_ONCE = 2_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelEffectResult:
    """What the name is worth, and what the sound, in the same ratings."""

    device: str
    comparator: str
    label: Effect
    """Rating under the device's name minus that under the comparator's, sound alike, points."""
    sound: Effect
    """Rating of the device's sound minus that of the comparator's, name alike."""
    together: Effect
    """What the name changes in the effect of the sound; not part of either conclusion."""
    label_conclusion: ContrastConclusion
    """Of "the name raises the rating"."""
    sound_conclusion: ContrastConclusion
    """Of "the sound is rated above"."""
    exact_p_value: float
    """Two-sided, of the label effect by dealing the right labels anew; no assumption about scatter."""
    sound_within_p: float
    """Smallest level at which both one-sided limits of the sound's effect lie inside the margin."""
    label_within_p: float
    """The same of the name's effect."""
    draws: int
    """So many deals; the smallest p value they can give is 1 / (draws + 1)."""
    right_labels: float
    """Share of the ratings whose label was right."""
    listeners: int
    clips: int
    ratings: int
    margin: float
    alpha: float
    scope: str
    remarks: tuple[str, ...]
    method: str
    assumptions: tuple[str, ...] = (
        "which labels were right was drawn at random and nobody was told",
        "listeners knew that labels may be wrong: a label effect found is, if anything, too small",
        "effects of listeners and clips and the scatter of ratings are normal (not for the exact test)",
    )
    source: str = "claims, section 3; Barr et al. 2013; Fisher 1935 and Phipson & Smyth 2010 for the exact test"

    @property
    def word(self) -> PreferenceWord:
        """How the claim that the name raises the rating ends."""
        return self.label_conclusion.word

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        said = {
            "shown": f"the name {self.device} raises ratings over the name {self.comparator}, whatever sounds",
            "refuted": f"the name {self.device} lowers ratings against the name {self.comparator}, whatever sounds",
            "negligible": "the name changes ratings by less than was declared to matter",
            "open": "neither no effect of the name nor one that matters can be ruled out",
        }[self.word]
        return (
            f"{self.word}: {said}, {self.scope}. Name: {_shown(self.label)}; sound: {_shown(self.sound)} points; "
            f"margin {self.margin:g}, alpha {self.alpha:g}. Dealing the right labels anew: p = "
            f"{self.exact_p_value:.3g}, exact. {100 * self.right_labels:.0f} % of labels were right."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self, "word", "sentence")


def _shown(effect: Effect) -> str:
    return f"{effect.estimate:+.1f} ({effect.interval[0]:+.1f} to {effect.interval[1]:+.1f})"


def label_effect(
    table: "DataFrame",
    *,
    device: str | None = None,
    comparator: str | None = None,
    margin: float = 8.0,
    alpha: float = 0.05,
    only_these_clips: bool | None = None,
    dealt_within: Sequence[str] = (),
    draws: int = 9999,
    seed: int = 20_260_101,
) -> LabelEffectResult:
    """Return what a name is worth, from ratings with labels of which a random half were wrong.

    Parameters
    ----------
    table : listener, clip, sound (what was heard), label (what it was called), rating; sitting and trial where there
        are any: rows of one listener, sitting and trial were labelled right or wrong together
    device, comparator : two of the names; left out where there are only two: the second in alphabetical order over the
        first, as a treatment contrast has it
    margin : smallest effect that matters, scale points; sealed
    only_these_clips : None: clips are a sample of clips where there are five or more
    dealt_within : columns, alike in all rows of a trial, within which the right labels were dealt besides listener and
        sitting: ("clip", "sound") where half of each sound's trials of each clip were right; the exact test deals
        them anew in the same way
    draws, seed : of the exact test

    Raises
    ------
    BlindtestError
        A table that can't be read, or that can't tell name from sound: labels always right, or always wrong.
    ValueError
        A number out of its range.
    """
    if not margin > 0:
        raise ValueError(f"the margin must be above 0, got {margin}")
    if draws < 1:
        raise ValueError(f"draws must be 1 or more, got {draws}")
    checked_probability("alpha", alpha)
    rows, without = rated_rows(table, COLUMNS)
    rows = rows.assign(sound=rows["sound"].astype(str), label=rows["label"].astype(str))
    device, comparator = _names(rows, device, comparator)
    remarks = (
        [f"{number_of(without, 'row holds no rating and is', 'rows hold no rating and are')} left out"]
        if without
        else []
    )
    two = rows["sound"].isin([device, comparator]) & rows["label"].isin([device, comparator])
    if not two.all():
        remarks.append(f"{number_of(int((~two).sum()), 'row')} of other sounds or names left out")
    rows = rows[two].reset_index(drop=True)
    sound = np.where(rows["sound"] == device, 0.5, -0.5)
    label = np.where(rows["label"] == device, 0.5, -0.5)
    _check_told_apart(sound, label)
    found = crossed_terms(
        rows, {"sound": sound, "label": label}, [("sound", "label")], only_these_clips=only_these_clips
    )
    p_value = _exact(rows, sound, label, dealt_within, draws=draws, rng=np.random.default_rng(seed))
    return LabelEffectResult(
        device=device,
        comparator=comparator,
        label=effect_of(found.estimates["label"], alpha),
        sound=effect_of(found.estimates["sound"], alpha),
        together=effect_of(found.estimates["sound x label"], alpha),
        label_conclusion=conclude_estimate(found.estimates["label"], margin=margin, alpha=alpha),
        sound_conclusion=conclude_estimate(found.estimates["sound"], margin=margin, alpha=alpha),
        exact_p_value=p_value,
        sound_within_p=_within_p(found.estimates["sound"], margin),
        label_within_p=_within_p(found.estimates["label"], margin),
        draws=draws,
        right_labels=float(np.mean(sound == label)),
        listeners=found.listeners,
        clips=found.clips,
        ratings=found.ratings,
        margin=float(margin),
        alpha=float(alpha),
        scope=found.scope,
        remarks=(*remarks, *found.remarks),
        method=found.method,
    )


def _names(rows: "DataFrame", device: str | None, comparator: str | None) -> tuple[str, str]:
    known = sorted({*rows["sound"], *rows["label"]})
    faults = [
        Fault(problem="nobody heard or read this", key=key, got=name, allowed=", ".join(known),
              remedy=did_you_mean(str(name), known))
        for key, name in (("device", device), ("comparator", comparator))
        if name is not None and str(name) not in known
    ]  # fmt: skip
    if faults:
        raise BlindtestError(*faults)
    if device is not None and comparator is not None:
        if str(device) == str(comparator):
            raise ValueError(f"{device!r} can't be compared with itself")
        return str(device), str(comparator)
    others = [name for name in known if name not in (str(device), str(comparator))]
    if len(known) != 2:
        raise BlindtestError(
            Fault(
                problem="which two names shall be compared?" if len(known) > 2 else "there is only one name",
                key="label",
                got=", ".join(known),
                allowed="two names",
                remedy="name device and comparator" if len(known) > 2 else "rate another device too",
            )
        )
    if device is None and comparator is None:
        return known[1], known[0]
    return (str(device), others[0]) if device is not None else (others[0], str(comparator))


def _check_told_apart(sound: Floats, label: Floats) -> None:
    for always, what in ((bool(np.all(sound == label)), "right"), (bool(np.all(sound != label)), "wrong")):
        if always:
            raise BlindtestError(
                Fault(
                    problem=f"labels are always {what}: what is heard can't be told from what is read",
                    key="label",
                    allowed="right on a random half of the trials",
                    remedy="compare a labelled with a blind phase (`survival`), or draw unreliable labels",
                )
            )


def _within_p(estimates: Estimates, margin: float) -> float:
    """Return the larger of the p values of mean > -margin and mean < margin (Schuirmann 1987)."""
    return max(p_value_of(estimates, shift=-margin), 1 - p_value_of(estimates, shift=margin))


def _exact(
    rows: "DataFrame",
    sound: Floats,
    label: Floats,
    within: Sequence[str],
    *,
    draws: int,
    rng: np.random.Generator,
) -> float:
    """Return the share of deals of the right labels that move ratings at least as much as the one that was drawn."""
    missing = [name for name in within if name not in rows]
    if missing:
        raise ValueError(f"no column {missing[0]!r} to deal the right labels within")
    who = rows[["listener", *(["sitting"] if "sitting" in rows else [])]].astype(str).agg("/".join, axis=1)
    deck = np.unique(
        who if not within else who + "/" + rows[list(within)].astype(str).agg("/".join, axis=1), return_inverse=True
    )[1]
    if "trial" in rows:
        trial = np.unique(who + "/" + rows["trial"].astype(str), return_inverse=True)[1]
    else:
        trial = np.arange(len(rows))
    first = np.unique(trial, return_index=True)[1]
    right = (sound == label)[first]
    if np.any(right[trial] != (sound == label)):
        raise BlindtestError(
            Fault(
                problem="one trial holds a right and a wrong label",
                key="trial",
                got=str(rows["trial"][np.flatnonzero(right[trial] != (sound == label))[0]]),
                allowed="all labels of a trial right, or all exchanged",
                remedy="number trials anew, or leave the column out",
            )
        )
    nuisance = [np.ones(len(rows)), sound]
    for name in ("listener", "clip"):
        levels = sorted(rows[name].unique())
        nuisance += [(rows[name] == level).to_numpy(dtype=np.float64) for level in levels[1:]]
    basis = np.linalg.qr(np.stack(nuisance, axis=1))[0]
    left = rows["rating"].to_numpy(dtype=np.float64)
    left = left - basis @ (basis.T @ left)

    def moved(rights: NDArray[np.bool_]) -> Floats:
        """Least squares coefficient of the label, listener, clip and sound fixed, of each deal."""
        labels = np.where(rights[:, trial], sound, -sound)
        own = (labels**2).sum(axis=1) - ((labels @ basis) ** 2).sum(axis=1)
        return np.where(own > 1e-9, (labels @ left) / np.where(own > 1e-9, own, 1.0), 0.0)

    observed = abs(float(moved(right[None])[0]))
    decks, most, as_far = deck[first], max(1, _AT_ONCE // len(rows)), 0
    for start in range(0, draws, most):
        many = min(most, draws - start)
        rights = np.empty((many, len(right)), dtype=bool)
        for one in np.unique(decks):
            places = np.flatnonzero(decks == one)
            rights[:, places] = rng.permuted(np.broadcast_to(right[places], (many, len(places))), axis=1)
        as_far += int(np.sum(np.abs(moved(rights)) >= observed * (1 - 1e-12)))
    return (as_far + 1) / (draws + 1)
