"""What a figure of a report draws, read off the drawing itself: points with their intervals.

Held against `results.json`, which is made by another way: a figure that shows another number than the one published is
found here, whatever its table of data says.
"""

from contextlib import contextmanager
from fractions import Fraction
from unittest.mock import patch

import numpy as np

__all__ = ["apart", "drawings"]

SHOWN_AS = (lambda x: x, lambda x: 100 * x, lambda x: 50 + 100 * x)
"""As it is; a share in percent; a share beyond an equal one of two, in percent."""


@contextmanager
def drawings():
    """Collect the matplotlib figures that are saved meanwhile."""
    from matplotlib.figure import Figure

    kept, seen = Figure.savefig, []

    def keep(figure, *arguments, **options):
        if figure not in seen:
            seen.append(figure)
        return kept(figure, *arguments, **options)

    with patch.object(Figure, "savefig", keep):
        yield seen


def _lines_and_points(axes):
    """Return straight lines along an axis, (low, high, where, along x), and all marks, (x, y)."""
    paths = [np.column_stack([line.get_xdata(orig=True), line.get_ydata(orig=True)]) for line in axes.lines]
    marks = [path for path, line in zip(paths, axes.lines, strict=True) if line.get_marker() not in ("None", "", None)]
    for collection in axes.collections:
        segments = getattr(collection, "get_segments", None)
        paths += segments() if segments else []
        marks += [] if segments else [np.ma.filled(collection.get_offsets(), np.nan)]
    lines = []
    for path in paths:
        path = np.asarray(path, dtype=float)
        for along in (0, 1):
            if len(path) >= 2 and np.ptp(path[:, 1 - along]) == 0:
                lines.append((path[:, along].min(), path[:, along].max(), path[0, 1 - along], along))
    points = [tuple(map(float, mark)) for several in marks for mark in several]
    return lines, points


def _sound_and_name(seen):
    """Return (sound, name) of each figure that draws ratings of two sounds, each as a line from name to name."""
    found = []
    for axes in [axes for figure in seen for axes in figure.axes]:
        ends = [line.get_ydata(orig=True) for line in axes.lines if list(line.get_xdata(orig=True)) == [0.0, 1.0]]
        if len(ends) == 2:
            first, second = map(np.array, ends)
            found.append((np.mean(first - second), np.mean([first[1] - first[0], second[1] - second[0]])))
    return found


def _courses_apart(claim, seen):
    """Return '' where each sitting that ends by a rule is drawn as a course that ends at its own count."""
    guess = float(Fraction(claim["comparable"]["guess"]))
    wanted = [(own["trials"], own["correct"] - guess * own["trials"]) for own in claim["by_listener"] if own["trials"]]
    lines = [line for figure in seen for axes in figure.axes for line in axes.lines]
    ends = [(line.get_xdata(orig=True)[-1], line.get_ydata(orig=True)[-1]) for line in lines if len(line.get_xdata())]
    lacking = [one for one in wanted if not any(np.allclose(one, end) for end in ends)]
    return f"no course ends at {lacking}" if lacking else ""


def apart(claim, seen):
    """Return '' where some figure draws an effect of the claim with its interval, else what was looked for.

    claim : of `results.json`; one of names that may be wrong is drawn as four means, whose differences are its effects
    """
    if "." in claim["id"]:
        return ""  # Another model of the same claim: told in words and a table, drawn nowhere.
    if claim["details"].get("stopped"):
        return _courses_apart(claim, seen)
    estimates = {one["scale"]: one["estimate"] for one in claim["effects"]}
    if "effect of the sound" in estimates:
        both = (estimates["effect of the sound"], estimates["effect of the name"])
        drawn = _sound_and_name(seen)
        return "" if any(np.allclose(one, both, rtol=0, atol=1e-6) for one in drawn) else f"{both}, drawn: {drawn}"
    if "blind effect" in estimates and estimates.get("labelled effect") is None:
        return ""  # Nothing is drawn of one mode alone.
    if any(None in (one["estimate"], *(one["interval"] or ())) for one in claim["effects"][:1]):
        return ""  # An end that is infinite is cut where the axis ends.
    wanted = [
        (one["estimate"], *one["interval"])
        for one in claim["effects"]
        if None not in (one["estimate"], *(one["interval"] or [None]))
    ]
    for axes in [axes for figure in seen for axes in figure.axes]:
        lines, points = _lines_and_points(axes)
        for shown in SHOWN_AS:
            for estimate, low, high in [tuple(map(shown, one)) for one in wanted]:
                for start, end, where, along in lines:
                    if not np.allclose([start, end], [low, high], rtol=0, atol=1e-6):
                        continue
                    at = (estimate, where) if along == 0 else (where, estimate)
                    if any(np.allclose(point, at, rtol=0, atol=1e-6) for point in points):
                        return ""
    return f"no figure draws any of {wanted}" if wanted else ""
