"""What the guide shows is what the commands print: every marked block of a page is made again and compared.

Marks are comments on a line of their own, just before a block of code:

    <!-- output: blindtest power --trials 28 -->            what the command prints, on stdout and stderr
    <!-- output, exit 3: blindtest measure broken.txt -->   the same, with its exit code
    <!-- file: dialects/tabs.txt -->                        the block is written to this file
    <!-- added to: my-study/study.toml -->                  the block is put at the end of this file
    <!-- part of: my-study/stimuli/fixed.toml -->           the block is what the file holds

and marks without a block, which set the scene:

    <!-- given: material -->                                measurements and clips are put into my-study
    <!-- given: my-study -->                                a copy of the study at the end of start.md
    <!-- given: my-study, nobody has listened -->           the same without its answers, reports and stimuli
    <!-- given: a listener with 20 right -->                who sits before the page of the next `listen`
    <!-- given: a listener who prefers linnet in 15 pairs -->
    <!-- given: a listener with 20 right who prefers native in 11 pairs -->
    <!-- given: L-oak answers 16 of 28 -->                  a sitting; ", then stops" leaves the rest unanswered
    <!-- given: R-7f3a sits on 3 days: linnet 62, siskin 46; 6 more by name for linnet; 5 recognised -->
                                                            a sitting a day from tomorrow on; points are the true ones
    <!-- given: in FILE 'old' becomes 'new' -->             a change of a file; \\n stands for a line break

Pages are played from top to bottom in an empty folder. Hashes, times and ports are left out of the comparison, numbers
with decimals may differ by one and a half units of their last place (another processor rounds otherwise), whole numbers
not at all; a line `...` stands for any lines. The hash of an impression is drawn anew each time: in what is made it is
exchanged for the one that the page shows, and in the page's own files and commands the other way round. refresh.py,
beside this file, writes what is printed now into the pages.
"""

import re
import shlex
import shutil
from dataclasses import dataclass
from pathlib import Path

import pytest

import blindtest

