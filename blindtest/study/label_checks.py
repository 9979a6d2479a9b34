"""What conditions are called, and what they are for: reference, anchor, decoy, or something a claim may speak of."""

from blindtest.study.entries import entries
from blindtest.study.findings import Findings
from blindtest.study.reading import Tables

__all__ = ["DECOY_LABEL", "check_labels"]

DECOY_LABEL = "unnamed rendering"
"""What listeners read in place of a decoy's name."""


def check_labels(data: Tables, found: Findings) -> None:
    """Complain of names that can't be told apart, and of parts that one condition or two may not have together."""
    labels: dict[str, int] = {}
    anchors: dict[str, int] = {}
    references: list[int] = []
    for index, condition in entries(data, "condition"):
        path = ("condition", index)
        if condition.get("anchor") and condition.get("decoy"):
            found.fault((*path, "decoy"), "an anchor can't be a decoy too", remedy="keep one of the two keys")
        if condition.get("reference"):
            _reference(condition, index, references, found)
        if condition.get("decoy") and "label" in condition:
            found.fault((*path, "label"), "a decoy is never named", got=condition["label"], remedy="take the label out")
        elif isinstance(label := condition.get("label"), str):
            _label(data, label, index, labels, found)
        if isinstance(kind := condition.get("anchor"), str):
            if kind in anchors:
                line = found.source.line("condition", anchors[kind], "anchor")
                found.fault((*path, "anchor"), f"there is a {kind} anchor already, in line {line}", got=kind)
            anchors.setdefault(kind, index)


def _reference(condition: Tables, index: int, references: list[int], found: Findings) -> None:
    """Complain where the original is something else too, or not the only one; `references` gathers those seen."""
    path = ("condition", index, "reference")
    for key in ("anchor", "decoy"):
        if condition.get(key):
            found.fault(path, f"the reference can't be {'an' if key == 'anchor' else 'a'} {key} too", got=True)
    if references:
        line = found.source.line("condition", references[0], "reference")
        found.fault(path, f"there is a reference already, in line {line}", got=True, allowed="one in a study")
    references.append(index)


def _label(data: Tables, label: str, index: int, labels: dict[str, int], found: Findings) -> None:
    """Complain where listeners could take one condition for another by its name; `labels` gathers those seen."""
    path, name = ("condition", index, "label"), label.strip().casefold()
    others = {one["id"].casefold() for number, one in entries(data, "condition") if "id" in one and number != index}
    if name in labels:
        line = found.source.line("condition", labels[name], "label")
        found.fault(path, f"another condition has this label, in line {line}", got=label)
    elif name == DECOY_LABEL or name in others:
        found.fault(path, "another condition is called that", got=label, remedy="take another label")
    labels.setdefault(name, index)
