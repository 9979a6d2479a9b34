"""Where a listener of a panel is: the step that they are at, and what that step shows to them.

It follows from the record, the day and the study alone. Nothing here writes.
"""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from blindtest.design import sittings_of
from blindtest.render import Rendered
from blindtest.session.panelist import OwnSitting, Panelist
from blindtest.steps.keeping import keeping_was
from blindtest.steps.panel.admission import Admission, is_closed, last_day, panel_of_study, refused, text_of
from blindtest.steps.panel.results import own_result
from blindtest.steps.panel.screening import ScreeningStep, screening_told
from blindtest.steps.panel.steps import PANEL_STEPS, PanelStep
from blindtest.steps.place import Clock
from blindtest.study import Study, labels, sitting_lengths

if TYPE_CHECKING:
    from blindtest.session.store import Store

__all__ = ["State", "Whereabouts"]

State = Mapping[str, Any]
"""What leaves for a page, as JSON holds it: `step`, and what that step shows."""


class Whereabouts:
    """Where the listeners of one panel are."""

    def __init__(
        self,
        study: Study,
        store: "Store",
        *,
        rendered: Rendered,
        admission: Admission,
        commitment: str,
        clock: Clock,
    ) -> None:
        self._study = study
        self._panel = panel_of_study(study)
        self._store = store
        self._rendered = rendered
        self._admission = admission
        self._commitment = commitment
        self._clock = clock
        self._invitation_text = text_of(study, self._panel.invitation)
        self._planned = len(sittings_of(study.protocol))

    def state(self, listener: str) -> State:
        """Return where a listener is."""
        one = self._store.panel.panelist(listener)
        if one is None:
            return refused("unknown")
        begun = self._own(one)
        still = any(own.state == "open" for own in begun)
        closed = is_closed(self._store, self._study, self._clock())
        more = len(begun) < self._planned and not closed
        if more and not still and one.consent_sha256 != self._admission.consent_sha256:
            # The text was changed: what they agreed to covers what they did under it, and no further sitting.
            told = screening_told(self._panel.screening) if ScreeningStep().due(self._study, one) else None
            return self._said(one, "consent", **self._admission.text(), screening=told)
        due = self._due(one, begun)
        if due is not None and (still or not closed):
            return self._said(one, due.name, **due.shown(self._study, one))
        if still:
            return self._said(one, "sitting")
        if more:
            return self._said(one, "sitting") if self._may_begin(begun) else self._said(one, "later")
        if not begun:
            # They agreed, and came back too late: there is nothing to thank for, and no result to wait for.
            return self._said(one, "refused", why=self.why_closed())
        return self._thanks(one, begun)

    def invitation(self, *, public: bool) -> State:
        """Return what somebody reads who is not on record yet."""
        seconds = {s.clip: s.frames / s.rate for s in self._rendered.stimuli}
        minutes = [one.minutes for one in sitting_lengths(self._study, seconds)]
        return {
            "step": "invitation",
            "public": public,
            "title": self._study.title,
            "invitation": self._invitation_text,
            **self._admission.text(),
            "sittings": self._planned,
            "minutes": round(max(minutes, default=0.0)),
            "screening": screening_told(self._panel.screening),
            "closes": None if (last := last_day(self._study)) is None else last.isoformat(),
        }

    def why_closed(self) -> str:
        """Return why nobody begins: the organiser's wish, or that nothing may be kept any more."""
        return "past" if keeping_was(self._study, self._clock()) else "closed"

    def due(self, one: Panelist) -> PanelStep | None:
        """Return the step that a listener is at before a sitting; None where there is none to take."""
        return self._due(one, self._own(one))

    def _due(self, one: Panelist, begun: list[OwnSitting]) -> PanelStep | None:
        """Return the step that a listener is at before a sitting.

        Before one that goes on only another device is asked about; and that only where something is to be heard now.
        """
        still = any(own.state == "open" for own in begun)
        hears = still or (len(begun) < self._planned and self._may_begin(begun))
        for step in PANEL_STEPS:
            asked = hears if one.device and step.each_device else not still
            if asked and step.due(self._study, one):
                return step
        return None

    def _said(self, one: Panelist, step: str, **shown: Any) -> State:
        rates = sorted({s.rate for s in self._rendered.stimuli})
        second = self._study.rendering.second_rate_hz
        head = {"step": step, "title": self._study.title, "pseudonym": one.listener, "rates_hz": rates}
        return {**head, **({"second_rate_hz": second} if second else {}), **shown}

    def _own(self, one: Panelist) -> list[OwnSitting]:
        """Return a listener's sittings under the study's present seal, and what is open under an earlier one: that goes
        on as it was sealed."""
        every, under = self._store.panel.sittings_of(one.listener), self._commitment
        return [own for own in every if own.study_seal == under or own.state == "open"]

    def _may_begin(self, begun: list[OwnSitting]) -> bool:
        """Return whether a listener's next sitting may be held today: where a phase has several, each has its day."""
        if all(scheduled.run == 0 for scheduled in sittings_of(self._study.protocol)):
            return True
        today = self._clock().astimezone().date()
        return not any(own.created.astimezone().date() == today for own in begun)

    def _thanks(self, one: Panelist, begun: list[OwnSitting]) -> State:
        over = is_closed(self._store, self._study, self._clock()) and self._store.panel.counts().open == 0
        tell = bool(begun) and (over or (self._panel.own_result == "at once" and len(begun) >= self._planned))
        numbers = [own.number for own in begun]
        return self._said(
            one,
            "thanks",
            finished=sum(own.state == "finished" for own in begun),
            planned=self._planned,
            result=list(own_result(self._store, numbers, labels(self._study))) if tell else None,
            closes=None if self._panel.closes is None else self._panel.closes.isoformat(),
            kept_until=self._kept_until(),
        )

    def _kept_until(self) -> str | None:
        """Return the day until which answers were to be kept, once it has passed."""
        last = self._study.listeners.keep_until
        return last.isoformat() if last is not None and keeping_was(self._study, self._clock()) else None
