"""A trial table of a million rows: read, checked and analysed; memory, and processor time against pandas' reading.

    python tests/benchmarks/bench_table.py [--rows 1000000]

Two tables with all columns of a trial table (20 trials of each listener, simulated): ABX answers and ratings. Each is
read by pandas.read_csv alone, by `read_trial_table`, and analysed by `blindtest analyze` with everything that stands
beside the result, each in a process of its own, whose largest memory and processor time are taken from the system
(getrusage). Ratios are those of processor times in one run; they hang on the listeners, of whom each gets a row of
results. Exit code 1 if a goal is missed.
"""

import argparse
import json
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

MOST_MB = 1536
"""Goal: no more memory, MB, for a million rows (in proportion for more; 400 MB for a few)."""
TIMES_READING = 10.0
"""Goal: reading and checking every cell within so many times of pandas' reading alone."""
PER_LISTENER = 20
HEADER = (
    "study,listener,sitting,trial,attempt,slot,block,block_trial,phase,method,kind,clip,conditions,order,condition,"
    "label,response,correct,confidence,shown_at,answered_at,time_taken_s,switches,faults"
)
RUN = """
import json, resource, sys
import numpy, pandas, blindtest.cli, blindtest.stats
from blindtest.stats import read_trial_table
before = resource.getrusage(resource.RUSAGE_SELF)
{body}
after = resource.getrusage(resource.RUSAGE_SELF)
spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
print(json.dumps([spent, after.ru_maxrss / 1024]), file=sys.stderr)
"""
BODIES = {
    "pandas.read_csv": "table = pandas.read_csv({path!r})",
    "read and checked": "table = read_trial_table({path!r})",
    "analysed": "from blindtest.cli import main; sys.argv = ['blindtest', 'analyze', {path!r}, '--method', {kind!r}]\n"
    "try:\n    main()\nexcept SystemExit as end:\n    assert not end.code, end.code",
}


def written(path: Path, kind: str, rows: int) -> None:
    """Write a simulated table."""
    rng = np.random.default_rng(20261126)
    right, noise = rng.random(rows) < 0.58, rng.normal(0, 12, rows)
    with path.open("w", encoding="utf-8") as out:
        out.write(HEADER + "\n")
        for place in range(rows):
            listener, trial = divmod(place, PER_LISTENER)
            times = f"2026-01-01T10:{trial:02d}:00Z,2026-01-01T10:{trial:02d}:41Z,{20 + trial / 7:.3f},{trial % 7},"
            if kind == "abx":
                answer, said = ("A", "true") if right[place] else ("B", "false")
                out.write(
                    f"s1,L{listener:06d},{listener + 1},{trial + 1},1,,test,{trial + 1},blind,abx,choose,"
                    f"clip{trial % 5},heron|plover,A=heron|B=plover|X=heron,,,{answer},{said},,{times}\n"
                )
            else:
                page, slot = divmod(trial, 2)
                out.write(
                    f"s1,L{listener:06d},{listener + 1},{page + 1},1,{'AB'[slot]},test,{page + 1},blind,rating,rate,"
                    f"clip{page % 5},heron|plover,A=heron|B=plover,{('heron', 'plover')[slot]},,"
                    f"{50 + 6 * slot + noise[place]:.0f},,,{times}\n"
                )


def run(what: str, path: Path, kind: str) -> tuple[float, float]:
    """Return processor time in s and largest memory in MB of one process."""
    body = BODIES[what].format(path=str(path), kind=kind)
    done = subprocess.run(
        [sys.executable, "-c", RUN.replace("{body}", body)], capture_output=True, text=True, check=True
    )
    spent, memory = json.loads(done.stderr.strip().splitlines()[-1])
    return spent, memory


def main() -> int:
    """Write, run, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rows", type=int, default=1_000_000)
    options = parser.parse_args()
    most = max(400.0, MOST_MB * options.rows / 1e6)
    reached = True
    with tempfile.TemporaryDirectory() as folder:
        for kind in ("abx", "rating"):
            path = Path(folder) / f"{kind}.csv"
            written(path, kind, options.rows)
            print(f"{kind}: {options.rows} rows, {path.stat().st_size / 2**20:.0f} MB")
            spent = {}
            for what in BODIES:
                spent[what], memory = run(what, path, kind)
                print(f"  {what:<18} {spent[what]:7.2f} s of processor, at most {memory:5.0f} MB")
                reached &= memory <= most
            ratio = spent["read and checked"] / spent["pandas.read_csv"]
            reached &= ratio <= TIMES_READING
            print(f"  read and checked: {ratio:.2f} of pandas.read_csv (goal {TIMES_READING:g})")
    print(f"goal: at most {most:.0f} MB: {'met' if reached else 'MISSED'}")
    return int(not reached)


if __name__ == "__main__":
    sys.exit(main())
