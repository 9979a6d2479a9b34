"""Which analysis is sealed for each kind of claim, in words."""

from blindtest.steps.answers.attribute import ATTRIBUTE_BY_SEVERAL
from blindtest.steps.answers.heard import HEARD_BY_SEVERAL
from blindtest.steps.answers.preferred import SEVERAL
from blindtest.steps.answers.stage_pair import PAIRS
from blindtest.steps.answers.stopped import STOPPED_BY_SEVERAL
from blindtest.study import Study, claim_blocks, is_rated

__all__ = ["OF_SEVERAL", "STOPPING", "sealed_analysis"]

ANALYSIS = {
    "heard": (
        "counted trials only; exact binomial test against guessing, one-sided, and similarity test against the margin, "
        "each at alpha; shown, negligible or open, negligible where both hold; unanswered trials of abandoned sittings "
        "count against whichever conclusion is drawn; listeners one by one with Holm's adjustment"
    ),
    "preferred": (
        "exact sign test over trials with a preference, ties apart; shown, refuted, negligible or open by exact limits "
        "against the margin; unanswered trials count against whichever conclusion is drawn; Bradley-Terry with "
        "Davidson's ties and an order effect beside it"
    ),
    "threshold": (
        "counted trials of all tracks of a listener together; psychometric function by maximum likelihood, logistic "
        "over the level, guess rate of the task, lapses up to 6 %; threshold where the proportion right is halfway "
        "from guess to certainty; limits by profile likelihood for one listener, by t over listeners' thresholds for "
        "several, each one-sided at alpha: shown where the upper is at most the margin, refuted where the lower one "
        "is above, else open; unanswered trials are left out; averages of late reversals beside it"
    ),
    "rated": (
        "labelled and blind ratings only; a mixed model with random parts of its own for each tested term, listeners "
        "random, clips too where the claim names none and there are five or more, device x order where phases are "
        "crossed (one effect per sitting with a single listener, Welch's degrees of freedom); partition by one-sided t "
        "limits at alpha into survives, shrinks, vanishes and reverses; a contradicting repeat on anchors or signs "
        "makes it undecided; one contrast per listener beside it"
    ),
    "attribute": (
        "counted trials only; exact binomial test against guessing on both sides, or on the sealed side only; shown, "
        "refuted, negligible or open by exact limits of d' against the margin; unanswered trials count against "
        "whichever conclusion is drawn; listeners one by one with Holm's adjustment"
    ),
    "scale": (
        "blind ratings only; listeners that the sealed rules of screening keep, everybody's result beside it (the "
        "other way round where the claim is about the original, which the rules screen by); one mean difference "
        "per listener, each clip weighing alike (a single listener: one per clip, with fewer than three "
        "clips one per page within clips), Student's t limits; shown or refuted by the two-sided p, or that of the "
        "sealed side, negligible where both one-sided limits lie inside the margin and then whatever else holds, else "
        "open; planned pages without an answer count as the margin the other way round against shown and refuted, as "
        "twice the margin on either side against negligible; small impairments: by difference grades, object less "
        "hidden reference; beside it, never decisive, a mixed model with clips as a sample, medians and "
        "quartiles, permutation of medians"
    ),
    "keeps listening": (
        "counted tracks only; choices of the slot that plays the rest, against an equal share: exact binomial test of "
        "a single listener, sign flips of one share per listener in a panel, two-sided or on the sealed side; shown, "
        "refuted, negligible or open by limits against the margin; tracks without a choice and unheard ones count "
        "against whichever conclusion is drawn; beside it, never decisive, dwell over the draws that the plan could "
        "have made, and time to skip"
    ),
    "stopped": (
        "claims of what is heard whose block ends by a stopping rule: counted trials only; group sequential and ratio "
        "tests by the stagewise ordering of all endings of the sealed table, exact, against guessing and against the "
        "margin, each at alpha; of a ratio test only where it ended at the bound of that side; e-processes by their "
        "e-values, each against 1/alpha; several listeners by Fisher's method or the product of e-values; unanswered "
        "trials of abandoned sittings, up to the last of the rule, count against whichever conclusion is drawn"
    ),
    "unreliable labels": (
        "ratings under names that may be wrong only; a linear mixed model, rating on sound, name and their product as "
        "+-1/2, random parts of its own for each over listeners, over clips too where the claim names none and there "
        "are five or more (ordinary least squares with clips and sittings fixed for a single listener); the claim is "
        "that of the sound: shown, refuted, negligible or open by t limits against the margin; the name's effect "
        "beside it, with an exact test that deals the right names anew as the plan dealt them; unanswered trials are "
        "left out"
    ),
    "matched": (
        "counted settings only, in the unit of the grid, 0 being the match; of several listeners the mean of their "
        "means, of one listener the mean of the settings, each with Student's t; two one-sided tests against the "
        "margin at alpha: shown where the interval lies within it, refuted where it lies outside, else open; "
        "unanswered trials are left out; beside it settings from above against settings from below, and the scatter "
        "within listeners"
    ),
    "stage": (
        "blind ratings of the combinations only, anchors and whatever else was rated apart; a linear mixed model, "
        "rating on each stage and on each product of two that the sealed combinations can tell from the rest, as "
        "+-1/2, with random parts of its own for each over listeners, over clips too where the claim names none and "
        "there are five or more (ordinary least squares with clips and sittings fixed for a single listener); Holm "
        "over the stages, and over the products apart; shown, refuted or negligible by t limits at the level that "
        "Holm gives each stage, against the margin, else open; where no direction is claimed either side shows it; "
        "products never decide; unanswered pages count against whichever conclusion is drawn, each as ratings that "
        "differ by the margin against it (by twice the margin either way against negligible)"
    ),
    "stage pairs": (
        "choices between combinations that differ in one stage, each +50 for the stage or -50 against it; of a panel "
        "one mean per listener with Student's t, of a single listener the choices with the largest variance; Holm over "
        "the stages; words by t limits against the margin, as of ratings; an unanswered pair counts as a choice "
        "against whichever conclusion is drawn (all one way, then all the other, against negligible)"
    ),
    SEVERAL: (
        "preferences of several listeners are negligible only where the limits also lie inside the margin when they "
        "are widened by the design effect with which the listeners' own counts scatter (Rao and Scott; Clopper and "
        "Pearson's limits at the effective counts), else open"
    ),
    HEARD_BY_SEVERAL: (
        "of several listeners, negligible only where the similarity test comes out so with the counts divided by the "
        "design effect with which the listeners' own counts scatter, too (Rao and Scott; lower tail at the effective "
        "counts), else shown or open"
    ),
    ATTRIBUTE_BY_SEVERAL: (
        "of several listeners, negligible only where the limits also lie inside the margin when they are widened by "
        "the design effect with which the listeners' own counts scatter (Rao and Scott; Clopper and Pearson's limits "
        "at the effective counts), else by the test against guessing"
    ),
    STOPPED_BY_SEVERAL: (
        "of several sittings that a stopping rule ends, negligible only where the mean of their unbiased estimates "
        "also lies below the margin's proportion right at alpha, by the larger of two p values (normal with the "
        "rule's own variance at the margin, Student's t with the estimates' scatter), or where each sitting alone "
        "is below the margin at alpha"
    ),
    "several": "one primary claim; further confirmatory ones by Holm",
}


