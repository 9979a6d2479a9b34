"""What `blindtest measure` prints of what a unit's folder holds."""

from collections.abc import Iterator
from typing import Any

import numpy as np

from blindtest.report.bench_facts import BenchFacts, DelayCurve, HarmonicFacts, ImpedanceFacts, ImpulseTrace
from blindtest.steps.unit.dicts import channel_dict, excess_within, imbalance_dict

__all__ = ["unit_lines"]

_MOST_NAMED = 12
_THD_HZ = (30.0, 50.0, 100.0, 200.0, 500.0, 1000.0, 2000.0, 5000.0)


def unit_lines(facts: BenchFacts) -> Iterator[str]:
    """Give the lines of what was measured, an empty one ahead of each kind."""
    for part in (_averages, _imbalance, _target, _harmonics, _impedance, _impulses, _phases):
        lines = list(part(facts))
        if lines:
            yield ""
            yield from lines


def _averages(facts: BenchFacts) -> Iterator[str]:
    if not facts.channels:
        return
    mean = "mean power" if facts.power_mean else "mean of the levels in dB"
    smoothed = f", smoothed over {facts.smoothing}" if facts.smoothing else ""
    if all(channel.seatings == 1 for channel in facts.channels):
        yield f"Response, one seating{smoothed}; its spread is unknown:"
    else:
        yield f"Average over the seatings ({mean}{smoothed}); standard deviation and range over them, unsmoothed:"
    for channel in facts.channels:
        told = channel_dict(channel)
        seatings = f"{channel.seatings} seating" + ("s" if channel.seatings > 1 else "")
        yield (
            f"  {channel.channel}: {seatings}, {told['points']} points from {told['lowest_hz']:g} to "
            f"{told['highest_hz']:g} Hz"
        )
        for row in told["levels"]:
            yield _level(row)
        if told["median_spread_db"] is not None:
            yield (
                f"    standard deviation from 100 Hz to 8 kHz: {told['median_spread_db']:.2f} dB in the middle, "
                f"{told['largest_spread_db']:.2f} dB at most, at {told['largest_spread_hz']:.0f} Hz"
            )


def _level(row: dict[str, Any]) -> str:
    text = f"    {row['frequency_hz']:7g} Hz  {row['level_db']:8.2f} dB"
    return text if row["spread_db"] is None else f"{text}  SD {row['spread_db']:5.2f}  range {row['range_db']:5.2f}"


def _imbalance(facts: BenchFacts) -> Iterator[str]:
    told = imbalance_dict(facts)
    if told is None:
        return
    error = told["standard_error_db"]
    sure = "" if error is None else f" (standard error {error:.2f} dB)"
    yield (
        f"Left minus right, 100 Hz to 8 kHz: {told['mean_db']:+.2f} dB on average, at most {told['largest_db']:+.2f} "
        f"dB at {told['largest_hz']:.0f} Hz{sure}"
    )


def _target(facts: BenchFacts) -> Iterator[str]:
    one = facts.target
    if one is None:
        return
    yield (
        f"Against {one.name}, {one.band_hz[0]:g} to {one.band_hz[1]:g} Hz, levels aligned from {one.aligned_hz[0]:g} "
        f"to {one.aligned_hz[1]:g} Hz: {one.rms_db:.2f} dB r.m.s., at most {_signed(one.worst_db)} dB at "
        f"{one.worst_hz:.0f} Hz"
    )


def _harmonics(facts: BenchFacts) -> Iterator[str]:
    for one in facts.harmonics:
        yield f"Harmonics, {one.file}:"
        yield from _levels(one)


