"""A readers' panel as the study describes it: how listeners come in, what they are asked, when it ends."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from itertools import pairwise
from typing import Any, Literal

from blindtest.design import ScreeningRules
from blindtest.study.panel_tables import PanelTable, QuestionTable
from blindtest.study.screening_tables import screening_rules
from blindtest.words import worded

__all__ = ["Panel", "PanelQuestion", "band_words", "panel_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelQuestion:
    """A question to listeners: an answer is one of the options."""

    id: str
    words: str
    options: tuple[str, ...]
    rather_not_say: bool

    def fault_in(self, answer: object) -> str | None:
        """Return what is wrong with an answer (the place of an option; None: 'I would rather not say'), in words."""
        if answer is None:
            return None if self.rather_not_say else f"{self.id}: an answer is asked for"
        place = isinstance(answer, int) and not isinstance(answer, bool) and 0 <= answer < len(self.options)
        return None if place else f"{self.id}: not one of the answers to choose from"

    def said(self, answer: int | None) -> str | None:
        """Return an answer as it is kept: the words that were chosen, in English where they are ours."""
        return None if answer is None else str(self.options[answer])


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """The table [panel]."""

    invitation: str
    """A file relative to the study folder."""
    public: bool
    public_places: int | None
    """How many listeners the public link admits."""
    most_listeners: int
    own_result: Literal["after the end", "at once"]
    closes: date | None
    questions: tuple[PanelQuestion, ...]
    screening: ScreeningRules = field(default_factory=ScreeningRules)
    """How it is tested what listeners play on."""

    def to_record(self) -> dict[str, Any]:
        """Return what the study seal holds of it: what bears on answers still to come, no words of the pages."""
        screening = {"screening": self.screening.to_record()} if self.screening.tests else {}
        return {"own_result": self.own_result, **screening}


def panel_of(table: PanelTable, planned: int) -> Panel:
    """Return the panel that a study file describes; `planned`: listeners."""
    return Panel(
        invitation=table.invitation,
        public=table.public,
        public_places=table.public_places,
        most_listeners=table.most_listeners or planned,
        own_result=table.own_result,
        closes=table.closes,
        questions=tuple(_question(one) for one in table.question),
        screening=screening_rules(table),
    )


def _question(table: QuestionTable) -> PanelQuestion:
    options = tuple(table.options or ()) if table.kind == "choice" else band_words(table.bands or (), table.unit or "")
    return PanelQuestion(id=table.id, words=table.words, options=options, rather_not_say=table.rather_not_say)


def band_words(bands: Sequence[float], unit: str) -> tuple[str, ...]:
    """Return the bands between numbers in words, the open ones at both ends too.

    >>> [str(words) for words in band_words([18, 30, 45], "years")]
    ['under 18 years', '18 to 29 years', '30 to 44 years', '45 years or more']
    """
    whole = all(float(number).is_integer() for number in bands)
    after = f" {unit}" if unit else ""
    inner = [_between(low, high, whole, after) for low, high in pairwise(bands)]
    return (
        worded("under {number}{unit}", number=bands[0], unit=after),
        *inner,
        worded("{number}{unit} or more", number=bands[-1], unit=after),
    )


def _between(low: float, high: float, whole: bool, after: str) -> str:
    if not whole:
        return worded("{low} to under {high}{unit}", low=low, high=high, unit=after)
    if high - low > 1:
        return worded("{low} to {high}{unit}", low=low, high=high - 1, unit=after)
    return worded("{number}{unit}", number=low, unit=after)
