"""An invented study as a report sees it; numbers of the statistics come from `blindtest.stats`."""

import random
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest

from blindtest.report import (
    ClaimFacts,
    ClipFacts,
    ConditionFacts,
    FilterCurve,
    FindingFacts,
    LimitFacts,
    MatchLine,
    PlanFacts,
    ProtocolFacts,
    RenderingFacts,
    ReportInput,
    ResponseCurve,
    Results,
    SealFacts,
    SittingFacts,
    TrialFacts,
    Truth,
    UnitFacts,
)
from blindtest.stats import conclude, listener_results

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
