"""What a bundle says was planned, against what the seal says was planned."""

import csv
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from blindtest.design import canonical
from blindtest.nouns import number_of
from blindtest.render import Rendered, Stimulus
from blindtest.steps.bundle.checks.workplace import Workplace
from blindtest.steps.bundle.opening import OpenedBundle
from blindtest.steps.sealed_record import study_record
from blindtest.steps.verification import Finding

__all__ = ["Hashed", "check_hashes", "check_study", "hashes_in", "second_hashes"]

HASHES = "stimuli/hashes.csv"
_SINCE = ("code", "earlier")
"""What a seal holds and a study file doesn't: the version, and what was recorded before."""
_WORDS = frozenset({"analysis", "stopping"})
"""What another source of blindtest may put into other words."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Hashed:
    """A stimulus by its hash."""

    clip: str
    condition: str
    sha256: str


def hashes_in(bundle: OpenedBundle) -> list[Hashed]:
    """Return the stimuli that the bundle lists; ValueError where the list is none."""
    with bundle.path(HASHES).open(encoding="utf-8", newline="") as file:
        lines = list(csv.DictReader(file, strict=True))
    return [Hashed(clip=line["clip"], condition=line["condition"], sha256=line["sha256"]) for line in lines]


def second_hashes(sealed: Mapping[str, Any]) -> list[Hashed]:
    """Return the stimuli at the second rate, as the seal names them; none where there is one rate."""
    made = sealed.get("second_rate", {}).get("stimuli", {})
    return [
        Hashed(clip=clip, condition=condition, sha256=sha)
        for clip, own in sorted(made.items())
        for condition, sha in sorted(own.items())
    ]


def check_hashes(listed: Sequence[Hashed], sealed: Mapping[str, Any]) -> Finding:
    """Hold the stimuli that the bundle lists against those that the seal names."""
    named = {(clip, condition): sha for clip, own in sealed["stimuli"].items() for condition, sha in own.items()}
    found = {(one.clip, one.condition): one.sha256 for one in listed}
    wrong = sorted({pair for pair in named.keys() | found.keys() if named.get(pair) != found.get(pair)})
    twice = len(listed) - len(found)
    detail = "; ".join(f"{clip} in {condition}" for clip, condition in wrong[:5]) or (twice and "a line twice") or ""
    return Finding(
        ok=not detail,
        what=f"hashes of {number_of(len(named), 'stimulus', 'stimuli')}: {HASHES} against the study seal",
        detail=detail,
    )


def check_study(
    work: Workplace, listed: Sequence[Hashed], sealed: Mapping[str, Any], *, same_source: bool
) -> list[Finding | str]:
    """Hold what the study file says now against the record that was sealed, key by key, and its files by their hashes.

    The seal's record is made again from the study file, as `blindtest seal` makes it.

    sealed : the record of the study seal
    """
    made = study_record(work.study, _stand_in(listed))
    files = {work.named(name): sha for name, sha in made["files"].items()}
    here = {name: sha for name, sha in files.items() if name not in work.missing}
    made["files"] = {**here, **{name: sealed["files"].get(name) for name in work.missing}}
    if made["consent"] is not None and work.study.listeners.consent in work.missing:
        made["consent"] = sealed.get("consent")
    second = work.study.rendering.second_rate_hz
    if second is not None:
        # The bundle lists the first set only: of the second its rate is held against the seal, and its sound by itself.
        made["second_rate"] = {"rate_hz": second, "stimuli": sealed.get("second_rate", {}).get("stimuli")}
    changed = [name for name, sha in here.items() if sealed["files"].get(name) != sha]
    left_out = len(work.missing)
    found: list[Finding | str] = [
        Finding(
            ok=not changed,
            what=f"{number_of(len(here), 'file')} of the study against their SHA-256 in the seal",
            detail="; ".join(changed[:5]) or (f"{left_out} more are sealed and not in the bundle" if left_out else ""),
        )
    ]
    keys = [key for key in sorted(made.keys() | sealed.keys()) if key not in (*_SINCE, "files")]
    other = [key for key in keys if canonical(made.get(key)) != canonical(sealed.get(key))]
    if sealed["files"].keys() - made["files"].keys() or made["files"].keys() - sealed["files"].keys():
        other.append("files")
    words = (
        "what was planned: study.toml against the seal: title, claims, margins, analysis, protocol, listeners, levels"
    )
    if other and not same_source and set(other) <= _WORDS:
        told, reworded = _rules_apart(made, sealed) if "analysis" in other else ([], False)
        other = [key for key in other if key != "analysis" or reworded]
        if other:
            told.append(f"{words}: another source of blindtest words {', '.join(other)} otherwise: not decided")
        return [*found, *told]
    return [*found, Finding(ok=not other, what=words, detail=f"differs in {', '.join(other)}" if other else "")]


def _rules_apart(made: Mapping[str, Any], sealed: Mapping[str, Any]) -> tuple[list[str], bool]:
    """Return which rules of the analysis one of two sources doesn't know, and whether both word another otherwise."""
    ours, theirs = made["analysis"], sealed["analysis"]
    told = [
        f"the study seal is without a rule that the source here would seal: {name} ({ours[name]}): every claim is "
        "analysed as it was sealed, without it"
        for name in sorted(ours.keys() - theirs.keys())
    ]
    told += [
        f"the study seal names a rule that the source here doesn't know: {name}: not decided"
        for name in sorted(theirs.keys() - ours.keys())
    ]
    return told, any(ours[name] != theirs[name] for name in ours.keys() & theirs.keys())


def _stand_in(listed: Sequence[Hashed]) -> Rendered:
    """Return stimuli of which nothing is known but their hashes: all that a seal holds of them."""
    return Rendered(
        stimuli=tuple(
            Stimulus(
                clip=one.clip, condition=one.condition, path=Path(), sha256=one.sha256, frames=0, rate=0, channels=0,
                loudness=0.0, true_peak=0.0, gain_db=0.0,
            )
            for one in listed
        ),
        table=(), limits=(), filters={}, heard="", fixed={}, trusted_band_hz=(0.0, 0.0), rates={}, made=0, reused=0,
    )  # fmt: skip
