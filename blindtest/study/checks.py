"""What must hold between the keys of a study file, and between it and the files it names.

Each check reads tables from which the schema's own findings have been taken out, so that one mistake is said once and
the others are still found in the same run. No measurement and no audio is read here: `material.py` does that.
"""

from pathlib import Path

from blindtest.study.bench_checks import check_bench_stages
from blindtest.study.binaural_checks import check_binaural
from blindtest.study.chain_checks import check_playing_chain
from blindtest.study.entries import entries
from blindtest.study.factorial_checks import check_factors
from blindtest.study.findings import Findings
from blindtest.study.grid_checks import check_grid
from blindtest.study.imbalance_stages import check_imbalance_keys
from blindtest.study.label_checks import check_labels
from blindtest.study.named_files import check_named_file
from blindtest.study.reading import Tables
from blindtest.study.stage_checks import check_stages
from blindtest.study.unit_checks import check_one_rig, check_playback, check_units

__all__ = ["check_tables"]

SHORTEST_S = 0.4
"""One gating block of BS.1770: a shorter excerpt has no loudness."""
SHORT_S = 3.0
"""One short-term block of EBU Tech 3341."""


def check_tables(data: Tables, folder: Path, found: Findings) -> None:
    """Gather what is wrong between the keys of `data`, pruned of what the schema refused."""
    for name in ("unit", "condition", "clip", "claim"):
        _ids_are_unique(data, name, found)
    check_units(data, folder, found)
    check_playback(data, folder, found)
    for index, condition in entries(data, "condition"):
        check_stages(data, condition, index, folder, found)
        check_bench_stages(data, condition, index, found)
        check_imbalance_keys(data, condition, index, found)
        check_grid(condition, index, found)
        check_factors(data, condition, index, found)
    check_playing_chain(data, found)
    check_binaural(data, folder, found)
    check_one_rig(data, found)
    for index, clip in entries(data, "clip"):
        _clip(clip, index, folder, found)
    _clips_are_no_conditions(data, found)
    check_labels(data, found)
    if isinstance(consent := data.get("listeners", {}).get("consent"), str):
        check_named_file(consent, ("listeners", "consent"), folder, found)


def _ids_are_unique(data: Tables, name: str, found: Findings) -> None:
    first: dict[str, int] = {}
    for index, entry in entries(data, name):
        if (own := entry.get("id")) in first:
            line = found.source.line(name, first[own], "id")
            found.fault((name, index, "id"), f"another {name} has this id, in line {line}", got=own)
        elif own is not None:
            first[own] = index


def _clips_are_no_conditions(data: Tables, found: Findings) -> None:
    """Listeners read names by id, of clips as of conditions: one id can't stand for both."""
    conditions = {entry["id"]: index for index, entry in entries(data, "condition") if "id" in entry}
    for index, clip in entries(data, "clip"):
        if (own := clip.get("id")) in conditions:
            line = found.source.line("condition", conditions[own], "id")
            found.fault(
                ("clip", index, "id"), f"a condition has this id, in line {line}", got=own, remedy="take another id"
            )


def _clip(clip: Tables, index: int, folder: Path, found: Findings) -> None:
    path = ("clip", index)
    if isinstance(name := clip.get("file"), str):
        check_named_file(name, (*path, "file"), folder, found, anywhere=True)
    in_s, out_s = clip.get("in_s", 0.0), clip.get("out_s")
    if out_s is not None and not found.is_touched(*path, "in_s"):
        if out_s <= in_s:
            found.fault(
                (*path, "out_s"), "the excerpt ends before it begins", got=out_s, allowed=f"above in_s = {in_s:g}"
            )
        elif out_s - in_s < SHORTEST_S:
            found.fault(
                (*path, "out_s"),
                "the excerpt is too short to have a loudness (ITU-R BS.1770)",
                got=f"{out_s - in_s:.3g} s",
                allowed=f"{SHORTEST_S} s or more",
            )
        elif out_s - in_s < SHORT_S:
            found.note(
                (*path, "out_s"),
                f"the excerpt lasts {out_s - in_s:.3g} s; under {SHORT_S:g} s it has no loudness range",
            )
    if "licence" not in clip and not found.is_touched(*path, "licence"):
        found.note(path, "no licence: its audio never enters a bundle")
