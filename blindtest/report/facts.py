"""All that a report says: plain frozen values, filled by the steps, read by the page and its figures.

Nothing here opens a file; statistics are taken from `blindtest.stats` by the `of` of the facts concerned. Shares and
proportions are 0 ... 1, levels dB, loudness LUFS, frequencies Hz, durations s; times are `datetime` with a zone. Every
text may come from a user and is escaped by whoever prints it.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime

from blindtest.report.chain_facts import ChainFacts
from blindtest.report.choice_facts import PlanFacts, Results, Truth
from blindtest.report.claim_facts import ClaimFacts, ClaimResult, ProtocolFacts
from blindtest.report.correction_facts import CorrectionFacts
from blindtest.report.hardware_facts import HardwareFacts
from blindtest.report.panel_words import ConsentFacts
from blindtest.report.rating_facts import RatingFacts
from blindtest.report.record_facts import ImpressionFacts, RecordEvent, SealFacts, SittingFacts, TrialFacts
from blindtest.report.screening_facts import ScreeningFacts
from blindtest.report.setting_words import SettingsFacts
from blindtest.report.sound_facts import (
    ClipFacts,
    ConditionFacts,
    FilterCurve,
    LimitFacts,
    MatchLine,
    RenderingFacts,
    ResponseCurve,
    UnitFacts,
)

__all__ = ["ReportInput", "names_of"]

_ROLES = ("primary", "confirmatory", "exploratory")


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportInput:
    """All that a report says. `blindtest.report.html` and `.markdown` read nothing else."""

    title: str
    generated_at: datetime
    reviewer: str = ""
    question: str = ""
    """In the user's words; '' lets the page say it from the conditions compared."""
    conditions: tuple[ConditionFacts, ...]
    compared: tuple[str, str]
    """Ids of the two conditions that the claim is about, device first."""
    claim: ClaimFacts = field(default_factory=ClaimFacts)
    protocol: ProtocolFacts
    plan: PlanFacts | None = None
    """Of the claim heard; None where the study has none."""
    results: Results | None = None
    """Of the claim heard; None: nobody has finished a sitting yet."""
    claims: tuple[ClaimResult, ...] = ()
    """Every claim, the primary first; () where `claim`, `plan` and `results` say it all (one claim of kind heard)."""
    impressions: tuple[ImpressionFacts, ...] = ()
    """In the order in which they were put on record."""
    events: tuple[RecordEvent, ...] = ()
    """What else is known to have happened when: graphs seen, commitments posted ... Impressions, measurements, clips,
    seal and sittings are put in order from the facts themselves."""
    ratings: tuple[RatingFacts, ...] = ()
    """Every counted rating."""
    corrections: tuple[CorrectionFacts, ...] = ()
    rendering: RenderingFacts = field(default_factory=RenderingFacts)
    hardware: HardwareFacts | None = None
    """Real units, switched; None where all that sounded was rendered."""
    units: tuple[UnitFacts, ...] = ()
    clips: tuple[ClipFacts, ...] = ()
    responses: tuple[ResponseCurve, ...] = ()
    """Of the units compared, in the order of `compared`; the difference is first minus second."""
    filters: tuple[FilterCurve, ...] = ()
    chains: tuple[ChainFacts, ...] = ()
    """What was applied for each condition, stage by stage."""
    limits: tuple[LimitFacts, ...] = ()
    match: tuple[MatchLine, ...] = ()
    sittings: tuple[SittingFacts, ...] = ()
    trials: tuple[TrialFacts, ...] = ()
    seal: SealFacts = field(default_factory=SealFacts)
    versions: Mapping[str, str] = field(default_factory=dict)
    hashes: Mapping[str, str] = field(default_factory=dict)
    """{what: SHA-256 in hex}: study file, protocol, stimuli."""
    seeds: Mapping[str, str] = field(default_factory=dict)
    cautions: tuple[str, ...] = ()
    """About hearing and level: what was told to listeners, what is known of the level."""
    deviations: tuple[str, ...] = ()
    """From the plan or the standard."""
    controls: tuple[str, ...] = ()
    """What control trials found, a sentence each."""
    settings: tuple[SettingsFacts, ...] = ()
    """What listeners set themselves where no claim rests on it: a cross-check on level matching."""
    reseating: tuple[str, ...] = ()
    """How far units, seatings and samples lie apart as measured, a sentence each."""
    screening: ScreeningFacts | None = None
    """What a panel's listeners played on, as far as tests can tell; None where it was not tested."""
    consent: ConsentFacts | None = None
    """What a panel's listeners agreed to; None where there was no panel."""
    models: tuple[str, ...] = ()
    """Of claims that were asked of several models of harmonics: how each ends over all of them, a sentence each."""
    recognition: str = ""
    """What the question 'which one was it?' found; '' where it was not asked."""
    truth: tuple[Truth, ...] = ()
    """Simulated listeners' true sensitivities; only in demonstrations."""
    invented: bool = False
    """Whether devices, clips and listeners are invented (the demonstration): marked on top of the page."""

    def __post_init__(self) -> None:
        known = {condition.id for condition in self.conditions}
        if not set(self.compared) <= known:
            raise ValueError(f"compared {self.compared} are not among the conditions {sorted(known)}")

    @property
    def answers(self) -> tuple[ClaimResult, ...]:
        """Every claim with its result, the primary first, also where only `claim` and `results` were filled."""
        if self.claims:
            return tuple(sorted(self.claims, key=lambda one: _ROLES.index(one.claim.role)))
        device, comparator = self.compared
        return (
            ClaimResult(
                claim=replace(
                    self.claim,
                    kind="heard",
                    device=self.claim.device or device,
                    comparator=self.claim.comparator or comparator,
                    margin=self.protocol.margin,
                ),
                heard=self.results,
                plan=self.plan,
                alpha=self.protocol.alpha,
            ),
        )

    def of_kind(self, kind: str) -> tuple[ClaimResult, ...]:
        """Return the claims of one kind, the primary first."""
        return tuple(one for one in self.answers if one.claim.kind == kind)

    @property
    def heard(self) -> ClaimResult | None:
        """The claim that something is heard, where the study has one."""
        return next(iter(self.of_kind("heard")), None)

    @property
    def names(self) -> dict[str, str]:
        """What a reader calls each condition, by its id; a name that is taken already stands behind the id."""
        return names_of(self.conditions)

    @property
    def listeners(self) -> tuple[str, ...]:
        """Whoever sat, in the order of the register."""
        return tuple(dict.fromkeys(sitting.listener for sitting in self.sittings))

    def name_of(self, condition: str) -> str:
        """Return the name a reader sees for a condition's id."""
        return self.names.get(condition, condition)

    def counted_trials(self) -> tuple[TrialFacts, ...]:
        """Return the trials that count, each once: its first answered attempt, or the last unanswered one."""
        kept: dict[tuple[str, int, int], TrialFacts] = {}
        for trial in self.trials:
            key = (trial.listener, trial.sitting, trial.trial)
            if trial.counted and (key not in kept or not kept[key].answered):
                kept[key] = trial
        return tuple(kept.values())


def names_of(conditions: Iterable[ConditionFacts]) -> dict[str, str]:
    """Return what a reader calls each condition, by its id; see `ReportInput.names`."""
    out: dict[str, str] = {}
    for condition in conditions:
        name = condition.name or condition.id
        out[condition.id] = f"{condition.id}, {name}" if name in out.values() else name
    return out
