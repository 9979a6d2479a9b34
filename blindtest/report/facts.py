"""What a report is made of: plain frozen values, filled by the steps, read by the page and its figures.

Nothing here opens a file; statistics are taken from `blindtest.stats` (`Tested.of`, `Results.of`, `PlanFacts.of`).
Shares and proportions are 0 ... 1, levels dB, loudness LUFS, frequencies Hz, durations s; times are `datetime` with a
zone. Every text may come from a user and is escaped by whoever prints it.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Literal, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

if TYPE_CHECKING:
    from blindtest.stats import Conclusion as Concluded
    from blindtest.stats import ListenerResults

__all__ = [
    "ClaimFacts",
    "ClipFacts",
    "Conclusion",
    "ConditionFacts",
    "Discriminated",
    "FilterCurve",
    "FindingFacts",
    "LimitFacts",
    "MatchLine",
    "PlanFacts",
    "ProtocolFacts",
    "RenderingFacts",
    "ReportInput",
    "ResponseCurve",
    "Results",
    "SealFacts",
    "SittingFacts",
    "Tested",
    "TrialFacts",
    "Truth",
    "UnitFacts",
]

Conclusion = Literal["shown", "negligible", "open"]
"""The three words a claim of kind 'heard' can end with (claims: shown, negligible, open)."""

Band = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class ConditionFacts:
    """One of the things compared: a name for readers, and the chain that made it audible, in words."""

    id: str
    name: str = ""
    """Shown instead of the id where given."""
    chain: tuple[str, ...] = ()
    """One sentence or phrase a stage; () is the clip as it is."""
    from_measurement: bool = True
    """Whether a measured response is imposed (False: recordings, or the clip as it is)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitFacts:
    """What was measured: the unit, its rig, its seatings."""

    id: str
    name: str = ""
    kind: str = ""
    serial_suffix: str = ""
    revision: str = ""
    rig: str = ""
    measured: str = ""
    level: str = ""
    reference_point: str = ""
    seatings: int | None = None
    trusted_band_hz: Band | None = None
    files: tuple[tuple[str, str], ...] = ()
    """(path in the study, SHA-256 in hex)."""
    remarks: tuple[str, ...] = ()
    """What the reading noticed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClipFacts:
    """A piece of programme, and who chose it when."""

    id: str
    title: str = ""
    file: str = ""
    in_s: float | None = None
    out_s: float | None = None
    chosen_by: str = ""
    chosen: str = ""
    """Date, or ''; a reader wants to know whether it was before the unit was heard."""
    licence: str = ""
    sha256: str = ""
    """Of the file, or of its decoded audio."""
    rate_hz: int | None = None
    loudness_lufs: float | None = None
    """Heard loudness at which every condition of this clip was played."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClaimFacts:
    """The claim under test, and what would have refuted it."""

    id: str = ""
    kind: str = "heard"
    quote: str = ""
    device: str = ""
    comparator: str = ""
    clips: tuple[str, ...] = ()
    """() for all."""
    margin: float | None = None
    primary: bool = True
    refuted_by: str = ""


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


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanFacts:
    """What the plan could detect, computed before (or without) any answer."""

    trials: int
    """Counted trials over all planned sittings."""
    alpha: float = 0.05
    margin: float | None = None
    """Share of trials heard beyond guessing that would matter; None where none was fixed."""
    critical_number: int | None = None
    """Least number right that tells it from guessing; None: unreachable."""
    similarity_critical_number: int | None = None
    """Greatest number right that makes it negligible; None: unreachable or no margin."""
    chance_shown_at_margin: float | None = None
    """Chance that the plan shows a difference whose true share heard is the margin."""
    chance_negligible_if_guessing: float | None = None
    detectable: tuple[float, float] | None = None
    """(share heard, chance): the smallest share that the plan shows with that chance, say .8."""
    shares: tuple[float, ...] = ()
    """Abscissa of the curves: true share of trials heard beyond guessing, 0 ... 1."""
    chance_shown: tuple[float, ...] = ()
    chance_negligible: tuple[float, ...] = ()
    """() where no margin was fixed."""

    @classmethod
    def of(
        cls, trials: int, *, method: str, margin: float | None, alpha: float = 0.05, chance: float = 0.8
    ) -> "PlanFacts":
        """Return what `trials` counted trials can show, by `blindtest.stats`, and its curves over the share heard."""
        from scipy.special import bdtr, bdtrc

        from blindtest import stats

        shares = np.linspace(0, 1, 101)
        proportions = np.array([stats.proportion_at(float(share), method) for share in shares])
        chances = None if margin is None else stats.plan_chances(trials, method=method, margin=margin, alpha=alpha)
        least = stats.critical_number(trials, method=method, alpha=alpha)
        most = None if chances is None else chances.similarity_critical_number
        # Where both tests succeed the word is 'negligible'.
        first = trials + 1 if least is None else max(least, -1 if most is None else most + 1)
        shown = np.zeros(len(shares)) if first > trials else bdtrc(first - 1, trials, proportions)
        detectable = stats.detectable_effect(trials, method=method, alpha=alpha, power=chance)
        return cls(
            trials=trials,
            alpha=alpha,
            margin=margin,
            critical_number=least,
            similarity_critical_number=most,
            chance_shown_at_margin=None if chances is None else chances.chance_shown,
            chance_negligible_if_guessing=None if chances is None else chances.chance_negligible,
            detectable=None if detectable.critical_number is None else (detectable.distinguishers, chance),
            shares=tuple(map(float, shares)),
            chance_shown=tuple(map(float, shown)),
            chance_negligible=(
                ()
                if margin is None
                else tuple(map(float, np.zeros(len(shares)) if most is None else bdtr(most, trials, proportions)))
            ),
        )

    def __post_init__(self) -> None:
        if len(self.shares) != len(self.chance_shown):
            raise ValueError(f"{len(self.shares)} shares, but {len(self.chance_shown)} chances")
        if self.chance_negligible and len(self.chance_negligible) != len(self.shares):
            raise ValueError(f"{len(self.shares)} shares, but {len(self.chance_negligible)} chances")


