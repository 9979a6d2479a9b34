"""Simulated studies of the attribution protocol: how often each word is said, held against the truth of each stage.

    python tests/stats/simulate_attribution.py          writes tests/references/stats/attribution_error_rates.csv

Every study: `listeners` rate all combinations of three or four stages on `clips`, once each. A rating is 60 plus the
effects of the stages that are on, plus what a listener and a clip add to each effect (normal, 8 and 4 points), what
they add to everything (10 and 6 points) and its own scatter (12 points); it is rounded to whole points and held
within 0 to 100. The first stage does `effect` points, the others nothing. A verdict is wrong where a stage without
effect is said to be heard (`false_heard`: any of them), or one as large as the margin is said to be negligible. The
rates of the first stage: `shown` (by its side), `wrong_side`, `negligible`, `open`. Seed in every row.
"""

import csv
from pathlib import Path

import numpy as np

from blindtest.design import factorial
from blindtest.stats import attribution, table_of

TABLE = Path(__file__).parents[1] / "references" / "stats" / "attribution_error_rates.csv"
MARGIN = 8.0
SD = {"listener": 8.0, "clip": 4.0, "rating": 12.0, "whole_listener": 10.0, "whole_clip": 6.0}
DESIGNS = {
    "panel of 16, 4 clips, 2^3": (16, 4, "abc", 0),
    "panel of 24, 8 clips, 2^3": (24, 8, "abc", 0),
    "panel of 16, 4 clips, 2^(4-1)": (16, 4, "abcd", 1),
    "one listener, 5 clips, 2^3, 4 times": (1, 5, "abc", 0),
}
STUDIES = dict(zip(DESIGNS, (300, 60, 100, 300), strict=True))
"""Fewer where a fit takes longer."""
REPEATS = {"one listener, 5 clips, 2^3, 4 times": 4}
FIELDS = (
    "design", "effect", "studies", "seed", "shown", "wrong_side", "negligible", "open", "false_heard",
    "negligible_of_nothing", "covered",
)  # fmt: skip


def study(rng, design, effect, listeners, clips, repeats):
    """Return the ratings of one study."""
    names = list(design.factors)
    runs = np.where(np.array(design.runs), 0.5, -0.5)
    truth = np.zeros(len(names))
    truth[0] = effect
    alone = listeners == 1
    own = truth + (0 if alone else 1) * rng.normal(0, SD["listener"], (listeners, len(names)))
    more = rng.normal(0, SD["clip"], (clips, len(names))) if clips >= 5 and not alone else np.zeros((clips, len(names)))
    level = (
        60 + rng.normal(0, SD["whole_listener"], listeners)[:, None] + rng.normal(0, SD["whole_clip"], clips)[None, :]
    )
    rows = []
    for who in range(listeners):
        for clip in range(clips):
            for run in runs:
                for _ in range(repeats):
                    value = level[who, clip] + run @ (own[who] + more[clip]) + rng.normal(0, SD["rating"])
                    rated = float(np.clip(np.round(value), 0, 100))
                    on = {name: "on" if x > 0 else "off" for name, x in zip(names, run, strict=True)}
                    rows.append({"listener": f"L{who}", "clip": f"c{clip}", "rating": rated, **on})
    return table_of(rows, ("listener", "clip", "rating", *names))


def rates(name, effect, studies, seed):
    """Return one row of the table."""
    listeners, clips, stages, halvings = DESIGNS[name]
    design = factorial(stages, halvings)
    products = [group[0] for group in design.pairs]
    found = dict.fromkeys(("shown", "refuted", "negligible", "open"), 0)
    false = quiet = covered = 0
    for number in range(studies):
        rng = np.random.default_rng([seed, number])
        table = study(rng, design, effect, listeners, clips, REPEATS.get(name, 1))
        result = attribution(table, stages=list(stages), margin=MARGIN, interactions=products)
        first, *others = result.stages
        found[first.word] += 1
        false += any(one.word in ("shown", "refuted") for one in others)
        quiet += sum(one.word == "negligible" for one in others) / len(others)
        low, high = first.effect.interval
        covered += low <= effect <= high
    return {
        "design": name,
        "effect": effect,
        "studies": studies,
        "seed": seed,
        "shown": found["shown"] / studies,
        "wrong_side": found["refuted"] / studies,
        "negligible": found["negligible"] / studies,
        "open": found["open"] / studies,
        "false_heard": false / studies,
        "negligible_of_nothing": round(quiet / studies, 4),
        "covered": covered / studies,
    }


def main() -> None:
    with TABLE.open("w", newline="", encoding="utf-8") as stream:
        table = csv.DictWriter(stream, FIELDS, lineterminator="\n")
        table.writeheader()
        for place, name in enumerate(DESIGNS):
            for effect in (0.0, 8.0):
                table.writerow(rates(name, effect, STUDIES[name], 100 * place + int(effect)))
                stream.flush()


if __name__ == "__main__":
    main()
