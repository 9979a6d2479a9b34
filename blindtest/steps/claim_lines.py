"""Where in the study file a claim stands, for complaints about its plan that only the steps can make."""

from blindtest.study import Study, read_toml

__all__ = ["line_of_claim"]


def line_of_claim(study: Study, name: str) -> tuple[str, int | None, str]:
    """Return file, line and key of a claim's margin, or of what stands for it, by the claim's id."""
    source = read_toml(study.path)
    tables = source.data.get("claim", ())
    index = next((place for place, one in enumerate(tables) if isinstance(one, dict) and one.get("id") == name), None)
    path: tuple[str | int, ...] = ("protocol", "changes" if source.data["protocol"].get("changes") else "use")
    if index is not None:
        path = ("claim", index, "margin") if "margin" in tables[index] else ("claim", index)
    return source.file, source.line(*path), source.key(*path)
