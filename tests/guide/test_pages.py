"""Pages of the guide hold true: titles, links, commands and options, keys of the study file, words of the page."""

import importlib.util
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
from blindtest.study.protocol_changes import CHANGEABLE
from blindtest.study.protocols import find_protocol

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
    assert set(fences[::2]) <= {"```sh", "```toml", "```text", "```nginx", "```ini"}


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
    files = [*web.glob("static/*.js"), *web.glob("templates/*.html"), PACKAGE / "session/view.py"]
    files += (PACKAGE / "methods").glob("*.py")
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
        "option1 option2": "X is A, X is B; or the first and the second answer",
        "lower5 lower raise raise5": "in a rating: 5 less, 1 less, 1 more, 5 more",
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


def test_the_hashes_of_one_study_are_the_same_wherever_they_are_shown():
    """Outputs are made anew with other hashes each time: what a reader follows over two pages is one study."""
    first, later = (text_of(GUIDE / name) for name in ("start.md", "seals.md"))
    seals = re.findall(r"[Ss]tudy seal +([0-9a-f]{16})", first + later)
    assert len(seals) >= 5
    assert len(set(seals)) == 1
    posted = re.findall(r"^holds: published hash ([0-9a-f]{16})", later, re.M)
    assert len(posted) == 4
    assert [one for one in posted if one not in first] == []


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


def test_the_critical_numbers_of_pairs_hold():
    """Counted from binomial coefficients: the fewest wins whose p, doubled for both sides, is .05 or less."""
    text = text_of(GUIDE / "preference.md")
    rows = re.findall(
        r"^\| (\d+) \| (\d+) or more \(p = (\.\d+)\) \| (\d+) or more \(p = (\.\d+)\) \|$", text, re.MULTILINE
    )
    assert [int(row[0]) for row in rows] == [16, 20, 24, 36]
    for pairs, both, p_both, one, p_one in ((int(n), int(k), float(p), int(m), float(q)) for n, k, p, m, q in rows):
        tail = [sum(comb(pairs, k) for k in range(wins, pairs + 1)) / 2**pairs for wins in range(pairs + 1)]
        assert min(wins for wins in range(pairs + 1) if 2 * tail[wins] <= 0.05) == both
        assert min(wins for wins in range(pairs + 1) if tail[wins] <= 0.05) == one
        assert (2 * tail[both], tail[one]) == pytest.approx((p_both, p_one), abs=5e-4)


def test_the_numbers_of_the_short_protocol_hold():
    """Twenty pairs, 15 on both sides; sixteen with the direction sealed, 12 (claims.md 6); counted."""
    text = " ".join(text_of(GUIDE / "night.md").split())
    assert find_protocol("short").blocks[-1].trials == 20
    fifteen = sum(comb(20, k) for k in range(15, 21)) / 2**20
    twelve = sum(comb(16, k) for k in range(12, 17)) / 2**16
    power = sum(comb(20, k) * 0.8**k * 0.2 ** (20 - k) for k in range(15, 21))
    middle = sum(comb(20, k) for k in (6, 7, 13, 14)) / 2**20
    assert (2 * fifteen, twelve, 2 * twelve, power, middle) == pytest.approx(
        (0.041, 0.038, 0.077, 0.80, 0.22), abs=5e-3
    )
    for words in (
        "with probability .041",
        "(p = .038)",
        "with probability .077",
        "gets there with .80",
        "open with probability .22",
    ):
        assert words in text, words


# --- error rates of the verdict of survival --------------------------------------------------------------------------


