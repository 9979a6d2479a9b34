"""A claim whose block may end early by a rule: what is known of it before the rule's table is computed.

How often such a plan shows or refutes the claim follows from the table; `blindtest check` says it, and refuses a plan
that cannot refute its claim, as does sealing.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from blindtest.design import Block, StoppingRule
from blindtest.study.findings import Findings

__all__ = ["RuledReach", "ruled_reach"]


@dataclass(frozen=True, slots=True, kw_only=True)
class RuledReach:
    """A plan that may end early."""

    rule: StoppingRule
    trials: int
    """The most there can be."""
    margin: float

    @property
    def sentence(self) -> str:
        """The plan in plain words."""
        return f"at most {self.trials} trials, margin {self.margin:g}: the rule {self.rule} may end a sitting before"


def ruled_reach(
    blocks: Sequence[Block],
    margin: float,
    *,
    some_clips: bool,
    place: tuple[str | int, ...],
    found: Findings,
) -> RuledReach | None:
    """Return the reach of a claim that blocks with a stopping rule answer, or None where none has one.

    Complains where the rule, which counts all answers of its block, is not about the claim alone.
    """
    ruled = [block for block in blocks if block.stopping is not None]
    if not ruled:
        return None
    block = ruled[-1]
    assert block.stopping is not None
    if len(blocks) > 1:
        found.fault(
            place,
            f"block {block.id} ends by a rule, and other blocks answer the same claim: together they follow none",
            got=", ".join(one.id for one in blocks),
            allowed="one block for the claim, or rule = 'fixed'",
        )
    if some_clips:
        found.fault(
            place,
            f"block {block.id} ends by a rule that counts the answers on every clip: a claim on some of them has none",
            allowed="clips = 'all', or rule = 'fixed'",
            remedy="or leave the other clips out of the study",
        )
    return RuledReach(rule=block.stopping.rule, trials=block.trials, margin=margin)
