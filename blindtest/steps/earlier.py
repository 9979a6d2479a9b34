"""What a study seal says was recorded before it, held against what stands in the record.

A seal names impressions, seals and sittings that were there already, by hashes that tell nothing but order. Who leaves
one of them out of the record afterwards, or puts another in its place, is found by the seals that came later.
"""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from blindtest.session.record import Record

__all__ = ["earlier_lacking"]


def earlier_lacking(record: "Record") -> list[tuple[str, int, list[str]]]:
    """Return of each study seal that names earlier records: its commitment, how many it names, what is not there."""
    order = {entry.hash: place for place, entry in enumerate(record.impressions())}
    seals = {entry.commitment for entry in record.seals() if entry.kind == "study"}
    # A sitting that was open when the seal was made has grown since: its head of then is a link of its chain.
    heads = {
        (entry.number, entry.commitment): {entry.commitment, *(link.hash for link in record.chain(entry.number))}
        for entry in record.sittings()
    }

    def lacks(one: Mapping[str, Any]) -> str:
        if "impression" in one:
            return "" if one["impression"] in order else f"impression {str(one['impression'])[:16]}..."
        if "study_seal" in one:
            return "" if one["study_seal"] in seals else f"study seal {str(one['study_seal'])[:16]}..."
        there = one.get("head") in heads.get((one.get("sitting", 0), str(one.get("plan"))), set())
        return "" if there else f"sitting {one.get('sitting')} as it stood then"

    found = []
    for entry in record.seals():
        named = entry.record.get("earlier") if entry.kind == "study" else None
        if isinstance(named, list) and named:
            lacking = [words for one in named if (words := lacks(one))]
            places = [order[one["impression"]] for one in named if one.get("impression") in order]
            if places != sorted(places):
                lacking.append("impressions in their order")
            found.append((entry.commitment, len(named), lacking))
    return found