OF_SEVERAL = (SEVERAL, HEARD_BY_SEVERAL, ATTRIBUTE_BY_SEVERAL, STOPPED_BY_SEVERAL)
"""What *negligible* of several takes besides. A seal made before it was asked for holds on for the study's further
sittings: sealed anew, a study midway would lose the answers that it has.
"""

LATER_KINDS = (
    "attribute", "threshold", "keeps listening", "scale", "stopped", "matched", "stage", "unreliable labels",
    "stage pairs", *OF_SEVERAL,
)  # fmt: skip
"""Kinds whose analysis stands in the seal only of studies that claim one; among them: whose names may be wrong."""


STOPPING = "the number of trials of each sitting is fixed"


def sealed_analysis(study: Study) -> dict[str, str]:
    """Return the analysis of every kind.

    What came later stands there only where it is used, so that seals made before it hold on.
    """
    kinds: set[str] = {claim.kind for claim in study.claims}
    if "attribute" in kinds:
        claimed = next(claim for claim in study.claims if claim.kind == "attribute")
        if is_rated(claim_blocks(study, claimed)):
            kinds = (kinds - {"attribute"}) | {"scale"}
    if "preferred" in kinds and study.listeners.planned > 1:
        kinds = kinds | {SEVERAL}
    if "attribute" in kinds and study.listeners.planned > 1:
        kinds = kinds | {ATTRIBUTE_BY_SEVERAL}
    ruled = [block for block in study.protocol.blocks if block.stopping is not None]
    if ruled and study.listeners.planned * max(block.sittings for block in ruled) > 1:
        kinds = kinds | {STOPPED_BY_SEVERAL}
    # A study without claims asks whether a difference is heard.
    if ("heard" in kinds or not kinds) and not ruled and study.listeners.planned > 1:
        kinds = kinds | {HEARD_BY_SEVERAL}
    if any(block.method == PAIRS for block in study.protocol.blocks):
        kinds = (kinds - {"stage"}) | {"stage pairs"}
    if any(block.stopping is not None for block in study.protocol.blocks):
        kinds = kinds | {"stopped"}
    if any(block.phase == "unreliable" for block in study.protocol.blocks):
        kinds = kinds | {"unreliable labels"}
    return {kind: words for kind, words in ANALYSIS.items() if kind not in LATER_KINDS or kind in kinds}