def _levels(one: HarmonicFacts) -> Iterator[str]:
    for level in one.levels:
        name = "level not named" if level.level_db is None else f"{level.level_db:g} dB"
        thd = level.thd_percent
        worst = int(np.argmax(thd))
        yield (
            f"  {name}: {_span(level.orders)} at {len(thd)} frequenc{'y' if len(thd) == 1 else 'ies'}; THD at most "
            f"{thd[worst]:.4g} % ({_decibels(thd[worst])}) at {level.frequency[worst]:g} Hz"
        )
        if len(thd) > _MOST_NAMED:
            places = sorted({int(np.argmin(np.abs(np.log(level.frequency / hz)))) for hz in _THD_HZ})
        else:
            places = list(range(len(thd)))
        for place in places:
            row = level.distortion_db[place]
            orders = "  ".join(
                f"H{order} {db:.1f}" for order, db in zip(level.orders, row, strict=True) if np.isfinite(db)
            )
            yield f"    {level.frequency[place]:7g} Hz  THD {thd[place]:7.4g} %  {orders} dB"


def _span(orders: tuple[int, ...]) -> str:
    return f"H{orders[0]}" + (f" to H{orders[-1]}" if len(orders) > 1 else "")


def _decibels(thd_percent: float) -> str:
    return f"{20 * np.log10(thd_percent / 100):.1f} dB" if thd_percent > 0 else "none"


def _signed(value: float) -> str:
    """With its sign, and none on what rounds to nothing."""
    text = f"{value:+.2f}"
    return text[1:] if float(text) == 0 else text


def _impedance(facts: BenchFacts) -> Iterator[str]:
    for one in facts.impedances:
        yield from _load(one)


def _load(one: ImpedanceFacts) -> Iterator[str]:
    yield (
        f"Impedance, {one.file}: {one.impedance.at(1000.0):.1f} ohm at 1 kHz, least {one.least_ohm:.1f} at "
        f"{one.least_hz:.0f} Hz, most {one.greatest_ohm:.1f} at {one.greatest_hz:.0f} Hz"
        + ("" if one.impedance.phase is not None else "; phase rebuilt")
    )
    for change in one.changes:
        yield (
            f"  behind {change.source_ohm:g} ohm: {change.loss_db:.2f} dB lost at 1 kHz; re 1 kHz between "
            f"{_signed(change.lowest_db)} dB at {change.lowest_hz:.0f} Hz and {_signed(change.highest_db)} dB at "
            f"{change.highest_hz:.0f} Hz"
        )


def _impulses(facts: BenchFacts) -> Iterator[str]:
    if facts.impulses:
        yield "Impulse responses:"
    for one in facts.impulses:
        yield from _impulse(one)


def _impulse(one: ImpulseTrace) -> Iterator[str]:
    facts = one.facts
    ahead = "none" if facts.pre_ringing_db == -np.inf else f"{facts.pre_ringing_db:.1f} dB"
    noise = "silent" if facts.noise_db == -np.inf else f"{facts.noise_db:.1f} dB re the peak"
    yield (
        f"  {one.file}, {facts.channel}: {one.rate} Hz, peak at {1000 * facts.peak_s:.2f} ms"
        + (", pointing down" if facts.inverted else "")
        + f", pre-ringing {ahead}, length {1000 * facts.length_s:.1f} ms (to -60 dB of its energy), last tenth {noise}"
    )
    yield f"    {_delay(one.delay)}" + (", polarity turned" if one.turned else "")


def _phases(facts: BenchFacts) -> Iterator[str]:
    told = [one for one in facts.delays if one.from_phase]
    if told:
        yield "Delays by the phase of the response files:"
    yield from (f"  {one.file}, {one.channel}: {_delay(one)}" for one in told)


def _delay(one: DelayCurve) -> str:
    excess, hertz = excess_within(one)
    excess = round(excess, 5) + 0.0  # no minus ahead of nothing
    return (
        f"mean delay from 2 to 8 kHz {1000 * one.mean_s:.3f} ms; excess group delay from 100 Hz to 8 kHz at most "
        f"{1000 * excess:+.2f} ms, at {hertz:.0f} Hz"
    )
