"""What a report says of ratings under names that may be wrong, from their answers and from the seal."""

from collections.abc import Mapping
from typing import Any

from blindtest.report import RecognitionFacts, UnreliableFacts, UnreliablePlan, UnreliableTruth
from blindtest.steps.answers.unreliable import UNRELIABLE, UnreliableAnswers
from blindtest.study import unreliable_reach

__all__ = ["REFUTED_BY_SOUND", "unreliable_facts", "unreliable_plan_facts"]

REFUTED_BY_SOUND = (
    "showing, at a risk of error of {alpha:g}, that the other one is rated above for its sound, or that the sounds lie "
    "less than {margin:g} points apart"
)


def unreliable_facts(found: UnreliableAnswers | None, truth: UnreliableTruth | None) -> UnreliableFacts | None:
    """Return the facts of an analysis; None where there is none."""
    if found is None:
        return None
    return UnreliableFacts.of(
        found.result,
        table=found.ratings,
        recognition=tuple(RecognitionFacts.of(who, result) for who, result in found.recognition),
        unanswered=found.unanswered,
        truth=truth,
    )


def unreliable_plan_facts(claim: Mapping[str, Any], record: Mapping[str, Any]) -> UnreliablePlan:
    """Return what the sealed plan could refute: from its numbers alone, not from what was found."""
    blocks = [
        one for one in record["protocol"]["blocks"] if one["id"] in claim["blocks"] and one["phase"] == UNRELIABLE
    ]
    clips = len(claim["clips"])
    reach = unreliable_reach(
        listeners=int(record["listeners"]),
        sittings=max(one["sittings"] for one in blocks),
        ratings=sum(clips * int(one["numbers"]["repeats"]) for one in blocks),
        margin=float(claim["margin"]),
        clips=clips,
        sample=not claim.get("only_these_clips"),
    )
    return UnreliablePlan(sentence=reach.sentence, chance_to_fail=reach.chance_negligible)
