"""Pages of the guide hold true: titles, links, commands and options, keys of the study file, words of the page."""

import re
import tomllib
from itertools import combinations
from math import comb
from pathlib import Path

import pytest
from pydantic import BaseModel, ValidationError

import blindtest
from blindtest.cli.commands import commands
from blindtest.study import schema
from blindtest.study.protocols import CHANGEABLE, find_protocol

PACKAGE = Path(blindtest.__file__).parent
GUIDE = PACKAGE / "guide"
PAGES = sorted(GUIDE.glob("*.md"))
BLOCK = re.compile(r"^```(\w*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
HEADING = re.compile(r"^(#+) (.+)$", re.MULTILINE)
COMMAND = re.compile(r"\bblindtest ([a-z]+)((?: [^\s`|]+)*)")

each_page = pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)


def text_of(page: Path) -> str:
    return page.read_text(encoding="utf-8")


def prose_of(page: Path) -> str:
    return re.sub(r"<!--.*?-->", "", BLOCK.sub("", text_of(page)))


def anchors(page: Path) -> set[str]:
    """Anchors as readers of Markdown make them: lower case, blanks to hyphens, other signs dropped."""
    names = [re.sub(r"[^\w\- ]", "", title.lower()).replace(" ", "-") for _, title in HEADING.findall(prose_of(page))]
    return set(names)


# --- form ------------------------------------------------------------------------------------------------------------


@each_page
def test_a_page_has_one_title_and_it_comes_first(page):
    text = text_of(page)
    assert re.match(r"# \S.{3,70}\n\n", text)
    assert [level for level, _ in HEADING.findall(prose_of(page))].count("#") == 1


@each_page
def test_blocks_of_code_are_closed_and_say_what_they_hold(page):
    fences = [line for line in text_of(page).split("\n") if line.startswith("```")]
    assert len(fences) % 2 == 0
    assert set(fences[1::2]) <= {"```"}
    assert set(fences[::2]) <= {"```sh", "```toml", "```text"}


@each_page
def test_links_lead_somewhere(page):
    for target in re.findall(r"\]\(([^)]+)\)", prose_of(page)):
        assert "://" not in target, f"{target}: the guide needs no network"
        name, _, anchor = target.partition("#")
        there = page if not name else page.parent / name
        assert there.is_file(), target
        assert not anchor or anchor in anchors(there), target


def test_every_page_is_reached_from_another_or_from_the_readme():
    linked = set(re.findall(r"\]\((\S+?\.md)", "".join(map(text_of, PAGES))))
    readme = PACKAGE.parent / "README.md"
    if readme.exists():
        linked |= set(re.findall(r"guide/([\w-]+\.md)", text_of(readme)))
    assert {page.name for page in PAGES} <= linked


# --- commands --------------------------------------------------------------------------------------------------------


def named_commands(page: Path) -> list[tuple[str, str]]:
    """Return (command, the rest of its line) wherever a page writes one as code."""
    code = [body for kind, body in BLOCK.findall(text_of(page)) if kind == "sh"]
    code += re.findall(r"`([^`\n]+)`", prose_of(page))
    code += re.findall(r"<!-- output[^:]*: (.*) -->", text_of(page))
    return [found for piece in code for found in COMMAND.findall(piece)]


@each_page
def test_commands_and_options_exist(page):
    for name, rest in named_commands(page):
        assert name in commands.commands, f"there is no command {name}"
        known = {option for parameter in commands.commands[name].params for option in parameter.opts} | {"--help"}
        for option in re.findall(r"(?<!\S)--[a-z-]+", rest):
            assert option in known, f"blindtest {name} has no option {option}"


@each_page
def test_options_named_alone_belong_to_some_command(page):
    known = {
        option for command in commands.commands.values() for parameter in command.params for option in parameter.opts
    }
    for option in re.findall(r"`(--[a-z-]+)", prose_of(page)):
        assert option in known, option


def test_the_commands_of_the_main_job_are_found():
    found = {name for name, _ in named_commands(GUIDE / "start.md")}
    assert {"new", "check", "render", "seal", "listen", "analyze", "report", "verify"} <= found


# --- the study file --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("page", "body"),
    [(page.name, body) for page in PAGES for kind, body in BLOCK.findall(text_of(page)) if kind == "toml"],
)
def test_keys_in_examples_are_keys_of_the_schema(page, body):
    """An example may leave tables out; what it writes must be accepted."""
    data = tomllib.loads(body)
    model = schema.ProtocolFile if "block" in data or "decides" in data else schema.StudyFile
    wrong = []
    try:
        model.model_validate(data)
    except ValidationError as error:
        # A passage has fewer conditions or clips than a whole file, and lacks tables; nothing else is excused.
        wrong = [
            detail
            for detail in error.errors(include_url=False)
            if detail["type"] != "missing" and not (detail["type"] == "too_short" and len(detail["loc"]) == 1)
        ]
    assert not wrong
    for name, numbers in data.get("protocol", {}).get("changes", {}).items():
        assert name in {block.id for block in find_protocol(data["protocol"].get("use", "abx")).blocks}
        assert set(numbers) <= set(CHANGEABLE)


def test_the_example_protocol_is_the_one_that_comes_with_the_tool():
    (body,) = (
        body for kind, body in BLOCK.findall(text_of(GUIDE / "study.md")) if kind == "toml" and "decides" in body
    )
    assert schema.ProtocolFile.model_validate(tomllib.loads(body)).to_protocol("abx") == find_protocol("abx")


def tables() -> list[type[BaseModel]]:
    return [kind for kind in vars(schema).values() if isinstance(kind, type) and issubclass(kind, schema.Table)]


BY_EXAMPLE = {"block", "files", "align"}
"""Keys that study.md shows in an example instead of a table."""


