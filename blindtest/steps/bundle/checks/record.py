"""The record of a bundle: read strictly, and in its one form."""

from collections.abc import Mapping
from typing import Any

from blindtest.nouns import number_of
from blindtest.session.kept_record import KeptRecord, read_kept_record
from blindtest.session.record_lines import RECORD_FILES, record_lines
from blindtest.steps.bundle.opening import OpenedBundle, read_json_lines
from blindtest.steps.verification import Finding

__all__ = ["check_form", "read_record"]

MOST_TRIALS = 20_000
"""Of one sitting; a plan that says more would take forever to draw again, and nobody sits through it."""


def read_record(bundle: OpenedBundle) -> KeptRecord:
    """Return the record of `bundle`.

    Raises
    ------
    BlindtestError
        A file of it is missing, too large, or not what a record is.
    ValueError
        A plan in it could not be drawn again in any reasonable time.
    """
    for name in RECORD_FILES:
        file = f"record/{name}.jsonl"
        for _ in read_json_lines(bundle.path(file), name=file):
            pass
    kept = read_kept_record(bundle.root / "record")
    for entry in kept.sittings():
        blocks = kept.record(entry.commitment)["protocol"]["blocks"]
        trials = sum(_trials_of(block) for block in blocks)
        if len(blocks) > MOST_TRIALS or not 0 < trials <= MOST_TRIALS:
            raise ValueError(f"sitting {entry.number}: a plan of {trials} trials, allowed are 1 to {MOST_TRIALS}")
    return kept


def _count(value: Any) -> int:
    if type(value) is not int or value < 0:
        raise ValueError(f"{value!r} is no number of trials")
    return value


def _trials_of(block: Mapping[str, Any]) -> int:
    """Return how many trials a block of a plan holds, controls among them: as `design.Block.length` counts them."""
    trials, controls = _count(block["trials"]), block.get("controls")
    every = None if controls is None else _count(controls["every"])
    if every == 0:
        raise ValueError("a control for every 0 trials")
    return trials + (0 if every is None else trials // every)


def check_form(bundle: OpenedBundle, kept: KeptRecord, *, same_source: bool) -> tuple[Finding | str, list[str]]:
    """Hold each file of the record against its one canonical form, byte for byte; also return what isn't decided."""
    made = record_lines(kept, comments=True)
    other = [name for name, text in made.items() if bundle.path(f"record/{name}").read_bytes() != text]
    what = f"{number_of(len(made), 'file')} of the record against their one form (RFC 8785), byte for byte"
    if other and not same_source:
        words = f"{what}: another source of blindtest writes {', '.join(other)} otherwise: not decided"
        return words, [f"record/{name}" for name in other]
    return Finding(ok=not other, what=what, detail=f"differs in {', '.join(other)}" if other else ""), []
