"""What it takes for a claim to fail, in words: what is true then, and how often the plan says so."""

from blindtest.report.claim_facts import ClaimResult
from blindtest.report.words import spelled

__all__ = ["failing_words"]

_EITHER = (
    "where the two are alike, or apart by the margin the other way round, the plan says so with a chance "
    "of up to {chance}"
)
_NOTHING = {
    "heard": "where nobody hears anything, the plan says so with a chance of {chance}",
    "rated": "where nothing of the impression is left blind, the plan says so with a chance of {chance}",
    "stage": "where the stage does nothing, the plan says so with a chance of {chance}",
}
_ALIKE = "where the sounds are rated alike, the plan says so with a chance of {chance}"


def failing_words(result: ClaimResult) -> str:
    """Return when the plan finds that the claim does not hold, and how often; '' where that was not computed."""
    if result.chance_to_fail is None:
        return ""
    claim = result.claim
    directed = claim.kind == "stage" and claim.effect != "either"
    said = _ALIKE if claim.unreliable else _EITHER if directed else _NOTHING.get(claim.kind, _EITHER)
    return said.format(chance=spelled(result.chance_to_fail))
