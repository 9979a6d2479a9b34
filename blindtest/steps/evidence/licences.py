"""Which audio may be handed on: only what stands under a licence that says so. Not legal advice.

The licence of a clip is stated in the study file, as an SPDX identifier. On this list stand licences that let anybody
pass a work on, and renderings of it, with its name and licence beside it. "Unknown", "fair use" and the like are no
licences, and neither is one that forbids changed versions (a rendering is one) or commercial use (who publishes a
bundle may live by it).
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

__all__ = ["OPEN_LICENCES", "ClipLicence", "clip_licences"]

OPEN_LICENCES = frozenset(
    {
        "0BSD", "CC-BY-2.0", "CC-BY-2.5", "CC-BY-3.0", "CC-BY-4.0", "CC-BY-SA-2.0", "CC-BY-SA-2.5", "CC-BY-SA-3.0",
        "CC-BY-SA-4.0", "CC-PDDC", "CC0-1.0", "LAL-1.2", "LAL-1.3", "MIT", "MIT-0", "PDDL-1.0", "Unlicense",
    }
)  # fmt: skip
"""SPDX identifiers of open licences in use for sound and text (the list is ours)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClipLicence:
    """Whether the audio of a clip may enter a bundle."""

    licence: str
    """As the study file states it; '' for none."""
    why_not: str
    """'' where it may."""

    @property
    def may_enter(self) -> bool:
        """Whether it may."""
        return not self.why_not


def clip_licences(study: Mapping[str, Any]) -> dict[str, ClipLicence]:
    """Return by clip whether its audio may enter; study : tables of study.toml."""
    clips = study.get("clip", [])
    return {str(clip["id"]): _licence(str(clip.get("licence") or "")) for clip in clips if "id" in clip}


def _licence(stated: str) -> ClipLicence:
    known = {one.casefold(): one for one in OPEN_LICENCES}
    if not stated.strip():
        return ClipLicence(licence="", why_not="the study file states no licence")
    found = known.get(stated.strip().casefold())
    if found is None:
        return ClipLicence(
            licence=stated, why_not=f"{stated} is not on the list of licences that let anybody pass audio on"
        )
    return ClipLicence(licence=found, why_not="")
