"""Plans: everything drawn for one sitting, from one seed.

The record R of a plan holds rule and counts, never draws; the seed is SHA-256(nonce || public string), and everything
drawn follows from it. So the commitment to R and nonce fixes every key, order, token and dither, also of methods
whose trials depend on answers, and anybody who is given R and the nonce can draw the plan again.
"""

from bisect import bisect_right
from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from itertools import accumulate
from typing import Any, TypeVar

from blindtest.design.draws import Draws
from blindtest.design.labelling import moved, names_read_in, places_moved
from blindtest.design.protocol import Block, ControlKind, Protocol
from blindtest.design.seal import Sealed
from blindtest.design.williams import arranged, rows_in, williams
from blindtest.methods import Drawn, Method, Outcome, Question, Setting

__all__ = ["Plan", "PlannedTrial", "exchanged"]

T = TypeVar("T")

_TOKENS_KEPT = 64
_LATELY_KEPT = 4
"""The trial in hand and the next, and those they are compared with: there are as many plans as listeners."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedTrial:
    """One trial of a sitting, truth included. Stays on the server."""

    number: int
    """0-based, through the whole sitting."""
    block: str
    block_trial: int
    """0-based, within its block."""
    phase: str
    method: str
    clip: str
    drawn: Drawn
    feedback: bool
    break_before: bool
    control: ControlKind | None = None
    """Which control it is; then the phase is 'control'."""
    labels: Mapping[str, str] = field(default_factory=dict)
    """Only in the phase 'unreliable': the condition whose name stands at each slot, right or wrong."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What a listener sees of any trial of a block: made from slot names and counts, never from what a slot holds."""

    setting: Setting
    """With the conditions' ids struck out, so that no text made from it can name one."""
    slots: tuple[str, ...]
    question: Question


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """A sitting's plan: its record, its nonce, and the draws that follow from them."""

    record: Mapping[str, Any]
    nonce: bytes
    commitment: str
    """SHA-256(nonce || canonical record), hex; published before the first trial."""
    protocol: Protocol
    conditions: tuple[str, ...]
    clips: tuple[str, ...]
    draws: Draws
    methods: Mapping[str, Method]
    swapped: bool = False
    """Only for tests of blindness: every trial has another of its possible truths. See `exchanged`."""
    _starts: tuple[int, ...] = field(init=False, repr=False, compare=False)
    """First trial of each block, and the number of all."""
    _found: dict[tuple[str, str], Any] = field(init=False, repr=False, compare=False, default_factory=dict)
    """What holds for a whole block, by what it is and the block's id, once asked for: each event asks again."""
    _tokens: dict[tuple[int, int, str], str] = field(init=False, repr=False, compare=False, default_factory=dict)
    """Of the trials at hand, once asked for."""
    _lately: dict[str, dict[Any, Any]] = field(init=False, repr=False, compare=False, default_factory=dict)
    """What was found of the trials at hand; see `lately`."""
    _places: dict[int, tuple[Block, int]] = field(init=False, repr=False, compare=False, default_factory=dict)
    """Of those at hand, as `place` returns them."""

    def __post_init__(self) -> None:
        """Count the trials of all blocks: `place` is asked for many times an event."""
        starts = accumulate((block.length for block in self.protocol.blocks), initial=0)
        object.__setattr__(self, "_starts", tuple(starts))

    @property
    def sealed(self) -> Sealed:
        """Record, nonce and commitment, as they are stored."""
        return Sealed(record=self.record, nonce=self.nonce, commitment=self.commitment)

    @property
    def length(self) -> int:
        """Number of trials."""
        return self._starts[-1]

    def place(self, number: int) -> tuple[Block, int]:
        """Return the block of trial `number`, and which trial of that block it is (0-based)."""
        found = self._places.get(number)
        if found is None:
            if number < 0:
                raise ValueError(f"trials are numbered from 0, got {number}")
            if number >= self._starts[-1]:
                raise ValueError(f"the plan has {self.length} trials, got number {number}")
            block = bisect_right(self._starts, number) - 1
            if len(self._places) >= _LATELY_KEPT:
                self._places.clear()
            found = self._places[number] = self.protocol.blocks[block], number - self._starts[block]
        return found

    def method(self, block: Block) -> Method:
        """Return the method of `block`."""
        return self.methods[block.method]

    def compared(self, block: Block) -> tuple[str, ...]:
        """Return the ids of the conditions that `block` compares."""
        return tuple(self.record.get("compared", {}).get(block.id, self.conditions))

    def label(self, condition: str) -> str:
        """Return the name of a condition that a listener reads where phases or questions name it."""
        return str(self.record.get("labels", {}).get(condition, condition))

    def setting(self, block: Block, order: int = 0) -> Setting:
        """Return what `block` compares and the numbers its method reads."""
        conditions = self.compared(block)
        labels = tuple(self.label(one) for one in conditions) if self.method(block).names_all or block.named else ()
        return Setting(conditions=conditions, numbers=block.numbers, labels=labels, order=order)

    def once(self, what: str, block: Block, find: Callable[[Block], T]) -> T:
        """Return what `find` returns of a block, and remember it as `what`: a plan never changes.

        Only for what holds whatever the block's trials hold.
        """
        place = what, block.id
        if place not in self._found:
            self._found[place] = find(block)
        found: T = self._found[place]
        return found

    def lately(self, what: str, key: Hashable, find: Callable[[], T]) -> T:
        """Return what `find` returns, and remember it as `what` of `key` for as long as few others were asked for.

        Only for what follows from the plan and the key.
        """
        held = self._lately.setdefault(what, {})
        found: T | None = held.get(key)
        if found is None:
            if len(held) >= _LATELY_KEPT:
                held.clear()
            found = held[key] = find()
        return found

    def asked(self, block: Block) -> Asked:
        """Return what a listener sees of any trial of `block`."""
        return self.once("asked", block, self._asked)

    def _asked(self, block: Block) -> Asked:
        setting, method = self.setting(block), self.method(block)
        struck = replace(setting, conditions=tuple(str(place) for place in range(1, len(setting.conditions) + 1)))
        slots = method.slot_names(struck)
        return Asked(setting=struck, slots=slots, question=method.question(slots, struck))

    def order_of(self, block: Block) -> tuple[int, ...]:
        """Return the order of each trial of `block`: each as often as any other, over the block and over each clip.

        Trials are gone through clip by clip, those of a clip in drawn succession, and dealt the orders in turn from a
        drawn start.
        """
        return self.once("order_of", block, self._order_of)

    def _order_of(self, block: Block) -> tuple[int, ...]:
        orders = self.method(block).orders(self.setting(block))
        if orders == 1:
            return (0,) * block.trials
        if block.sequence:
            return tuple(one for row in self.rows_of(block) for one in row)
        clips = self.clip_order(block)
        dealt = [0] * block.trials
        turn = self.draws.source(f"turn/{block.id}")(orders)
        for clip in self.draws.shuffled(f"deal/{block.id}", tuple(dict.fromkeys(clips))):
            own = tuple(number for number, name in enumerate(clips) if name == clip)
            for number in self.draws.shuffled(f"deal/{block.id}/{clip}", own):
                dealt[number] = turn % orders
                turn += 1
        return tuple(dealt)

    def rows_of(self, block: Block) -> tuple[tuple[int, ...], ...]:
        """Return the order of conditions in each round of a block with a sequence; see `williams.py`."""
        count = len(self.compared(block))
        start = int(self.record.get("starts", {}).get(block.id, 0))
        return rows_in(self.draws, block.id, block.trials // self._run(block), count, start)

    def _run(self, block: Block) -> int:
        """Return how many trials make one round: all conditions one after the other, or one page of them."""
        return self.method(block).orders(self.setting(block))

    def clip_order(self, block: Block) -> tuple[str, ...]:
        """Return the clip of each trial of `block`: spread evenly, those with one trial more and the order drawn.

        With a sequence a clip stays for all conditions: whole rounds are spread.
        """
        return self.once("clip_order", block, self._clip_order)

    def _clip_order(self, block: Block) -> tuple[str, ...]:
        if block.sequence and (run := self._run(block)) > 1:
            times, rest = divmod(block.trials // run, len(self.clips))
            extra = self.draws.shuffled(f"extra/{block.id}", self.clips)[:rest]
            rounds = self.draws.shuffled(f"clips/{block.id}", self.clips * times + extra)
            return tuple(clip for clip in rounds for _ in range(run))
        times, rest = divmod(block.trials, len(self.clips))
        extra = self.draws.shuffled(f"extra/{block.id}", self.clips)[:rest]
        return self.draws.shuffled(f"clips/{block.id}", self.clips * times + extra)

    def control_order(self, block: Block) -> tuple[ControlKind | None, ...]:
        """Return for each trial of `block` which control it is, or None where it counts: places and kinds drawn.

        Both kinds come equally often; of an odd number the one more is drawn.
        """
        return self.once("control_order", block, self._control_order)

    def _control_order(self, block: Block) -> tuple[ControlKind | None, ...]:
        if block.controls is None:
            return (None,) * block.length
        kinds = self.draws.shuffled(f"control-kinds/{block.id}", block.controls.kinds)
        dealt = [kinds[place % len(kinds)] for place in range(block.control_trials)]
        return self.draws.shuffled(f"controls/{block.id}", (*dealt, *((None,) * block.trials)))

    def control(self, number: int) -> ControlKind | None:
        """Return which control trial `number` is, or None where it counts."""
        block, within = self.place(number)
        return None if block.controls is None else self.control_order(block)[within]

    def _control_trial(self, number: int, block: Block, within: int, kind: ControlKind) -> PlannedTrial:
        """Return a control: as any trial of the block, but for what sounds in it."""
        assert block.controls is not None
        order = self.control_order(block)
        place = sum(one is not None for one in order[:within])
        times, rest = divmod(block.control_trials, len(self.clips))
        extra = self.draws.shuffled(f"control-extra/{block.id}", self.clips)[:rest]
        clips = self.draws.shuffled(f"control-clips/{block.id}", self.clips * times + extra)
        comparator = self.compared(block)[1]
        pair = (block.controls.audible if kind == "audible" else comparator, comparator)
        return PlannedTrial(
            number=number,
            block=block.id,
            block_trial=within,
            phase="control",
            method=block.method,
            clip=clips[place],
            drawn=self._drawn(number, block, replace(self.setting(block), conditions=pair), ()),
            feedback=block.feedback,
            break_before=_break_before(block, within),
            control=kind,
        )

    def trial(self, number: int, earlier: Sequence[Outcome] = ()) -> PlannedTrial:
        """Return trial `number`; `earlier`: the outcomes of its block so far, which only adaptive methods read."""
        return self._trial(number, earlier) if earlier else self.lately("trial", number, partial(self._trial, number))

    def _trial(self, number: int, earlier: Sequence[Outcome] = ()) -> PlannedTrial:
        block, within = self.place(number)
        counted = within
        if block.controls is not None:
            kinds = self.control_order(block)
            if (kind := kinds[within]) is not None:
                return self._control_trial(number, block, within, kind)
            counted = sum(one is None for one in kinds[:within])
        if block.phase == "unreliable":
            return self._named_trial(number, block, within, counted)
        return PlannedTrial(
            number=number,
            block=block.id,
            block_trial=within,
            phase=block.phase,
            method=block.method,
            clip=self.clip_order(block)[counted],
            drawn=self._drawn(number, block, self.setting(block, self.order_of(block)[counted]), earlier),
            feedback=block.feedback,
            break_before=_break_before(block, within),
        )

    def _named_trial(self, number: int, block: Block, within: int, counted: int) -> PlannedTrial:
        """Return a trial with names that may be wrong: the names are drawn as a truth is, then what sounds under them.

        An exchange moves the sounds only: the names are what the plan drew, whatever the truth.
        """
        orders, clips, compared = self.order_of(block), self.clip_order(block), self.compared(block)
        named = replace(self, swapped=False)._drawn(number, block, self.setting(block, orders[counted]), ())
        places = places_moved(self.draws, block.id, clips, orders, len(compared))[counted]
        return PlannedTrial(
            number=number,
            block=block.id,
            block_trial=within,
            phase=block.phase,
            method=block.method,
            clip=clips[counted],
            drawn=moved(named, compared, places + 1 if self.swapped else places),
            feedback=block.feedback,
            break_before=_break_before(block, within),
            labels=names_read_in(named),
        )

    def _drawn(self, number: int, block: Block, setting: Setting, earlier: Sequence[Outcome]) -> Drawn:
        draw = self.method(block).draw
        if block.sequence and self._run(block) == 1:
            # Side by side: the row says which slot holds what, in place of the draw; an exchange takes another row.
            plain = draw(self.draws.source(f"key/{number}"), setting, earlier)
            rows, within = self.rows_of(block), self.place(number)[1]
            row = rows[within]
            if self.swapped:
                row = next(other for other in williams(len(row)) if other != row)
            return arranged(plain, setting.conditions, row)
        drawn = draw(self.draws.source(f"key/{number}"), setting, earlier)
        if not self.swapped:
            return drawn
        # 200 tries: even with two equally likely truths all would agree with probability 2**-200.
        settings = [replace(setting, order=order) for order in range(self.method(block).orders(setting))]
        others = (
            draw(self.draws.source(f"exchange/{number}/{k}"), settings[k % len(settings)], earlier) for k in range(200)
        )
        return next((other for other in others if other != drawn), drawn)

    def first_slot(self, number: int, names: Sequence[str]) -> str:
        """Return which of a trial's slots sounds first, where that is drawn; by itself, so that it tells nothing."""
        return names[self.draws.source(f"start/{number}")(len(names))]

    def token(self, trial: int, attempt: int, slot: str) -> str:
        """Return the name under which a slot's sound is fetched."""
        place = trial, attempt, slot
        found = self._tokens.get(place)
        if found is None:
            if len(self._tokens) >= _TOKENS_KEPT:
                self._tokens.clear()
            found = self._tokens[place] = self.draws.token(f"token/{trial}/{attempt}/{slot}")
        return found

    def dither(self, trial: int, attempt: int, slot: str, count: int) -> bytes:
        """Return the noise bytes of a slot, independent of those of all others."""
        return self.draws.noise(f"dither/{trial}/{attempt}/{slot}", count)

    def level_stimulus(self) -> tuple[str, str]:
        """Return clip and condition heard while the listener sets the level, drawn."""
        below = self.draws.source("level")
        clip, condition = self.clips[below(len(self.clips))], self.conditions[below(len(self.conditions))]
        # What a listener can turn up is as loud while the level is set as it can become: nothing gets louder later.
        adjusted = (block for block in self.protocol.blocks if self.method(block).answer_kind == "adjust")
        return clip, next((self.compared(block)[-1] for block in adjusted), condition)


def exchanged(plan: Plan) -> Plan:
    """Return `plan` with another possible truth in every trial; the rest stays. For tests of blindness."""
    return replace(plan, swapped=True)


def _break_before(block: Block, within: int) -> bool:
    return bool(block.break_after and within and within % block.break_after == 0)
