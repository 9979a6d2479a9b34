"""An invented study as a report sees it; numbers of the statistics come from `blindtest.stats`."""

import random
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pandas as pd
import pytest

from blindtest.device import Response, correction_fir
from blindtest.report import (
    BlockFacts,
    ClaimFacts,
    ClaimResult,
    ClipFacts,
    ConditionFacts,
    CorrectionFacts,
    Effect,
    FilterCurve,
    FindingFacts,
    ImpressionFacts,
    LimitFacts,
    MatchLine,
    PlanFacts,
    PreferenceFacts,
    PreferencePlanFacts,
    ProtocolFacts,
    RatedFacts,
    RatingFacts,
    RecognitionFacts,
    RenderingFacts,
    ReportInput,
    ResponseCurve,
    Results,
    SealFacts,
    SittingFacts,
    SurvivalPlanFacts,
    TrialFacts,
    Truth,
    UnitFacts,
)
from blindtest.stats import (
    conclude,
    conclude_preference,
    fit_paired_preferences,
    listener_results,
    recognition_test,
    survival,
    survival_power,
)

BEGAN = datetime(2026, 3, 4, 19, 0, tzinfo=UTC)
CLIPS = ("strings", "drums", "voice")


def _response(bumps: tuple[tuple[float, float, float], ...], bins: int = 900) -> tuple[np.ndarray, np.ndarray]:
    frequency = np.geomspace(10, 22_000, bins)
    octaves = np.log2(frequency / 1000)
    level = 90.0 + sum(gain * np.exp(-(((octaves - centre) / width) ** 2)) for centre, gain, width in bumps)
    return frequency, np.asarray(level)


def _trials(listener: str, sitting: int, right: int, count: int, unanswered: int) -> list[TrialFacts]:
    draw = random.Random(f"{listener} {sitting}")
    kinds = [True] * right + [False] * (count - unanswered - right)
    draw.shuffle(kinds)
    out = []
    for place in range(count + 2):
        a, b = draw.choice((("heron", "plover"), ("plover", "heron")))
        letter = draw.choice("AB")
        correct = True if place < 2 else kinds[place - 2] if place - 2 < len(kinds) else None
        out.append(
            TrialFacts(
                listener=listener,
                sitting=sitting,
                trial=place + 1,
                phase="practice" if place < 2 else "blind",
                clip=CLIPS[place % 3],
                slots=(("A", a), ("B", b), ("X", a if letter == "A" else b)),
                right=letter,
                answer=None if correct is None else letter if correct else {"A": "B", "B": "A"}[letter],
                correct=correct,
                answered_at=None if correct is None else BEGAN + timedelta(seconds=40 * place),
                time_taken_s=None if correct is None else 10 + place / 4,
                switches=place,
                faults=("underrun",) if place == 5 else (),
            )
        )
    return out


