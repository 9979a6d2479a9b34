"""Names of files in a bundle that came from somebody else: which are safe on every system, and which are one name.

What is refused: absolute paths and drive letters, paths that climb out, backslashes, control characters, names that a
system would read as another one (a dot or blank at the end, the devices of Windows), and two names that are one where
case is not told apart. Names are held to the strictest system, so that a bundle is the same everywhere.
"""

import re
import unicodedata
from collections.abc import Iterable

__all__ = ["clash_in", "fault_in_name"]

LONGEST_PART_BYTES = 255
"""Of one part of a path: the limit of the file systems in common use (common practice)."""
LONGEST_PATH_BYTES = 1024
DEEPEST = 32
"""Parts of a path."""
_DRIVE = re.compile(r"[A-Za-z]:")
_DEVICES = frozenset(
    {"con", "prn", "aux", "nul", "conin$", "conout$"}
    | {f"{device}{digit}" for device in ("com", "lpt") for digit in "0123456789¹²³"}
)
"""Reserved on Windows, with any ending (Microsoft, 'Naming Files, Paths, and Namespaces'; from memory)."""


def fault_in_name(name: str) -> str:
    """Return what is wrong with a name, '/' between its parts; '' where it is safe."""
    if not name:
        return "a file without a name"
    try:
        encoded = name.encode()
    except UnicodeEncodeError:
        return "a name that is no UTF-8"
    if any(unicodedata.category(letter) in ("Cc", "Cs") for letter in name):
        return "a control character in a name"
    if "\\" in name:
        return "a backslash in a name"
    if name.startswith("/") or _DRIVE.match(name):
        return "an absolute path"
    parts = name.split("/")
    if ".." in parts:
        return "a path that climbs out of the bundle"
    if "" in parts or "." in parts:
        return "a path with an empty part"
    if len(encoded) > LONGEST_PATH_BYTES or len(parts) > DEEPEST:
        return f"a path longer than {LONGEST_PATH_BYTES} bytes or {DEEPEST} parts"
    return next((fault for part in parts if (fault := _fault_in_part(part))), "")


def _fault_in_part(part: str) -> str:
    if len(part.encode()) > LONGEST_PART_BYTES:
        return f"a name longer than {LONGEST_PART_BYTES} bytes"
    if part[-1] in ". ":
        return "a name that ends in a dot or a blank"
    if part.split(".")[0].rstrip().casefold() in _DEVICES:
        return "the name of a device"
    return ""


def clash_in(names: Iterable[str]) -> tuple[str, str] | None:
    """Return two of `names` that some system takes for one, or of which one is a folder on the way to the other."""
    files: dict[str, str] = {}
    folders: dict[str, str] = {}
    for name in names:
        key = _folded(name)
        if key in files:
            return files[key], name
        if key in folders:
            return folders[key], name
        files[key] = name
        spelt, parts = "", name.split("/")[:-1]
        for part in parts:
            spelt = f"{spelt}/{part}" if spelt else part
            above = _folded(spelt)
            if above in files:
                return files[above], name
            # One folder spelt in two ways is two folders here and one elsewhere.
            first = folders.setdefault(above, spelt)
            if first != spelt:
                return first, name
    return None


def _folded(name: str) -> str:
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", name).casefold())
