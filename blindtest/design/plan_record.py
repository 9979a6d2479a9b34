"""From what is asked of a sitting to the record of its plan, and from record and nonce to the plan again."""

from collections.abc import Mapping
from typing import Any

from blindtest.design.draws import Draws
from blindtest.design.plan import Plan
from blindtest.design.protocol import Protocol
from blindtest.design.protocol_record import protocol_from_record, protocol_record, scheduled_record
from blindtest.design.schedule import ScheduledSitting
from blindtest.design.seal import commitment, key_seed
from blindtest.methods import METHODS, Method

__all__ = ["make_plan", "plan_from_record"]

RULE = "sha256-1"
"""The rule of draws of this module; another rule gets another name, so that old plans can be drawn again."""


def make_plan(
    *,
    study_seal: str,
    sitting: int,
    protocol: Protocol,
    conditions: tuple[str, ...],
    clips: tuple[str, ...],
    nonce: bytes,
    deadline: str,
    public: str = "",
    public_source: str = "",
    beyond_plan: bool = False,
    scheduled: ScheduledSitting | None = None,
    compared: Mapping[str, tuple[str, ...]] | None = None,
    labels: Mapping[str, str] | None = None,
    helper: Mapping[str, Any] | None = None,
    starts: Mapping[str, int] | None = None,
    rate_hz: int | None = None,
    methods: Mapping[str, Method] = METHODS,
) -> Plan:
    """Return the plan of one sitting.

    Parameters
    ----------
    study_seal : commitment of the study seal, hex
    sitting : number in the register, from 1
    conditions, clips : ids, in the order of the study file
    nonce : 32 bytes of the system's entropy, asked for by the caller
    deadline : ISO 8601 time after which an unfinished sitting counts as abandoned
    public, public_source : text issued elsewhere after the commitment, which stops redrawing, and where it came from
    beyond_plan : one sitting more than were planned for this listener; reported, never counted
    scheduled : the place in the listener's series; `protocol` holds the blocks of this sitting only
    compared : block id to the conditions that it compares; those left out compare all of `conditions`
    labels : condition id to the name that a listener reads, where a phase or a question names it
    helper : how the plan is locked under a helper's passphrase; None where it is not
    starts : block id to where the listener begins in its Williams design; only of blocks with a sequence
    rate_hz : of the stimuli that this sitting is heard at, where they were rendered at several
    methods : the table of methods
    """
    if not clips or not conditions:
        raise ValueError("a plan needs clips and conditions")
    if any(block.stopping is not None for block in protocol.blocks[:-1]):
        # Its end tells something of the answers, and what comes after it would be answered knowing that.
        raise ValueError("a block that may end early stands last")
    record: dict[str, Any] = {
        "format": 1,
        "kind": "sitting plan",
        "draws": RULE,
        "study_seal": study_seal,
        "sitting": sitting,
        "protocol": protocol_record(protocol),
        "conditions": list(conditions),
        "clips": list(clips),
        "deadline": deadline,
        "public_source": public_source,
        "beyond_plan": beyond_plan,
        "scheduled": scheduled_record(scheduled),
        "compared": {block: list(ids) for block, ids in (compared or {}).items()},
        "labels": dict(labels or {}),
        **({"helper": dict(helper)} if helper else {}),
        **({"starts": dict(starts)} if starts else {}),
        **({"rate_hz": rate_hz} if rate_hz is not None else {}),
    }
    return _planned(record, nonce, public, methods)


def plan_from_record(
    record: Mapping[str, Any],
    nonce: bytes,
    *,
    expected: str | None = None,
    public: str = "",
    methods: Mapping[str, Method] = METHODS,
) -> Plan:
    """Draw a plan again from what was opened.

    Raises
    ------
    ValueError
        Record and nonce do not give the commitment `expected`, or the record follows a rule that is not known here.
    """
    if record.get("draws") != RULE or record.get("format") != 1:
        raise ValueError(f"unknown rule of draws {record.get('draws')!r}, format {record.get('format')!r}")
    plan = _planned(record, nonce, public, methods)
    if expected is not None and plan.commitment != expected:
        raise ValueError(f"record and nonce give the commitment {plan.commitment}, not {expected}")
    return plan


def _planned(record: Mapping[str, Any], nonce: bytes, public: str, methods: Mapping[str, Method]) -> Plan:
    return Plan(
        record=record,
        nonce=nonce,
        commitment=commitment(record, nonce),
        protocol=protocol_from_record(record["protocol"]),
        conditions=tuple(record["conditions"]),
        clips=tuple(record["clips"]),
        draws=Draws(key_seed(nonce, public)),
        methods=methods,
    )