@pytest.fixture(scope="module")
def drawing():
    spec = importlib.util.spec_from_file_location("guide_draw_survival", Path(__file__).parent / "draw_survival.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def survival_rows(columns: int) -> list[list[str]]:
    section = text_of(GUIDE / "survival.md").partition("\n## How often it is wrong\n")[2].partition("\n## ")[0]
    rows = [[cell.strip() for cell in line.strip("|").split("|")] for line in section.split("\n") if line[:1] == "|"]
    return [row for row in rows if len(row) == columns and row[0] != "design" and row[0][:3] != "---"]


def test_the_worst_cells_are_those_of_the_simulation(drawing):
    """tests/references/stats/survival_error_rates.json, made by tests/stats/simulate_survival.py."""
    meta, rows = drawing.meta(), survival_rows(7)
    by_rate = sorted(meta["worst_cells"], key=lambda cell: -cell["wrong_in_grid"])
    assert len(rows) == 5
    for row, cell in zip(rows, by_rate, strict=False):
        assert row[:2] == [cell["design"], cell["spread"]]
        assert float(row[2]) == cell["labelled"]
        assert float(row[3]) == pytest.approx(cell["blind"], abs=2e-6)
        assert row[4] == cell["true_state"]
        assert float(row[5]) == pytest.approx(cell["wrong_in_grid"], abs=5.1e-5)
        assert float(row[6]) == pytest.approx(cell["wrong_again"], abs=5.1e-5)
    largest = max(float(row["wrong"]) for row in drawing.table())
    assert by_rate[0]["wrong_in_grid"] == meta["worst_in_grid"] == pytest.approx(largest, abs=1e-6)


def test_what_the_prose_says_of_the_simulation_holds(drawing):
    meta = drawing.meta()
    text = " ".join(text_of(GUIDE / "survival.md").split())
    assert (
        f"{meta['cells']} cells of {meta['studies']} studies each, seed {meta['seed']}, drawn on {meta['date']}" in text
    )
    assert len(meta["worst_cells"]) == 12
    assert {cell["studies"] for cell in meta["worst_cells"]} == {200_000}
    assert f"simulated again, is .{round(1e4 * meta['worst_again']):04}" in text
    errors = [cell["std_error"] for cell in meta["worst_cells"]]
    assert max(errors) < 0.0005
    # No more than alpha beyond Monte Carlo error: the largest of twelve normal deviates passes 2.9 once in 50 times.
    assert max((cell["wrong_again"] - meta["alpha"]) / cell["std_error"] for cell in meta["worst_cells"]) < 2.9
    assert all(abs(abs(cell["blind"]) - meta["margin"]) < 1e-5 for cell in meta["worst_cells"])
    with_clips = [row for row in drawing.table() if row["contrasts_wrong"]]
    assert f"wrong in up to {max(float(row['contrasts_wrong']) for row in with_clips):.2f}" in text
    lost = max(float(row["contrasts_right"]) - float(row["right"]) for row in with_clips if float(row["sd_clip"]) == 0)
    assert f"costs at most {lost:.2f}" in text
    blind = [float(row["blind"]) for row in drawing.table()]
    assert f"({min(blind):g} to {max(blind):g}, on both sides of every border)" in text


def test_how_often_each_verdict_is_reached_is_what_was_simulated(drawing):
    rows, table = survival_rows(6), drawing.table()
    assert [row[0] for row in rows] == list(dict.fromkeys(cell["design"] for cell in table))
    for design, *reached, wrong in rows:
        cells = {float(cell["blind"]): cell for cell in drawing.usual(table, design)}
        for shown, blind, state in zip(
            reached, (20.0, 10.0, 0.0, -15.0), ("survives", "shrinks", "vanishes", "reverses"), strict=True
        ):
            assert cells[blind]["true_state"] == state
            assert float(shown) == pytest.approx(float(cells[blind][state]), abs=5.1e-3)
        assert float(wrong) == pytest.approx(
            max(float(cell["wrong"]) for cell in table if cell["design"] == design), abs=5.1e-5
        )


def test_the_figure_is_drawn_from_the_table_and_small(drawing):
    kept = drawing.OUT.read_bytes()
    assert len(kept) < 150_000
    made_by = re.search(rb"matplotlib ([\d.]+)", kept)[1].decode()
    import matplotlib as mpl

    if mpl.__version__ != made_by:
        pytest.skip(f"drawn by matplotlib {made_by}: python tests/guide/draw_survival.py")
    assert drawing.drawn() == kept


@each_page
def test_figures_are_there_and_have_a_text_alternative(page):
    for words, target in re.findall(r"!\[([^\]]*)\]\(([^)]+)\)", prose_of(page)):
        assert (page.parent / target).is_file(), target
        assert len(words) > 100, f"{target}: say what it shows, for those who read the page as text"
