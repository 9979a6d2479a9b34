"""What must hold of claims: what they speak of is there, differs, and can be compared; one of them is primary.

Whether their plan can refute them is another question: `claim_reach.py`.
"""

from blindtest.study.entries import entries, has_hidden_ids, known
from blindtest.study.findings import Findings
from blindtest.study.reading import Tables
from blindtest.study.schema import MARGINS
from blindtest.study.stage_claims import check_stage_claim
from blindtest.study.variants import variant_claims

__all__ = ["check_claims"]

ONE_PAIR = ("heard", "preferred", "keeps listening", "threshold", "matched")
"""Kinds of which a study holds one; of attributes see `rated_claims.py`."""
ON_A_GRID = ("threshold", "matched")


def check_claims(data: Tables, found: Findings) -> None:
    """Gather what is wrong with the claims of `data`, pruned of what the schema refused."""
    for index, claim in entries(data, "claim"):
        _claim(data, claim, index, found)
    _one_of_a_kind(data, found)
    _one_primary(data, found)
    _compared(data, found)


def _claim(data: Tables, claim: Tables, index: int, found: Findings) -> None:
    path = ("claim", index)
    for key in ("device", "comparator"):
        if isinstance(name := claim.get(key), str):
            known(data, "condition", name, (*path, key), found)
            _can_be_spoken_of(data, name, (*path, key), found)
            _has_its_grid(data, name, key, claim.get("kind"), (*path, key), found)
    check_stage_claim(data, claim, index, found)
    if "device" in claim and claim["device"] == claim.get("comparator"):
        found.fault((*path, "comparator"), "the device is held against itself", got=claim["device"])
    if isinstance(clips := claim.get("clips"), list):
        for number, name in enumerate(clips):
            known(data, "clip", name, (*path, "clips", number), found)
        if len(set(clips)) < len(clips):
            found.fault((*path, "clips"), "a clip is named twice", got=", ".join(clips))
    kind = claim.get("kind")
    # Of an attribute the unit follows from the method that judges it: `claim_reach.py` says it.
    if kind in MARGINS and kind != "attribute" and claim.get("margin", 0) >= MARGINS[kind][0]:
        found.fault((*path, "margin"), "out of range", got=claim["margin"], allowed=MARGINS[kind][1])
    for key, only in (
        ("kept", ("rated",)),
        ("attribute", ("attribute",)),
        ("direction", ("preferred", "attribute", "keeps listening")),
    ):
        if key in claim and kind is not None and kind not in only:
            kinds = " and ".join(filter(None, [", ".join(only[:-1]), only[-1]]))
            found.fault(
                (*path, key), f"only claims of the kind {kinds} have this key", got=kind, remedy="take the key out"
            )
    if "impression" in claim and "quote" not in claim and not found.is_touched(*path, "quote"):
        found.fault(
            (*path, "quote"), "missing: which words of the impression are claimed?", remedy="write quote = '...'"
        )
    elif "quote" in claim and "impression" not in claim and not found.is_touched(*path, "impression"):
        found.note((*path, "quote"), "not on record: `blindtest impression` puts words on record and prints their hash")


def _can_be_spoken_of(data: Tables, name: str, path: tuple[str | int, ...], found: Findings) -> None:
    for _, condition in entries(data, "condition"):
        if condition.get("id") == name:
            role = "an anchor" if condition.get("anchor") else "a decoy" if condition.get("decoy") else ""
            if role:
                found.fault(path, f"{role} can't be claimed about", got=name, remedy="name another condition")


def _has_its_grid(
    data: Tables, name: str, key: str, kind: object, path: tuple[str | int, ...], found: Findings
) -> None:
    """Thresholds and settings lie on the grid of the device, against one rendering; no other claim speaks of a grid."""
    condition = _by_id(data, name)
    if condition is None or kind is None or found.is_touched("condition"):
        return
    wanted = kind in ON_A_GRID and key == "device"
    if wanted and not condition.get("grid"):
        found.fault(
            path,
            "the condition has no grid of levels to look for a threshold on"
            if kind == "threshold"
            else "the condition has no grid of levels to set it on",
            got=name,
            remedy=f"write grid = {{ stage = '{'hump' if kind == 'threshold' else 'gain_db'}', values = [...] }} in it",
        )
    elif condition.get("factors") and kind != "stage":
        found.fault(
            path,
            "the condition is a set of combinations, not one rendering",
            got=name,
            allowed="a condition without factors; one with factors as device of a claim of the kind stage",
        )
    elif not wanted and condition.get("grid"):
        found.fault(
            path,
            "the condition is a grid of levels, not one rendering",
            got=name,
            allowed="a condition without grid; a grid only as device of a claim of the kind threshold or matched",
        )


def _one_of_a_kind(data: Tables, found: Findings) -> None:
    first: dict[str, int] = {}
    added = variant_claims(data)
    for index, claim in entries(data, "claim"):
        if claim.get("id") in added:
            continue
        kind = claim.get("kind")
        if kind in first and kind in ONE_PAIR:
            line = found.source.line("claim", first[kind], "kind")
            found.fault(
                ("claim", index, "kind"),
                f"a second claim of the kind {kind}, the first is in line {line}",
                got=kind,
                allowed="one pair of conditions in a study",
                remedy="another pair needs another study: blindtest new --from this one",
            )
        elif isinstance(kind, str):
            first[kind] = index


def _one_primary(data: Tables, found: Findings) -> None:
    claims = list(entries(data, "claim"))
    primary = [index for index, claim in claims if claim.get("primary") is True]
    for index in primary[1:]:
        line = found.source.line("claim", primary[0], "primary")
        found.fault(
            ("claim", index, "primary"),
            f"a study has one primary claim, and it is in line {line}",
            got=True,
            remedy="take the key out: the others are adjusted for (Holm)",
        )
    if claims and all(claim.get("primary") is False for _, claim in claims):
        problem = "the only claim is the primary one" if len(claims) == 1 else "no claim is primary"
        found.fault(("claim", claims[0][0], "primary"), problem, got=False, allowed="true for one")


def _compared(data: Tables, found: Findings) -> None:
    """What two conditions are compared: the only two, or those that a claim names; and do they differ?"""
    pairs: list[tuple[object, object]] = []
    if found.source.data.get("claim"):
        pairs = [(claim.get("device"), claim.get("comparator")) for _, claim in entries(data, "claim")]
    else:
        if found.is_touched("condition") or has_hidden_ids(data, "condition", found):
            return
        plain = [
            str(condition["id"])
            for _, condition in entries(data, "condition")
            if "id" in condition and not any(condition.get(key) for key in ("anchor", "decoy", "grid", "factors"))
        ]
        if len(plain) != 2:
            found.fault(
                ("condition",),
                "which two are compared?",
                got=", ".join(plain[:10]) or "anchors and decoys only",
                remedy="write [[claim]] with kind, device and comparator, or keep two conditions",
            )
            return
        pairs = [(plain[0], plain[1])]
    said: set[int] = set()
    for first, second in pairs:
        one, other = _by_id(data, first), _by_id(data, second)
        if one is None or other is None or one is other or "stages" not in one:
            continue
        index = data["condition"].index(other)
        alike = (one["stages"], one.get("hardware")) == (other.get("stages"), other.get("hardware"))
        if alike and index not in said and not found.is_touched("condition"):
            said.add(index)
            found.fault(
                ("condition", index, "stages"),
                f"the same stages as {one.get('id')}: nothing could be heard",
                remedy="change one of the two",
            )


def _by_id(data: Tables, name: object) -> Tables | None:
    return next((condition for _, condition in entries(data, "condition") if condition.get("id") == name), None)
