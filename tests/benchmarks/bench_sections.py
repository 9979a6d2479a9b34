"""Fitting a correction of ten sections, held against a solver that only polishes it.

    python tests/benchmarks/bench_sections.py [--rounds 5] [--devices 20]

The figure is a ratio of two times taken in the same run: our fit (choice of types, start and joint fit), over scipy's
bounded least squares alone with numerical derivatives from our own result, moved a little. Printed beside it: seconds
for a fit (goal: 2 s), and the worst r.m.s. error over invented devices of six sections (goal: 0.5 dB). Exit code 1 if a
goal is missed.
"""

import argparse
import os
import statistics
import sys
import time

os.environ["OMP_NUM_THREADS"] = "1"  # read by numpy's libraries when they are loaded
os.environ["OPENBLAS_NUM_THREADS"] = "1"
os.environ["MKL_NUM_THREADS"] = "1"

import numpy as np
from scipy.optimize import least_squares

from blindtest.device import Response, Section, correction_sections, flat_target, section_level_db

RATE = 48_000
GOAL_S, GOAL_DB = 2.0, 0.5


def device(seed: int) -> Response:
    """Return an invented device of six sections: 3 to 10 dB, 25 Hz to 9.5 kHz, peaks of Q 0.5 to 6."""
    rng = np.random.default_rng(seed)
    made = []
    for _ in range(6):
        kind = str(rng.choice(["peaking", "peaking", "peaking", "low-shelf", "high-shelf"]))
        q = float(np.exp(rng.uniform(np.log(0.5), np.log(6)))) if kind == "peaking" else float(rng.uniform(0.5, 1))
        hz = float(np.exp(rng.uniform(np.log(25), np.log(9500))))
        made.append(Section(type=kind, frequency_hz=hz, gain_db=float(rng.uniform(3, 10) * rng.choice([-1, 1])), q=q))
    frequency = np.geomspace(10, 22_000, 600)
    return Response(frequency=frequency, magnitude=section_level_db(made, frequency, RATE)[:, None])


def messy() -> Response:
    """Return an invented response that ten sections don't bring to nothing: the longest way through the fit."""
    rng = np.random.default_rng(5)
    frequency = np.geomspace(10, 22_000, 1200)
    octaves = np.log2(frequency)
    level = 4 * np.sin(3 * octaves) + 2 * np.sin(7.9 * octaves + 1) + np.sin(18 * octaves)
    return Response(frequency=frequency, magnitude=(level + rng.normal(0, 0.3, len(octaves)))[:, None])


def polish(response: Response, chain: tuple[Section, ...]) -> None:
    """Let scipy alone find its way back from numbers moved by 5 %, with derivatives by differences."""
    at = np.geomspace(20, 10_000, 216)
    wanted = -np.interp(np.log(at), np.log(response.frequency), response.magnitude[:, 0])

    def left(numbers: np.ndarray) -> np.ndarray:
        moved = [
            Section(type=one.type, frequency_hz=float(np.exp(f)), gain_db=float(g), q=float(np.exp(q)))
            for one, (f, g, q) in zip(chain, numbers.reshape(-1, 3), strict=True)
        ]
        error = section_level_db(moved, at, RATE) - wanted
        return np.asarray(error - error.mean())

    start = np.array([[np.log(one.frequency_hz * 1.05), one.gain_db * 1.05, np.log(one.q * 1.05)] for one in chain])
    least_squares(left, start.ravel(), max_nfev=60)


def main() -> int:
    """Return 0 if the goals were met."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--devices", type=int, default=20)
    options = parser.parse_args()
    hard, target = messy(), flat_target()
    chain = correction_sections(hard, target, RATE).chain
    ours, theirs = [], []
    for _ in range(options.rounds):
        began = time.process_time()
        correction_sections(hard, target, RATE)
        ours.append(time.process_time() - began)
        began = time.process_time()
        polish(hard, chain)
        theirs.append(time.process_time() - began)
    ratio = min(ours) / min(theirs)
    print(
        f"ten sections: {min(ours):.2f} s of processor time (median {statistics.median(ours):.2f}), goal {GOAL_S:g} s; "
        f"{ratio:.2f} times a polish by scipy alone"
    )
    worst = max(correction_sections(device(seed), target, RATE).rms_error_db for seed in range(options.devices))
    print(f"{options.devices} devices of six sections: worst {worst:.3f} dB r.m.s., goal {GOAL_DB:g} dB")
    return int(min(ours) > GOAL_S or worst > GOAL_DB)


if __name__ == "__main__":
    sys.exit(main())
