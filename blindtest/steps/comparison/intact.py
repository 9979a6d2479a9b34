"""Whether a bundle is whole and agrees with itself: what is checked before anything of it is compared.

Every hash, the record with its chains and plans; results are made again from the record, and those are compared: so all
of them come from one version of the analysis, and what was published must agree with them. What takes sound (`blindtest
verify` renders it again) is left to that command.
"""

import json
from collections.abc import Iterator, Mapping
from datetime import datetime
from hashlib import sha256
from math import isclose
from typing import Any

from blindtest.errors import BlindtestError, Fault, FoundWanting
from blindtest.session.kept_record import KeptRecord, read_kept_record
from blindtest.steps.anchors import ANCHORS, stamps
from blindtest.steps.answers.study import read_answers
from blindtest.steps.bundle.opening import SUMS, OpenedBundle, read_json
from blindtest.steps.evidence import DERIVED, derived
from blindtest.steps.verification import verify_store

__all__ = ["verified_bundle"]

RESULTS = "results.json"


def verified_bundle(bundle: OpenedBundle) -> tuple[str, dict[str, Any]]:
    """Return the grade of a bundle, and its results as they follow from its record.

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
    if wrong:
        raise _broken(bundle, wrong)
    told = read_json(bundle.path(RESULTS))
    try:
        made = _made_again(bundle, record, told)
        wrong = [
            f"the results of the claim {name!r} are not what follows from the record" for name in _differing(told, made)
        ]
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise _broken(bundle, [f"{RESULTS} has not the form of results: {error!r}"]) from error
    if wrong:
        raise _broken(bundle, wrong)
    return found.grade, made


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


def _made_again(bundle: OpenedBundle, record: KeptRecord, told: Any) -> dict[str, Any]:
    """Return the results as they follow from the record, by this version for all that are compared."""
    held = {name: bundle.path(name) for name in bundle.names if name not in (SUMS, *DERIVED)}
    made = derived(
        held,
        read_answers(record),
        record,
        generated_at=datetime.fromisoformat(told["generated_at"]),
        invented=bool(told["invented"]),
    )
    return dict(json.loads(made[RESULTS]))


def _differing(told: Any, made: Mapping[str, Any]) -> Iterator[str]:
    """Yield the claims whose published results are not those that follow; other versions may have told more or less."""
    published = {one["id"]: one for one in told["claims"]}
    for one in made["claims"]:
        own = published.get(one["id"])
        if own is None or not all(_alike(own[key], one[key]) for key in _COMPARED if key in own and key in one):
            yield one["id"]


_COMPARED = ("kind", "device", "comparator", "word", "counts", "by_listener", "effects", "estimate", "std_error")


def _alike(one: Any, other: Any) -> bool:
    """Return whether two values say the same: numbers to nine digits, tables in the keys that both have."""
    if isinstance(one, Mapping) and isinstance(other, Mapping):
        return all(_alike(one[key], other[key]) for key in one.keys() & other.keys())
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(_alike, one, other))
    if isinstance(one, int | float) and isinstance(other, int | float):
        return isclose(one, other, rel_tol=1e-9, abs_tol=1e-9)
    return bool(one == other)
