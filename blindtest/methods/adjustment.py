"""Adjustment: the listener sets one sound themselves, to what they prefer, or until it equals another.

Each trial offers a ladder: conditions that differ in one number of one stage, rendered ahead, in ascending order. The
listener hears one rung at a time and asks for a little or much more or less; which rung that is, how many there are
above it, and where the ladder ends, nobody tells them before they run into an end.

Sources: the method of adjustment (average error) of Fechner 1860, as treated in Gescheider 1997 (Psychophysics: The
Fundamentals, 3rd ed.), both from memory: settings from above and from below, since where a setting begins pulls it
(anticipation, habituation). Of a trial are drawn, besides clip and tokens:

- the *window*: of a grid of n levels, n - (n - 5) // 4 that follow each other (all of them up to n = 8), so that the
  distance from an end says nothing, and runs of moves learned in one trial don't serve in the next;
- the *start*, evenly over the rungs below the middle of the grid or those above it, and on no end of the window; below
  and above equally often, over the block and over each clip (`Method.orders`).

Numbers of a block: `sets`, "equal" (the first condition of the setting is what is held against, the others are the
grid) or "preferred" (all conditions are the grid); `attribute`, what is made equal or set, else loudness.

A page knows places by their distance from the start only. An answer is {"offset": rungs above the start, whole}.
"""

from collections.abc import Mapping, Sequence

from blindtest.methods.contract import Drawn, Method, Outcome, Question, Setting, Slot, Source
from blindtest.words import worded

__all__ = ["ADJUSTMENT", "MEASURED", "stride"]

LOUDNESS = "loudness"
MEASURED = ("set", "start", "moves", "end")
"""Beside the offset: the conditions set and begun with, how often it was moved, the end of the window it stands at."""


def stride(rungs: int) -> int:
    """Return how many rungs 'much more' goes, on a ladder of so many: a fifth of it, two at least."""
    return max(2, rungs // 5)


def _equal(setting: Setting) -> bool:
    return setting.numbers.get("sets") == "equal"


def _grid(setting: Setting) -> tuple[str, ...]:
    return setting.conditions[1:] if _equal(setting) else setting.conditions


def _cut(levels: int) -> int:
    """Return how many levels of the grid a trial leaves out."""
    return max(0, (levels - 5) // 4)


def _slot_names(setting: Setting) -> tuple[str, ...]:
    return ("A", "B") if _equal(setting) else ("1",)


def _draw(below: Source, setting: Setting, earlier: Sequence[Outcome]) -> Drawn:
    grid = _grid(setting)
    cut = _cut(len(grid))
    first = below(cut + 1)
    ladder = grid[first : first + len(grid) - cut]
    middle = (len(grid) - 1) / 2
    sides = [
        place
        for place in range(len(ladder))
        if (first + place < middle if setting.order == 0 else first + place > middle)
    ]
    inside = [place for place in sides if 0 < place < len(ladder) - 1]
    rungs = inside or sides or list(range(len(ladder)))
    start = ladder[rungs[below(len(rungs))]]
    own = Slot(name=_slot_names(setting)[-1], role="set", condition=start)
    if not _equal(setting):
        return Drawn(slots=(own,), ladder=ladder)
    return Drawn(slots=(Slot(name="A", role="held against", condition=setting.conditions[0]), own), ladder=ladder)


def _question(names: tuple[str, ...], setting: Setting) -> Question:
    attribute = str(setting.numbers.get("attribute", LOUDNESS))
    own = names[-1]
    if _equal(setting):
        if attribute == LOUDNESS:
            prompt = worded("Set {own} until it is as loud as {other}.", own=own, other=names[0])
        else:
            prompt = worded(
                "Set {own} until it has as much {attribute} as {other}.", own=own, attribute=attribute, other=names[0]
            )
    elif attribute == LOUDNESS:
        prompt = worded("Set the sound until it is as loud as you like it best.")
    else:
        prompt = worded("Set the sound until it has as much {attribute} as you like best.", attribute=attribute)
    rungs = len(_grid(setting)) - _cut(len(_grid(setting)))
    return Question(
        kind="adjust",
        prompt=prompt,
        keys=("offset",),
        range=(1.0 - rungs, rungs - 1.0),
        step=float(stride(rungs)),
        adjusts=own,
        measured=MEASURED,
    )


def _fault_in(question: Question, answer: Mapping[str, object]) -> str | None:
    least, most = question.range or (0.0, 0.0)
    offset = answer.get("offset")
    if set(answer) != {"offset"} or isinstance(offset, bool) or not isinstance(offset, int | float):
        return worded("set the sound first: a little more, or a little less")
    if not (least <= offset <= most) or offset != int(offset):
        return worded(
            "a setting is a whole number of steps from where it began, {least} to {most}", least=least, most=most
        )
    return None


ADJUSTMENT = Method(
    name="adjustment",
    title="Adjustment",
    source="Fechner 1860; Gescheider 1997",
    answer_kind="adjust",
    guess_rate=None,
    conditions=(2, 42),
    slot_names=_slot_names,
    draw=_draw,
    question=_question,
    fault_in=_fault_in,
    decides=("matched",),
    orders=lambda setting: 2,
)
