"""What a study's record says: the sittings under one seal, their answers, and what becomes of each claim.

The sealed records are read, never the study file as it stands now: what was planned is what was sealed.
"""

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from blindtest.design import Plan, plan_from_record
from blindtest.errors import BlindtestError, Fault
from blindtest.methods import METHODS, guess_rate, settles_at
from blindtest.report import SettingsFacts, StageFacts
from blindtest.session.register import WITHHELD
from blindtest.stats import (
    Companion,
    Conclusion,
    PlanChances,
    PreferenceChances,
    PreferenceConclusion,
    PreferenceResult,
    RecognitionResult,
    SurvivalResult,
    ThresholdConclusion,
    adjust_p_values,
    choice_companions,
    conclude,
    conclude_attribute,
    conclude_preference,
    conclude_threshold,
    fit_paired_preferences,
    plan_chances,
    preference_chances,
    preference_companions,
    recognition_test,
    survival,
    survival_companions,
    table_of,
    trial_table,
)
from blindtest.steps.adjusted_answers import adjusted_beside, adjusted_for
from blindtest.steps.attribute_answers import AttributeAnswers, attribute_answers, p_of
from blindtest.steps.controls import ControlsFound, controls_found
from blindtest.steps.listened_answers import ListenedAnswers, listened_answers
from blindtest.steps.listened_answers import p_of as p_of_choices
from blindtest.steps.scale_answers import ScaleAnswers, scale_answers
from blindtest.steps.stage_answers import stage_answers
from blindtest.steps.stopped_answers import StoppedAnswers, rule_of, stopped_answers, trials_met
from blindtest.steps.unreliable_answers import UnreliableAnswers, has_unreliable_labels, unreliable_answers
from blindtest.steps.variant_answers import agreements

if TYPE_CHECKING:
    from blindtest.session.record import Record
    from blindtest.session.register import SealEntry, SittingEntry

__all__ = [
    "Answers",
    "ClaimAnswers",
    "HeardAnswers",
    "ListenerAnswers",
    "PreferredAnswers",
    "RatedAnswers",
    "SittingAnswers",
    "ThresholdAnswers",
    "answers_of",
    "read_answers",
]