GUIDE = Path(blindtest.__file__).parent / "guide"
PAGES = sorted(GUIDE.glob("*.md"))
MARK = re.compile(r"<!-- (output|output, exit \d+|file|added to|part of|given): (.*) -->")
IMPRESSION = re.compile(r"^On record: ([0-9a-f]{64})$", re.MULTILINE)
VARYING = (
    (re.compile(r"\b[0-9a-f]{64}\b|\b[0-9a-f]{16}(?=\.\.\.)|\b[0-9a-f]{48}\b"), "HASH"),
    (re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?\+00:00"), "TIME"),
    (re.compile(r"\b\d{4}-\d\d-\d\d \d\d:\d\d:\d\d UTC"), "TIME"),
    (re.compile(r"127\.0\.0\.1:\d+"), "127.0.0.1:PORT"),
)
NUMBER = re.compile(r"(?<![\w.])[+-]?(?:\d+(?:\.\d+)?|\.\d+)(?![\w.]*\w)")
PUBLISHED = {
    "STUDY_SEAL": "Study seal", "PLAN": "Sitting's plan", "LAST_HASH": "last hash of the answers",
    "END": "of how it ended",
}  # fmt: skip
SLACK = 1.5


@dataclass(frozen=True, kw_only=True)
class Mark:
    page: str
    line: int
    kind: str
    what: str
    block: str

    @property
    def exit_code(self) -> int:
        return int(self.kind.rpartition(" ")[2]) if "exit" in self.kind else 0

    def __str__(self) -> str:
        return f"{self.page}:{self.line}"


def marks_in(page: Path) -> list[Mark]:
    lines = page.read_text(encoding="utf-8").split("\n")
    found = []
    for index, line in enumerate(lines):
        match = MARK.fullmatch(line)
        if match is None:
            assert not line.startswith("<!--"), f"{page.name}:{index + 1}: not a mark that is known: {line}"
            continue
        block = ""
        if match[1] != "given":
            assert lines[index + 1].startswith("```"), f"{page.name}:{index + 1}: no block of code follows the mark"
            end = lines.index("```", index + 2)
            block = "\n".join(lines[index + 2 : end]) + "\n"
        found.append(Mark(page=page.name, line=index + 1, kind=match[1], what=match[2], block=block))
    return found


MARKS = {page.name: marks_in(page) for page in PAGES}
SHOWN = [mark for marks in MARKS.values() for mark in marks if mark.kind.startswith(("output", "part of"))]


@dataclass(kw_only=True)
class Player:
    """Plays pages, each once; keeps what every shown block should have held, or the fault that came instead."""

    tools: object
    root: Path

    def __post_init__(self):
        self.got: dict[tuple[str, int], tuple[str, int]] = {}
        self.played: set[str] = set()
        self.hashes: dict[str, dict[str, str]] = {}
        self.impressions: dict[str, str] = {}

    def made(self, mark: Mark) -> tuple[str, int]:
        if mark.page not in self.played:
            self.play(mark.page)
        return self.got[mark.page, mark.line]

    def play(self, page: str) -> Path:
        place = self.root / page.removesuffix(".md")
        if page in self.played:
            return place
        self.played.add(page)
        self.hashes[page] = {}
        place.mkdir()
        answers = None
        for mark in MARKS[page]:
            if mark.kind == "given":
                answers = self.given(mark, place) or answers
            elif mark.kind in ("file", "added to"):
                (place / mark.what).parent.mkdir(parents=True, exist_ok=True)
                with (place / mark.what).open("a" if mark.kind == "added to" else "w", encoding="utf-8") as file:
                    file.write("\n" * (mark.kind == "added to") + self.with_hashes_made(mark.block))
            elif mark.kind == "part of":
                self.got[page, mark.line] = ((place / mark.what).read_text(encoding="utf-8"), 0)
            else:
                arguments = [self.hashes[page].get(word, word) for word in shlex.split(mark.what)]
                assert arguments[0] == "blindtest", mark
                sits = arguments[1] == "listen" and mark.exit_code == 0
                text, code = self.tools.run(arguments[1:], place, answers if sits else None)
                self.remember(text, mark)
                self.got[page, mark.line] = (self.with_hashes_shown(text), code)
        return place

    def given(self, mark: Mark, place: Path) -> object:
        """Set the scene; return the answers of whoever sits before the next page, if that is what is given."""
        study = place / "my-study"
        if mark.what == "material":
            self.tools.material(study)
        elif mark.what in ("my-study", "my-study, nobody has listened"):
            left_out = ("study.db*", "report", "stimuli") if "nobody" in mark.what else ()
            shutil.copytree(self.play("start.md") / "my-study", study, ignore=shutil.ignore_patterns(*left_out))
            self.hashes[mark.page] |= self.hashes["start.md"]
        elif found := re.fullmatch(
            r"a listener(?: with (\d+) right)?(?: who prefers (\S+) in (\d+) pairs)?", mark.what
        ):
            right, prefers, wins = found.groups()
            return self.tools.Answers(right=int(right or 0), prefers=prefers or "", wins=int(wins or 0))
        elif found := re.fullmatch(r"(L-\w+) answers (\d+) of (\d+)(, then stops)?", mark.what):
            stop_after = int(found[3]) if found[4] else 0
            answers = self.tools.Answers(right=int(found[2]), answered=stop_after)
            self.tools.sit(study, found[1], answers, stop_after=stop_after)
        elif found := re.fullmatch(
            r"(\S+) sits on (\d+) days: (.+); (\d+) more by name for (\S+); (\d+) recognised", mark.what
        ):
            points = {name: float(value) for name, value in (one.rsplit(" ", 1) for one in found[3].split(", "))}
            for day in range(int(found[2])):
                answers = self.tools.Answers(right=int(found[6]), points=points, by_name={found[5]: float(found[4])})
                self.tools.sit(study, found[1], answers, in_days=day + 1)
        elif found := re.fullmatch(r"in (\S+) '(.+)' becomes '(.*)'", mark.what):
            path = place / found[1]
            old, new = (self.with_hashes_made(text.replace("\\n", "\n")) for text in found.groups()[1:])
            text = path.read_text(encoding="utf-8")
            assert text.count(old) == 1, f"{mark}: {old!r} stands {text.count(old)} times in {found[1]}"
            path.write_text(text.replace(old, new), encoding="utf-8")
        else:
            pytest.fail(f"{mark}: nobody knows what is given here: {mark.what}")
        return None

    def remember(self, text: str, mark: Mark) -> None:
        for name, words in PUBLISHED.items():
            if found := re.search(rf"{words}\s+([0-9a-f]{{64}})", text):
                self.hashes[mark.page][name] = found[1]
        if (made := IMPRESSION.search(text)) and (shown := IMPRESSION.search(mark.block)):
            self.impressions[shown[1]] = made[1]

    def with_hashes_made(self, text: str) -> str:
        for shown, made in self.impressions.items():
            text = text.replace(shown, made).replace(shown[:8], made[:8])
        return text

    def with_hashes_shown(self, text: str) -> str:
        for shown, made in self.impressions.items():
            text = text.replace(made, shown).replace(made[:8], shown[:8])
        return text


@pytest.fixture(scope="session")
def player(guide_tools, tmp_path_factory):
    return Player(tools=guide_tools, root=tmp_path_factory.mktemp("guide"))


def lines_of(text: str) -> list[str]:
    for pattern, name in VARYING:
        text = pattern.sub(name, text)
    return [re.sub(r"\s+", " ", line).strip() for line in text.strip("\n").split("\n")]


def alike(shown: str, made: str) -> bool:
    """Whether two lines say the same: equal words and whole numbers, decimals within their last place."""
    if NUMBER.sub("#", shown) != NUMBER.sub("#", made):
        return False
    return all(
        abs(float(one) - float(other)) <= (SLACK * 10.0 ** -len(one.partition(".")[2]) if "." in one else 0.0)
        for one, other in zip(NUMBER.findall(shown), NUMBER.findall(made), strict=True)
    )


def first_stranger(shown: list[str], made: list[str]) -> str | None:
    """Return the first shown line that was not made where it should stand; None where all were. '...' is a gap."""
    at, gap = 0, False
    for line in shown:
        if line == "...":
            gap = True
            continue
        while gap and at < len(made) and not alike(line, made[at]):
            at += 1
        if at == len(made) or not alike(line, made[at]):
            return line
        at, gap = at + 1, False
    return None if gap or at == len(made) else f"(nothing; made was also: {made[at]})"


@pytest.mark.parametrize("mark", SHOWN, ids=str)
def test_what_a_page_shows_is_what_is_made(mark, player):
    made, code = player.made(mark)
    assert code == mark.exit_code, made
    stranger = first_stranger(lines_of(mark.block), lines_of(made))
    assert stranger is None, f"{mark} ({mark.what}) shows:\n{stranger}\nMade was:\n{made}"


def test_every_page_of_the_main_job_shows_something():
    showing = {mark.page for mark in SHOWN}
    assert {"start.md", "study.md", "responses.md", "rendering.md", "results.md", "abx.md"} <= showing


@pytest.mark.parametrize(
    ("shown", "made", "is_stranger"),
    [
        ("a 1.23 b\n", "a 1.24 b\n", False),
        ("a 1.23 b\n", "a 1.25 b\n", True),
        ("19 or more\n", "20 or more\n", True),
        ("p .038\n", "p .040\n", True),
        ("one\n...\nthree\n", "one\ntwo\nthree\n", False),
        ("one\nthree\n", "one\ntwo\nthree\n", True),
        ("one\n", "one\ntwo\n", True),
        ("one\n...\n", "one\ntwo\n", False),
        ("...\nfour\n", "one\ntwo\nthree\n", True),
        (f"seal {'a' * 64}\n", f"seal {'b' * 64}\n", False),
        ("at 2026-03-02T10:00:00+00:00.\n", "at 2027-04-05T11:22:33.4567+00:00.\n", False),
    ],
)
def test_the_comparison_tells_apart_what_differs(shown, made, is_stranger):
    assert (first_stranger(lines_of(shown), lines_of(made)) is not None) == is_stranger
