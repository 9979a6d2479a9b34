"""What a panel would be, looked at without serving it: everything that a visitor will meet, and within which limits."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from blindtest.design import TRIALS, ScreeningRules, sittings_of
from blindtest.errors import BlindtestError
from blindtest.nouns import number_of
from blindtest.report.screening_words import SCREENING_NAMES
from blindtest.session.panelist import Panelist
from blindtest.steps.keeping import panel_reminder
from blindtest.steps.panel.admission import last_day, panel_of_study
from blindtest.steps.panel.steps import PANEL_STEPS
from blindtest.steps.place import Clock, now
from blindtest.study import Study, examine, load_study, sitting_lengths
from blindtest.words import LANGUAGES

__all__ = ["PanelLooked", "look_at_panel"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelLooked:
    """What a panel would be."""

    title: str
    invitation: str
    consent: str
    """Both are files, as the study names them."""
    keep_until: str | None
    steps: tuple[str, ...]
    questions: tuple[dict[str, Any], ...]
    screening: ScreeningRules
    languages: tuple[str, ...]
    """Tags of those that the pages speak."""
    language: str
    """That of whoever's browser asks for none of them: the study's, or English."""
    rates_hz: tuple[int, ...]
    """That the study names for its sounds; () where each clip keeps its own."""
    sittings: tuple[dict[str, Any], ...]
    """Of each: name, trials (practice and controls too), about how many minutes (None where no clip can be read)."""
    deadline_days: float
    """For a sitting that was begun."""
    public: bool
    public_places: int | None
    most_listeners: int
    own_result: str
    closes: str | None
    closed: bool
    reminder: str = ""

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        held = {name: getattr(self, name) for name in self.__dataclass_fields__}
        lists = ("steps", "questions", "languages", "rates_hz", "sittings")
        return {**held, **{name: list(held[name]) for name in lists}, "screening": self.screening.to_record()}

    def text(self) -> str:
        """Return it in words."""
        lines = [f"{self.title}: nothing is served and nothing was stored (--dry-run).", "A listener meets:"]
        lines += [f"  {number}. {step}" for number, step in enumerate(self.steps, 1)]
        lines.append(f"Invitation: {self.invitation}. Consent: {self.consent}{self._kept()}.")
        lines.append(self._spoken())
        for question in self.questions:
            own = [*question["options"], *(["I would rather not say"] if question["rather_not_say"] else [])]
            lines.append(f"Asked: {question['words']} ({'; '.join(own)})")
        lines += self._tested()
        lines += self._sat()
        places = f" for {number_of(self.public_places, 'listener')}" if self.public_places else ""
        lines.append(f"Links: personal ones{f', and a public one{places}' if self.public else ''}.")
        lines.append(f"At most {number_of(self.most_listeners, 'listener')}. Own results are told {self.own_result}.")
        if self.closes:
            lines.append(f"Closes after {self.closes}{': it is closed' if self.closed else ''}.")
        elif self.closed:
            lines.append("It is closed.")
        if self.reminder:
            lines.append(self.reminder)
        return "\n".join(lines)

    def _kept(self) -> str:
        return "" if self.keep_until is None else f", answers kept until {self.keep_until}"

    def _spoken(self) -> str:
        named = ", ".join(f"{LANGUAGES[tag]} ({tag})" for tag in self.languages)
        return f"Pages: in {named}, as the browser asks or the listener chooses; else in {LANGUAGES[self.language]}."

    def _tested(self) -> list[str]:
        lines = []
        for test in self.screening.tests:
            tries = f", up to {test.tries} tries" if test.tries > 1 else ""
            lines.append(
                f"Tested: {SCREENING_NAMES[test.name]} ({test.name}): {TRIALS} sounds, {test.pass_mark} of them right "
                f"to pass{tries}; guesses alone pass with a probability of {test.by_guessing:.2g}"
            )
        if any(test.name != "channels" for test in self.screening.tests):
            ends = self.screening.on_fail == "end"
            lines.append(
                "Who fails a headphone test "
                + ("takes no further part." if ends else "goes on and counts; it goes on record.")
            )
        again = "what plays there and these tests come" if lines else "what plays there comes"
        lines.append(f"On another device or in another browser {again} once more, and the level is set anew.")
        return lines

    def _sat(self) -> list[str]:
        lines = []
        for one in self.sittings:
            named = f" {one['name']}" if one["name"] else ""
            about = "" if one["minutes"] is None else f", about {max(1, round(one['minutes']))} min (an estimate)"
            lines.append(
                f"Sitting{named}: {number_of(one['trials'], 'trial')}, practice and controls among them{about}."
            )
        end = "" if self.keep_until is None else f", at the latest on {self.keep_until}"
        last = (
            f"A sitting that was begun can be finished within {self.deadline_days:g} days{end}; then it is abandoned."
        )
        rates = " and ".join(f"{rate} Hz" for rate in self.rates_hz)
        return [*lines, last, *([f"Sounds at {rates}."] if rates else [])]


def look_at_panel(folder: Path, *, clock: Clock = now) -> PanelLooked:
    """Return what the panel of the study in `folder` would be; nothing is stored, sealed or served.

    Raises
    ------
    BlindtestError
        The study can't be used, or has no panel.
    """
    study = load_study(folder)
    panel = panel_of_study(study)
    at = clock()
    rendering = study.rendering
    rates = [rate for rate in (rendering.rate_hz, rendering.second_rate_hz) if rate]
    return PanelLooked(
        title=study.title,
        invitation=panel.invitation,
        consent=study.listeners.consent,
        keep_until=None if study.listeners.keep_until is None else study.listeners.keep_until.isoformat(),
        steps=tuple(_steps(study)),
        questions=tuple(
            {"id": q.id, "words": q.words, "options": list(q.options), "rather_not_say": q.rather_not_say}
            for q in panel.questions
        ),
        screening=panel.screening,
        languages=tuple(LANGUAGES),
        language=study.listeners.language if study.listeners.language in LANGUAGES else "en",
        rates_hz=tuple(rates),
        sittings=tuple(_sittings(study, folder)),
        deadline_days=study.protocol.deadline_days,
        public=panel.public,
        public_places=panel.public_places,
        most_listeners=panel.most_listeners,
        own_result=panel.own_result,
        closes=None if panel.closes is None else panel.closes.isoformat(),
        closed=(last := last_day(study)) is not None and at.astimezone().date() > last,
        reminder=panel_reminder(study, at),
    )


def _steps(study: Study) -> list[str]:
    nobody = Panelist(listener="", seed=bytes(32), consent_sha256="", kept={})
    due = [step.name for step in PANEL_STEPS if step.due(study, nobody)]
    return ["invitation", "consent", *due, "level", "sitting", "thanks"]


def _sittings(study: Study, folder: Path) -> list[dict[str, Any]]:
    try:
        lengths = sitting_lengths(study, examine(folder).seconds)
    except BlindtestError:
        lengths = ()
    if lengths:
        return [{"name": one.name, "trials": one.trials, "minutes": one.minutes} for one in lengths]
    series = sittings_of(study.protocol)
    return [
        {"name": one.name if len(series) > 1 else "", "trials": one.protocol.trials, "minutes": None} for one in series
    ]
