"""What a pydantic model complains about, as faults in plain words: which key, what was found, what is allowed."""

import re
from collections.abc import Sequence
from datetime import date, datetime
from difflib import get_close_matches
from types import NoneType, UnionType
from typing import Any, Literal, Union, get_args, get_origin

import annotated_types
from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from blindtest.errors import Fault, did_you_mean
from blindtest.study.lines import Place
from blindtest.study.reading import Source
from blindtest.study.schema import Table, Words

__all__ = ["complaints"]


def complaints(
    error: ValidationError, model: type[Table], source: Source, prefix: Sequence[str | int] = ()
) -> list[tuple[Place, Fault]]:
    """Return what pydantic found as faults in plain words, each with its path; `model` stands at `prefix`.

    A key that is missing since it was misspelt is said once: as unknown, with what was probably meant.
    """
    details = error.errors(include_url=False, include_context=True)
    meant = {
        (*detail["loc"][:-1], nearest)
        for detail in details
        if detail["type"] == "extra_forbidden"
        for nearest in get_close_matches(str(detail["loc"][-1]), _field_at(model, detail["loc"])[0].model_fields, n=1)
    }
    return [
        ((*prefix, *detail["loc"]), _complaint(detail, model, source, prefix))
        for detail in details
        if not (detail["type"] == "missing" and detail["loc"] in meant)
    ]


def _complaint(detail: ErrorDetails, model: type[Table], source: Source, prefix: Sequence[str | int]) -> Fault:
    path, kind, got = (*prefix, *detail["loc"]), detail["type"], detail["input"]
    owner, field = _field_at(model, detail["loc"])
    name = str(path[-1]) if path else ""
    if kind == "extra_forbidden":
        if name in owner.later:
            return source.fault(path, f"not yet: {name}", remedy="take the key out; a later version reads it")
        remedy = did_you_mean(name, owner.model_fields) or f"known here: {', '.join(owner.model_fields) or 'nothing'}"
        return source.fault(path, "unknown key", got=name, remedy=remedy)
    if kind == "missing":
        remedy = f"write {field.description}" if field and field.description else ""
        return source.fault(path, "missing", allowed=_allowed(field, path), remedy=remedy)
    if kind in ("list_type", "model_type", "dict_type") and (tables := _holds_tables(field, path)):
        shape = f"[{name}] or {name} = {{ ... }}"
        if tables == "many":
            # Within a table, [[name]] would begin another one at the top.
            shape = f"[[{name}]]" if len(path) == 1 else f"{name} = [{{ ... }}]"
        return source.fault(path, "not a table of the right kind", got=_printable(got), allowed=f"written as {shape}")
    if isinstance(got, str):
        later = owner.later_values.get(str(_last_key(path)), ())
        if got in later:
            return source.fault(
                path, f"not yet: {got}", remedy="a later version knows it", allowed=_allowed(field, path)
            )
        if got.strip() == "":
            remedy = f"write {field.description}" if field and field.description else ""
            return source.fault(path, "empty: to be filled in", allowed=_allowed(field, path), remedy=remedy)
    remedy = ""
    if kind == "string_pattern_mismatch" and _choices(field):
        # A pattern of a few words: no sign of it is wrong, the word is.
        kind = "literal_error"
    if kind == "literal_error" and isinstance(got, str):
        remedy = did_you_mean(got, [str(value) for value in _choices(field)])
    elif isinstance(got, str) and kind in _UNQUOTED and _UNQUOTED[kind].fullmatch(got.strip()):
        remedy = "take the quotes away"
    shown = None if name in owner.hidden else _printable(got)
    return source.fault(path, _problem(kind), got=shown, allowed=_allowed(field, path), remedy=remedy)


_UNQUOTED = {
    "float_type": re.compile(r"[+-]?[0-9][0-9_]*(\.[0-9]+)?([eE][+-]?[0-9]+)?"),
    "int_type": re.compile(r"[+-]?[0-9][0-9_]*"),
    "bool_type": re.compile(r"true|false"),
    "date_type": re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}"),
}
"""What is right but for its quotes."""


