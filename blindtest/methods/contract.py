"""The contract of test methods: what a trial holds, how it is drawn, what is shown, what is right.

A method is a value of `Method`, made in a file of its own and listed in `blindtest.methods.METHODS`. It is pure: the
source of draws is passed in, and what a listener is shown is made from slot *names* only, so that the truth of a trial
cannot reach the page through it.

A trial may have any number of slots, an answer any number of values (`{"choice": "A"}`, or one rating for each
slot), and a draw may depend on the outcomes so far (a staircase).
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

__all__ = ["Drawn", "Method", "Outcome", "Question", "Setting", "Slot", "Source", "Value", "numbered_slots"]

Source = Callable[[int], int]
"""`below(n)`: the next draw, uniform on 0 ... n - 1."""

Value = str | float | int
AnswerKind = Literal["choose", "rate", "adjust"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Slot:
    """One thing to listen to in a trial: the name a listener sees, and the truth behind it."""

    name: str
    """Shown: 'A', 'B', 'X', '1' ..."""
    role: str
    """'a', 'b', 'x', 'reference', 'object', 'anchor': what the slot is for; the same for every truth of the trial."""
    condition: str
    """The truth: the id of the condition that sounds here."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """A trial as drawn: its slots with their truth, and the right answer where there is one."""

    slots: tuple[Slot, ...]
    right: Mapping[str, Value] | None = None
    ladder: tuple[str, ...] = ()
    """Where the listener sets a slot: the conditions it can hold, in ascending order; it begins with its own."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What an earlier trial of the same block brought; what adaptive methods draw from."""

    drawn: Drawn
    answer: Mapping[str, Value]
    correct: bool | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """What a block compares, and the numbers that its method reads from the protocol."""

    conditions: tuple[str, ...]
    numbers: Mapping[str, Value] = field(default_factory=dict)
    labels: tuple[str, ...] = ()
    """Names of the conditions that a listener may read; only for questions that name all of them alike."""
    order: int = 0
    """Which of the method's orders this trial has: balanced over a block by the plan, see `Method.orders`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What a listener is asked; made from slot names, never from what they hold."""

    kind: AnswerKind
    prompt: str
    keys: tuple[str, ...]
    """Names of the values an answer holds: ('choice',), or one for each rated slot."""
    options: tuple[tuple[Value, str], ...] = ()
    """For 'choose': value and words of each option."""
    range: tuple[float, float] | None = None
    """For 'rate' and 'adjust': least and greatest value."""
    scale: tuple[tuple[float, str], ...] = ()
    """For 'rate': words along the scale, as (value in the middle of the interval, word)."""
    points: bool = False
    """For 'rate': whether the words stand at points of the scale, rather than each for an interval."""
    step: float = 1.0
    """For 'rate': what values are rounded to on the page; buttons and keys move by it, and by five of it."""
    one_at: float | None = None
    """For 'rate': a value that at least one has to have, since one of the sounds is known to deserve it."""
    offered_after_s: float | None = None
    """The programme runs on and does not come round: the slot that sounds first is drawn, the answer is offered once
    the sounds have played for so long, and the slot chosen plays the rest alone. None: clips come round, and an answer
    ends its trial."""
    adjusts: str = ""
    """For 'adjust': the slot that the listener sets. `step`: how many rungs of its ladder a large move takes."""
    measured: tuple[str, ...] = ()
    """Names of values that the sitting measures and puts beside the answer; '' where there was nothing to measure.
    A slot's name: seconds it sounded, once all had been heard. 'start': the slot that sounded first."""
    measured_later: tuple[str, ...] = ()
    """The same, put there once the rest of the programme is over. 'played': seconds of it that sounded. 'ended':
    'skipped', 'over' or 'interrupted'."""


def numbered_slots(setting: Setting) -> tuple[str, ...]:
    """Return a slot for each condition, named by numbers from 1."""
    return tuple(str(place) for place in range(1, len(setting.conditions) + 1))


def _one_order(setting: Setting) -> int:
    return 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Method:
    """The facts of a method and its pure functions."""

    name: str
    title: str
    source: str
    """The standard or paper it follows."""
    answer_kind: AnswerKind
    guess_rate: float | None
    """Probability that a guess is right; None where no answer is right, or where it depends on the setting."""
    conditions: tuple[int, int]
    """Least and greatest number of conditions in a trial."""
    slot_names: Callable[[Setting], tuple[str, ...]]
    draw: Callable[[Source, Setting, Sequence[Outcome]], Drawn]
    question: Callable[[tuple[str, ...], Setting], Question]
    fault_in: Callable[[Question, Mapping[str, object]], str | None]
    """What is wrong with an answer, in words, or None."""
    decides: tuple[str, ...] = ()
    """Kinds of claim it can decide."""
    adaptive: bool = False
    """Whether a draw depends on earlier outcomes."""
    orders: Callable[[Setting], int] = _one_order
    """Number of orders that are balanced over the trials of a block and of each clip; the plan draws which trial has
    which, and passes it as `Setting.order`. 1: every draw is independent, as answer keys must be."""
    names_all: bool = False
    """Whether the question names all conditions, alike in every trial ('which one was it?')."""
    reference: bool = False
    """Whether the first condition of a setting is the original, given openly in every trial and hidden once more."""

    def is_right(self, drawn: Drawn, answer: Mapping[str, Value]) -> bool | None:
        """Return whether `answer` is the right one, or None where no answer is."""
        return None if drawn.right is None else dict(answer) == dict(drawn.right)
