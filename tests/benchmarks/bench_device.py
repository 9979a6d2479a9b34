"""Figures of the device room: fitting a correction of ten sections, and the harmonic stage against real time.

    python tests/benchmarks/bench_device.py [--rounds 5] [--seconds 20]

The correction: `correction_sections` with 10 sections towards a flat line, for invented devices of ten random sections
and for a rough one (random bumps, not made of sections); the slowest device counts, the best of its rounds, clock and
processor apart. Goal: at most 2 s. The harmonic stage: orders 2 to 5, stereo at 48 kHz, one thread, both topologies;
alike at all frequencies (no filters), by a table over frequency (a filter for each order), and with a programme that
exceeds the table (its ratio is held). Goal: at least 10 times as fast as real time. A figure that the processor's time
alone would meet is said to be so: then other programs had the cores. Exit code 1 if a goal is missed even by that.
"""

import argparse
import os
import sys
import time
from collections.abc import Callable

os.environ["OMP_NUM_THREADS"] = "1"  # read by numpy's libraries when they are loaded
os.environ["OPENBLAS_NUM_THREADS"] = "1"

import numpy as np
import pandas as pd

from blindtest.device import Response, Section, correction_sections, harmonic_stage, section_level_db

RATE = 48_000
SECTIONS = 10
FIT_GOAL_S = 2.0
REAL_TIME_GOAL = 10.0


def best_of(call: Callable[[], object], rounds: int) -> tuple[float, float]:
    """Return the least time of the clock and of the processor, s; one call before either is read."""
    call()
    clock, processor = [], []
    for _ in range(rounds):
        started, spent = time.perf_counter(), time.process_time()
        call()
        clock.append(time.perf_counter() - started)
        processor.append(time.process_time() - spent)
    return min(clock), min(processor)


def made_of_sections(seed: int) -> Response:
    """Return an invented device of ten random sections."""
    rng = np.random.default_rng(seed)
    sections = [
        Section(
            type=str(rng.choice(["peaking", "peaking", "peaking", "low-shelf", "high-shelf"])),
            frequency_hz=float(np.exp(rng.uniform(np.log(25), np.log(9500)))),
            gain_db=float(rng.uniform(3, 10) * rng.choice([-1, 1])),
            q=float(rng.uniform(0.5, 1.0)),
        )
        for _ in range(SECTIONS)
    ]
    frequency = np.geomspace(10, 22_000, 600)
    return Response(frequency=frequency, magnitude=section_level_db(sections, frequency, RATE)[:, None])


def rough(seed: int) -> Response:
    """Return an invented device of thirty random bumps and dips, some narrow: no ten sections make it flat."""
    rng = np.random.default_rng(seed)
    frequency = np.geomspace(10, 22_000, 600)
    level = np.zeros(600)
    for _ in range(30):
        centre, width = 2 ** rng.uniform(4.5, 14.0), rng.uniform(0.05, 1.0)
        level += rng.uniform(-8.0, 6.0) * np.exp(-0.5 * (np.log2(frequency / centre) / width) ** 2)
    return Response(frequency=frequency, magnitude=level[:, None])


def fits(rounds: int) -> bool:
    """Print how long the slowest fit takes; return whether it meets the goal."""
    flat = Response(frequency=np.array([10.0, 22_000.0]), magnitude=np.zeros((2, 1)))
    met = True
    for what, device in (("made of ten sections", made_of_sections), ("of thirty bumps", rough)):
        times, left = [], []
        for seed in range(4):
            response = device(seed)
            times.append(best_of(lambda one=response: correction_sections(one, flat, RATE, count=SECTIONS), rounds))
            left.append(correction_sections(response, flat, RATE, count=SECTIONS).rms_error_db)
        clock, processor = max(times)
        met &= min(clock, processor) <= FIT_GOAL_S
        print(
            f"correction of {SECTIONS} sections, device {what}: slowest of 4 {clock:.2f} s ({processor:.2f} s of "
            f"processor), leaves {max(left):.2f} dB r.m.s. at most; goal <= {FIT_GOAL_S:g} s: "
            f"{_said(clock <= FIT_GOAL_S, processor <= FIT_GOAL_S)}"
        )
    return met


def harmonics(rounds: int, seconds: float) -> bool:
    """Print how much faster than real time the harmonic stage is; return whether it meets the goal everywhere."""
    rng = np.random.default_rng(20260103)
    frames = rng.uniform(-1.0, 1.0, (int(seconds * RATE), 2))
    alike = {2: -40.0, 3: -46.0, 4: -60.0, 5: -66.0}
    rows = [(f, n, -35.0 - 4 * n - 6 * np.log10(f / 100)) for f in np.geomspace(20, 10_000, 30) for n in alike]
    table = pd.DataFrame(rows, columns=["frequency_hz", "order", "distortion_db"])
    cases = {
        "alike at all frequencies": harmonic_stage(alike, RATE),
        "over frequency, filters after": harmonic_stage(table.assign(level_db=94.0), RATE, topology="after"),
        "over frequency, filters before": harmonic_stage(table.assign(level_db=94.0), RATE, topology="before"),
        "over frequency, programme beyond the table": harmonic_stage(table.assign(level_db=94.0), RATE, drive=0.5),
    }
    met = True
    for what, stage in cases.items():
        clock, processor = best_of(lambda one=stage: one(frames), rounds)
        met &= seconds / min(clock, processor) >= REAL_TIME_GOAL
        print(
            f"harmonic stage, orders 2 to 5, {what}: {seconds / clock:.1f} times real time ({seconds / processor:.1f} "
            f"by the processor's time); goal >= {REAL_TIME_GOAL:g}: "
            f"{_said(seconds / clock >= REAL_TIME_GOAL, seconds / processor >= REAL_TIME_GOAL)}"
        )
    return met


def _said(by_clock: bool, by_processor: bool) -> str:
    return "met" if by_clock else "met by the processor's time" if by_processor else "MISSED"


def main() -> int:
    """Measure, print, and return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--seconds", type=float, default=20.0)
    options = parser.parse_args()
    print(f"one thread, best of {options.rounds}")
    fitted = fits(options.rounds)
    bent = harmonics(options.rounds, options.seconds)
    return int(not (fitted and bent))


if __name__ == "__main__":
    sys.exit(main())