@pytest.fixture(scope="session")
def make_report() -> Callable[..., ReportInput]:
    """Make a report: right answers of each listener (of 28), how many of the last one's trials stayed unanswered."""

    def make(
        right: tuple[int, ...] = (25, 16), unanswered: int = 0, margin: float | None = 0.5, **changes: object
    ) -> ReportInput:
        names = tuple(f"L-70{place + 1:02}" for place in range(len(right)))
        answered = [28 - (unanswered if name == names[-1] else 0) for name in names]
        table = pd.DataFrame(
            [
                {"listener": name, "method": "abx", "phase": "blind", "correct": place < x}
                for name, x, n in zip(names, right, answered, strict=True)
                for place in range(n)
            ]
        )
        single = listener_results(table)
        concluded = conclude(sum(right), sum(answered), method="abx", margin=margin, unanswered=unanswered)
        heron, plover = _response(((-4, 4, 1), (1.6, 8, 0.8))), _response(((-3.5, 2, 1.5), (1.4, 6, 0.6)))
        spread = 0.3 + 1.5 / (1 + np.exp(-3 * (np.log2(heron[0] / 1000) - 2.8)))
        facts: dict[str, object] = {
            "title": "Heron against Plover",
            "generated_at": BEGAN + timedelta(days=1),
            "reviewer": "R-7f3a",
            "conditions": (
                ConditionFacts(id="heron", name="Heron, open-back", chain=("the response of Heron, 6 seatings",)),
                ConditionFacts(id="plover", name="Plover, closed-back", chain=("the response of Plover, 5 seatings",)),
            ),
            "compared": ("heron", "plover"),
            "claim": ClaimFacts(
                id="apart",
                quote="told them apart at once",
                device="heron",
                comparator="plover",
                margin=margin,
                refuted_by="16 or fewer right of 28",
            ),
            "protocol": ProtocolFacts(
                name="abx",
                title="Is there a difference at all?",
                source="Munson & Gardner 1950; Clark 1982",
                trials=28,
                practice=2,
                listeners=len(right),
                margin=margin,
                deadline_days=7,
                break_after=14,
                instructions=("Take your time.",),
            ),
            "plan": PlanFacts.of(28 * len(right), method="abx", margin=margin),
            "results": Results.of(concluded, single),
            "rendering": RenderingFacts(
                playback="Plover, closed-back",
                field="the rig's own diffuse-field curve",
                max_boost_db=12,
                trusted_band_hz=(20, 10_000),
                taps=((48_000, 32_768),),
                heard="the file through the playback unit, referred to the diffuse field",
                ceiling_dbtp=-1.0,
                notes=("the browser's own rate was 44.1 kHz",),
            ),
            "units": (
                UnitFacts(
                    id="heron",
                    name="Heron, open-back",
                    kind="headphone",
                    serial_suffix="0417",
                    revision="B",
                    rig="ear simulator 2",
                    measured="2026-03-02",
                    level="spl",
                    reference_point="eardrum",
                    seatings=6,
                    trusted_band_hz=(20, 10_000),
                    files=(("measurements/heron/seating-1.txt", "ab" * 32),),
                    remarks=("2 rows without numbers dropped",),
                ),
                UnitFacts(id="plover", name="Plover, closed-back", rig="ear simulator 2", seatings=5),
            ),
            "clips": tuple(
                ClipFacts(
                    id=clip,
                    title=f"The {clip}",
                    file=f"clips/{clip}.flac",
                    in_s=2.0,
                    out_s=14.25,
                    chosen_by="reviewer",
                    chosen="2026-01-15",
                    licence="CC0-1.0",
                    sha256="cd" * 32,
                    rate_hz=48_000,
                    loudness_lufs=-25.0,
                )
                for clip in CLIPS
            ),
            "responses": (
                ResponseCurve(
                    name="Heron, open-back", frequency=heron[0], level_db=heron[1], spread_db=spread, seatings=6
                ),
                ResponseCurve(
                    name="Plover, closed-back", frequency=plover[0], level_db=plover[1], spread_db=spread, seatings=5
                ),
            ),
            "filters": (
                FilterCurve(condition="heron", frequency=heron[0], magnitude_db=heron[1] - plover[1]),
                FilterCurve(condition="plover", frequency=heron[0], magnitude_db=np.zeros(len(heron[0]))),
            ),
            "limits": (
                LimitFacts(
                    where="the shared playback inverse", low_hz=20, high_hz=34, worst_db=3.2, limit="boost to 12 dB"
                ),
            ),
            "match": tuple(
                MatchLine(
                    clip=clip,
                    condition=condition,
                    heard_before=-20.11 - i - j,
                    heard_after=-25.0 + 0.004 * j,
                    file_before=-19.2 - i - 1.4 * j,
                    file_after=-24.2 - 0.3 * i - 1.2 * j,
                    a_weighted_before=-22.3 - i,
                    a_weighted_after=-27.1 + 0.6 * j - 0.2 * i * j,
                    rms_before=-18.4,
                    rms_after=-22.2 - 1.8 * j + 0.3 * i * j,
                    gain_db=-4.25 - 0.5 * j,
                    true_peak_after=-3.2 + 0.2 * i,
                )
                for i, clip in enumerate(CLIPS)
                for j, condition in enumerate(("heron", "plover"))
            ),
            "sittings": tuple(
                SittingFacts(
                    number=place + 1,
                    listener=name,
                    state="abandoned" if unanswered and name == names[-1] else "finished",
                    reason="the deadline of its plan passed" if unanswered and name == names[-1] else "",
                    began=BEGAN,
                    ended=BEGAN + timedelta(minutes=30),
                    planned=28,
                    answered=answered[place],
                    commitment=f"{place + 1:064x}",
                    nonce=f"{place + 101:064x}",
                    chain_head=f"{place + 201:064x}",
                )
                for place, name in enumerate(names)
            ),
            "trials": tuple(
                trial
                for place, name in enumerate(names)
                for trial in _trials(name, place + 1, right[place], 28, unanswered if name == names[-1] else 0)
            ),
            "seal": SealFacts(
                study_commitment="9f" * 32,
                study_nonce="1e" * 32,
                sealed_at=BEGAN - timedelta(days=1),
                grade="consistent",
                findings=(FindingFacts(ok=True, what="chain", detail="60 rows, every link recomputed"),),
                plans_sealed=len(right),
            ),
            "versions": {"blindtest": "0.1.0"},
            "hashes": {"study.toml": "aa" * 32},
            "seeds": {"sitting 1": "0c" * 32},
            "cautions": ("The level of the sitting is unknown.",),
        }
        return ReportInput(**{**facts, **changes})  # type: ignore[arg-type]

    return make


