"""A listener's own result, in words for the listener: what they answered, told once the plan allows it.

Nothing of others stands in it, and no conclusion: what one listener's answers show or don't is the report's business.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from blindtest.methods import METHODS
from blindtest.stats import discrimination_test
from blindtest.words import listed, worded, worded_many

if TYPE_CHECKING:
    from blindtest.session.store import Store

__all__ = ["own_result"]


def own_result(store: "Store", sittings: Sequence[int], labels: Mapping[str, str]) -> tuple[str, ...]:
    """Return what a listener answered in these sittings, a sentence for each block that counts.

    labels : condition to the name that readers know it by
    """
    rows = [row for number in sittings for row in store.rows(number) if row["phase"] not in ("practice", "control")]
    blocks: dict[str, list[Mapping[str, Any]]] = {}
    for row in rows:
        blocks.setdefault(str(row["block"]), []).append(row)
    words = [_of_block(own, labels) for own in blocks.values()]
    if not any(words):
        return (worded("No answers that count are on record."),)
    return tuple(sentence for one in words for sentence in one)


def _of_block(rows: Sequence[Mapping[str, Any]], labels: Mapping[str, str]) -> list[str]:
    method = METHODS[str(rows[0]["method"])]
    judged = {(row["sitting"], row["trial"]): row["correct"] for row in rows if row["correct"] is not None}
    if judged and method.guess_rate is not None:
        return [_right(str(rows[0]["method"]), sum(map(bool, judged.values())), len(judged), method.guess_rate)]
    if judged:
        right = sum(map(bool, judged.values()))
        return [_score(right, len(judged))]
    if rows[0]["kind"] == "rate":
        return _rated(rows, labels)
    if rows[0]["kind"] == "choose":
        return _chosen(rows, labels)
    set_by_hand = len({(row["sitting"], row["trial"]) for row in rows})
    return [worded_many("You set a sound {count} time.", "You set a sound {count} times.", set_by_hand)]


def _score(right: int, of: int) -> str:
    if of == 1:
        return worded("Your only answer was right.") if right else worded("Your only answer was wrong.")
    return worded_many(
        "{count} of your {of} answers was right.", "{count} of your {of} answers were right.", right, of=of
    )


def _right(method: str, right: int, count: int, guess: float) -> str:
    p = discrimination_test(right, count, method=method).p_value
    guessing = worded(
        "Somebody who hears no difference and guesses has {guessed} right on average, and as many as you or more with "
        "a chance of {chance}.",
        guessed=_short(guess * count, 3),
        chance=_chance(p),
    )
    return listed((_score(right, count), guessing), " ")


def _chance(p: float) -> str:
    return worded("{share} in 100", share=_short(100 * p, 2)) if p >= 0.001 else worded("less than 1 in 1000")


def _short(value: float, digits: int) -> float:
    return float(f"{value:.{digits}g}")


def _rated(rows: Sequence[Mapping[str, Any]], labels: Mapping[str, str]) -> list[str]:
    given: dict[str, list[float]] = {}
    for row in rows:
        if row["condition"] is not None and isinstance(row["response"], int | float):
            given.setdefault(str(row["condition"]), []).append(float(row["response"]))
    means = sorted(((sum(own) / len(own), name) for name, own in given.items()), reverse=True)
    if not means:
        return []
    told = listed(worded("{name} {mean}", name=labels.get(name, name), mean=_short(mean, 3)) for mean, name in means)
    return [worded("Your mean ratings: {ratings}.", ratings=told)]


def _chosen(rows: Sequence[Mapping[str, Any]], labels: Mapping[str, str]) -> list[str]:
    chosen: Counter[str] = Counter()
    trials = 0
    for row in rows:
        if row["slot"] != "choice":
            continue
        trials += 1
        order = dict(pair.split("=", 1) for pair in str(row["order"]).split("|") if "=" in pair)
        if (name := order.get(str(row["response"]))) is not None:
            chosen[labels.get(name, name)] += 1
    if not chosen:
        return []
    counts = listed(worded("{name} ({count})", name=name, count=count) for name, count in chosen.most_common())
    return [
        worded_many(
            "In {count} trial you chose {counts}.", "In {count} trials you chose {counts}.", trials, counts=counts
        )
    ]