def not_yet() -> str:
    return text_of(GUIDE / "study.md").partition("\n## Not yet\n")[2].partition("\n## ")[0]


@pytest.mark.parametrize("table", tables(), ids=lambda table: table.__name__)
def test_study_md_names_every_key_and_every_value(table):
    text = prose_of(GUIDE / "study.md")
    assert all(re.search(rf"\b{name}\b", text_of(GUIDE / "study.md")) for name in BY_EXAMPLE)
    for name, field in table.model_fields.items():
        shown = re.search(rf"`\[*{name}\]*`", text)
        assert shown or name in BY_EXAMPLE, f"add the key {name} to guide/study.md"
        for value in re.findall(r"'([^']+)'", str(field.annotation) if "Literal" in str(field.annotation) else ""):
            assert f"`{value}`" in text or f'"{value}"' in text_of(GUIDE / "study.md"), f"{name}: add the value {value}"


@pytest.mark.parametrize("table", tables(), ids=lambda table: table.__name__)
def test_what_study_md_calls_not_yet_is_not_yet(table):
    section = not_yet()
    later = {*table.later, *(value for values in table.later_values.values() for value in values)}
    missing = [name for name in sorted(later) if f"`{name}`" not in section]
    assert not missing, f"add to 'Not yet' in guide/study.md: {', '.join(missing)}"


def test_study_md_calls_nothing_not_yet_that_is_there():
    later = set(schema.LATER_PROTOCOLS)
    for table in tables():
        later |= {
            *table.later,
            *(value for values in table.later_values.values() for value in values),
            *table.later_values,
        }
    rows = [row for row in not_yet().split("\n") if row.startswith("| ") and not row.startswith("| where")]
    named = {name for row in rows for name in re.findall(r"`([\w -]+)`", row.split(" | ", 1)[1].split(":")[0])}
    gone = sorted(named - later)
    assert named >= set(schema.LATER_PROTOCOLS)
    assert not gone, f"these are there now, describe them in guide/study.md: {', '.join(gone)}"


# --- the listener's page ---------------------------------------------------------------------------------------------


def words_of_the_page() -> str:
    web = PACKAGE / "web"
    files = [*web.glob("static/*.js"), *web.glob("templates/*.html"), PACKAGE / "methods/abx.py"]
    return "\n".join(re.sub(r"\s+", " ", text_of(file)) for file in files)


def test_listening_md_quotes_what_the_page_says():
    quoted = re.findall(r'"([^"]+)"', prose_of(GUIDE / "listening.md"))
    assert len(quoted) > 8
    said = words_of_the_page()
    for words in quoted:
        assert re.sub(r"\s+", " ", words) in said, words


def test_listening_md_has_the_keys_of_the_page():
    keys = text_of(PACKAGE / "web/static/keys.js")
    first = dict(re.findall(r'(\w+): "(.)"', keys.partition("const FIRST = {")[2].partition("};")[0]))
    rows = dict(re.findall(r"^\| ([^|]+) \| ([^|]+) \|$", prose_of(GUIDE / "listening.md"), re.MULTILINE))
    wanted = {
        "slot1 slot2 slot3": "the sounds A, B, X",
        "play": "play, pause",
        "restart": "from the start",
        "option1 option2": "X is A, X is B",
        "confirm": "confirm",
        "undo": "undo the choice",
        "next": "next, after a practice trial",
        "say": "stop the sound and say where you are",
    }
    for actions, words in wanted.items():
        assert rows[", ".join(first[action].upper() for action in actions.split())] == words


# --- numbers in prose ------------------------------------------------------------------------------------------------


def test_the_numbers_of_twelve_of_sixteen_hold():
    """Counted here from binomial coefficients; the interval is R 4.2.2's binom.test(12, 16): 0.476 to 0.927."""
    text = " ".join(text_of(GUIDE / "results.md").split())
    ways = sum(comb(16, k) for k in range(12, 17))
    assert f"{2**16:,}".replace(",", " ") in text
    assert f"{ways} / 65 536 = {ways / 2**16:.3f}".replace("0.", ".") in text
    at_limit = sum(comb(16, k) * 0.516**k * 0.484 ** (16 - k) for k in range(12, 17))
    assert at_limit == pytest.approx(0.05, abs=5e-4)
    assert "*Two-sided 47.6 % to 92.7 %*" in text


def test_the_number_of_a_balanced_key_holds():
    """Eight of sixteen answers drawn, eight of sixteen keys: twelve right need six or more of the eight in common."""
    assert "probability .066" in text_of(GUIDE / "abx.md")
    assert sum(comb(8, k) * comb(8, 8 - k) for k in (6, 7, 8)) / comb(16, 8) == pytest.approx(0.066, abs=5e-4)
    # The same, by going through all keys of six: four or more right with three of each answered.
    right = [6 - 2 * (3 - len({0, 1, 2} & set(key))) for key in combinations(range(6), 3)]
    assert sum(count >= 4 for count in right) == comb(3, 2) * comb(3, 1) + 1


def test_holm_in_the_prose_is_holm():
    """Holm 1979: p times the number of hypotheses left, never falling."""
    text = text_of(GUIDE / "results.md")
    p = {row.split()[0]: row.split() for row in text.split("\n") if re.match(r"L-\w+ +\d+ of", row)}
    ordered = sorted((float(re.findall(r" (0\.\d{4}) ", " ".join(row))[0]), name) for name, row in p.items())
    highest = 0.0
    for left, (value, name) in zip((3, 2, 1), ordered, strict=True):
        highest = max(highest, left * value)
        shown = float(re.findall(r"0\.\d{4}", " ".join(p[name]))[1])
        assert shown == pytest.approx(highest, abs=2e-4)
    assert "L-ivy's .0178 becomes .0535" in text
