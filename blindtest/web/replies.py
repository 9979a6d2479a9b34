"""What both pages' servers say in the same words: problems, a link's token, files that never change."""

import logging
from collections.abc import Callable, Mapping
from functools import cache
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError
from pydantic_core import to_json
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from blindtest.errors import Missing
from blindtest.web.guard import TooLarge
from blindtest.web.languages import language_of, said_in
from blindtest.words import ENGLISH, worded

__all__ = ["plain_handlers", "problem", "static_files", "token_in"]

_log = logging.getLogger("blindtest.web")
_HERE = Path(__file__).parent
_TYPES = {".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".svg": "image/svg+xml"}


class Json(JSONResponse):
    """A response in JSON, written in C: each event of a sitting is answered with a whole view."""

    def render(self, content: Any) -> bytes:
        """Return the text in UTF-8; a number that is not finite, for which JSON has no word, is null."""
        return to_json(content, inf_nan_mode="null")


class _EnterBody(BaseModel):
    """The token of the link."""

    model_config = ConfigDict(extra="forbid", strict=True)
    token: str = Field(max_length=200, pattern=r"^[A-Za-z0-9_-]*$")


def token_in(body: bytes) -> str | None:
    """Return the link's token in a request's body, or None."""
    try:
        return _EnterBody.model_validate_json(body).token
    except ValidationError:
        return None


def problem(status: int, problem: str, language: str = ENGLISH) -> JSONResponse:
    """Return a response that says what is wrong."""
    return JSONResponse(said_in(language, {"problem": problem}), status_code=status)


_WORDS = {
    401: worded("this page needs the link that was printed"),
    404: worded("not here"),
    405: worded("this is not done here"),
}


def plain_handlers(language: str = "") -> dict[Any, Callable[..., Any]]:
    """Return the handlers of what goes wrong outside a handler of ours.

    language : the study's own, for those who choose none; '' to follow the browser
    """

    def told(request: Request, status: int, words: str) -> Response:
        return problem(status, words, language_of(request, language))

    async def plain_problem(request: Request, fault: Exception) -> Response:
        status = fault.status_code if isinstance(fault, HTTPException) else 500
        return told(request, status, _WORDS.get(status, worded("this could not be done")))

    async def too_large(request: Request, fault: Exception) -> Response:
        return told(request, 413, worded("the request is too large"))

    async def own_fault(request: Request, fault: Exception) -> Response:
        return told(request, 500, worded("something went wrong inside blindtest; the organiser sees what"))

    async def not_now(request: Request, fault: Exception) -> Response:
        # Said in full to the organiser only: it names files and places.
        _log.error("the record could not be used: %s", fault)
        return told(request, 503, worded("this could not be stored yet"))

    return {HTTPException: plain_problem, TooLarge: too_large, Missing: not_now, Exception: own_fault}


@cache
def static_files() -> Mapping[str, tuple[bytes, str]]:
    """Read once: small files, served from memory without dates or tags."""
    files = sorted((_HERE / "static").iterdir())
    return {file.name: (file.read_bytes(), _TYPES[file.suffix]) for file in files if file.suffix in _TYPES}
