"""The tests of what a panel's listener plays on, as a step before the first sitting.

What is kept of it: the rules it was taken under, and the answers. The draws follow from the listener's seed, which is
erased with it. On another device it is taken anew, from a seed of that device, and kept beside the one before.
"""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from blindtest.design import ScreeningRules
from blindtest.errors import BlindtestError, Fault
from blindtest.session import OutOfTurn, Screening, ScreeningAnswer, ScreeningPlace, screening_wav

if TYPE_CHECKING:
    from blindtest.session.panelist import Panelist
    from blindtest.study import Study

__all__ = ["MOST_FAILED_DEVICES", "ScreeningStep", "screening_of", "screening_on", "screening_told", "shut_out"]

_RATES_HZ = (44_100, 48_000)
_MOST_INTERRUPTIONS = 1_000
MOST_FAILED_DEVICES = 3
"""Whoever failed a headphone test can come by another device; so often and no more, lest guesses pass in the end."""


def screening_told(rules: ScreeningRules) -> Mapping[str, Any] | None:
    """Return what somebody is told of these tests before they agree; None where there are none.

    Whether their part can end with a test, and what is kept of them then, is part of what they agree to.
    """
    if not rules.tests:
        return None
    headphones = any(test.name != "channels" for test in rules.tests)
    return {"headphones": headphones, "must_pass": headphones and rules.on_fail == "end"}


def screening_of(rules: ScreeningRules, one: "Panelist") -> Screening:
    """Return a listener's screening on their present device as it stands; see `screening_on`."""
    return screening_on(rules, one, one.device)


def screening_on(rules: ScreeningRules, one: "Panelist", device: int) -> Screening:
    """Return a listener's screening on one of their devices; from its beginning where the rules were others then."""
    kept, seed = one.on(ScreeningStep.name, device), one.seed_of(device)
    answers = kept.get("answers", ()) if kept.get("rules") == rules.to_record() else ()
    return Screening(
        rules=rules,
        seed=bytes(32) if seed is None else seed,
        answers=tuple(ScreeningAnswer.from_record(held) for held in answers),
    )


def shut_out(rules: ScreeningRules, one: "Panelist") -> bool:
    """Return whether a listener takes no further part, whatever they play on.

    As sealed, who fails before they have passed on any device; and who has failed on several since.
    """
    if rules.on_fail == "record":
        return False
    failed, passed = 0, False
    for device in range(one.device + 1):
        screening = screening_on(rules, one, device)
        failed += screening.turned_away
        if failed and (not passed or failed >= MOST_FAILED_DEVICES):
            return True
        passed |= bool(screening.answers) and screening.place is None and not screening.turned_away
    return False


class ScreeningStep:
    """Channels and headphones; see `panel_steps.PanelStep`."""

    name = "screening"
    each_device = True

    def due(self, study: "Study", one: "Panelist") -> bool:
        """Return whether a sound is to be answered; who was turned away stays here."""
        rules = _rules(study)
        screening = screening_of(rules, one)
        return screening.place is not None or screening.turned_away or shut_out(rules, one)

    def shown(self, study: "Study", one: "Panelist") -> Mapping[str, Any]:
        """Return what the page is shown: of what sounds, a token and nothing else."""
        rules = _rules(study)
        shown = screening_of(rules, one).shown()
        if shut_out(rules, one):
            return {**shown, "over": True, "turned_away": True, "for_good": True, "told": "", "sound": None}
        return shown

    def taken(self, study: "Study", one: "Panelist", sent: Mapping[str, Any]) -> Mapping[str, Any]:
        """Keep an answer."""
        rules = _rules(study)
        if shut_out(rules, one):
            raise OutOfTurn("there is nothing more to be answered")
        after = screening_of(rules, one).answered(_answer(sent))
        return {"rules": rules.to_record(), "answers": [answer.to_record() for answer in after.answers]}

    def sound(self, study: "Study", one: "Panelist", token: str) -> bytes | None:
        """Return the WAV under a token that the page is shown now, at the browser's own rate if it is a usual one."""
        if shut_out(_rules(study), one):
            return None
        said = one.on("output").get("rate_hz")
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
