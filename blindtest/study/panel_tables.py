"""[panel] and [[panel.question]]: how a study is taken by many listeners over the web, and what they are asked first.

What concerns more than one key is checked in `panel_checks.py`.
"""

from typing import Annotated, Literal

from pydantic import Field

from blindtest.study.screening_tables import ScreeningKeys
from blindtest.study.table import FilePath, Id, Label, Table, Text, Words
from blindtest.study.unit_tables import Day

__all__ = ["MOST_LISTENERS", "PanelTable", "QuestionTable"]

MOST_LISTENERS = 100_000


class QuestionTable(Table):
    """What a listener is asked before listening; the answer is kept apart from the record of the sitting."""

    id: Id = Field(description="a short name for the question")
    words: Text = Field(description="the question as listeners read it")
    kind: Literal["choice", "band"] = Field(
        description="choice: one of options; band: a number, of which only the band it lies in is asked and kept"
    )
    options: Annotated[list[Label], Words("2 to 20 texts in [ ]")] | None = Field(
        None, min_length=2, max_length=20, description="choice: the answers to choose from, in order"
    )
    bands: Annotated[list[float], Words("1 to 19 numbers that rise, in [ ], as [18, 30, 45, 60]")] | None = Field(
        None, min_length=1, max_length=19, description="band: the numbers at which a new band begins, rising"
    )
    unit: Label | None = Field(None, description="band: the unit of the numbers, such as years")
    rather_not_say: bool = Field(
        True, description="false to ask for an answer; else 'I would rather not say' is one of them"
    )


class PanelTable(ScreeningKeys):
    """A readers' panel: the study taken by many listeners, each in a browser of their own."""

    invitation: FilePath = Field(description="the file with your words on the first page, as 'invitation.md'")
    public: bool = Field(False, description="true for a link that anybody can use, beside personal ones")
    public_places: int | None = Field(
        None, ge=1, le=MOST_LISTENERS, description="how many listeners the public link admits"
    )
    most_listeners: int | None = Field(
        None, ge=1, le=MOST_LISTENERS, description="how many listeners there are at most; else as many as are planned"
    )
    own_result: Literal["after the end", "at once"] = Field(
        "after the end",
        description="when listeners read their own result: after the end of the study, or at once; it is sealed",
    )
    closes: Day | None = Field(None, description="the last day on which the panel is open")
    question: list[QuestionTable] = Field(
        default_factory=list, max_length=30, description="[[panel.question]] for what listeners are asked first"
    )
