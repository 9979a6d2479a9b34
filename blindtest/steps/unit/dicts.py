"""What a unit's folder tells, as JSON can hold it."""

from math import isfinite
from typing import Any

import numpy as np

from blindtest.device import interpolated
from blindtest.device.response import Response
from blindtest.report.bench_facts import BenchFacts, ChannelCurve, DelayCurve, ImpedanceFacts, ImpulseTrace

__all__ = [
    "SPOTS_HZ",
    "channel_dict",
    "delay_dict",
    "excess_within",
    "harmonics_dicts",
    "imbalance_dict",
    "impedance_dict",
    "impulse_dict",
    "target_dict",
]

SPOTS_HZ = (20.0, 50.0, 100.0, 200.0, 500.0, 1000.0, 2000.0, 3000.0, 5000.0, 8000.0, 10_000.0, 16_000.0)
SPREAD_BAND_HZ = (100.0, 8000.0)


def channel_dict(one: ChannelCurve) -> dict[str, Any]:
    """Return a channel's average at round frequencies."""
    spots = [hz for hz in SPOTS_HZ if one.frequency[0] <= hz <= one.frequency[-1]]
    columns = [one.level_db, one.range_db, *([] if one.spread_db is None else [one.spread_db])]
    response = Response(
        frequency=one.frequency,
        magnitude=np.stack(columns, axis=1),
        channels=tuple(str(k) for k in range(len(columns))),
    )
    rows = interpolated(response, np.array(spots)) if spots else np.empty((0, len(columns)))
    return {
        "channel": one.channel,
        "seatings": one.seatings,
        "points": len(one.frequency),
        "lowest_hz": float(one.frequency[0]),
        "highest_hz": float(one.frequency[-1]),
        "levels": [
            {
                "frequency_hz": hz,
                "level_db": float(row[0]),
                "spread_db": None if one.spread_db is None else float(row[2]),
                "range_db": None if one.seatings < 2 else float(row[1]),
            }
            for hz, row in zip(spots, rows, strict=True)
        ],
        **_spread_dict(one),
    }


def _spread_dict(one: ChannelCurve) -> dict[str, Any]:
    inside = (one.frequency >= SPREAD_BAND_HZ[0]) & (one.frequency <= SPREAD_BAND_HZ[1])
    if one.spread_db is None or not inside.any():
        return {"median_spread_db": None, "largest_spread_db": None, "largest_spread_hz": None}
    place = np.flatnonzero(inside)[int(np.argmax(one.spread_db[inside]))]
    return {
        "median_spread_db": float(np.median(one.spread_db[inside])),
        "largest_spread_db": float(one.spread_db[place]),
        "largest_spread_hz": float(one.frequency[place]),
    }


def imbalance_dict(facts: BenchFacts) -> dict[str, Any] | None:
    """Return the largest difference between left and right from 100 Hz to 8 kHz, and their mean difference."""
    one = facts.imbalance
    if one is None:
        return None
    inside = (one.frequency >= SPREAD_BAND_HZ[0]) & (one.frequency <= SPREAD_BAND_HZ[1])
    shown = np.flatnonzero(inside) if inside.any() else np.arange(len(one.frequency))
    place = shown[int(np.argmax(np.abs(one.difference_db[shown])))]
    return {
        "largest_db": float(one.difference_db[place]),
        "largest_hz": float(one.frequency[place]),
        "mean_db": float(np.mean(one.difference_db[shown])),
        "standard_error_db": None if one.spread_db is None else float(one.spread_db[place]),
    }


def target_dict(facts: BenchFacts) -> dict[str, Any] | None:
    """Return the difference from the target."""
    one = facts.target
    if one is None:
        return None
    error = Response(frequency=one.frequency, magnitude=(one.level_db - one.target_db)[:, None])
    spots = [hz for hz in SPOTS_HZ if one.frequency[0] <= hz <= one.frequency[-1]]
    levels = interpolated(error, np.array(spots))[:, 0] if spots else np.empty(0)
    return {
        "target": one.name,
        "aligned_hz": list(one.aligned_hz),
        "band_hz": list(one.band_hz),
        "rms_db": one.rms_db,
        "worst_db": one.worst_db,
        "worst_hz": one.worst_hz,
        "differences": [
            {"frequency_hz": hz, "difference_db": float(level)} for hz, level in zip(spots, levels, strict=True)
        ],
    }


def harmonics_dicts(facts: BenchFacts) -> list[dict[str, Any]]:
    """Return every table of harmonics, level by level."""
    return [
        {
            "file": one.file,
            "levels": [
                {
                    "level_db": level.level_db,
                    "orders": list(level.orders),
                    "rows": [
                        {
                            "frequency_hz": float(hz),
                            "harmonics_db": [float(db) if isfinite(db) else None for db in row],
                            "thd_percent": float(thd),
                            "thd_db": float(20 * np.log10(thd / 100)) if thd > 0 else None,
                        }
                        for hz, row, thd in zip(level.frequency, level.distortion_db, level.thd_percent, strict=True)
                    ],
                }
                for level in one.levels
            ],
        }
        for one in facts.harmonics
    ]


def impedance_dict(one: ImpedanceFacts) -> dict[str, Any]:
    """Return an impedance at round frequencies, its extremes and what sources make of it."""
    return {
        "file": one.file,
        "phase_measured": one.impedance.phase is not None,
        "least_ohm": one.least_ohm,
        "least_hz": one.least_hz,
        "greatest_ohm": one.greatest_ohm,
        "greatest_hz": one.greatest_hz,
        "at_1khz_ohm": one.impedance.at(1000.0),
        "sources": [
            {
                "source_ohm": change.source_ohm,
                "loss_db": change.loss_db,
                "highest_db": change.highest_db,
                "highest_hz": change.highest_hz,
                "lowest_db": change.lowest_db,
                "lowest_hz": change.lowest_hz,
            }
            for change in one.changes
        ],
    }


def excess_within(one: DelayCurve) -> tuple[float, float]:
    """Return the largest excess group delay in s from 100 Hz to 8 kHz (by magnitude), and its frequency in Hz."""
    inside = (one.frequency >= SPREAD_BAND_HZ[0]) & (one.frequency <= SPREAD_BAND_HZ[1])
    shown = np.flatnonzero(inside) if inside.any() else np.arange(len(one.frequency))
    place = shown[int(np.argmax(np.abs(one.excess_s[shown])))]
    return float(one.excess_s[place]), float(one.frequency[place])


def delay_dict(one: DelayCurve) -> dict[str, Any]:
    """Return the largest excess group delay of a measured phase."""
    excess, hertz = excess_within(one)
    return {
        "file": one.file,
        "channel": one.channel,
        "delay_ms": 1000 * one.mean_s,
        "largest_excess_ms": 1000 * excess,
        "largest_excess_hz": hertz,
    }


def impulse_dict(one: ImpulseTrace) -> dict[str, Any]:
    """Return what an impulse response tells."""
    excess, hertz = excess_within(one.delay)
    facts = one.facts
    return {
        "file": one.file,
        "channel": facts.channel,
        "rate_hz": one.rate,
        "peak_ms": 1000 * facts.peak_s,
        "pre_ringing_db": facts.pre_ringing_db if isfinite(facts.pre_ringing_db) else None,
        "length_ms": 1000 * facts.length_s,
        "noise_db": facts.noise_db if isfinite(facts.noise_db) else None,
        "inverted": facts.inverted,
        "delay_ms": 1000 * one.delay.mean_s,
        "largest_excess_ms": 1000 * excess,
        "largest_excess_hz": hertz,
    }
