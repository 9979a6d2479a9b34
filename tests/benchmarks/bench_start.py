"""How fast the command line answers: `blindtest --help` against an empty Python, whole processes, alternating.

    python tests/benchmarks/bench_start.py [--rounds 15]

Goal: 0.1 s on a quiet machine, and no numpy loaded. The ratio to an interpreter that does nothing is what a noisy
machine can be held to.
"""

import argparse
import statistics
import subprocess
import sys
import time

GOAL_S = 0.1


def took(*arguments: str) -> float:
    """Return the seconds a process took."""
    began = time.perf_counter()
    subprocess.run([sys.executable, *arguments], check=True, capture_output=True)
    return time.perf_counter() - began


def main() -> int:
    """Print the figures; 1 if numpy is loaded."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=15)
    rounds = parser.parse_args().rounds
    took("-m", "blindtest", "--help")
    helps, empties = [], []
    for _ in range(rounds):
        helps.append(took("-m", "blindtest", "--help"))
        empties.append(took("-c", "pass"))
    ratio = statistics.median(h / e for h, e in zip(helps, empties, strict=True))
    print(
        f"blindtest --help: best {min(helps) * 1000:.0f} ms, median {statistics.median(helps) * 1000:.0f} ms "
        f"(goal {GOAL_S * 1000:.0f} ms on a quiet machine); {ratio:.1f} times an empty Python"
    )
    code = "import sys, blindtest.cli; print('numpy' in sys.modules)"
    loaded = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True).stdout.strip()
    print(f"numpy loaded: {loaded}")
    return int(loaded != "False")


if __name__ == "__main__":
    sys.exit(main())
