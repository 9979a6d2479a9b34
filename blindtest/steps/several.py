"""What a study's plan can conclude from all of its listeners' answers together."""

from collections.abc import Mapping

from blindtest.stats import PanelChances, panel_chances
from blindtest.study import AttributeReach, PreferenceReach, Reach, Study, claim_blocks, primary_claim

__all__ = ["several_chances"]

ALPHA = 0.05
"""Of every study seal."""


def several_chances(study: Study) -> Mapping[str, PanelChances]:
    """Return what listeners who are alike can show and refute together, by the claim's id; empty for one listener.

    Of claims that are decided by counts of right answers, choices or pairs whose number is fixed. What choices of
    whole tracks conclude of several is judged listener by listener, and not told here.
    """
    listeners = study.listeners.planned
    if listeners < 2:
        return {}
    claims = {claim.id: claim for claim in study.claims or (primary_claim(study),)}
    found = {}
    for name, reach in study.reaches.items():
        if name not in claims or not isinstance(reach, Reach | PreferenceReach | AttributeReach):
            continue
        claim = claims[name]
        blocks = claim_blocks(study, claim)
        if claim.kind not in ("heard", "preferred", "attribute") or not blocks:
            continue
        found[name] = panel_chances(
            claim.kind,
            method=blocks[0].method,
            listeners=listeners,
            trials=reach.trials,
            margin=reach.margin,
            alpha=ALPHA,
            direction=claim.direction if claim.kind != "heard" else "claimed",
        )
    return found
