"""What a panel's listener passes through between consent and the first sound, in order.

A step is a value with four methods and knows of no other; adding one means a file and a line in `PANEL_STEPS`, and a
function of the same name in `web/static/panel_steps.js`. What is kept of a step stands beside the record, not in its
chain, and `forget` erases it.
"""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Protocol

from blindtest.errors import BlindtestError, Fault
from blindtest.steps.panel.screening import ScreeningStep
from blindtest.study import Study

if TYPE_CHECKING:
    from blindtest.session.panelist import Panelist

__all__ = ["PANEL_STEPS", "PanelStep", "step_named"]


class PanelStep(Protocol):
    """One step before the sitting."""

    name: str
    """Under which its page is found and what is kept of it is stored."""
    each_device: bool
    """Whether it is taken anew on every device that the listener comes by, also before an open sitting goes on."""

    def due(self, study: Study, one: "Panelist") -> bool:
        """Return whether this listener has still to do it."""

    def shown(self, study: Study, one: "Panelist") -> Mapping[str, Any]:
        """Return what the page is given, as JSON holds it."""

    def taken(self, study: Study, one: "Panelist", sent: Mapping[str, Any]) -> Mapping[str, Any]:
        """Return what is kept from now on once the page has sent `sent`; the step may still be due after it.

        Raises
        ------
        BlindtestError
            It is not what the step asks for; nothing is kept.
        """

    def sound(self, study: Study, one: "Panelist", token: str) -> bytes | None:
        """Return the WAV under a token that the page was given, or None."""


class Questions:
    """What the organiser chose to ask."""

    name = "questions"
    each_device = False

    def due(self, study: Study, one: "Panelist") -> bool:
        """Return whether a question has no answer yet; one that was added later is asked then."""
        asked = study.panel.questions if study.panel else ()
        return not {question.id for question in asked} <= set(one.kept.get(self.name, {}))

    def shown(self, study: Study, one: "Panelist") -> Mapping[str, Any]:
        """Return the questions without an answer."""
        answered = one.kept.get(self.name, {})
        return {
            "questions": [
                {"id": q.id, "words": q.words, "options": list(q.options), "rather_not_say": q.rather_not_say}
                for q in (study.panel.questions if study.panel else ())
                if q.id not in answered
            ]
        }

    def taken(self, study: Study, one: "Panelist", sent: Mapping[str, Any]) -> Mapping[str, Any]:
        """Keep the answers, sent as places of options; None where the listener would rather not say."""
        asked = {question.id: question for question in (study.panel.questions if study.panel else ())}
        before = dict(one.kept.get(self.name, {}))
        wrong = [f"{name}: no such question" for name in sent if name not in asked]
        for name, question in asked.items():
            if name not in before and (problem := question.fault_in(sent.get(name))) is not None:
                wrong.append(problem)
        if wrong:
            raise BlindtestError(*(Fault(problem=problem) for problem in wrong))
        return before | {name: question.said(sent.get(name)) for name, question in asked.items() if name not in before}

    def sound(self, study: Study, one: "Panelist", token: str) -> bytes | None:
        """Return None: nothing sounds."""
        return None


class Output:
    """What the browser says of its own output, before anything sounds."""

    name = "output"
    each_device = True

    def due(self, study: Study, one: "Panelist") -> bool:
        """Return whether this browser has not been asked."""
        return not one.on(self.name)

    def shown(self, study: Study, one: "Panelist") -> Mapping[str, Any]:
        """Return whether the listener came from another device: the page asks its browser, and every state names the
        rates of the sounds."""
        return {"moved": True} if one.device else {}

    def taken(self, study: Study, one: "Panelist", sent: Mapping[str, Any]) -> Mapping[str, Any]:
        """Keep rate in Hz and latency in s; None where the browser does not say."""
        return {
            "rate_hz": _number(sent, "rate_hz", 1_000, 1_000_000),
            "latency_s": _number(sent, "latency_s", 0, 60),
        }

    def sound(self, study: Study, one: "Panelist", token: str) -> bytes | None:
        """Return None: nothing sounds."""
        return None


def _number(sent: Mapping[str, Any], key: str, least: float, most: float) -> float | None:
    value = sent.get(key)
    if value is None:
        return None
    # Compared first: a whole number may be too large to be a float.
    if not isinstance(value, int | float) or isinstance(value, bool) or not least <= value <= most:
        raise BlindtestError(Fault(problem=f"{key}: not a number from {least:g} to {most:g}"))
    return float(value)


PANEL_STEPS: tuple[PanelStep, ...] = (Questions(), Output(), ScreeningStep())
"""In the order in which a listener meets them."""


def step_named(name: str) -> PanelStep | None:
    """Return the step of this name."""
    return next((step for step in PANEL_STEPS if step.name == name), None)