@pytest.fixture(scope="session")
def truth() -> tuple[Truth, ...]:
    return (
        Truth(who="L-7001", proportion=0.86, share=0.72, d_prime=2.7, rule="differencing"),
        Truth(who="L-7002", proportion=0.5, share=0.0, d_prime=0.0, rule="differencing"),
    )


# --- preferences, ratings, corrections: invented answers, analysed by `blindtest.stats` -------------------------


def _comparisons(rng: np.random.Generator, listeners: int, pairs: int, chance: float, ties: float) -> pd.DataFrame:
    rows = []
    for who in range(listeners):
        for pair in range(pairs):
            first, second = ("heron", "plover") if pair % 2 else ("plover", "heron")
            if rng.random() < ties:
                outcome = "tie"
            else:
                heron = rng.random() < chance
                outcome = "first" if heron == (first == "heron") else "second"
            rows.append(
                {
                    "first": first,
                    "second": second,
                    "outcome": outcome,
                    "listener": f"L-70{who + 1:02}",
                    "clip": CLIPS[pair % 3],
                    "pair": pair,
                }
            )
    return pd.DataFrame(rows)


def _preference_trials(table: pd.DataFrame, first_number: int = 1) -> list[TrialFacts]:
    return [
        TrialFacts(
            listener=row.listener,
            sitting=int(row.listener[-2:]),
            trial=first_number + row.pair,
            method="preference",
            block="liked",
            clip=row.clip,
            slots=(("1", row.first), ("2", row.second)),
            answer={"first": "1", "second": "2", "tie": "none"}[row.outcome],
            correct=None,
            answered_at=BEGAN + timedelta(seconds=40 * row.pair),
            time_taken_s=12.0,
            switches=4,
        )
        for row in table.itertuples()
    ]


