"""What the tests of playback found over a panel: counts of each, and the primary claim with those who passed."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from blindtest.design import TRIALS, ScreeningRules, rules_from_record
from blindtest.report import DevicesFacts, ReportInput, ScreenedFacts, ScreeningFacts, ScreeningTestFacts, numbers_words
from blindtest.session import Screening
from blindtest.session.panel_devices import answers_by_device
from blindtest.steps.answers.study import Answers, answers_of
from blindtest.steps.gathering.claim import Truths, claim_result
from blindtest.steps.panel.screening import screening_on, shut_out

if TYPE_CHECKING:
    from blindtest.session.panelist import Panelist
    from blindtest.session.record import Record

__all__ = ["screening_dict", "screening_found", "with_screening"]


def with_screening(facts: ReportInput, store: "Record", answers: Answers) -> ReportInput:
    """Return the facts with what listeners played on, where it was tested."""
    return replace(facts, screening=screening_found(store, answers))


def screening_found(store: "Record", answers: Answers) -> ScreeningFacts | None:
    """Return what the screening found under the seal that is analysed; None where it holds none."""
    record = answers.seal.record.get("panel", {}).get("screening")
    if record is None:
        return None
    rules = rules_from_record(record)
    panelists = store.panelists()
    screenings = {one.listener: _first(rules, one) for one in panelists}
    begun = {name: one for name, one in screenings.items() if one.answers}
    names = tuple(test.name for test in rules.tests)
    links = _links(store)
    listened = {one.listener for one in panelists if _passed_where_heard(rules, one, links.get(one.listener, {}))}
    return ScreeningFacts(
        rules=rules,
        listeners=len(begun),
        passed_all=sum(one.passed(*names) is True for one in begun.values()),
        finished=sum(one.passed(*names) is not None for one in begun.values()),
        failed=sum(one.passed(*names) is False for one in begun.values()),
        turned_away=sum(shut_out(rules, one) for one in panelists),
        tests=tuple(_counted(rules, test.name, list(begun.values())) for test in rules.tests),
        rates_hz=_rates(panelists),
        screened=_screened(answers, listened),
        devices=_devices(rules, panelists, links),
    )


def _first(rules: ScreeningRules, one: "Panelist") -> Screening:
    """Return a listener's screening on the first device on which they finished it, else on which they began it."""
    taken = [screening_on(rules, one, device) for device in range(one.device + 1)]
    begun = [each for each in taken if each.answers]
    return next((each for each in begun if each.place is None), (begun or taken)[0])


def _links(store: "Record") -> dict[str, dict[int, int]]:
    """Return of each listener the number of links in the chain of each of their sittings."""
    found: dict[str, dict[int, int]] = {}
    for entry in store.sittings():
        found.setdefault(entry.listener, {})[entry.number] = entry.links
    return found


def _passed_where_heard(rules: ScreeningRules, one: "Panelist", links: Mapping[int, int]) -> bool:
    """Return whether a listener passed every test on every device on which they answered in a sitting."""
    names = tuple(test.name for test in rules.tests)
    answered = answers_by_device(one.moves, links)
    heard = [device for device, count in enumerate(answered) if count]
    return bool(heard) and all(screening_on(rules, one, device).passed(*names) is True for device in heard)


def _devices(
    rules: ScreeningRules, panelists: Sequence["Panelist"], links: Mapping[str, Mapping[int, int]]
) -> DevicesFacts | None:
    moved = [one for one in panelists if one.device]
    if not moved:
        return None
    names = tuple(test.name for test in rules.tests)
    ended = [
        [
            over
            for device in range(1, one.device + 1)
            if (over := screening_on(rules, one, device).passed(*names)) is not None
        ]
        for one in moved
    ]
    return DevicesFacts(
        listeners=len(moved),
        within=sum(
            any(0 < move.links < links.get(one.listener, {}).get(move.sitting, 0) for move in one.moves)
            for one in moved
        ),
        finished=sum(bool(each) for each in ended),
        passed=sum(bool(each) and all(each) for each in ended),
    )


def _counted(rules: ScreeningRules, name: str, screenings: Sequence[Screening]) -> ScreeningTestFacts:
    firsts = lasts = taken = unfinished = 0
    verdicts: Counter[str] = Counter()
    for one in screenings:
        ended = [outcome for outcome in one.outcomes if outcome.test == name]
        given = sum(answer.place.test == name for answer in one.answers)
        unfinished += 0 < given < TRIALS
        if not ended:
            continue
        taken += 1
        firsts += ended[0].passed
        lasts += ended[-1].passed
        if name == "channels" and not ended[-1].passed:
            verdicts[ended[-1].verdict] += 1
    return ScreeningTestFacts.of(
        rules,
        name,
        taken=taken,
        passed_first=firsts,
        passed=lasts,
        unfinished=unfinished,
        verdicts=tuple(verdicts.most_common()),
    )


def _rates(panelists: Sequence["Panelist"]) -> tuple[tuple[int, int], ...]:
    said = [rate for one in panelists if (rate := one.kept.get("output", {}).get("rate_hz")) is not None]
    return tuple(sorted(Counter(int(rate) for rate in said).items()))


def _screened(answers: Answers, passed: set[str]) -> ScreenedFacts | None:
    """Return the primary claim with those alone who passed; None where nobody's sitting counts yet."""
    listeners = {one.entry.listener for one in answers.counted}
    if not listeners:
        return None
    own = listeners & passed
    if not own:
        return ScreenedFacts(listeners=0, of=len(listeners), result=None, why_not="nobody passed every test")
    if own == listeners:
        return ScreenedFacts(
            listeners=len(own), of=len(listeners), result=None, why_not="they are all whose sittings count"
        )
    found = answers_of(answers, answers.primary.record, own)
    if found.why_not:
        return ScreenedFacts(listeners=len(own), of=len(listeners), result=None, why_not=found.why_not)
    return ScreenedFacts(listeners=len(own), of=len(listeners), result=claim_result(found, answers, Truths()))


def screening_dict(facts: ScreeningFacts) -> dict[str, Any]:
    """Return what JSON can hold."""
    screened = facts.screened
    return {
        "rules": facts.rules.to_record(),
        "listeners": facts.listeners,
        "passed_all": facts.passed_all,
        "turned_away": facts.turned_away,
        "tests": [one.to_dict() for one in facts.tests],
        "browser_rates_hz": [{"rate_hz": rate, "listeners": count} for rate, count in facts.rates_hz],
        **({} if facts.devices is None else {"other_devices": facts.devices.to_dict()}),
        "primary_of_those_who_passed": None
        if screened is None
        else {
            "listeners": screened.listeners,
            "of": screened.of,
            "word": None if screened.result is None else screened.result.word_alone,
            "numbers": None if screened.result is None else numbers_words(screened.result),
            "why_not": screened.why_not,
            "exploratory": screened.result is not None,
        },
    }
