"""Keys of [panel] that say how it is tested what listeners play on, what must hold of them, and what they mean."""

from typing import Any, Literal

from pydantic import Field

from blindtest.design import CHANNEL_TRIES, LEAST_PASS, PUBLISHED, TRIALS, ScreeningRules, ScreeningTest
from blindtest.study.findings import Findings
from blindtest.study.table import Table

__all__ = ["ScreeningKeys", "check_screening", "note_screening", "screening_rules"]

_DEFAULT_PASS = {"channels": 5, **{name: rates.pass_mark for name, rates in PUBLISHED.items()}}


class ScreeningKeys(Table):
    """The keys of [panel] on channels and headphones."""

    channels: bool = Field(False, description="true to ask where sounds are: left, right, in the middle")
    headphones: Literal["antiphase", "dichotic", "both"] | None = Field(
        None,
        description="how headphones are told from loudspeakers: antiphase, the softest of three tones; dichotic, a "
        "pitch that takes two ears; or both",
    )
    channels_pass: int | None = Field(
        None, ge=LEAST_PASS, le=TRIALS, description=f"how many of {TRIALS} places must be right; else 5"
    )
    antiphase_pass: int | None = Field(
        None, ge=LEAST_PASS, le=TRIALS, description=f"how many of {TRIALS} tones must be right; else 5, as published"
    )
    dichotic_pass: int | None = Field(
        None, ge=LEAST_PASS, le=TRIALS, description=f"how many of {TRIALS} pitches must be right; else 6, as published"
    )
    headphone_tries: int = Field(
        1, ge=1, le=3, description="how often a headphone test may be taken; the published error rates hold for once"
    )
    screening_fail: Literal["record", "end"] = Field(
        "record",
        description="record: who fails goes on and counts; end: who fails a headphone test takes no further part",
    )


def screening_rules(table: ScreeningKeys) -> ScreeningRules:
    """Return the rules that the keys stand for."""
    names: tuple[Literal["antiphase", "dichotic"], ...] = ()
    if table.headphones is not None:
        names = ("antiphase", "dichotic") if table.headphones == "both" else (table.headphones,)
    tests: list[ScreeningTest] = []
    if table.channels:
        mark = table.channels_pass or _DEFAULT_PASS["channels"]
        tests.append(ScreeningTest(name="channels", pass_mark=mark, tries=CHANNEL_TRIES))
    for name in names:
        mark = getattr(table, f"{name}_pass") or _DEFAULT_PASS[name]
        tests.append(ScreeningTest(name=name, pass_mark=mark, tries=table.headphone_tries))
    return ScreeningRules(tests=tuple(tests), on_fail=table.screening_fail)


def check_screening(data: dict[str, Any], found: Findings) -> None:
    """Gather keys that speak of a test that isn't taken."""
    panel = data.get("panel")
    if not isinstance(panel, dict):
        return
    headphones = panel.get("headphones")
    taken = {"antiphase", "dichotic"} if headphones == "both" else {headphones}
    if panel.get("channels"):
        taken.add("channels")
    for name, remedy in (
        ("channels", "write channels = true, or take it out"),
        ("antiphase", "write headphones = 'antiphase' or 'both', or take it out"),
        ("dichotic", "write headphones = 'dichotic' or 'both', or take it out"),
    ):
        key = f"{name}_pass"
        if key in panel and name not in taken and not found.is_touched("panel", "headphones"):
            found.fault(("panel", key), "a pass mark of a test that is not taken", got=panel[key], remedy=remedy)
    for key in ("headphone_tries", "screening_fail"):
        if key in panel and headphones is None and not found.is_touched("panel", "headphones"):
            found.fault(
                ("panel", key),
                "no headphone test is taken",
                got=panel[key],
                remedy="write headphones = 'antiphase', 'dichotic' or 'both', or take it out",
            )


def note_screening(rules: ScreeningRules, found: Findings) -> None:
    """Add what is worth knowing of the tests: what guessing passes, and where the published rates don't hold."""
    for one in rules.tests:
        rates = PUBLISHED.get(one.name)
        if rates is None:
            continue
        found.note(
            ("panel", "headphones"),
            f"{one.name}: guesses alone pass it with a probability of {one.by_guessing:.2g}; published: "
            f"{100 * rates.false_pass:.0f} % of those on loudspeakers pass, {100 * rates.false_fail:.0f} % of those on "
            f"headphones fail" + ("" if one.pass_mark == rates.pass_mark else f", at {rates.pass_mark} of {TRIALS}"),
        )
        if one.pass_mark != rates.pass_mark:
            found.note(("panel", f"{one.name}_pass"), "the published error rates don't hold for another pass mark")
        if rules.on_fail == "end" and rates.false_fail:
            found.note(
                ("panel", "screening_fail"),
                f"{one.name}: turns away {100 * rates.false_fail:.0f} % of those on headphones, by the published rates",
            )
    if any(one.tries > 1 and one.name in PUBLISHED for one in rules.tests):
        found.note(("panel", "headphone_tries"), "the published error rates hold for the first try only")