@pytest.fixture(scope="session")
def make_preference_facts() -> Callable[..., tuple[PreferenceFacts, PreferencePlanFacts, pd.DataFrame]]:
    """Make what a preference block says: how many listeners, pairs each, chance to prefer the heron, share of ties."""

    def make(
        listeners: int = 3,
        pairs: int = 30,
        chance: float = 0.75,
        ties: float = 0.1,
        margin: float | None = 0.2,
        unanswered: int = 0,
        seed: int = 4,
        strengths: bool = True,
    ) -> tuple[PreferenceFacts, PreferencePlanFacts, pd.DataFrame]:
        table = _comparisons(np.random.default_rng(seed), listeners, pairs, chance, ties)
        if unanswered:
            table.loc[table.index[-unanswered:], "outcome"] = None
        preferred = np.where(table["outcome"] == "first", table["first"], table["second"])
        decided = table["outcome"].isin(["first", "second"]).to_numpy()
        wins = int(np.sum((preferred == "heron") & decided))
        concluded = conclude_preference(
            wins,
            int(decided.sum()) - wins,
            int((table["outcome"] == "tie").sum()),
            margin=margin,
            unanswered=unanswered,
        )
        fit = fit_paired_preferences(table) if strengths else None
        facts = PreferenceFacts.of(concluded, device="heron", comparator="plover", table=table, strengths=fit)
        return facts, PreferencePlanFacts.of(listeners * pairs, margin=margin), table

    return make


def _ratings(
    rng: np.random.Generator,
    listeners: int,
    sittings: int,
    labelled: float,
    blind: float,
    spread: tuple[float, float, float] = (6.0, 4.0, 8.0),
) -> pd.DataFrame:
    """Ratings of two devices, two anchors and a decoy, two runs of each clip; anchors 30 and 85."""
    rows = []
    means = {"low": 25.0, "high": 88.0, "plover": 52.0, "tilt": 50.0}
    own, per_mode, residual = spread
    for who in range(listeners):
        listener = rng.normal(0, own)
        number = 0
        for mode, effect in (("blind", blind), ("labelled", labelled)):
            for _ in range(sittings):
                number += 1
                here = effect + listener + rng.normal(0, per_mode)
                for clip in CLIPS:
                    for repeat in range(2):
                        for device in ("heron", "plover", "tilt", "low", "high"):
                            mean = means["plover"] + here if device == "heron" else means[device]
                            rows.append(
                                {
                                    "listener": f"L-70{who + 1:02}",
                                    "clip": clip,
                                    "device": device,
                                    "mode": mode,
                                    "sitting": f"{who * 2 * sittings + number}",
                                    "repeat": repeat,
                                    "rating": float(np.clip(np.round(mean + rng.normal(0, residual)), 0, 100)),
                                }
                            )
    return pd.DataFrame(rows)


@pytest.fixture(scope="session")
def make_rated_facts() -> Callable[..., tuple[RatedFacts, pd.DataFrame]]:
    """Make what ratings say: how many listeners, sittings in each mode, true labelled and blind effects."""

    def make(
        listeners: int = 12,
        sittings: int = 2,
        labelled: float = 24.0,
        blind: float = 24.0,
        seed: int = 8,
        anchors: bool = True,
        recognised: tuple[int, int] | None = (9, 24),
        worn: float | None = 30.0,
        **spread: tuple[float, float, float],
    ) -> tuple[RatedFacts, pd.DataFrame]:
        table = _ratings(np.random.default_rng(seed), listeners, sittings, labelled, blind, **spread)
        names = {"anchor_low": "low", "anchor_high": "high"} if anchors else {}
        result = survival(table.drop(columns="repeat"), device="heron", comparator="plover", **names)
        recognition = ()
        if recognised is not None:
            recognition = (RecognitionFacts.of("all answers", recognition_test(*recognised, 3)),)
        facts = RatedFacts.of(
            result,
            table=table.drop(columns="repeat"),
            recognition=recognition,
            order="blind first",
            worn=None if worn is None else Effect(estimate=worn, interval=(worn - 6, worn + 6)),
        )
        return facts, table

    return make


@pytest.fixture(scope="session")
def survival_plan() -> SurvivalPlanFacts:
    """What 12 listeners with two sittings of each mode can reach, over 17 true blind effects."""
    return SurvivalPlanFacts.of(
        survival_power(
            listeners=12,
            sittings=2,
            clips=3,
            repeats=2,
            labelled=24.0,
            blind=tuple(np.linspace(-24, 32, 29)),
            rng=np.random.default_rng(1),
            studies=400,
        )
    )