def _problem(kind: str) -> str:
    words = {
        "literal_error": "not one of the words known here",
        "string_type": "not a text in quotes",
        "float_type": "not a number",
        "int_type": "not a whole number",
        "bool_type": "neither true nor false",
        "date_type": "not a date",
        "list_type": "not a list",
        "dict_type": "not a table",
        "model_type": "not a table",
        "finite_number": "not a finite number",
        "string_pattern_mismatch": "a character that can't stand here",
        "string_too_long": "too long",
        "string_too_short": "empty: to be filled in",
        "too_short": "too few entries",
        "too_long": "too many entries",
        "volts": "not a voltage",
        "all_or_names": "neither 'all' nor a list of ids",
        "looks": "neither a number of looks nor a list of numbers of trials that rise",
        "sections": "neither a number of sections nor a file",
        "octaves": "not a part of an octave",
    }
    return words.get(kind, "out of range" if kind.startswith(("greater", "less")) else "not allowed here")


def _printable(value: object) -> object:
    if isinstance(value, dict | list):
        return f"{'a table' if isinstance(value, dict) else 'a list'} of {len(value)}"
    if isinstance(value, datetime | date):
        return value.isoformat()
    return value


def _last_key(path: Sequence[str | int]) -> str | None:
    return next((step for step in reversed(path) if isinstance(step, str)), None)


def _field_at(model: type[Table], path: Sequence[str | int]) -> tuple[type[Table], FieldInfo | None]:
    """Return the model that owns the last key of `path`, and the field of that key."""
    owner, field = model, None
    inside: type[Table] | None = model
    for step in path:
        if not isinstance(step, str) or inside is None:
            continue
        owner, field = inside, inside.model_fields.get(step)
        inside = _model_in(field.annotation) if field is not None else None
    return owner, field


def _model_in(annotation: Any) -> type[Table] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation if issubclass(annotation, Table) else None
    if get_origin(annotation) in (list, Union, UnionType):
        return next((found for part in get_args(annotation) if (found := _model_in(part))), None)
    return None


def _holds_tables(field: FieldInfo | None, path: Sequence[str | int]) -> Literal["", "one", "many"]:
    if field is None or _model_in(field.annotation) is None:
        return ""
    return "many" if get_origin(field.annotation) is list and not (path and isinstance(path[-1], int)) else "one"


def _choices(field: FieldInfo | None) -> tuple[object, ...]:
    found: list[object] = []

    def walk(annotation: Any) -> None:
        if get_origin(annotation) is Literal:
            found.extend(get_args(annotation))
        else:
            for part in get_args(annotation):
                walk(part)

    if field is not None:
        walk(field.annotation)
        _, metadata = _plain(field.annotation, list(field.metadata))
        found.extend(choice for word in metadata if isinstance(word, Words) for choice in word.choices)
    return tuple(found)


def _allowed(field: FieldInfo | None, path: Sequence[str | int]) -> str:
    if field is None:
        return ""
    annotation, metadata = _plain(field.annotation, list(field.metadata))
    if path and isinstance(path[-1], int) and get_origin(annotation) is list:
        annotation, metadata = _plain(get_args(annotation)[0], [])
    for word in metadata:
        if isinstance(word, Words):
            return word.allowed
    if choices := _choices(field):
        return ", ".join(repr(choice) for choice in choices)
    if annotation is bool:
        return "true or false"
    if annotation in (int, float):
        return _range(metadata, "a whole number" if annotation is int else "a number")
    return "a list" if get_origin(annotation) is list else ""


def _plain(annotation: Any, metadata: list[Any]) -> tuple[Any, list[Any]]:
    """Strip `| None` and `Annotated`, collecting the metadata."""
    while True:
        if get_origin(annotation) in (Union, UnionType):
            annotation = next(part for part in get_args(annotation) if part is not NoneType)
        elif hasattr(annotation, "__metadata__"):
            for word in annotation.__metadata__:
                metadata.extend(word.metadata if isinstance(word, FieldInfo) else [word])
            annotation = annotation.__origin__
        else:
            return annotation, metadata


def _range(metadata: Sequence[Any], noun: str) -> str:
    parts = []
    for bound in metadata:
        for kind, name, words in (
            (annotated_types.Gt, "gt", "above"),
            (annotated_types.Ge, "ge", "from"),
            (annotated_types.Lt, "lt", "below"),
            (annotated_types.Le, "le", "to"),
        ):
            if isinstance(bound, kind):
                parts.append(f"{words} {getattr(bound, name):g}")
    text = f"{noun} {' '.join(parts)}".strip()
    return re.sub(r"(above \S+) to", r"\1, up to", text).replace(" below", " and below" if len(parts) > 1 else " below")
