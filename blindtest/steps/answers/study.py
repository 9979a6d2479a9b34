"""What a study's record says: the sittings under one seal, their answers, and what becomes of each claim.

The sealed records are read, never the study file as it stands now: what was planned is what was sealed.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from blindtest.errors import BlindtestError, Fault
from blindtest.report import SettingsFacts
from blindtest.session.register import WITHHELD
from blindtest.stats import Conclusion, adjust_p_values
from blindtest.steps.answers.adjusted import adjusted_beside
from blindtest.steps.answers.claim import ClaimAnswers, claim_answers
from blindtest.steps.answers.heard import ListenerAnswers
from blindtest.steps.answers.sitting import SittingAnswers, recorded_sitting
from blindtest.steps.answers.variant import agreements
from blindtest.steps.controls import ControlsFound, controls_found

if TYPE_CHECKING:
    from blindtest.session.record import Record
    from blindtest.session.register import SealEntry

__all__ = ["Answers", "answers_of", "read_answers"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Answers:
    """All that was answered under one study seal."""

    seal: "SealEntry"
    sittings: tuple[SittingAnswers, ...]
    """Under this seal, counted and beyond the plan, ended and open."""
    alpha: float
    claims: tuple[ClaimAnswers, ...]
    """The primary one first."""
    withheld: int
    """Sittings whose listener had them erased."""
    elsewhere: int = 0
    """Sittings of this folder under other study seals."""
    controls: tuple[ControlsFound, ...] = ()
    """Of the sittings that count, kind by kind; () where the plan holds none."""
    settings: tuple[SettingsFacts, ...] = ()
    """What listeners set themselves where no claim rests on it."""

    @property
    def counted(self) -> tuple[SittingAnswers, ...]:
        """Sittings that enter the analysis."""
        return tuple(sitting for sitting in self.sittings if sitting.enters)

    @property
    def primary(self) -> ClaimAnswers:
        """The primary claim."""
        return self.claims[0]

    @property
    def conclusion(self) -> Conclusion | None:
        """The conclusion of the primary claim where it is one of hearing."""
        return self.primary.heard.conclusion if self.primary.heard else None

    @property
    def listeners(self) -> tuple[ListenerAnswers, ...]:
        """Listeners one by one, where the primary claim is one of hearing."""
        return self.primary.heard.listeners if self.primary.heard else ()

    @property
    def planned_trials(self) -> int:
        """Counted trials planned for the primary claim in the sittings that enter the analysis."""
        return self.primary.planned

    @property
    def margin(self) -> float | None:
        """Margin of the primary claim."""
        margin = self.primary.record["margin"]
        return None if margin is None else float(margin)


def read_answers(store: "Record") -> Answers:
    """Return the answers under the study seal of the latest sitting.

    Raises
    ------
    BlindtestError
        Nobody has sat yet.
    """
    entries = store.sittings()
    if not entries:
        raise BlindtestError(
            Fault(problem="nobody has listened yet", file=str(store.path), remedy="run blindtest listen")
        )
    seal = next(seal for seal in store.seals() if seal.commitment == entries[-1].study_seal)
    sittings = tuple(recorded_sitting(store, entry) for entry in entries if entry.study_seal == seal.commitment)
    alpha = float(seal.record["alpha"])
    counted = [sitting for sitting in sittings if sitting.enters]
    claims = sorted(seal.record["claims"], key=lambda claim: not claim["primary"])
    found = [claim_answers(claim, counted, seal.record, alpha) for claim in claims]
    return Answers(
        seal=seal,
        sittings=sittings,
        alpha=alpha,
        claims=tuple(_adjusted(found)),
        withheld=sum(sitting.entry.listener == WITHHELD for sitting in sittings),
        elsewhere=len(entries) - len(sittings),
        controls=controls_found([(sitting.plan, sitting.rows) for sitting in counted]),
        settings=adjusted_beside(counted, seal.record, alpha),
    )


def answers_of(answers: Answers, claim: Mapping[str, Any], listeners: Collection[str]) -> ClaimAnswers:
    """Return what became of a sealed claim with the sittings of some listeners alone."""
    own = [sitting for sitting in answers.counted if sitting.entry.listener in listeners]
    return claim_answers(claim, own, answers.seal.record, answers.alpha)


def _adjusted(claims: Sequence[ClaimAnswers]) -> list[ClaimAnswers]:
    """Return the claims with Holm's p over the confirmatory ones besides the primary."""
    # Stages are corrected over all of them where they are estimated; the models of one claim count as one claim.
    family = [
        one
        for one in claims
        if not (one.record["primary"] or one.record.get("variant_of"))
        and one.p_value is not None
        and one.staged is None
    ]
    if len(family) < 2:
        return list(claims)
    over_models = {one.claim: one.p_value for one in agreements(claims)}
    adjusted = adjust_p_values([over_models.get(str(one.record["id"])) or one.p_value or 0.0 for one in family])
    by_id = {one.record["id"]: float(p) for one, p in zip(family, adjusted, strict=True)}
    return [replace(one, adjusted_p_value=by_id.get(one.record["id"])) for one in claims]