OUTCOMES = {"1": "first", "2": "second", "none": "tie"}
RECOGNITION = "recognition"
NOBODY = "no sitting that counts has ended yet"
NEVER_COUNTED = ("practice", "control")
"""Phases of rows that no claim rests on."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SittingAnswers:
    """One sitting with its plan drawn again and its rows."""

    entry: "SittingEntry"
    plan: Plan
    rows: tuple[Mapping[str, Any], ...]
    beyond_plan: bool
    locked: bool = False
    """Under a helper's passphrase that was not given: the plan's numbers are its own, its draws and rows can't be read,
    and nothing in it was answered."""

    @property
    def counted_planned(self) -> int:
        """Planned trials that count; of a sitting that its stopping rule ended, those up to that."""
        if trials_met(self.plan, self.rows) < self.plan.length:
            return self.counted_answered
        return sum(block.trials for block in self.plan.protocol.blocks if block.counted)

    @property
    def counted(self) -> tuple[Mapping[str, Any], ...]:
        """Rows that count, in the order of trials; a rating has one for each slot."""
        return tuple(
            sorted((row for row in self.rows if row["phase"] not in NEVER_COUNTED), key=lambda row: int(row["trial"]))
        )

    @property
    def counted_answered(self) -> int:
        """Trials that count and were answered."""
        return len({int(row["trial"]) for row in self.counted})

    def of_claim(self, claim: Mapping[str, Any]) -> tuple[Mapping[str, Any], ...]:
        """Return the counted rows that answer a sealed claim: of its blocks, on its clips."""
        return tuple(row for row in self.counted if row["block"] in claim["blocks"] and row["clip"] in claim["clips"])

    def of_blocks(self, blocks: Sequence[str]) -> tuple[Mapping[str, Any], ...]:
        """Return the counted rows of some blocks."""
        return tuple(row for row in self.counted if row["block"] in blocks)

    def planned_for(self, claim: Mapping[str, Any]) -> tuple[int, ...]:
        """Return the numbers of the trials that were planned for a sealed claim: of its blocks, on its clips."""
        own = (
            number
            for number in range(self.plan.length)
            if self.plan.place(number)[0].id in claim["blocks"] and self.plan.control(number) is None
        )
        if set(self.plan.clips) <= set(claim["clips"]):
            return tuple(own)
        return tuple(number for number in own if self.plan.trial(number).clip in claim["clips"])

    def unanswered_for(self, claim: Mapping[str, Any]) -> int:
        """Return how many of them nobody answered; none while the sitting is open."""
        if self.entry.state == "open":
            return 0
        return len(self.planned_for(claim)) - len({int(row["trial"]) for row in self.of_claim(claim)})


@dataclass(frozen=True, slots=True, kw_only=True)
class ListenerAnswers:
    """One listener's choices over the counted sittings."""

    listener: str
    correct: int
    trials: int
    unanswered: int
    conclusion: Conclusion
    adjusted_p_value: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class HeardAnswers:
    """Whether a difference is heard."""

    method: str
    conclusion: Conclusion
    listeners: tuple[ListenerAnswers, ...]
    chances: PlanChances | None
    """Of the counted, ended sittings together; None without a margin."""
    companions: tuple[Companion, ...] = ()
    """What else was looked at."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PreferredAnswers:
    """Whether one is preferred."""

    conclusion: PreferenceConclusion
    comparisons: Any
    """A DataFrame: listener, sitting, clip, first, second, outcome (missing where unanswered)."""
    strengths: PreferenceResult | None
    why_no_strengths: str
    chances: PreferenceChances
    companions: tuple[Companion, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RatedAnswers:
    """Whether an impression survives blinding."""

    result: SurvivalResult
    ratings: Any
    """A DataFrame: listener, clip, device, mode, sitting, rating: worn ones too."""
    recognition: tuple[tuple[str, RecognitionResult], ...]
    """(listener or 'all answers', result); single listeners first, all answers last."""
    companions: tuple[Companion, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ThresholdAnswers:
    """How much it takes to be heard."""

    conclusion: ThresholdConclusion
    trials: Any
    """A DataFrame: listener, sitting, block, track, clip, level, correct; in the order in which they were answered."""
    unanswered: int
    task: str
    methods: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ClaimAnswers:
    """What became of one claim."""

    record: Mapping[str, Any]
    """As sealed: id, kind, device, comparator, clips, margin, kept, primary, quote, impression, blocks."""
    planned: int
    """Trials planned for it in the sittings that count."""
    heard: HeardAnswers | None = None
    stopped: StoppedAnswers | None = None
    """In place of `heard`, where a stopping rule ended the sittings."""
    preferred: PreferredAnswers | None = None
    attribute: AttributeAnswers | None = None
    scaled: ScaleAnswers | None = None
    listened: ListenedAnswers | None = None
    rated: RatedAnswers | None = None
    unreliable: UnreliableAnswers | None = None
    threshold: ThresholdAnswers | None = None
    matched: SettingsFacts | None = None
    staged: StageFacts | None = None
    unreliable_labels: bool = False
    """Whether it is answered by ratings under names that may be wrong."""
    why_not: str = ""
    """Why there is no result."""
    p_value: float | None = None
    """Of the test that the word rests on; for ratings the smallest alpha at which the verdict is reached."""
    adjusted_p_value: float | None = None
    """By Holm over the confirmatory claims besides the primary one; None where there is at most one."""

    @property
    def word(self) -> str:
        """How it ends, standing alone."""
        if self.heard is not None:
            return self.heard.conclusion.word
        if self.stopped is not None:
            return self.stopped.conclusion.word
        if self.preferred is not None:
            return self.preferred.conclusion.word
        if self.attribute is not None:
            return self.attribute.conclusion.word
        if self.scaled is not None:
            return self.scaled.facts.word
        if self.listened is not None:
            return self.listened.choice.word
        if self.rated is not None:
            return self.rated.result.verdict
        if self.threshold is not None:
            return self.threshold.conclusion.word
        if self.matched is not None and self.matched.result is not None:
            return self.matched.result.word
        if self.staged is not None:
            return self.staged.word
        if self.unreliable is not None:
            return self.unreliable.word
        return "undecided" if self.record["kind"] == "rated" and not self.unreliable_labels else "open"


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
    controls: tuple[ControlsFound, ...] = ()
    """Of the sittings that count, kind by kind; () where the plan holds none."""
    settings: tuple[SettingsFacts, ...] = ()
    """What listeners set themselves where no claim rests on it."""

    @property
    def counted(self) -> tuple[SittingAnswers, ...]:
        """Sittings that enter the analysis: ended, planned, not erased."""
        return tuple(sitting for sitting in self.sittings if _counts(sitting))

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


def _counts(sitting: SittingAnswers) -> bool:
    return sitting.entry.state != "open" and not sitting.beyond_plan and sitting.entry.forgotten is None


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
    sittings = tuple(_sitting(store, entry) for entry in entries if entry.study_seal == seal.commitment)
    alpha = float(seal.record["alpha"])
    counted = [sitting for sitting in sittings if _counts(sitting)]
    claims = sorted(seal.record["claims"], key=lambda claim: not claim["primary"])
    found = [_claim(claim, counted, seal.record, alpha) for claim in claims]
    return Answers(
        seal=seal,
        sittings=sittings,
        alpha=alpha,
        claims=tuple(_adjusted(found)),
        withheld=sum(sitting.entry.listener == WITHHELD for sitting in sittings),
        controls=controls_found([(sitting.plan, sitting.rows) for sitting in counted]),
        settings=adjusted_beside(counted, seal.record, alpha),
    )


def answers_of(answers: Answers, claim: Mapping[str, Any], listeners: Collection[str]) -> ClaimAnswers:
    """Return what became of a sealed claim with the sittings of some listeners alone."""
    own = [sitting for sitting in answers.counted if sitting.entry.listener in listeners]
    return _claim(claim, own, answers.seal.record, answers.alpha)


def _sitting(store: "Record", entry: "SittingEntry") -> SittingAnswers:
    if store.locked(entry.commitment):
        record = store.record(entry.commitment)
        stand_in = plan_from_record(record, bytes(32), public=store.public(entry.commitment))
        beyond = bool(record.get("beyond_plan", False))
        return SittingAnswers(entry=entry, plan=stand_in, rows=(), beyond_plan=beyond, locked=True)
    opened = store.sealed(entry.commitment)
    plan = plan_from_record(
        opened.record, opened.nonce, expected=entry.commitment, public=store.public(entry.commitment)
    )
    return SittingAnswers(
        entry=entry,
        plan=plan,
        rows=store.rows(entry.number),
        beyond_plan=bool(opened.record.get("beyond_plan", False)),
    )


def _claim(
    claim: Mapping[str, Any], sittings: Sequence[SittingAnswers], record: Mapping[str, Any], alpha: float
) -> ClaimAnswers:
    planned = sum(len(sitting.planned_for(claim)) for sitting in sittings)
    if has_unreliable_labels(claim, record):
        return _unreliable(claim, sittings, alpha, planned)
    if not planned:
        return ClaimAnswers(record=claim, planned=0, why_not=NOBODY)
    if claim["kind"] == "preferred":
        return _preferred(claim, sittings, alpha, planned)
    if claim["kind"] == "attribute":
        return _attribute(claim, sittings, record, alpha, planned)
    if claim["kind"] == "keeps listening":
        return _listened(claim, sittings, alpha, planned)
    if claim["kind"] == "rated":
        return _rated(claim, sittings, record, alpha, planned)
    if claim["kind"] == "threshold":
        return _threshold(claim, sittings, record, alpha, planned)
    if claim["kind"] == "stage":
        return _stage(claim, sittings, record, alpha, planned)
    if claim["kind"] == "matched":
        return _matched(claim, sittings, record, alpha, planned)
    if (by_rule := rule_of(claim, sittings)) is not None:
        stopped = stopped_answers(claim, sittings, alpha, *by_rule)
        return ClaimAnswers(record=claim, planned=planned, stopped=stopped, p_value=stopped.conclusion.decisive_p_value)
    return _heard(claim, sittings, alpha, planned)


def _adjusted(claims: Sequence[ClaimAnswers]) -> list[ClaimAnswers]:
    """Return the claims with Holm's p over the confirmatory ones besides the primary."""
    from dataclasses import replace

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


