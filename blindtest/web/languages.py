"""The languages of the pages: which one a request asks for, and how what leaves is said in it.

A catalogue is a JSON file of `blindtest/web/words`, made from the translators' `.po` file (`tests/words/refresh.py`);
English needs none, since its texts are the names of the others. Which language a page speaks never depends on a plan,
and nothing that is sealed or recorded depends on it: what is kept is English, what leaves is looked up at the door.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache, lru_cache
from gettext import c2py
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from pydantic import BaseModel, ConfigDict, Field, ValidationError
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from blindtest.web.heads import cookie_in
from blindtest.words import ENGLISH, LANGUAGES, Worded

__all__ = ["COOKIE", "Catalogue", "catalogue", "choose_language", "language_of", "said_in", "shell"]

COOKIE = "blindtest-language"
"""Holds a tag of `LANGUAGES` and nothing else."""
_FOUND = "blindtest.language"
"""Where a request keeps its language once it was found; a panel has one default for all."""
_HERE = Path(__file__).parent
_KEPT_S = 365 * 86_400
_LONGEST_HEADER = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class Catalogue:
    """The words of one language."""

    language: str
    """Its tag."""
    decimal: str
    """What stands between whole numbers and decimals."""
    messages: Mapping[str, str | Mapping[str, str]]
    """English to this language; where a number decides, its forms by CLDR's plural categories."""
    plural: str = "n != 1"
    """Gettext's expression that says which of the categories a whole number is in."""
    categories: tuple[str, ...] = ("one", "other")

    def of(self, message: str, count: int | None = None, /) -> str:
        """Return a message in this language, for a number where one decides; an unknown one comes back as it is."""
        found = self.messages.get(message, message)
        if isinstance(found, str):
            return found
        return found["other" if count is None else self.categories[c2py(self.plural)(count)]]


@cache
def catalogue(language: str) -> Catalogue:
    """Return the words of a language of `LANGUAGES`."""
    if language == ENGLISH:
        return Catalogue(language=ENGLISH, decimal=".", messages={})
    held = json.loads((_HERE / "words" / f"{language}.json").read_text(encoding="utf-8"))
    return Catalogue(
        language=held["language"],
        decimal=held["decimal"],
        messages=held["messages"],
        plural=held["plural"],
        categories=tuple(held["categories"]),
    )


def language_of(request: Request, default: str = "") -> str:
    """Return the language for a request.

    What somebody chose on the page goes first; then the study's own (`default`, '' if it names none), so that all
    listeners read the same instructions; then what the browser asks for (Accept-Language, RFC 9110); then English.
    """
    # Asked for up to three times while one request is answered.
    found = request.scope.get(_FOUND)
    if found is None:
        found = request.scope[_FOUND] = _language_of(request, default)
    return str(found)


def _language_of(request: Request, default: str) -> str:
    chosen = cookie_in(request.headers.get("cookie", ""), COOKIE)
    if chosen in LANGUAGES:
        return chosen
    if default in LANGUAGES:
        return default
    return _accepted(request.headers.get("accept-language", "")[:_LONGEST_HEADER])


@lru_cache(maxsize=512)
def _accepted(header: str) -> str:
    """Return the first of the languages that a browser accepts, in its order of weights, by the tag's first part."""
    wanted: list[tuple[float, int, str]] = []
    for place, part in enumerate(header.split(",")):
        tag, _, weight = part.strip().partition(";")
        try:
            share = float(weight.strip().removeprefix("q=")) if weight else 1.0
        except ValueError:
            continue
        language = tag.strip().lower().partition("-")[0]
        if language in LANGUAGES and 0 < share <= 1:
            wanted.append((-share, place, language))
    return min(wanted)[2] if wanted else ENGLISH


def said_in(language: str, held: Any) -> Any:
    """Return what JSON can hold with every `Worded` in it said in a language; English comes back as it is."""
    if language == ENGLISH:
        return held
    words = catalogue(language)

    def said(value: Any) -> Any:
        if isinstance(value, Worded):
            return value.in_language(words.of, words.decimal)
        if isinstance(value, Mapping):
            return {key: said(each) for key, each in value.items()}
        if isinstance(value, list | tuple):
            return [said(each) for each in value]
        return value

    return said(held)


class _Choice(BaseModel):
    """What the page posts when another language is chosen."""

    model_config = ConfigDict(extra="forbid", strict=True)
    language: str = Field(max_length=20)


async def choose_language(request: Request) -> Response:
    """Remember the language that was chosen on the page: a handler for `POST /language`, open to whoever has the page.

    The cookie tells nothing but the language; no other site can have it set, see `Guard`.
    """
    try:
        chosen = _Choice.model_validate_json(await request.body()).language
    except ValidationError:
        chosen = ""
    if chosen not in LANGUAGES:
        return JSONResponse({"problem": "this language is not spoken here"}, status_code=422)
    response = JSONResponse({"language": chosen})
    response.set_cookie(COOKIE, chosen, max_age=_KEPT_S, httponly=True, samesite="strict", path="/")
    return response


@cache
def shell(template: str, language: str, title: str, inside: str = "") -> str:
    """Return a page before anything is shown on it, in a language: the same for everybody who asks for that language.

    The catalogue goes with it as a block of data, which no browser runs (the content security policy stays as strict),
    so that the page's modules find their words before they do anything.

    Parameters
    ----------
    template : of `templates`, with `say(...)` around its words
    title : a message; English
    inside : what the page is a part of, for its modules
    """
    words = catalogue(language)
    environment = Environment(loader=FileSystemLoader(_HERE / "templates"), autoescape=True, undefined=StrictUndefined)
    return environment.get_template(template).render(
        title=words.of(title),
        inside=inside,
        language=language,
        languages=LANGUAGES,
        say=words.of,
        words={"language": language, "messages": words.messages},
    )
