"""What the demo tells at its end: every verdict beside the truth, and where the reports lie."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from blindtest.nouns import number_of
from blindtest.steps.analysis import Analysis
from blindtest.steps.columns import columns
from blindtest.steps.demo_listeners import hears, held_against
from blindtest.steps.gathering.report import Truths
from blindtest.steps.reporting import ReportShown

__all__ = ["ChapterShown", "DemoShown", "StoryLine"]

HEADINGS = ("claim", "verdict", "truth", "so it is")
INVENTED = (
    "Everything here is invented: devices, music, listeners. What the listeners are made of is known,\n"
    "so the truth can stand beside each verdict."
)
BALANCE = """\
{} right, {} undecided, {} wrong. A verdict may be wrong in one study of twenty (alpha .05), and a fair plan can end
undecided. The same story with other luck: blindtest demo --seed 2"""


@dataclass(frozen=True, slots=True, kw_only=True)
class StoryLine:
    """A verdict beside the truth."""

    study: str
    claim: str
    verdict: str
    truth: str
    so_it_is: str
    """'right', 'WRONG', or 'undecided' where the verdict decides nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChapterShown:
    """What became of one study of the demo."""

    name: str
    folder: Path
    analysis: Analysis
    truths: Truths
    lines: tuple[StoryLine, ...]
    shown: ReportShown

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {
            "name": self.name,
            "folder": str(self.folder),
            "analysis": self.analysis.to_dict(),
            "report": self.shown.to_dict(),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoShown:
    """What `blindtest demo` prints at its end."""

    folder: Path
    seed: int
    chapters: tuple[ChapterShown, ...]

    @property
    def page(self) -> Path:
        """Where the story lies as a file."""
        return self.folder / "story.md"

    @property
    def story(self) -> tuple[StoryLine, ...]:
        """All verdicts beside their truth."""
        return tuple(line for chapter in self.chapters for line in chapter.lines)

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {
            "folder": str(self.folder),
            "invented": True,
            "seed": self.seed,
            "story": [{name: getattr(line, name) for name in StoryLine.__dataclass_fields__} for line in self.story],
            "studies": [chapter.to_dict() for chapter in self.chapters],
        }

    def text(self) -> str:
        """Return verdicts and truth side by side, and where the reports lie."""
        rows = [(line.claim, line.verdict, line.truth, line.so_it_is) for line in self.story]
        lines = [
            INVENTED,
            "",
            columns(HEADINGS, rows),
            "",
            *BALANCE.format(*self.balance).splitlines(),
            "",
            "One by one, in the study of the difference:",
            columns(("listener", "right", "alone", "truth", "so it is"), one_by_one(self.chapters[0])),
            "",
            "What was done, and the pages to publish:",
            *(f"  {_who(chapter)}\n    {chapter.shown.page}" for chapter in self.chapters),
            f"This story with links: {self.page}",
        ]
        return "\n".join(lines)

    @property
    def balance(self) -> tuple[int, int, int]:
        """How many verdicts are right, undecided and wrong."""
        right, undecided, wrong = (
            sum(line.so_it_is == word for line in self.story) for word in ("right", "undecided", "WRONG")
        )
        return right, undecided, wrong

    def markdown(self) -> str:
        """Return the story as a file that links the reports."""
        table: list[tuple[str, ...]] = [HEADINGS, tuple("-" * len(heading) for heading in HEADINGS)]
        table += [(line.claim, line.verdict, line.truth, line.so_it_is) for line in self.story]
        return "\n".join(
            [
                "# Three studies, their verdicts and the truth",
                "",
                INVENTED,
                "",
                *(f"| {' | '.join(row)} |" for row in table),
                "",
                *(
                    f"- [{_who(chapter)}]({chapter.name}/report/report.html), and "
                    f"[the evidence]({chapter.name}/report/{chapter.shown.archive.name})"
                    for chapter in self.chapters
                ),
                "",
                BALANCE.format(*self.balance),
                "",
            ]
        )


def _who(chapter: ChapterShown) -> str:
    answers = chapter.analysis.answers
    listeners = len({one.entry.listener for one in answers.sittings})
    sittings = len(answers.sittings)
    return f"{chapter.analysis.title} ({number_of(listeners, 'listener')}, {number_of(sittings, 'sitting')})"


def one_by_one(chapter: ChapterShown) -> list[tuple[str, ...]]:
    """Return rows of single listeners' choices, their verdicts and their truth."""
    rows: list[tuple[str, ...]] = []
    margin = chapter.analysis.answers.margin or 0.0
    for one, truth in zip(chapter.analysis.answers.listeners, chapter.truths.heard, strict=True):
        word, alone = one.conclusion.word, hears(truth.share, margin)
        rows.append((one.listener, f"{one.correct} of {one.trials}", word, alone.words, held_against(word, alone)))
    return rows