class Discriminated(Protocol):
    """What `Tested.of` reads from a result of `blindtest.stats.discrimination_test`."""

    @property
    def correct(self) -> int: ...  # noqa: D102
    @property
    def trials(self) -> int: ...  # noqa: D102
    @property
    def guess_rate(self) -> float: ...  # noqa: D102
    @property
    def p_value(self) -> float: ...  # noqa: D102
    @property
    def lower_limit(self) -> float: ...  # noqa: D102
    @property
    def upper_limit(self) -> float: ...  # noqa: D102
    @property
    def proportion(self) -> float: ...  # noqa: D102
    @property
    def interval(self) -> tuple[float, float]: ...  # noqa: D102
    @property
    def level(self) -> float: ...  # noqa: D102
    @property
    def distinguishers(self) -> float: ...  # noqa: D102
    @property
    def distinguishers_interval(self) -> tuple[float, float]: ...  # noqa: D102
    @property
    def d_prime(self) -> float: ...  # noqa: D102
    @property
    def d_prime_interval(self) -> tuple[float, float]: ...  # noqa: D102


@dataclass(frozen=True, slots=True, kw_only=True)
class Tested:
    """Right answers held against guessing, for one listener or for all answers together."""

    who: str
    """Pseudonym, or 'all answers'."""
    correct: int
    trials: int
    guess_rate: float
    p_value: float
    """Exact, one-sided: this many or more right by guessing alone."""
    lower_limit: float
    """One-sided lower limit of the proportion right that goes with `p_value`."""
    proportion: float
    interval: tuple[float, float]
    """Of the proportion right, two-sided."""
    level: float
    share: float
    """Share of trials heard beyond guessing (Abbott)."""
    share_interval: tuple[float, float]
    d_prime: float
    d_prime_interval: tuple[float, float]
    conclusion: Conclusion | None = None
    upper_limit: float | None = None
    """One-sided upper limit of the proportion right that goes with `similarity_p_value`."""
    adjusted_p_value: float | None = None
    """By Holm over the listeners; None where only one was tested."""
    similarity_p_value: float | None = None
    """Probability of this many or fewer right if the share heard were the margin."""

    @classmethod
    def of(
        cls,
        who: str,
        result: Discriminated,
        *,
        conclusion: Conclusion | None = None,
        adjusted_p_value: float | None = None,
        similarity_p_value: float | None = None,
    ) -> "Tested":
        """Return the facts of one result of `stats.discrimination_test`."""
        return cls(
            who=who,
            correct=result.correct,
            trials=result.trials,
            guess_rate=result.guess_rate,
            p_value=result.p_value,
            lower_limit=result.lower_limit,
            proportion=result.proportion,
            interval=result.interval,
            level=result.level,
            share=result.distinguishers,
            share_interval=result.distinguishers_interval,
            d_prime=result.d_prime,
            d_prime_interval=result.d_prime_interval,
            conclusion=conclusion,
            upper_limit=result.upper_limit,
            adjusted_p_value=adjusted_p_value,
            similarity_p_value=similarity_p_value,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Results:
    """The primary result, its parts, and how unanswered trials bear on it."""

    conclusion: Conclusion
    """Of the primary claim, with unanswered trials counted against whichever conclusion is drawn."""
    pooled: Tested
    """All answered, counted trials."""
    listeners: tuple[Tested, ...] = ()
    unanswered: int = 0
    """Planned, counted trials of abandoned or unfinished sittings without an answer."""
    unanswered_as_wrong: Tested | None = None
    unanswered_as_right: Tested | None = None

    @classmethod
    def of(cls, concluded: "Concluded", listeners: "ListenerResults | None" = None) -> "Results":
        """Return the facts of what `stats.conclude` and, for single listeners, `stats.listener_results` found."""
        from blindtest import stats

        method, level, margin = concluded.method, concluded.difference.level, concluded.margin

        def counted(who: str, correct: int, trials: int, adjusted: float | None = None) -> Tested:
            similar = None
            if margin is not None:
                similar = stats.similarity_test(
                    correct, trials, method=method, distinguishers=margin, level=level
                ).p_value
            return Tested.of(
                who,
                stats.discrimination_test(correct, trials, method=method, level=level),
                adjusted_p_value=adjusted,
                similarity_p_value=similar,
            )

        correct, trials, unanswered = concluded.correct, concluded.trials, concluded.unanswered
        planned = trials + unanswered
        single: tuple[Tested, ...] = ()
        if listeners is not None:
            several = len(listeners.listeners) > 1
            single = tuple(
                counted(who, one.correct, one.trials, adjusted if several else None)
                for who, one, adjusted in zip(
                    listeners.listeners, listeners.results, listeners.adjusted_p_values, strict=True
                )
            )
        return cls(
            conclusion=concluded.word,
            pooled=counted("all answers", correct, trials or planned),
            listeners=single,
            unanswered=unanswered,
            unanswered_as_wrong=counted("as wrong", correct, planned) if unanswered else None,
            unanswered_as_right=counted("as right", correct + unanswered, planned) if unanswered else None,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What a simulated listener was made to be; demonstrations only."""

    who: str
    proportion: float
    """True probability of a right answer."""
    share: float
    """True share of trials heard beyond guessing."""
    d_prime: float | None = None
    rule: str = ""
    """Decision rule by which it answered."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitFacts:
    """A limit that acted while filters were made."""

    where: str
    """'the shared playback inverse', or a condition's id."""
    low_hz: float
    high_hz: float
    worst_db: float
    """Greatest difference between what was asked and what was given."""
    limit: str = ""
    """Which limit, in words."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RenderingFacts:
    """How conditions were made audible and equally loud."""

    over: str = "inverse"
    """'inverse': rendered over the playback unit, whose response is divided out; 'worn'; '' for recordings."""
    playback: str = ""
    """Name of the unit listened through, '' where unknown."""
    field: str = ""
    """Which curve refers the heard signal to the field, in words."""
    max_boost_db: float | None = None
    trusted_band_hz: Band | None = None
    phase: str = "minimum phase"
    taps: tuple[tuple[int, int], ...] = ()
    """(rate in Hz, taps)."""
    match: str = "heard"
    """Measure by which levels were matched: 'heard' | 'file' | '1khz'."""
    heard: str = ""
    """What 'heard' means here, in words."""
    ceiling_dbtp: float | None = None
    rate_hz: int | None = None
    """Rate to which every clip was brought; None: each at its own."""
    player: str = "browser"
    notes: tuple[str, ...] = ()
    """What was recorded about playback: the browser's own rate differed ..."""


def _column(values: ArrayLike) -> NDArray[np.float64]:
    view = np.array(values, dtype=np.float64)
    if view.ndim != 1:
        raise ValueError(f"a curve is one column, got shape {view.shape}")
    view.flags.writeable = False
    return view


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ResponseCurve:
    """A unit's averaged response: frequency (bins,) Hz ascending, level (bins,) dB, spread (bins,) dB or None."""

    name: str
    frequency: NDArray[np.float64]
    level_db: NDArray[np.float64]
    spread_db: NDArray[np.float64] | None = None
    """Standard deviation over seatings."""
    seatings: int | None = None

    def __post_init__(self) -> None:
        for name in ("frequency", "level_db", "spread_db"):
            if getattr(self, name) is not None:
                object.__setattr__(self, name, _column(getattr(self, name)))
        _same_length(self.frequency, self.level_db, self.spread_db)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class FilterCurve:
    """The filter that was applied to make a condition: frequency (bins,) Hz, magnitude (bins,) dB."""

    condition: str
    frequency: NDArray[np.float64]
    magnitude_db: NDArray[np.float64]

    def __post_init__(self) -> None:
        object.__setattr__(self, "frequency", _column(self.frequency))
        object.__setattr__(self, "magnitude_db", _column(self.magnitude_db))
        _same_length(self.frequency, self.magnitude_db)


def _same_length(frequency: NDArray[np.float64], *columns: NDArray[np.float64] | None) -> None:
    for column in columns:
        if column is not None and len(column) != len(frequency):
            raise ValueError(f"{len(frequency)} frequencies, but {len(column)} levels")


@dataclass(frozen=True, slots=True, kw_only=True)
class MatchLine:
    """One row of the match table, with the fields of the rendering's own row.

    Heard and file levels are LUFS; A-weighted and r.m.s. levels are of what is heard, dB re an r.m.s. of 1; the true
    peak is that of the file, dBTP.
    """

    clip: str
    condition: str
    measure: str = "heard"
    """What was matched: 'heard', 'file' or '1khz'."""
    heard_before: float
    heard_after: float
    file_before: float
    file_after: float
    a_weighted_before: float
    a_weighted_after: float
    rms_before: float
    rms_after: float
    gain_db: float
    true_peak_after: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SittingFacts:
    """One sitting of the register, finished or not, with its seal."""

    number: int
    listener: str
    state: Literal["finished", "abandoned", "open"]
    reason: str = ""
    began: datetime | None = None
    ended: datetime | None = None
    planned: int = 0
    """Counted trials."""
    answered: int = 0
    commitment: str = ""
    nonce: str | None = None
    """None while the plan is sealed."""
    public: str = ""
    """Public string mixed into the seed after the commitment, '' where none."""
    chain_head: str = ""
    overrides: tuple[str, ...] = ()
    """Recorded exceptions: analysed while open ..."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialFacts:
    """One trial as it happened, truth included."""

    listener: str
    sitting: int
    trial: int
    """As counted by a reader, from 1."""
    attempt: int = 0
    phase: str = "blind"
    clip: str
    slots: tuple[tuple[str, str], ...]
    """(slot, condition), in the order shown: ('A', 'heron'), ('B', 'plover'), ('X', 'heron')."""
    right: str
    """The right answer."""
    answer: str | None
    """None: unanswered."""
    correct: bool | None
    answered_at: datetime | None = None
    time_taken_s: float | None = None
    switches: int | None = None
    faults: tuple[str, ...] = ()

    @property
    def counted(self) -> bool:
        """Whether an answer enters the analysis."""
        return self.phase == "blind"


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingFacts:
    """One thing that verification looked at."""

    ok: bool
    what: str
    detail: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SealFacts:
    """The study's seal and what verification found."""

    study_commitment: str = ""
    study_nonce: str | None = None
    sealed_at: datetime | None = None
    grade: Literal["consistent", "anchored", "witnessed", "broken", "unsealed"] = "consistent"
    published: tuple[str, ...] = ()
    """Where commitments and chain heads were seen elsewhere, in words."""
    listener_could_read: bool = True
    """Whether the plan lay where the listener could have read it."""
    findings: tuple[FindingFacts, ...] = ()
    plans_sealed: int = 0
    """Every plan ever sealed in this folder ..."""
    plans_before: int = 0
    """... and in those it came from."""


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
    plan: PlanFacts
    results: Results | None = None
    """None: nobody has finished a sitting yet."""
    rendering: RenderingFacts = field(default_factory=RenderingFacts)
    units: tuple[UnitFacts, ...] = ()
    clips: tuple[ClipFacts, ...] = ()
    responses: tuple[ResponseCurve, ...] = ()
    """Of the units compared, in the order of `compared`; the difference is first minus second."""
    filters: tuple[FilterCurve, ...] = ()
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

    def name_of(self, condition: str) -> str:
        """Return the name a reader sees for a condition's id."""
        return next((c.name or c.id for c in self.conditions if c.id == condition), condition)

    def counted_trials(self) -> tuple[TrialFacts, ...]:
        """Return the trials that count, each once: its first answered attempt, or the last unanswered one."""
        kept: dict[tuple[str, int, int], TrialFacts] = {}
        for trial in self.trials:
            key = (trial.listener, trial.sitting, trial.trial)
            if trial.counted and (key not in kept or kept[key].correct is None):
                kept[key] = trial
        return tuple(kept.values())