# matched


def _matched(
    claim: Mapping[str, Any],
    sittings: Sequence[SittingAnswers],
    record: Mapping[str, Any],
    alpha: float,
    planned: int,
) -> ClaimAnswers:
    found = adjusted_for(claim, sittings, record, alpha)
    if found.result is None:
        return ClaimAnswers(record=claim, planned=planned, why_not=found.why_not)
    return ClaimAnswers(record=claim, planned=planned, matched=found, p_value=found.result.p_value)


# stage


def _stage(
    claim: Mapping[str, Any],
    sittings: Sequence[SittingAnswers],
    record: Mapping[str, Any],
    alpha: float,
    planned: int,
) -> ClaimAnswers:
    try:
        staged = stage_answers(claim, sittings, record, alpha)
    except BlindtestError as error:
        return ClaimAnswers(record=claim, planned=planned, why_not=error.faults[0].problem)
    return ClaimAnswers(record=claim, planned=planned, staged=staged, p_value=staged.p_value)


# heard


def _heard(claim: Mapping[str, Any], sittings: Sequence[SittingAnswers], alpha: float, planned: int) -> ClaimAnswers:
    margin = claim["margin"]
    rows = [row for sitting in sittings for row in sitting.of_claim(claim)]
    methods = _methods(claim, sittings)
    if len(methods) != 1:
        return ClaimAnswers(record=claim, planned=planned, why_not=f"several methods together: {', '.join(methods)}")

    def concluded(own: Sequence[SittingAnswers]) -> Conclusion:
        answered = [row for sitting in own for row in sitting.of_claim(claim)]
        return conclude(
            sum(row["correct"] is True for row in answered),
            len(answered),
            method=methods[0],
            margin=margin,
            alpha=alpha,
            unanswered=sum(sitting.unanswered_for(claim) for sitting in own),
        )

    conclusion = concluded(sittings)
    chances = plan_chances(planned, method=methods[0], margin=margin, alpha=alpha) if margin else None
    names = list(dict.fromkeys(sitting.entry.listener for sitting in sittings if sitting.planned_for(claim)))
    own = [concluded([sitting for sitting in sittings if sitting.entry.listener == name]) for name in names]
    adjusted: list[float | None] = [None] * len(names)
    if len(names) > 1:
        adjusted = [float(p) for p in adjust_p_values([one.difference.p_value for one in own])]
    listeners = tuple(
        ListenerAnswers(
            listener=name,
            correct=one.correct,
            trials=one.trials,
            unanswered=one.unanswered,
            conclusion=one,
            adjusted_p_value=p,
        )
        for name, one, p in zip(names, own, adjusted, strict=True)
    )
    p_value = conclusion.difference.p_value
    if conclusion.word == "negligible" and conclusion.similarity is not None:
        p_value = conclusion.similarity.p_value
    assert len(rows) == conclusion.trials
    return ClaimAnswers(
        record=claim,
        planned=planned,
        heard=HeardAnswers(
            method=methods[0],
            conclusion=conclusion,
            listeners=listeners,
            chances=chances,
            companions=choice_companions(trial_table(rows), method=methods[0], alpha=alpha, margin=margin)
            if rows
            else (),
        ),
        p_value=p_value,
    )