@pytest.fixture(scope="session")
def correction() -> CorrectionFacts:
    """The correction of an invented response with a peak, a narrow notch and a falling bass."""
    frequency = np.geomspace(20, 20_000, 700)
    octaves = np.log2(frequency / 1000)
    ripple = np.random.default_rng(3).normal(0, 0.4, len(frequency))
    level = 88 - 9 / (1 + np.exp(3 * (octaves + 4.2))) + 7 * np.exp(-(((octaves - 1.6) / 0.25) ** 2))
    level += -14 * np.exp(-(((octaves - 2.5) / 0.06) ** 2)) + ripple
    target = 85 - 0.6 * octaves
    made = correction_fir(
        Response(frequency=frequency, magnitude=level[:, None]),
        Response(frequency=frequency, magnitude=target[:, None]),
        48_000,
        band_hz=(20, 8000),
    )
    return CorrectionFacts.of(
        made,
        condition="heron",
        unit="Heron, open-back",
        target="a gently falling target",
        files=("filters/heron-corrected.wav", "filters/heron-corrected.txt"),
    )


IMPRESSION = ImpressionFacts(
    hash="3f9c0a2b" + "0d" * 28,
    quote="could not put it down, the voice stood in the room",
    who="R-7f3a",
    unit="Heron, open-back",
    serial_suffix="0417",
    revision="B",
    rig="ear simulator 2",
    against="Plover, closed-back",
    clips=("voice",),
    when=datetime(2026, 2, 27, 21, 40, tzinfo=UTC),
    known=("price", "maker"),
    worn="2 hours",
)


@pytest.fixture(scope="session")
def make_tuning_report(
    make_report: Callable[..., ReportInput], make_preference_facts: Callable[..., Any], correction: CorrectionFacts
) -> Callable[..., ReportInput]:
    """Make a study that asks whether a correction is heard, and whether it is liked."""

    def make(right: tuple[int, ...] = (25, 24, 20), primary: str = "heard", **changes: Any) -> ReportInput:
        base = make_report(right)
        options = {key: changes.pop(key) for key in list(changes) if key in ("chance", "ties", "unanswered", "seed")}
        facts, plan, table = make_preference_facts(listeners=len(right), **options)
        heard = ClaimResult(claim=replace(base.claim, primary=primary == "heard"), heard=base.results, plan=base.plan)
        liked = ClaimResult(
            claim=ClaimFacts(
                id="liked",
                kind="preferred",
                quote="and I liked it better",
                device="heron",
                comparator="plover",
                margin=facts.margin,
                primary=primary == "preferred",
                refuted_by="10 or fewer of 28",
                impression="3f9c0a2b",
            ),
            preferred=facts,
            plan=plan,
            p_value=facts.against.p_value,
            adjusted_p_value=facts.against.p_value,
            chance_to_fail=0.86,
        )
        given: dict[str, Any] = {
            "claims": (heard, liked),
            "trials": (*base.trials, *_preference_trials(table.dropna(), 31)),
            "sittings": tuple(replace(one, planned=58, answered=one.answered + 30) for one in base.sittings),
            "impressions": (IMPRESSION,),
            "corrections": (correction,),
            "protocol": replace(
                base.protocol,
                name="tuning",
                title="Heard, and liked?",
                blocks=(
                    BlockFacts(id="practice", phase="practice", method="abx", method_title="ABX", trials=2),
                    BlockFacts(id="apart", phase="blind", method="abx", method_title="ABX", trials=28),
                    BlockFacts(
                        id="liked", phase="blind", method="preference", method_title="Paired preference", trials=30
                    ),
                ),
            ),
        }
        return replace(base, **{**given, **changes})

    return make


