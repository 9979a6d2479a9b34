"""Who listens in the demo, and what is true of them: invented listeners, made of known numbers.

Their true states are plain, so that a sound method should find them; no number here was chosen by what came out.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import exp
from typing import Any, Literal

import numpy as np

from blindtest.report import PreferenceTruth, RatingTruth, Truth
from blindtest.session import Liking, Opinion, SimulatedListener, Spreads, simulated_opinions
from blindtest.stats import distinguishers, proportion_correct
from blindtest.steps.gathering.report import Truths
from blindtest.study import Study, tested_clips

__all__ = ["LISTENERS", "TUNERS", "Known", "hears", "held_against", "known", "panel", "true_of", "truths"]

LISTENERS = (
    SimulatedListener(pseudonym="keen", d_prime=3.0, rule="differencing"),
    SimulatedListener(pseudonym="trained", d_prime=2.8, rule="differencing"),
    SimulatedListener(pseudonym="patient", d_prime=2.6, rule="differencing"),
    SimulatedListener(pseudonym="casual", d_prime=2.4, rule="differencing"),
    SimulatedListener(pseudonym="hopeful", d_prime=0.0, rule="guesser"),
)
"""Whether there is a difference; d' is what they are made of. Together they hear more than the margin, one nothing."""

EVEN = Liking(utility={"corrected": 0.0, "native": 0.0}, first_bias=0.3)
"""No preference, but a little in favour of what comes first."""
TUNERS = tuple(
    SimulatedListener(pseudonym=f"tuner-{number}", d_prime=d_prime, rule="differencing", liking=EVEN)
    for number, d_prime in enumerate((2.6, 2.3, 2.1, 1.8), start=1)
)
"""Whether a correction is heard, and preferred."""

PANEL = 24
QUALITY = {"low-anchor": 12.0, "decoy": 41.0, "plover": 45.0, "finch": 45.0, "heron": 65.0, "high-anchor": 88.0}
"""Points of 100: Heron's 20 over Plover are in the sound, and Finch sounds like Plover."""
NAME_BIAS = {"finch": 16.0}
"""Points that a name and a price are worth where they are read."""
SPREADS = Spreads(
    listener=8.0, listener_device=4.0, listener_mode=3.0, listener_device_mode=2.5, clip=5.0, clip_device=1.5,
    sitting_device=3.0, residual=10.0,
)  # fmt: skip
RECOGNISES = 0.2

METHOD_OF = {"differencing": "abx", "independent": "abx-independent", "guesser": "abx"}


def panel(study: Study, rng: np.random.Generator) -> tuple[SimulatedListener, ...]:
    """Return the listeners who rate with and without names."""
    opinions = simulated_opinions(
        PANEL, quality=QUALITY, name_bias=NAME_BIAS, clips=tested_clips(study), spreads=SPREADS, rng=rng
    )
    return tuple(
        SimulatedListener(pseudonym=f"panel-{number:02}", opinion=opinion, recognises=RECOGNISES)
        for number, opinion in enumerate(opinions, start=1)
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What is true of a claim."""

    words: str
    true: Mapping[str, bool]
    """Whether the word of a verdict is true; words that decide nothing are left out."""


def held_against(word: str, one: Known) -> str:
    """Return 'right' or 'WRONG', or 'undecided' where the verdict decides nothing."""
    return {True: "right", False: "WRONG", None: "undecided"}[one.true.get(word)]


def known(claim: Mapping[str, Any], truths: Truths) -> Known:
    """Return what is true of a sealed claim; every listener counts alike."""
    margin = float(claim["margin"] or 0.0)
    if claim["kind"] == "heard":
        return hears(float(np.mean([one.share for one in truths.heard])), margin)
    if claim["kind"] == "preferred":
        probability = float(np.mean([one.probability for one in truths.preferred]))
        near = abs(probability - 0.5) < margin
        return Known(
            words=f"preferred in {100 * probability:.0f} % of pairs",
            true={"shown": probability > 0.5, "refuted": probability < 0.5, "negligible": near},
        )
    (one,) = truths.rated[claim["id"]]
    return Known(
        words=f"{one.labelled:+.1f} labelled, {one.blind:+.1f} blind",
        true={state: state == one.state for state in ("survives", "shrinks", "vanishes", "reverses")}
        | {"nothing on record": one.labelled <= 0},
    )


def hears(share: float, margin: float) -> Known:
    """Return what is true where the share `share` of trials is heard."""
    return Known(
        words=f"heard in {100 * share:.0f} % of trials", true={"shown": share > 0, "negligible": share < margin}
    )


def truths(study: Study, listeners: Sequence[SimulatedListener]) -> Truths:
    """Return what is true of a study's listeners, for its report."""
    rated: dict[str, tuple[RatingTruth, ...]] = {}
    preferred: tuple[PreferenceTruth, ...] = ()
    heard: tuple[Truth, ...] = ()
    for claim in study.claims:
        if claim.kind == "heard":
            heard = tuple(true_of(listener) for listener in listeners)
        elif claim.kind == "preferred":
            preferred = tuple(_prefers(one, claim.device, claim.comparator) for one in listeners)
        else:
            opinion = listeners[0].opinion
            assert opinion is not None
            rated[claim.id] = (
                _effects(
                    opinion,
                    claim.device,
                    claim.comparator,
                    clips=tested_clips(study),
                    margin=float(claim.margin or 0.0),
                    kept=claim.kept,
                ),
            )
    return Truths(heard=heard, preferred=preferred, rated=rated)


def true_of(listener: SimulatedListener) -> Truth:
    """Return what a simulated listener hears."""
    method = METHOD_OF[listener.rule]
    proportion = 0.5 if listener.rule == "guesser" else float(proportion_correct(listener.d_prime, method))
    return Truth(
        who=listener.pseudonym,
        proportion=proportion,
        share=distinguishers(proportion, method),
        d_prime=listener.d_prime,
        rule=listener.rule,
    )


def _prefers(listener: SimulatedListener, device: str, comparator: str) -> PreferenceTruth:
    """Return how often the listener prefers the device, over both orders."""
    liking = listener.liking
    assert liking is not None
    difference = liking.utility[device] - liking.utility[comparator]
    orders = [1 / (1 + exp(-difference - bias)) for bias in (liking.first_bias, -liking.first_bias)]
    return PreferenceTruth(who=listener.pseudonym, probability=sum(orders) / 2, rule="logistic")


def _effects(
    opinion: Opinion, device: str, comparator: str, *, clips: Sequence[str], margin: float, kept: float
) -> RatingTruth:
    """Return the true effects on these clips over all listeners of this kind: without any listener's own deviations."""
    shared = {place: value for place, value in opinion.deviations.items() if place[0].startswith("clip")}
    common = replace(opinion, deviations=shared)

    def effect(phase: str) -> float:
        return float(
            np.mean([common.expected(device, clip, phase) - common.expected(comparator, clip, phase) for clip in clips])
        )

    labelled, blind = effect("labelled"), effect("blind")
    return RatingTruth(
        who="all listeners",
        labelled=labelled,
        blind=blind,
        state=_state(labelled, blind, margin=margin, kept=kept),
        rule="opinion",
    )


def _state(
    labelled: float, blind: float, *, margin: float, kept: float
) -> Literal["survives", "shrinks", "vanishes", "reverses"]:
    """Return the one true state (claims, section 4)."""
    if blind <= -margin:
        return "reverses"
    if blind < margin:
        return "vanishes"
    return "survives" if blind >= kept * labelled else "shrinks"
