"""Claims and protocol as a report tells them: what was claimed, how it was asked, what came out, by which right.

A study has one primary claim; further confirmatory ones are corrected by Holm; all else is exploratory.
"""

from dataclasses import dataclass
from typing import Literal, TypeAlias

from blindtest.report.attribute_facts import AttributeFacts
from blindtest.report.choice_facts import PlanFacts, Results
from blindtest.report.listened_facts import ListenedFacts, ListenedPlan
from blindtest.report.preference_facts import PreferenceFacts, PreferencePlanFacts
from blindtest.report.rating_facts import RatedFacts
from blindtest.report.scale_facts import ScaleFacts
from blindtest.report.setting_words import SettingsFacts
from blindtest.report.stage_words import StageFacts
from blindtest.report.stopped_words import StoppedFacts
from blindtest.report.survival_plan_facts import SurvivalPlanFacts
from blindtest.report.threshold_words import ThresholdFacts
from blindtest.report.unreliable_facts import UnreliableFacts, UnreliablePlan
from blindtest.stats import AttributeChances, Companion, PanelChances
from blindtest.study import ScaleReach, StageReach

__all__ = ["BlockFacts", "ClaimFacts", "ClaimResult", "ProtocolFacts", "Role", "left_standing"]

Role = Literal["primary", "confirmatory", "exploratory"]
_Result: TypeAlias = (
    Results
    | StoppedFacts
    | PreferenceFacts
    | AttributeFacts
    | ScaleFacts
    | ListenedFacts
    | ThresholdFacts
    | RatedFacts
    | UnreliableFacts
    | SettingsFacts
    | StageFacts
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ClaimFacts:
    """The claim under test, and what would have refuted it."""

    id: str = ""
    kind: str = "heard"
    quote: str = ""
    device: str = ""
    comparator: str = ""
    attribute: str = ""
    """What the device is said to have more of, or to be rated higher in ('quality' as a whole), where that is the
    claim."""
    scale: str = ""
    """What the scale is called on which an attribute is rated; '' where it is chosen."""
    unit: str = ""
    """Of that scale: 'points' or 'grades'."""
    clips: tuple[str, ...] = ()
    """() for all."""
    margin: float | None = None
    """Heard: share of trials; preferred, keeps listening: probability beyond 1/2; attribute: d'; threshold: level on
    the grid; rated: points."""
    kept: float | None = None
    """Rated: share of the labelled effect that counts as surviving."""
    unreliable: bool = False
    """Rated: whether under names that may be wrong; then the claim is about the sound, whatever its name."""
    primary: bool = True
    confirmatory: bool = True
    """False: exploratory, thought of after the seal or outside the family that Holm corrects."""
    stage: str = ""
    """Which of the device's stages is said to be heard, where that is the claim."""
    effect: str = ""
    """'either', 'raises' or 'lowers'."""
    paired: bool = False
    """Whether two combinations of stages at a time were compared, in place of ratings."""
    refuted_by: str = ""
    impression: str = ""
    """Begins the hash of the impression on record whose words are quoted; '' where none was named."""

    @property
    def role(self) -> Role:
        """By which right the claim is tested."""
        if not self.confirmatory:
            return "exploratory"
        return "primary" if self.primary else "confirmatory"


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockFacts:
    """One block of a protocol: a method with its phase and numbers."""

    id: str
    phase: str
    """'practice', 'worn', 'labelled', 'unreliable' or 'blind'."""
    method: str
    method_title: str = ""
    source: str = ""
    trials: int | None = None
    """In one sitting."""
    repeats: int | None = None
    sittings: int = 1
    """Of each listener, each on another day."""
    feedback: bool = False
    controls: int = 0
    """Control trials in one sitting, on top of the others."""
    may_end_sooner: bool = False
    """A stopping rule may end it before its last trial."""
    conditions: tuple[str, ...] = ()
    """Ids of what was heard in it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ProtocolFacts:
    """What every listener did, and the rules fixed before anybody listened."""

    name: str
    title: str = ""
    source: str = ""
    method: str = "abx"
    method_title: str = "ABX"
    decision_model: str = "differencing"
    """Of d': 'differencing', 'independent observations' ..."""
    guess_rate: float = 0.5
    trials: int
    """Counted trials in one sitting."""
    practice: int = 0
    sittings: int = 1
    """Sittings planned for each listener."""
    listeners: int = 1
    """Listeners planned."""
    alpha: float = 0.05
    margin: float | None = None
    """Share of trials heard beyond guessing that would matter; fixed beforehand."""
    deadline_days: float | None = None
    break_after: int | None = None
    stopping: str = "the number of trials was fixed beforehand"
    instructions: tuple[str, ...] = ()
    """What listeners were told, verbatim."""
    blocks: tuple[BlockFacts, ...] = ()
    """In order; () where the fields above say it all (one counted block)."""
    order: str = ""
    """'blind-first', 'labelled-first', 'crossed' or 'unreliable-labels' where there are named phases."""


def left_standing(word: str, adjusted_p_value: float | None, alpha: float, unsettled: str) -> str:
    """Return what a claim ends as among all claims: `unsettled`, where its word doesn't stand Holm's correction.

    word : as it ends standing alone
    adjusted_p_value : of the test that the word rests on, over the claims; None where none is due
    """
    settled = word not in ("open", "undecided", "nothing on record")
    return unsettled if settled and adjusted_p_value is not None and adjusted_p_value > alpha else word


@dataclass(frozen=True, slots=True, kw_only=True)
class ClaimResult:
    """A claim with what came out: one of `heard`, `preferred`, `attribute`, `scaled`, `listened`, `threshold`,
    `rated`, `unreliable` (rated, under names that may be wrong), `matched`, `staged`, or none yet."""

    claim: ClaimFacts
    heard: Results | None = None
    stopped: StoppedFacts | None = None
    """Of a claim of what is heard, in place of `heard`, where a stopping rule ended its sittings."""
    preferred: PreferenceFacts | None = None
    attribute: AttributeFacts | None = None
    scaled: ScaleFacts | None = None
    """Of an attribute that is rated."""
    listened: ListenedFacts | None = None
    rated: RatedFacts | None = None
    threshold: ThresholdFacts | None = None
    matched: SettingsFacts | None = None
    staged: StageFacts | None = None
    unreliable: UnreliableFacts | None = None
    plan: (
        PlanFacts
        | PreferencePlanFacts
        | AttributeChances
        | ScaleReach
        | StageReach
        | ListenedPlan
        | SurvivalPlanFacts
        | UnreliablePlan
        | None
    ) = None
    alpha: float = 0.05
    p_value: float | None = None
    """Of the test that the word rests on: for ratings the smallest alpha at which the verdict would be reached."""
    adjusted_p_value: float | None = None
    """By Holm over the confirmatory claims; None for the primary claim, and where there is but one further."""
    why_not: str = ""
    """Why there is no result, where there is none."""
    chance_to_fail: float | None = None
    """Chance that the plan finds it refuted or negligible where that is true, printed before the seal."""
    together: PanelChances | None = None
    """What several listeners could conclude, whose scatter *negligible* must withstand; None of one."""
    companions: tuple[Companion, ...] = ()
    """What else was looked at; never decisive."""

    def __post_init__(self) -> None:
        ended = (
            self.heard,
            self.stopped,
            self.preferred,
            self.attribute,
            self.scaled,
            self.listened,
            self.threshold,
            self.rated,
            self.unreliable,
            self.matched,
            self.staged,
        )
        given = [one for one in ended if one is not None]
        if len(given) > 1:
            raise ValueError(f"claim {self.claim.id!r} ends in {len(given)} kinds of result")
        if given and self._of_kind is None:
            raise ValueError(f"claim {self.claim.id!r} is of kind {self.claim.kind!r}, its result is of another")

    @property
    def _of_kind(self) -> "_Result | None":
        found: dict[str, _Result | None] = {
            "heard": self.heard or self.stopped,
            "preferred": self.preferred,
            "attribute": self.attribute or self.scaled,
            "keeps listening": self.listened,
            "threshold": self.threshold,
            "rated": self.unreliable if self.claim.unreliable else self.rated,
            "matched": self.matched,
            "stage": self.staged,
        }
        return found.get(self.claim.kind)

    @property
    def done(self) -> bool:
        """Whether there is a result at all."""
        return self._of_kind is not None

    @property
    def word_alone(self) -> str:
        """What the claim would end as if it stood alone."""
        if self.heard is not None:
            return self.heard.conclusion
        if self.stopped is not None:
            return self.stopped.conclusion.word
        if self.preferred is not None:
            return self.preferred.word
        if self.attribute is not None:
            return self.attribute.conclusion.word
        if self.scaled is not None:
            return self.scaled.word
        if self.listened is not None:
            return self.listened.choice.word
        if self.rated is not None:
            return self.rated.verdict
        if self.threshold is not None:
            return self.threshold.conclusion.word
        if self.matched is not None and self.matched.result is not None:
            return self.matched.result.word
        if self.staged is not None:
            return self.staged.word
        if self.unreliable is not None:
            return self.unreliable.word
        return self._unsettled

    @property
    def _unsettled(self) -> str:
        return "undecided" if self.claim.kind == "rated" and not self.claim.unreliable else "open"

    @property
    def word(self) -> str:
        """What it ends as: a word that Holm's correction over the claims does not leave standing is open."""
        adjusted = None if self.claim.role == "primary" or self._of_another_test else self.adjusted_p_value
        return left_standing(self.word_alone, adjusted, self.alpha, self._unsettled)

    @property
    def _of_another_test(self) -> bool:
        """Whether the p is that against a thrown coin, which says nothing about a preference that is negligible."""
        facts = self.preferred
        return (
            facts is not None
            and facts.word == "negligible"
            and self.p_value in (facts.answered.p_value, facts.against.p_value, facts.favouring.p_value)
        )
