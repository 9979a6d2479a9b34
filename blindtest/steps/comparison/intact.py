"""Whether a bundle is whole and agrees with itself: what is checked before anything of it is compared.

Every hash, the record with its chains and plans, and `results.json` made again from the record. What takes sound
(`blindtest verify` renders it again) is left to that command.
"""

import json
from collections.abc import Iterator
from datetime import datetime
from hashlib import sha256

from blindtest.errors import BlindtestError, Fault, FoundWanting
from blindtest.session.kept_record import KeptRecord, read_kept_record
from blindtest.steps.anchors import ANCHORS, stamps
from blindtest.steps.answers import read_answers
from blindtest.steps.bundle_opening import SUMS, OpenedBundle, read_json
from blindtest.steps.evidence import DERIVED, derived
from blindtest.steps.verification import verify_store

__all__ = ["verified_bundle"]

RESULTS = "results.json"


def verified_bundle(bundle: OpenedBundle) -> str:
    """Return the grade of a bundle.

    Raises
    ------
    FoundWanting
        Something in it does not hold; a line for each.
    BlindtestError
        It is no bundle.
    """
    needed = [name for name in (SUMS, RESULTS) if name not in bundle.names]
    if needed:
        raise BlindtestError(
            Fault(problem=f"no evidence bundle: {', '.join(needed)} is not in it", file=str(bundle.given),
                  remedy="name what blindtest report wrote: report/bundle, or report/...-evidence.zip")
        )  # fmt: skip
    wrong = list(_files(bundle))
    if wrong:
        raise _broken(bundle, wrong)
    record = read_kept_record(bundle.path("record"))
    found = verify_store(record, stamped=stamps(bundle.path(ANCHORS)))
    wrong = [f"{one.what}: {one.detail}" if one.detail else one.what for one in found.findings if not one.ok]
    if not wrong and not _results_follow(bundle, record):
        wrong = [f"{RESULTS} is not what follows from the record"]
    if wrong:
        raise _broken(bundle, wrong)
    return found.grade


def _broken(bundle: OpenedBundle, wrong: list[str]) -> FoundWanting:
    return FoundWanting(
        *(
            Fault(
                problem=f"this bundle does not hold, and is not compared: {words}",
                file=str(bundle.given),
                remedy="blindtest verify says more",
            )
            for words in wrong
        )
    )


def _files(bundle: OpenedBundle) -> Iterator[str]:
    """Yield what is wrong with files: changed, missing, or listed nowhere."""
    listed = {}
    for line in bundle.path(SUMS).read_text(encoding="utf-8", errors="replace").splitlines():
        digest, _, name = line.partition("  ")
        listed[name] = digest
    for name in sorted(set(bundle.names) - {SUMS}):
        if name not in listed:
            yield f"{name} is not in {SUMS}"
        elif sha256(bundle.path(name).read_bytes()).hexdigest() != listed[name]:
            yield f"{name} is not the file that {SUMS} lists"
    yield from (f"{name} is missing" for name in sorted(set(listed) - set(bundle.names)))


def _results_follow(bundle: OpenedBundle, record: KeptRecord) -> bool:
    """Return whether the results are those that follow from the record."""
    told = read_json(bundle.path(RESULTS))
    held = {name: bundle.path(name) for name in bundle.names if name not in (SUMS, *DERIVED)}
    try:
        generated, invented = datetime.fromisoformat(told["generated_at"]), bool(told["invented"])
        made = derived(held, read_answers(record), record, generated_at=generated, invented=invented)
    except (KeyError, TypeError, ValueError):
        return False
    return bool(json.loads(made[RESULTS]) == told)
