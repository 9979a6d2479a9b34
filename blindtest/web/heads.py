"""The head of a request, read with as little work as will do: it stands before every event of every listener."""

from collections.abc import Mapping

from starlette.types import Scope

__all__ = ["cookie_in", "head_of"]


def head_of(scope: Scope) -> Mapping[bytes, bytes]:
    """Return the fields of a request's head by their names in lower case; of several with one name the last."""
    return dict(scope["headers"])


def cookie_in(field: str, name: str) -> str:
    """Return the value of a cookie in a field `Cookie` (RFC 6265, 4.2.1), '' where it is not there.

    Our own values are letters, digits, '-' and '_', so nothing is unquoted. Of several with one name the last.
    """
    value = ""
    for pair in field.split(";"):
        key, _, held = pair.partition("=")
        if key.strip() == name:
            value = held.strip()
    return value
