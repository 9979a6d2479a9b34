"""The page's words as Babel finds them in the sources, and the files made of them.

Templates go through Jinja's own extractor, Python through Babel's, the page's modules through ours, which reads the
tokens of Babel's JavaScript lexer: Babel's own takes a method of the same name (`page.say`) for ours, and does not look
into what is handed to a call.
"""

import json
from collections.abc import Iterator
from gettext import c2py
from io import BytesIO
from pathlib import Path

from babel import Locale
from babel.messages import Catalog
from babel.messages.extract import extract
from babel.messages.jslexer import Token, tokenize, unquote_string
from babel.messages.pofile import read_po, write_po
from babel.numbers import get_decimal_symbol

PACKAGE = Path(__file__).parents[2] / "blindtest"
WORDS = PACKAGE / "web" / "words"
TEMPLATE = WORDS / "page.pot"

PYTHON = ("methods", "session", "steps", "study", "web")
"""Rooms whose texts may reach a page."""
KEYWORDS = {"say": None, "sayMany": (1, 2), "sayParts": None, "worded": None, "worded_many": (1, 2)}


def calls_in(text: str, line: int = 1) -> Iterator[tuple[int, str, list[str | None]]]:
    """Yield line, function and the literal arguments (None for any other) of each call of ours, nested ones too."""
    tokens = [Token("operator", ";", 0), Token("operator", ";", 0), *tokenize(text, jsx=False, template_string=True)]
    for at, token in enumerate(tokens[:-1]):
        if token.type == "template_string":
            for place, inner in _substitutions(token.value):
                yield from calls_in(inner, token.lineno + token.value[:place].count("\n"))
        if token.type != "name" or token.value not in KEYWORDS or tokens[at + 1].value != "(":
            continue
        spread = tokens[at - 1].value == tokens[at - 2].value == "."
        if tokens[at - 1].value in (".", "function") and not spread:
            continue
        arguments, after = _arguments(tokens[at + 2 :])
        # Else a method of that name is defined.
        if after.value != "{":
            yield line + token.lineno - 1, token.value, arguments


def _substitutions(template: str) -> Iterator[tuple[int, str]]:
    """Yield place and text of what stands between `${` and its `}` in a template string."""
    depth, begun = 0, 0
    for at, letter in enumerate(template):
        if depth == 0:
            if letter == "{" and template[at - 1] == "$":
                depth, begun = 1, at + 1
        elif letter in "{}":
            depth += 1 if letter == "{" else -1
            if depth == 0:
                yield begun, template[begun:at]


def _arguments(tokens: list[Token]) -> tuple[list[str | None], Token]:
    """Return what stands between the commas of a call (a lone string's text, else None), and what follows the call."""
    depth, parts, found = 0, [], []
    for at, token in enumerate(tokens):
        if token.type == "operator":
            depth += (token.value in "([{") - (token.value in ")]}")
        if depth < 0 or (depth == 0 and token.value == ","):
            found.append(unquote_string(parts[0].value) if len(parts) == 1 and parts[0].type == "string" else None)
            parts = []
            if depth < 0:
                return found, tokens[at + 1] if at + 1 < len(tokens) else token
        elif token.type not in ("linecomment", "multilinecomment"):
            parts.append(token)
    raise ValueError("a call without an end")


def extract_modules(fileobj, keywords, comment_tags, options):
    """An extraction method of Babel for the page's modules."""
    for line, function, arguments in calls_in(fileobj.read().decode("utf-8")):
        yield line, function, arguments[0] if len(arguments) == 1 else tuple(arguments), []


def extracted() -> Catalog:
    """Return all messages of the sources, in order of place."""
    found = Catalog(project="blindtest", domain="page", fuzzy=False)
    for path, method in _sources():
        keywords = {
            name: spec for name, spec in KEYWORDS.items() if name.startswith("worded") == (path.suffix == ".py")
        }
        place = path.relative_to(PACKAGE.parent).as_posix()
        for _, message, comments, context in extract(
            method, BytesIO(path.read_bytes()), keywords=keywords, options={"silent": "false"}
        ):
            # No line numbers: a catalogue changes with the words, not with what stands around them.
            found.add(message, locations=[(place, None)], auto_comments=comments, context=context)
    return _plain(found)


def _sources() -> Iterator[tuple[Path, object]]:
    for template in sorted((PACKAGE / "web" / "templates").glob("*.html")):
        yield template, "jinja2.ext:babel_extract"
    for module in sorted((PACKAGE / "web" / "static").glob("*.js")):
        if module.name != "words.js":
            yield module, extract_modules
    for room in PYTHON:
        for module in sorted((PACKAGE / room).rglob("*.py")):
            if "worded" in module.read_text(encoding="utf-8"):
                yield module, "python"


def template_text() -> str:
    """Return the template of all catalogues."""
    return _text(extracted())


def read(language: str) -> Catalog:
    """Return a language's catalogue as its translators left it."""
    with (WORDS / f"{language}.po").open("rb") as file:
        return _plain(read_po(file, locale=language, abort_invalid=True))


def updated(language: str) -> str:
    """Return a language's catalogue with the messages of the sources: new ones without words, old ones gone."""
    held = read(language) if (WORDS / f"{language}.po").exists() else Catalog(locale=language)
    held.update(extracted(), no_fuzzy_matching=True)
    held.obsolete.clear()
    held.fuzzy = False
    return _text(held)


def compiled(language: str) -> str:
    """Return what the page looks up, as JSON: numbers' forms by CLDR's plural categories."""
    held = read(language)
    messages: dict[str, object] = {}
    for message in held:
        if not message.id:
            continue
        if isinstance(message.id, tuple):
            messages[message.id[0]] = {each: message.string[at] for each, at in forms(held).items()}
        else:
            messages[message.id] = message.string
    places = {at: each for each, at in sorted(forms(held).items(), key=lambda item: item[0] != "other")}
    made = {
        "language": language,
        "decimal": get_decimal_symbol(language),
        "plural": held.plural_expr,
        "categories": [places[at] for at in range(held.num_plurals)],
        "messages": messages,
    }
    return json.dumps(made, ensure_ascii=False, indent=1, sort_keys=True) + "\n"


def forms(held: Catalog) -> dict[str, int]:
    """Return which of a catalogue's forms stands for each plural category that whole numbers have."""
    rule = Locale.parse(str(held.locale)).plural_form
    place = c2py(held.plural_expr)
    found: dict[str, int] = {}
    for count in (*range(200), 1000, 10_000, 1_000_000):
        assert found.setdefault(rule(count), place(count)) == place(count), f"{rule(count)}: {held.plural_expr}"
    return {**found, "other": found.get("other", held.num_plurals - 1)}


def _plain(held: Catalog) -> Catalog:
    """Return the catalogue with per cent signs that are per cent signs: values stand in braces here."""
    for message in held:
        message.flags.discard("python-format")
    return held


def _text(held: Catalog) -> str:
    out = BytesIO()
    # Neither date nor version of a tool: the file is the same whenever it is made.
    write_po(out, held, omit_header=True, width=110, sort_by_file=True)
    head = ['msgid ""', 'msgstr ""', '"Content-Type: text/plain; charset=utf-8\\n"']
    if held.locale is not None:
        head += [f'"Language: {held.locale}\\n"', f'"Plural-Forms: {held.plural_forms}\\n"']
    return "\n".join(head) + "\n\n" + out.getvalue().decode("utf-8").strip() + "\n"
