"""How much of a bundle is taken in before it is refused."""

from dataclasses import dataclass

__all__ = ["LIMITS", "Limits"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Bounds on a bundle that came from somebody else. All of them count what is there, not what a header claims."""

    files: int = 20_000
    file_bytes: int = 2 << 30
    """One file, a clip's stimulus for instance."""
    total_bytes: int = 8 << 30
    """All files together, unpacked."""
    ratio: int = 100
    """Unpacked over packed, of the whole ZIP; the text of a record packs about tenfold."""
    free_bytes: int = 64 << 20
    """Unpacked bytes up to which the ratio isn't looked at."""
    json_bytes: int = 64 << 20
    """One JSON document."""
    lines_bytes: int = 1 << 30
    """One file of JSON lines, or of rows."""
    line_bytes: int = 8 << 20
    depth: int = 64
    """Brackets within brackets of JSON."""


LIMITS = Limits()