@pytest.fixture(scope="session")
def make_survival_report(
    make_report: Callable[..., ReportInput],
    make_rated_facts: Callable[..., Any],
    survival_plan: SurvivalPlanFacts,
) -> Callable[..., ReportInput]:
    """Make a study that asks whether an impression survives blinding."""

    def make(
        listeners: int = 12, sittings: int = 2, changed: dict[str, Any] | None = None, **options: Any
    ) -> ReportInput:
        base = make_report((20,))
        facts, table = make_rated_facts(listeners=listeners, sittings=sittings, **options)
        claim = ClaimResult(
            claim=ClaimFacts(
                id="keeps",
                kind="rated",
                quote="could not put it down",
                device="heron",
                comparator="plover",
                margin=facts.margin,
                kept=facts.kept,
                impression="3f9c0a2b",
                refuted_by="a blind effect within the margin",
            ),
            rated=facts,
            plan=survival_plan,
            chance_to_fail=0.87,
        )
        phases = {row.sitting: row.mode for row in table.itertuples()}
        owners = {row.sitting: row.listener for row in table.itertuples()}
        numbers = sorted(phases, key=int)
        given: dict[str, Any] = {
            "title": "Does it survive the blindfold?",
            "claims": (claim,),
            "results": None,
            "plan": None,
            "conditions": (
                *base.conditions,
                ConditionFacts(id="tilt", name="Heron, tilted", chain=("a tilt of -0.5 dB per octave",), decoy=True),
                ConditionFacts(id="low", chain=("a low-pass at 3.5 kHz",), anchor="low", from_measurement=False),
                ConditionFacts(id="high", anchor="high", from_measurement=False),
            ),
            "ratings": tuple(
                RatingFacts(
                    listener=row.listener,
                    sitting=int(row.sitting),
                    mode=row.mode,
                    clip=row.clip,
                    condition=row.device,
                    rating=row.rating,
                )
                for row in table.itertuples()
            ),
            "trials": (
                TrialFacts(
                    listener="L-7001",
                    sitting=1,
                    trial=1,
                    method="rating",
                    clip="strings",
                    slots=tuple((str(i + 1), c) for i, c in enumerate(("low", "heron", "tilt", "plover", "high"))),
                    answer="1: 22; 2: 70; 3: 55; 4: 51; 5: 90",
                    correct=None,
                    ratings=(("1", 22.0), ("2", 70.0), ("3", 55.0), ("4", 51.0), ("5", 90.0)),
                    answered_at=BEGAN,
                    time_taken_s=66.0,
                ),
                TrialFacts(
                    listener="L-7001",
                    sitting=1,
                    trial=2,
                    method="recognition",
                    clip="voice",
                    slots=(("?", "plover"),),
                    right="2",
                    answer="1",
                    correct=False,
                ),
            ),
            "sittings": tuple(
                SittingFacts(
                    number=int(number),
                    listener=owners[number],
                    state="finished",
                    phase=phases[number],
                    began=BEGAN + timedelta(days=int(number)),
                    ended=BEGAN + timedelta(days=int(number), minutes=25),
                    planned=6,
                    answered=6,
                    commitment=f"{int(number):064x}",
                    nonce=f"{int(number) + 1000:064x}",
                    chain_head=f"{int(number) + 2000:064x}",
                )
                for number in numbers
            ),
            "impressions": (IMPRESSION,),
            "protocol": replace(
                base.protocol,
                name="survival",
                title="Does the impression survive blinding?",
                method="rating",
                method_title="Rating of all conditions side by side",
                trials=6,
                order="blind-first",
                blocks=(
                    BlockFacts(id="practice", phase="practice", method="rating", method_title="Rating", trials=2),
                    BlockFacts(id="blind", phase="blind", method="rating", method_title="Rating", trials=6, sittings=2),
                    BlockFacts(id="which", phase="blind", method="recognition", method_title="Recognition", trials=4),
                    BlockFacts(
                        id="labelled", phase="labelled", method="rating", method_title="Rating", trials=6, sittings=2
                    ),
                ),
            ),
        }
        return replace(base, **{**given, **(changed or {})})

    return make
