"""Run all benchmarks one after another and print their figures: ratios within one run.

    python tests/benchmarks/run.py [--short]

`--short` runs those of panel, store and start within a minute, and is for CI on a noisy machine: figures are
printed, a missed goal (exit code 1 of a benchmark) is said and doesn't fail; a benchmark that breaks does. Without it a
missed goal is exit code 1.
"""

import argparse
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).parent
SHORT = {
    "bench_panel.py": ["--listeners", "20", "--pace", "2", "--seconds", "8", "--kills", "1"],
    "bench_store.py": ["--answers", "200", "--clients", "16", "--each", "20", "--listeners", "100", "--seconds", "4"],
    "bench_start.py": ["--rounds", "5"],
}


def main() -> int:
    """Return 0 if all went well."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--short", action="store_true")
    short = parser.parse_args().short
    missed, broken = [], []
    scripts = [HERE / name for name in SHORT] if short else sorted(HERE.glob("bench_*.py"))
    for script in scripts:
        print(f"\n-- {script.name}", flush=True)
        options = SHORT.get(script.name, []) if short else []
        code = subprocess.run([sys.executable, str(script), *options], check=False).returncode
        if code == 1:
            missed.append(script.name)
        elif code:
            broken.append(script.name)
    if missed:
        print(f"\nmissed a goal here: {', '.join(missed)}" + (" (this machine may be noisy)" if short else ""))
    if broken:
        print(f"\nbroken: {', '.join(broken)}")
    return int(bool(broken) or (bool(missed) and not short))


if __name__ == "__main__":
    sys.exit(main())
