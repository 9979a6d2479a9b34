"""Every file of a bundle against the list of hashes; the list's own hash is that of the bundle."""

import re
from dataclasses import dataclass
from hashlib import file_digest, sha256

from blindtest.steps.bundle.opening import SUMS, OpenedBundle
from blindtest.steps.verification import Finding

__all__ = ["FilesFound", "check_files"]

_LINE = re.compile(r"([0-9a-f]{64})  ([^\n]+)")
_NAMED = 12
"""Files that are named one by one where something is wrong with them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FilesFound:
    """What lies in the bundle."""

    bundle_hash: str
    """SHA-256 of the list of hashes, hex: what is published of a bundle."""
    hashes: dict[str, str]
    """File to SHA-256 of its bytes, hex, computed now."""
    findings: tuple[Finding, ...]


def check_files(bundle: OpenedBundle) -> FilesFound:
    """Hash every file of `bundle` and hold it against the list."""
    text = bundle.path(SUMS).read_bytes() if SUMS in bundle.names else b""
    hashes = {name: _hash_of(bundle, name) for name in bundle.names if name != SUMS}
    size = sum(bundle.path(name).stat().st_size for name in hashes)
    faults = [] if text else [f"there is no {SUMS}"]
    listed: dict[str, str] = {}
    lines = text.decode("utf-8", "replace").split("\n")
    if lines.pop():
        faults.append(f"{SUMS} is cut off")
    for number, line in enumerate(lines, start=1):
        match = _LINE.fullmatch(line)
        if match is None:
            faults.append(f"{SUMS}:{number}: not a hash and a name")
        elif match[2] in listed:
            faults.append(f"{SUMS}:{number}: {match[2]!r} stands there twice")
        else:
            listed[match[2]] = match[1]
    faults += [f"{name}: its bytes are not those that were listed" for name in hashes if _differs(name, hashes, listed)]
    faults += [f"{name}: listed, and not there" for name in listed if name not in hashes]
    faults += [f"{name}: there, and not listed" for name in hashes if name not in listed]
    if list(listed) != sorted(listed):
        faults.append(f"{SUMS}: names are not in their order")
    held = f"{len(hashes)} files, {size / 1e6:.1f} MB, against their SHA-256 in {SUMS}; none is missing, none besides"
    findings = [Finding(ok=False, what="every file against its SHA-256", detail=fault) for fault in faults[:_NAMED]]
    if len(faults) > _NAMED:
        findings.append(Finding(ok=False, what="every file against its SHA-256", detail=f"{len(faults) - _NAMED} more"))
    return FilesFound(
        bundle_hash=sha256(text).hexdigest(),
        hashes=hashes,
        findings=tuple(findings) or (Finding(ok=True, what=held),),
    )


def _differs(name: str, hashes: dict[str, str], listed: dict[str, str]) -> bool:
    return name in listed and listed[name] != hashes[name]


def _hash_of(bundle: OpenedBundle, name: str) -> str:
    with bundle.path(name).open("rb") as file:
        return file_digest(file, "sha256").hexdigest()
