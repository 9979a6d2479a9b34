"""Which stage is heard, in lines for the terminal: the conclusion, every stage, every product that can be told."""

from blindtest.report import StageFacts, stage_beside, stage_rows, stage_sentence
from blindtest.steps.columns import columns

__all__ = ["stage_lines"]


def stage_lines(facts: StageFacts) -> list[str]:
    """Return a conclusion about a stage with everything that must stand beside it, a line each."""
    lines = [f"Result: {facts.word}. {stage_sentence(facts, facts.device)}", "", *stage_beside(facts, facts.plan)]
    for products in (False, True):
        head, rows = stage_rows(facts, products=products)
        if rows:
            lines += ["", columns(head, rows)]
    return lines
