"""The question of a report in one sentence."""

from blindtest.report.facts import ReportInput
from blindtest.report.unreliable_words import unreliable_question
from blindtest.report.words import clean, short_names

__all__ = ["question"]


def question(report: ReportInput) -> str:
    """Return the question in one sentence: the user's, or one made from the primary claim."""
    if clean(report.question):
        return clean(report.question)
    claim = report.answers[0].claim
    a, b = short_names([report.name_of(claim.device), report.name_of(claim.comparator)])
    if claim.kind == "preferred":
        return f"Is {a} preferred to {b}, blind and at equal loudness?"
    if claim.kind == "attribute" and claim.scale:
        return f"Is {a} rated above {b} in {clean(claim.scale)}, blind and at equal loudness?"
    if claim.kind == "attribute":
        return f"Does {a} have more {clean(claim.attribute)} than {b}, blind and at equal loudness?"
    if claim.kind == "threshold":
        return f"How much of {a} does it take to be heard against {b}, blind?"
    if claim.kind == "stage":
        return f"Which stage of {a} is heard, blind and at equal loudness?"
    if claim.kind == "matched":
        return f"Do listeners set {a} where it was matched with {b}, blind?"
    if claim.kind == "keeps listening":
        return f"Does {a} keep people listening more than {b}, blind and at equal loudness?"
    if claim.unreliable:
        return unreliable_question(a, b)
    if claim.kind == "rated":
        return f"Is {a} rated above {b}, and does that survive when the names are gone?"
    return f"Can {a} and {b} be told apart by ear, blind and at equal loudness?"