def _methods(claim: Mapping[str, Any], sittings: Sequence[SittingAnswers]) -> list[str]:
    """Return the methods of the blocks that answer a claim, sorted."""
    blocks = (block for sitting in sittings for block in sitting.plan.protocol.blocks)
    return sorted({block.method for block in blocks if block.id in claim["blocks"]})


# attribute


def _attribute(
    claim: Mapping[str, Any], sittings: Sequence[SittingAnswers], record: Mapping[str, Any], alpha: float, planned: int
) -> ClaimAnswers:
    methods = _methods(claim, sittings)
    if len(methods) != 1:
        return ClaimAnswers(record=claim, planned=planned, why_not=f"several methods together: {', '.join(methods)}")
    if METHODS[methods[0]].answer_kind == "rate":
        try:
            scaled = scale_answers(claim, sittings, record, alpha)
        except BlindtestError as error:
            return ClaimAnswers(record=claim, planned=planned, why_not=error.faults[0].problem)
        return ClaimAnswers(record=claim, planned=planned, scaled=scaled, p_value=scaled.facts.p_value)
    found = attribute_answers(claim, sittings, alpha, planned, methods[0])
    one = found.conclusion

    def word_at(at: float) -> str:
        return conclude_attribute(
            one.correct,
            one.trials,
            method=one.method,
            margin=one.margin,
            alpha=at,
            direction=one.direction,
            unanswered=one.unanswered,
        ).word

    p_value = p_of(one)
    if one.word == "negligible":
        p_value = _smallest_alpha("negligible", alpha, word_at, halvings=40)
    return ClaimAnswers(record=claim, planned=planned, attribute=found, p_value=p_value)


# threshold


