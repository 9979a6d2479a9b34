"""What listeners of a panel played on, in words: for the report and for `blindtest analyze`."""

from blindtest.design import BOTH_FALSE_PASS, TRIALS
from blindtest.report.claim_words import numbers_words
from blindtest.report.screening_facts import DevicesFacts, ScreenedFacts, ScreeningFacts, ScreeningTestFacts
from blindtest.report.words import interval_words, percent, plural

__all__ = ["PLAYED_ON_HEADS", "played_on_rows", "played_on_words"]

SCREENING_NAMES = {
    "channels": "Left, right and middle",
    "antiphase": "Softest of three tones",
    "dichotic": "Pitch in noise, by two ears",
}
_VERDICTS = {
    "swapped": "left and right exchanged",
    "one place": "all in one place",
    "left silent": "nothing on the left",
    "right silent": "nothing on the right",
    "unclear": "no clear pattern",
}
NOT_KNOWN = (
    "A browser cannot tell what it plays on, so listeners were tested by ear. Passing makes headphones likely, no "
    "more: one earpiece alone passes the tones, and nothing tells which headphones they were, how they sound, or what "
    "the system did to the sound before it left. Results are relative: one condition against another over whatever "
    "each listener wore."
)


def played_on_words(facts: ScreeningFacts) -> tuple[str, ...]:
    """Return what was found, a sentence or two each."""
    words = [
        f"{plural(facts.listeners, 'listener')} took the tests of what they play on; {facts.passed_all} passed every "
        "one of them."
    ]
    if facts.all_count:
        words[0] += " Everybody counts, whether they passed or not: so it was sealed."
    else:
        words[0] += f" Who failed a headphone test took no further part: so it was sealed. {facts.turned_away} did."
    words += [_test_words(one) for one in facts.tests]
    words += [said for one in facts.tests if (said := _share_words(one))]
    if {"antiphase", "dichotic"} <= {one.name for one in facts.tests}:
        words.append(
            f"Both headphone tests together are passed by about {percent(BOTH_FALSE_PASS)} of those on loudspeakers "
            "(Milne et al. 2021). How many on headphones pass both is not published with it: no share is reckoned from "
            "the two together."
        )
    if facts.devices is not None:
        words.append(_devices_words(facts.devices))
    if facts.screened is not None:
        words.append(_screened_words(facts.screened, all_count=facts.all_count))
    return (*words, NOT_KNOWN)


def _test_words(one: ScreeningTestFacts) -> str:
    again = f", {one.passed} by their last try" if one.tries > 1 else ""
    tries = f" in one of {one.tries} tries" if one.tries > 1 else ""
    words = (
        f"{SCREENING_NAMES[one.name]}: {one.passed_first} of {one.taken} passed ({one.pass_mark} of {TRIALS} right, or "
        f"more){again}; guesses alone pass it{tries} with a probability of {one.by_guessing:.2g}."
    )
    if one.unfinished:
        words += f" {one.unfinished} more left during it."
    if one.verdicts:
        found = ", ".join(f"{_VERDICTS[name]} {count}" for name, count in one.verdicts)
        words += f" The others: {found}."
    if one.published is not None:
        words += (
            f" Published error rates, at {one.published.pass_mark} of {TRIALS}: "
            f"{percent(one.published.false_pass)} of those on loudspeakers pass, {percent(one.published.false_fail)} "
            f"of those on headphones fail ({one.published.source})."
        )
        if one.published.pass_mark != one.pass_mark:
            words += " They do not hold for the pass mark used here."
    return words


def _devices_words(one: DevicesFacts) -> str:
    return (
        f"{plural(one.listeners, 'listener')} went on on another device or in another browser, {one.within} within a "
        f"sitting, and had the tests put again: {one.finished} finished them there, of whom {one.passed} passed every "
        "one. Counts and shares here are of the device on which each listener took them first."
    )


def _share_words(one: ScreeningTestFacts) -> str:
    if one.share is None or one.published is None:
        return ""
    if one.share.estimate is None or one.share.interval is None:
        return ""
    return (
        f"{SCREENING_NAMES[one.name]}, corrected for these error rates: the share truly on headphones is "
        f"{percent(one.share.estimate)}, {percent(one.share.level)} interval {interval_words(one.share.interval)} "
        f"({one.share.method}, from the first try of {plural(one.taken, 'listener')}). It holds as far as these "
        "listeners and what they play on are like those of the paper."
    )


def _screened_words(one: ScreenedFacts, *, all_count: bool) -> str:
    who = f"The primary claim with those alone who passed every test ({one.listeners} of {plural(one.of, 'listener')})"
    if one.result is None:
        return f"{who}: {one.why_not or 'no result'}."
    counted = "everybody" if all_count else "everybody who was let on"
    return (
        f"{who} ends as {one.result.word_alone}: {numbers_words(one.result)}. Exploratory: the seal counts {counted}."
    )


def played_on_rows(facts: ScreeningFacts) -> tuple[tuple[str, ...], ...]:
    """Return a row of each test for a table: name, pass mark, by guessing, taken, passed, errors, share."""
    rows = []
    for one in facts.tests:
        rates = one.published
        share = one.share
        known = share is not None and share.estimate is not None and share.interval is not None
        rows.append(
            (
                SCREENING_NAMES[one.name],
                f"{one.pass_mark} of {TRIALS}",
                f"{one.by_guessing:.2g}",
                str(one.taken),
                f"{one.passed_first}" + (f" ({one.passed} by the last try)" if one.tries > 1 else ""),
                "" if rates is None else percent(rates.false_pass),
                "" if rates is None else percent(rates.false_fail),
                f"{percent(share.estimate)}, {interval_words(share.interval)}"  # type: ignore[union-attr, arg-type]
                if known
                else "",
            )
        )
    return tuple(rows)


PLAYED_ON_HEADS = (
    "Test",
    "Pass mark",
    "By guessing",
    "Taken",
    "Passed",
    "Loudspeakers that pass",
    "Headphones that fail",
    "Truly on headphones",
)
