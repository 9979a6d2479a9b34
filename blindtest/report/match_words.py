"""How levels were matched, and how far apart they stayed."""

from blindtest.report.facts import ReportInput
from blindtest.report.sound_facts import MatchLine
from blindtest.report.words import clean

__all__ = ["MATCHED", "levels_apart", "matched_words"]

MATCHED = {
    "heard": "by the loudness of what is heard (ITU-R BS.1770)",
    "file": "by the loudness of the files (ITU-R BS.1770)",
    "1khz": "at 1 kHz",
}


def matched_words(report: ReportInput) -> str:
    """Return how levels were matched: 'matched ...'."""
    if report.hardware is not None:
        return "by voltage at 100 Hz, 1 kHz and 10 kHz"
    return MATCHED.get(report.rendering.match, "by " + clean(report.rendering.match))


def levels_apart(report: ReportInput) -> tuple[tuple[str, tuple[float, ...]], ...]:
    """Return, by measure, the differences in level (device minus comparator, as played) of the clips."""
    lines = {(line.clip, line.condition): line for line in report.match}
    a, b = report.compared
    pairs: list[tuple[MatchLine, MatchLine]] = [
        (lines[clip, a], lines[clip, b])
        for clip in dict.fromkeys(line.clip for line in report.match)
        if (clip, a) in lines and (clip, b) in lines
    ]
    if not pairs:
        return ()
    measures = (
        ("heard (BS.1770)", "heard_after"),
        ("file (BS.1770)", "file_after"),
        ("A-weighted", "a_weighted_after"),
        ("plain r.m.s.", "rms_after"),
    )
    return tuple((name, tuple(getattr(x, f) - getattr(y, f) for x, y in pairs)) for name, f in measures)