def _threshold(
    claim: Mapping[str, Any], sittings: Sequence[SittingAnswers], record: Mapping[str, Any], alpha: float, planned: int
) -> ClaimAnswers:
    blocks = [block for block in record["protocol"]["blocks"] if block["id"] in claim["blocks"]]
    tasks = sorted({str(block["numbers"]["task"]) for block in blocks})
    if len(tasks) != 1:
        return ClaimAnswers(record=claim, planned=planned, why_not=f"several tasks together: {', '.join(tasks)}")
    levels = record["grids"][claim["device"]]
    rows = [
        {
            "listener": row["listener"],
            "sitting": row["sitting"],
            "block": row["block"],
            "track": f"{row['block']}, sitting {row['sitting']}",
            "clip": row["clip"],
            "level": _level_in(row, levels),
            "correct": row["correct"],
        }
        for sitting in sittings
        for row in sitting.of_claim(claim)
    ]
    if not rows:
        return ClaimAnswers(record=claim, planned=planned, why_not="nobody has answered a trial that counts")
    table = table_of(rows, ("listener", "sitting", "block", "track", "clip", "level", "correct"))
    targets = {settles_at(block["method"], block["numbers"]) for block in blocks}
    conclusion = conclude_threshold(
        table,
        guess=guess_rate(blocks[0]["numbers"]),
        margin=float(claim["margin"]),
        alpha=alpha,
        staircases=None not in targets,
        target=next(iter(targets)) if len(targets) == 1 else None,
    )
    return ClaimAnswers(
        record=claim,
        planned=planned,
        threshold=ThresholdAnswers(
            conclusion=conclusion,
            trials=table,
            unanswered=sum(sitting.unanswered_for(claim) for sitting in sittings),
            task=tasks[0],
            methods=tuple(dict.fromkeys(block["method"] for block in blocks)),
        ),
    )


def _level_in(row: Mapping[str, Any], levels: Mapping[str, float]) -> float:
    """Return the level that a trial held: one of its sounds, the others being the reference."""
    sounding = [pair.split("=", 1)[1] for pair in str(row["order"]).split("|")]
    return next(float(levels[name]) for name in sounding if name in levels)


# keeps listening


def _listened(claim: Mapping[str, Any], sittings: Sequence[SittingAnswers], alpha: float, planned: int) -> ClaimAnswers:
    found = listened_answers(claim, sittings, alpha, planned)
    p_value = p_of_choices(found.choice)
    if found.choice.word == "negligible" and not claim["primary"]:
        # Only a further claim is corrected over others; a panel's limits are dear.
        p_value = _smallest_alpha(
            "negligible", alpha, lambda at: listened_answers(claim, sittings, at, planned).choice.word, halvings=12
        )
    return ClaimAnswers(record=claim, planned=planned, listened=found, p_value=p_value)


# preferred


def _preferred(
    claim: Mapping[str, Any], sittings: Sequence[SittingAnswers], alpha: float, planned: int
) -> ClaimAnswers:
    device = claim["device"]
    rows = [row for sitting in sittings for row in _comparisons(sitting, claim)]
    frame = table_of(rows, ("listener", "sitting", "clip", "first", "second", "outcome"))
    answered = [row for row in rows if row["outcome"] is not None]
    wins = sum(row["outcome"] in ("first", "second") and row[row["outcome"]] == device for row in answered)
    ties = sum(row["outcome"] == "tie" for row in answered)

    def concluded(at: float) -> PreferenceConclusion:
        return conclude_preference(
            wins,
            len(answered) - wins - ties,
            ties,
            margin=claim["margin"],
            alpha=at,
            direction=claim["direction"],
            unanswered=len(rows) - len(answered),
        )

    conclusion = concluded(alpha)
    strengths, why = None, ""
    try:
        strengths = fit_paired_preferences(frame, order=True)
    except BlindtestError as error:
        why = error.faults[0].problem
    return ClaimAnswers(
        record=claim,
        planned=planned,
        preferred=PreferredAnswers(
            conclusion=conclusion,
            comparisons=frame,
            strengths=strengths,
            why_no_strengths=why,
            chances=preference_chances(planned, margin=claim["margin"], alpha=alpha, direction=claim["direction"]),
            companions=preference_companions(
                frame, wins=conclusion.wins, losses=conclusion.losses, alpha=alpha, margin=claim["margin"]
            ),
        ),
        p_value=_preference_p(conclusion, lambda at: concluded(at).word),
    )


