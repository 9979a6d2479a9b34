"""What becomes of one claim: which answers it rests on, how it ends, and the p of its word."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from blindtest.errors import BlindtestError, Fault
from blindtest.methods import METHODS
from blindtest.report import SettingsFacts, StageFacts, left_standing
from blindtest.steps.answers.adjusted import adjusted_for
from blindtest.steps.answers.attribute import ATTRIBUTE_BY_SEVERAL, AttributeAnswers, attribute_answers
from blindtest.steps.answers.heard import HEARD_BY_SEVERAL, HeardAnswers, heard_answers
from blindtest.steps.answers.listened import ListenedAnswers, listened_answers
from blindtest.steps.answers.preferred import SEVERAL, PreferredAnswers, preferred_answers
from blindtest.steps.answers.rated import RatedAnswers, rated_answers, recognition_of
from blindtest.steps.answers.scale import ScaleAnswers, scale_answers
from blindtest.steps.answers.sitting import SittingAnswers
from blindtest.steps.answers.stage import stage_answers
from blindtest.steps.answers.stopped import STOPPED_BY_SEVERAL, StoppedAnswers, rule_of, stopped_answers
from blindtest.steps.answers.threshold import ThresholdAnswers, threshold_answers
from blindtest.steps.answers.unreliable import UnreliableAnswers, has_unreliable_labels, unreliable_answers

__all__ = ["ClaimAnswers", "claim_answers"]

NOBODY = "no sitting that counts has ended yet"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ClaimAnswers:
    """What became of one claim."""

    record: Mapping[str, Any]
    """As sealed: id, kind, device, comparator, clips, margin, kept, primary, quote, impression, blocks."""
    planned: int
    """Trials planned for it in the sittings that count."""
    heard: HeardAnswers | None = None
    stopped: StoppedAnswers | None = None
    """In place of `heard`, where a stopping rule ended the sittings."""
    preferred: PreferredAnswers | None = None
    attribute: AttributeAnswers | None = None
    scaled: ScaleAnswers | None = None
    listened: ListenedAnswers | None = None
    rated: RatedAnswers | None = None
    unreliable: UnreliableAnswers | None = None
    threshold: ThresholdAnswers | None = None
    matched: SettingsFacts | None = None
    staged: StageFacts | None = None
    unreliable_labels: bool = False
    """Whether it is answered by ratings under names that may be wrong."""
    why_not: str = ""
    """Why there is no result."""
    p_value: float | None = None
    """Of the test that the word rests on; for ratings the smallest alpha at which the verdict is reached."""
    adjusted_p_value: float | None = None
    """By Holm over the confirmatory claims besides the primary one; None where there is at most one."""

    @property
    def word(self) -> str:
        """How it ends, standing alone."""
        if self.heard is not None:
            return self.heard.conclusion.word
        if self.stopped is not None:
            return self.stopped.conclusion.word
        if self.preferred is not None:
            return self.preferred.conclusion.word
        if self.attribute is not None:
            return self.attribute.conclusion.word
        if self.scaled is not None:
            return self.scaled.facts.word
        if self.listened is not None:
            return self.listened.choice.word
        if self.rated is not None:
            return self.rated.result.verdict
        if self.threshold is not None:
            return self.threshold.conclusion.word
        if self.matched is not None and self.matched.result is not None:
            return self.matched.result.word
        if self.staged is not None:
            return self.staged.word
        if self.unreliable is not None:
            return self.unreliable.word
        return self._unsettled

    def word_among(self, alpha: float) -> str:
        """Return how it ends among all claims, at the level `alpha`: as the report says it."""
        return left_standing(self.word, self.adjusted_p_value, alpha, self._unsettled)

    @property
    def _unsettled(self) -> str:
        return "undecided" if self.record["kind"] == "rated" and not self.unreliable_labels else "open"


def claim_answers(
    claim: Mapping[str, Any], sittings: Sequence[SittingAnswers], record: Mapping[str, Any], alpha: float
) -> ClaimAnswers:
    """Return what became of a sealed claim with some sittings; `record`: the study seal's."""
    found = ClaimAnswers(
        record=claim,
        planned=sum(len(sitting.planned_for(claim)) for sitting in sittings),
        unreliable_labels=has_unreliable_labels(claim, record),
    )
    if not found.planned:
        return replace(found, why_not=NOBODY)
    try:
        return _answered(found, sittings, record, alpha)
    except BlindtestError as error:
        return replace(found, why_not=error.faults[0].problem)


def _answered(
    found: ClaimAnswers, sittings: Sequence[SittingAnswers], record: Mapping[str, Any], alpha: float
) -> ClaimAnswers:
    claim, planned = found.record, found.planned
    if found.unreliable_labels:
        unreliable = unreliable_answers(claim, sittings, recognition_of(sittings), alpha)
        return replace(found, unreliable=unreliable, p_value=unreliable.p_value)
    match claim["kind"]:
        case "preferred":
            apart = SEVERAL in record["analysis"]
            preferred = preferred_answers(claim, sittings, alpha, planned, listeners_apart=apart)
            return replace(found, preferred=preferred, p_value=preferred.p_value)
        case "attribute":
            method = _method_of(claim, sittings)
            if METHODS[method].answer_kind == "rate":
                scaled = scale_answers(claim, sittings, record, alpha)
                return replace(found, scaled=scaled, p_value=scaled.facts.p_value)
            apart = ATTRIBUTE_BY_SEVERAL in record["analysis"]
            attribute = attribute_answers(claim, sittings, alpha, planned, method, listeners_apart=apart)
            return replace(found, attribute=attribute, p_value=attribute.p_value)
        case "keeps listening":
            listened = listened_answers(claim, sittings, alpha, planned)
            return replace(found, listened=listened, p_value=listened.p_value)
        case "rated":
            rated = rated_answers(claim, sittings, record, alpha)
            return replace(found, rated=rated, p_value=rated.result.smallest_alpha)
        case "threshold":
            return replace(found, threshold=threshold_answers(claim, sittings, record, alpha))
        case "stage":
            staged = stage_answers(claim, sittings, record, alpha)
            return replace(found, staged=staged, p_value=staged.p_value)
        case "matched":
            matched = adjusted_for(claim, sittings, record, alpha)
            if matched.result is None:
                return replace(found, why_not=matched.why_not)
            return replace(found, matched=matched, p_value=matched.result.p_value)
    if (by_rule := rule_of(claim, sittings)) is not None:
        by_mean = STOPPED_BY_SEVERAL in record["analysis"]
        stopped = stopped_answers(claim, sittings, alpha, *by_rule, by_mean=by_mean)
        return replace(found, stopped=stopped, p_value=stopped.conclusion.decisive_p_value)
    apart = HEARD_BY_SEVERAL in record["analysis"]
    heard = heard_answers(claim, sittings, alpha, planned, _method_of(claim, sittings), listeners_apart=apart)
    return replace(found, heard=heard, p_value=heard.p_value)


def _method_of(claim: Mapping[str, Any], sittings: Sequence[SittingAnswers]) -> str:
    """Return the one method of the blocks that answer a claim."""
    blocks = (block for sitting in sittings for block in sitting.plan.protocol.blocks)
    methods: list[str] = sorted({block.method for block in blocks if block.id in claim["blocks"]})
    if len(methods) != 1:
        raise BlindtestError(Fault(problem=f"several methods together: {', '.join(methods)}"))
    return methods[0]
