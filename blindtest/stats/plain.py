"""What JSON can hold of a result."""

from dataclasses import fields
from math import isfinite
from typing import Any

__all__ = ["plain"]


def plain(result: Any, *properties: str) -> dict[str, Any]:
    """Return a frozen result as JSON can hold it: its fields, and the named properties beside them.

    A number that is infinite (the d' of a listener who was always right) or does not exist becomes None; results within
    results bring their own `to_dict`.
    """
    names = (*(field.name for field in fields(result)), *properties)
    return {name: _value(getattr(result, name)) for name in names}


def _value(value: Any) -> Any:
    if hasattr(value, "to_dict"):
        return value.to_dict()
    if isinstance(value, tuple):
        return [_value(item) for item in value]
    if isinstance(value, float):
        return float(value) if isfinite(value) else None
    return value
