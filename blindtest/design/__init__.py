"""What will be asked, in which order, fixed and sealed before anybody listens."""

from blindtest.design.claim import (
    DEFAULT_KEPT,
    DEFAULT_MARGIN_POINTS,
    Claim,
    ClaimKind,
    Direction,
    chance_of_negligible,
    chance_of_shown,
    most_correct_for_negligible,
    tail_from,
)
from blindtest.design.draws import Draws
from blindtest.design.factorial import Factorial, effect_name, factorial
from blindtest.design.plan import Plan, PlannedTrial, exchanged, make_plan, plan_from_record
from blindtest.design.protocol import Block, ControlKind, Controls, Phase, Protocol
from blindtest.design.schedule import First, ScheduledSitting, first_phase, sittings_of
from blindtest.design.seal import (
    ChainCheck,
    Grade,
    Link,
    Sealed,
    canonical,
    commitment,
    grade,
    key_seed,
    link_hash,
    row_hash,
    seal,
    verify_chain,
)
from blindtest.design.stopping import Stopped, Stopping, StoppingRule, stopping_record
from blindtest.design.williams import panel_start, williams
from blindtest.methods import METHODS, Setting, default_numbers

__all__ = [
    "DEFAULT_KEPT",
    "DEFAULT_MARGIN_POINTS",
    "METHODS",
    "Block",
    "ChainCheck",
    "Claim",
    "ClaimKind",
    "ControlKind",
    "Controls",
    "Direction",
    "Draws",
    "Factorial",
    "First",
    "Grade",
    "Link",
    "Phase",
    "Plan",
    "PlannedTrial",
    "Protocol",
    "ScheduledSitting",
    "Sealed",
    "Setting",
    "Stopped",
    "Stopping",
    "StoppingRule",
    "canonical",
    "chance_of_negligible",
    "chance_of_shown",
    "commitment",
    "default_numbers",
    "effect_name",
    "exchanged",
    "factorial",
    "first_phase",
    "grade",
    "key_seed",
    "link_hash",
    "make_plan",
    "most_correct_for_negligible",
    "panel_start",
    "plan_from_record",
    "row_hash",
    "seal",
    "sittings_of",
    "stopping_record",
    "tail_from",
    "verify_chain",
    "williams",
]
