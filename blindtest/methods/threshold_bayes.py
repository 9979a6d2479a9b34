"""Threshold by the entropy method: each trial takes the level that would tell most about the psychometric function.

Source: Kontsevich & Tyler 1999 (Vision Research 39, 2729-2737). The rule stands in `entropy.py`, the trial in
`level_trial.py`. A block is one track of a number of trials that is fixed beforehand.

Numbers of a block: `task`, odd or abx. The first trial is the one that tells most before anything is known.
"""

from collections.abc import Sequence

from blindtest.methods.contract import Outcome, Setting
from blindtest.methods.entropy import most_telling
from blindtest.methods.level_trial import adaptive_method, guess_rate, place_of

__all__ = ["THRESHOLD_BAYES"]


def _next_place(setting: Setting, earlier: Sequence[Outcome]) -> int:
    answered = [(place_of(outcome.drawn, setting), outcome.correct is True) for outcome in earlier]
    return most_telling(len(setting.conditions) - 1, guess_rate(setting.numbers), answered)


THRESHOLD_BAYES = adaptive_method(
    name="threshold-bayes",
    title="Threshold, entropy method",
    source="Kontsevich & Tyler 1999",
    next_place=_next_place,
)
