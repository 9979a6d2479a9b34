"""Hold the quick power of a difference of ratings against simulated fits of the mixed model, and keep the table.

    python tests/stats/plans/simulate_contrast_power.py [studies]

Writes tests/references/stats/contrast_power_simulated.json: design, difference, power by noncentral t with
Satterthwaite's degrees of freedom, power counted, Monte Carlo error; seed, date and number of studies.
"""

import json
import sys
from datetime import UTC, datetime
from pathlib import Path

from blindtest.stats import ContrastDesign, contrast_power, simulated_contrast_power

OUT = Path(__file__).parents[2] / "references" / "stats" / "contrast_power_simulated.json"
SEED = 20_261_125
DESIGNS = (
    {"listeners": 6, "clips": 5, "repeats": 2},
    {"listeners": 12, "clips": 3, "repeats": 2},
    {"listeners": 12, "clips": 5, "repeats": 2},
    {"listeners": 24, "clips": 8, "repeats": 1},
    {"listeners": 12, "clips": 5, "repeats": 2, "devices": 4},
    {"listeners": 8, "clips": 4, "repeats": 1, "clips_are_a_sample": False},
)
DIFFERENCES = (0.0, 10.0)


def main(studies: int) -> None:
    """Simulate every design and write the table."""
    rows = []
    for more in DESIGNS:
        design = ContrastDesign(**more)
        for difference in DIFFERENCES:
            quick = contrast_power(design, difference=difference)
            counted = simulated_contrast_power(design, difference=difference, studies=studies, seed=SEED)
            rows.append(
                {**more, "difference": difference, "power": quick.power, "counted": counted.power,
                 "std_error": counted.std_error}
            )  # fmt: skip
            print(rows[-1], flush=True)
    made = {"seed": SEED, "date": datetime.now(UTC).date().isoformat(), "studies": studies, "rows": rows}
    OUT.write_text(json.dumps(made, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1000)
