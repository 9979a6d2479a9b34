"""Two toy methods that prove what the contract carries, beyond ABX; read by `runpy` where they are needed.

TOY_RATING: three slots, three values, no right answer. TOY_ADAPTIVE: three slots, one of them odd; what is odd depends
on the outcomes so far.
"""

from blindtest.methods import METHODS, Drawn, Method, Question, Slot


def _names(setting):
    return ("1", "2", "3")


def _rating_draw(below, setting, earlier):
    conditions = [setting.conditions[0], setting.conditions[-1], setting.conditions[0]]
    roles = {0: "object", 1: "object", 2: "reference"}
    order = []
    left = [0, 1, 2]
    while left:
        order.append(left.pop(below(len(left))))
    return Drawn(
        slots=tuple(Slot(name=n, role=roles[k], condition=conditions[k]) for n, k in zip("123", order, strict=True))
    )


def _rating_question(names, setting):
    return Question(kind="rate", prompt="How good is each?", keys=names, range=(0.0, float(setting.numbers["most"])))


def _rating_fault(question, answer):
    if set(answer) != set(question.keys):
        return "rate each of them"
    low, high = question.range
    if not all(isinstance(v, int | float) and low <= v <= high for v in answer.values()):
        return f"ratings are {low:g} ... {high:g}"
    return None


TOY_RATING = Method(
    name="toy-rating",
    title="Toy rating",
    source="ours, for tests",
    answer_kind="rate",
    guess_rate=None,
    conditions=(2, 9),
    slot_names=_names,
    draw=_rating_draw,
    question=_rating_question,
    fault_in=_rating_fault,
)


def _adaptive_draw(below, setting, earlier):
    wrong = sum(outcome.correct is False for outcome in earlier)
    odd = setting.conditions[(wrong + 1) % len(setting.conditions)]
    other = setting.conditions[wrong % len(setting.conditions)]
    place = "123"[below(3)]
    return Drawn(
        slots=tuple(
            Slot(name=n, role="odd" if n == place else "other", condition=odd if n == place else other) for n in "123"
        ),
        right={"choice": place},
    )


def _adaptive_question(names, setting):
    return Question(
        kind="choose",
        prompt="Which one is odd?",
        keys=("choice",),
        options=tuple((name, f"{name} is odd") for name in names),
    )


def _adaptive_fault(question, answer):
    if set(answer) != {"choice"} or answer["choice"] not in ("1", "2", "3"):
        return "the answer must be 1, 2 or 3"
    return None


TOY_ADAPTIVE = Method(
    name="toy-adaptive",
    title="Toy staircase",
    source="ours, for tests",
    answer_kind="choose",
    guess_rate=1 / 3,
    conditions=(2, 9),
    slot_names=_names,
    draw=_adaptive_draw,
    question=_adaptive_question,
    fault_in=_adaptive_fault,
    adaptive=True,
)

METHODS_WITH_TOYS = {**METHODS, TOY_RATING.name: TOY_RATING, TOY_ADAPTIVE.name: TOY_ADAPTIVE}
