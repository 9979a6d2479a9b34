"""A claim that one is rated above another, in ratings of one moment, as a report tells it."""

from dataclasses import dataclass
from typing import Literal

from blindtest.methods import METHODS
from blindtest.stats import (
    ConditionSummary,
    ContrastConclusion,
    MeanDifferenceGrade,
    ScaleContrast,
    ScreeningResult,
)
from blindtest.study import ScaleReach

__all__ = ["ScaleFacts"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ScaleFacts:
    """What blind ratings say about a claim that the device is rated above the comparator."""

    method: str
    """'multi-stimulus', 'small-impairment', 'rating' or 'rating-single'."""
    attribute: str = ""
    """What was rated; '' for quality as a whole."""
    reference: str = ""
    """The original, where there is one."""
    everybody: ScaleContrast
    kept: ScaleContrast | None = None
    """Of the listeners that the sealed rules keep, where they leave somebody out and keep somebody."""
    nobody_kept: bool = False
    """Whether the sealed rules leave out everybody: nothing is concluded then."""
    about_reference: bool = False
    """Whether the claim is about the original: rules that screen by it keep whoever agrees, so everybody decides."""
    screening: ScreeningResult | None = None
    """By the rules in the seal; None where there are none."""
    clips_too: ContrastConclusion | None = None
    """The same difference where clips are a sample too; None where they are these clips, or fewer than five."""
    summary: ConditionSummary | None = None
    """Of whom the result rests on; None for difference grades."""
    summary_of_all: ConditionSummary | None = None
    """Of everybody, where that is another one."""
    grades: tuple[MeanDifferenceGrade, ...] = ()
    """Mean difference grades of whom the result rests on."""
    grades_of_all: tuple[MeanDifferenceGrade, ...] = ()
    plan: ScaleReach | None = None
    alpha: float = 0.05

    @property
    def decisive(self) -> ScaleContrast:
        """What the word rests on: those whom the sealed rules keep; everybody where the claim is about the original."""
        return self.everybody if self.about_reference or self.kept is None else self.kept

    @property
    def rests_on(self) -> Literal["everybody", "those kept", "nobody"]:
        """Whom the word rests on."""
        if self.nobody_kept:
            return "nobody"
        return "everybody" if self.decisive is self.everybody else "those kept"

    @property
    def word(self) -> str:
        """How the claim ends, standing alone."""
        return "open" if self.nobody_kept else self.decisive.word

    @property
    def p_value(self) -> float:
        """Of the test that the word rests on."""
        return 1.0 if self.nobody_kept else self.decisive.p_value

    @property
    def in_grades(self) -> bool:
        """Whether the scale runs from 1.0 to 5.0."""
        return self.method == "small-impairment"

    @property
    def unit(self) -> str:
        """What a difference is counted in."""
        return "grades" if self.in_grades else "points"

    @property
    def scale(self) -> str:
        """What the scale is called."""
        if self.attribute:
            return self.attribute
        return "basic audio quality" if METHODS[self.method].reference else "overall quality"