def _preference_p(conclusion: PreferenceConclusion, word_at: Callable[[float], str]) -> float:
    """Return the p of the test that the word rests on: for *negligible* the larger of the two against the margin."""
    if conclusion.word == "negligible":
        return _smallest_alpha("negligible", conclusion.alpha, word_at, halvings=40)
    return conclusion.favouring.p_value if conclusion.side == "other" else conclusion.against.p_value


def _comparisons(sitting: SittingAnswers, claim: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return a row for each pair planned for a claim, answered or not."""
    answers = {int(row["trial"]): str(row["response"]) for row in sitting.of_claim(claim)}
    found = []
    for number in sitting.planned_for(claim):
        trial = sitting.plan.trial(number)
        first, second = (slot.condition for slot in trial.drawn.slots)
        found.append(
            {
                "listener": sitting.entry.listener,
                "sitting": sitting.entry.number,
                "clip": trial.clip,
                "first": first,
                "second": second,
                "outcome": OUTCOMES.get(answers.get(number, "")),
            }
        )
    return found


# rated


def _rated(
    claim: Mapping[str, Any],
    sittings: Sequence[SittingAnswers],
    record: Mapping[str, Any],
    alpha: float,
    planned: int,
) -> ClaimAnswers:
    rows = [
        {
            "listener": sitting.entry.listener,
            "clip": row["clip"],
            "device": row["condition"],
            "mode": row["phase"],
            "sitting": sitting.entry.number,
            "rating": float(row["response"]),
        }
        for sitting in sittings
        for row in sitting.of_claim(claim)
    ]
    ratings = table_of(rows, ("listener", "clip", "device", "mode", "sitting", "rating"))
    anchors = record.get("anchors") or {}

    try:
        result = survival(
            ratings,
            device=claim["device"],
            comparator=claim["comparator"],
            margin=float(claim["margin"]),
            kept=float(claim["kept"]),
            alpha=alpha,
            anchor_low=anchors.get("low"),
            anchor_high=anchors.get("high"),
            only_these_clips=True if claim.get("only_these_clips") else None,
        )
    except BlindtestError as error:
        return ClaimAnswers(record=claim, planned=planned, why_not=error.faults[0].problem)
    return ClaimAnswers(
        record=claim,
        planned=planned,
        rated=RatedAnswers(
            result=result,
            ratings=ratings,
            recognition=_recognition(sittings),
            companions=survival_companions(
                ratings, device=claim["device"], comparator=claim["comparator"], alpha=alpha
            ),
        ),
        p_value=result.smallest_alpha,
    )


def _unreliable(
    claim: Mapping[str, Any], sittings: Sequence[SittingAnswers], alpha: float, planned: int
) -> ClaimAnswers:
    found, why = None, "" if planned else NOBODY
    try:
        found = unreliable_answers(claim, sittings, _recognition(sittings), alpha) if planned else None
    except BlindtestError as error:
        why = error.faults[0].problem
    return ClaimAnswers(
        record=claim,
        planned=planned,
        unreliable=found,
        unreliable_labels=True,
        why_not=why,
        p_value=None if found is None else found.p_value,
    )


def _smallest_alpha(word: str, alpha: float, word_at: Callable[[float], str], *, halvings: int) -> float:
    """Return the smallest alpha at which `word` is still the word, by halving; it is at `alpha`."""
    low, high = 0.0, alpha
    for _ in range(halvings):
        middle = (low + high) / 2
        if word_at(middle) == word:
            high = middle
        else:
            low = middle
    return high


def _recognition(sittings: Sequence[SittingAnswers]) -> tuple[tuple[str, RecognitionResult], ...]:
    counted: dict[str, list[bool]] = {}
    options = 0
    for sitting in sittings:
        for block in sitting.plan.protocol.blocks:
            if block.method != RECOGNITION or not block.counted:
                continue
            options = max(options, len(sitting.plan.compared(block)))
            answers = [row["correct"] is True for row in sitting.of_blocks([block.id])]
            counted.setdefault(sitting.entry.listener, []).extend(answers)
    answered = {name: answers for name, answers in counted.items() if answers}
    if not answered:
        return ()
    everybody = [one for answers in answered.values() for one in answers]
    single = answered.items() if len(answered) > 1 else ()
    return (
        *((name, recognition_test(sum(own), len(own), options)) for name, own in single),
        ("all answers", recognition_test(sum(everybody), len(everybody), options)),
    )
