"""The tests of what a panel's listener plays on, as a step before the first sitting.

What is kept of it: the rules it was taken under, and the answers. The draws follow from the listener's seed, which is
erased with it.
"""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from blindtest.design import ScreeningRules
from blindtest.errors import BlindtestError, Fault
from blindtest.session import Screening, ScreeningAnswer, ScreeningPlace, screening_wav

if TYPE_CHECKING:
    from blindtest.session.panelist import Panelist
    from blindtest.study import Study

__all__ = ["ScreeningStep", "screening_of"]

_RATES_HZ = (44_100, 48_000)
_MOST_INTERRUPTIONS = 1_000


def screening_of(rules: ScreeningRules, one: "Panelist") -> Screening:
    """Return a listener's screening as it stands; from its beginning where it was taken under other rules."""
    kept = one.kept.get(ScreeningStep.name, {})
    answers = kept.get("answers", ()) if kept.get("rules") == rules.to_record() else ()
    return Screening(rules=rules, seed=one.seed, answers=tuple(ScreeningAnswer.from_record(held) for held in answers))


class ScreeningStep:
    """Channels and headphones; see `panel_steps.PanelStep`."""

    name = "screening"

    def due(self, study: "Study", one: "Panelist") -> bool:
        """Return whether a sound is to be answered; who was turned away stays here."""
        screening = screening_of(_rules(study), one)
        return screening.place is not None or screening.turned_away

    def shown(self, study: "Study", one: "Panelist") -> Mapping[str, Any]:
        """Return what the page is shown: of what sounds, a token and nothing else."""
        return screening_of(_rules(study), one).shown()

    def taken(self, study: "Study", one: "Panelist", sent: Mapping[str, Any]) -> Mapping[str, Any]:
        """Keep an answer."""
        rules = _rules(study)
        after = screening_of(rules, one).answered(_answer(sent))
        return {"rules": rules.to_record(), "answers": [answer.to_record() for answer in after.answers]}

    def sound(self, study: "Study", one: "Panelist", token: str) -> bytes | None:
        """Return the WAV under a token that the page is shown now, at the browser's own rate if it is a usual one."""
        said = one.kept.get("output", {}).get("rate_hz")
        rate = int(said) if said in _RATES_HZ else _RATES_HZ[-1]
        return screening_wav(screening_of(_rules(study), one), token, rate)


def _rules(study: "Study") -> ScreeningRules:
    return study.panel.screening if study.panel else ScreeningRules()


def _answer(sent: Mapping[str, Any]) -> ScreeningAnswer:
    """Return the answer that a page sent.

    Raises
    ------
    BlindtestError
        It is none.
    """
    kinds = {"test": str, "attempt": int, "trial": int, "choice": str, "interruptions": int}
    wrong = [key for key, kind in kinds.items() if type(sent.get(key)) is not kind]
    wrong += [key for key in sent if key not in kinds]
    if wrong or not 0 <= sent["interruptions"] <= _MOST_INTERRUPTIONS:
        raise BlindtestError(Fault(problem=f"not an answer: {', '.join(wrong) or 'interruptions'}"))
    place = ScreeningPlace(test=sent["test"], attempt=sent["attempt"], trial=sent["trial"])
    return ScreeningAnswer(place=place, choice=sent["choice"], interruptions=sent["interruptions"])
