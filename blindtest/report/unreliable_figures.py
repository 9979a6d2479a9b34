"""Figure of ratings under names that may be wrong: either sound under either name."""

from blindtest.report.claim_facts import ClaimResult
from blindtest.report.facts import ReportInput
from blindtest.report.figures import DASHES, MARKS, Figure, drawing, drawn_names, finished, legend_above, numbered
from blindtest.report.rating_words import points
from blindtest.report.svg import LIGHT
from blindtest.report.words import number

__all__ = ["names_figures"]


def names_figures(report: ReportInput) -> tuple[Figure, ...]:
    """Return, for each claim of this kind, mean ratings over the name, a line for each sound."""
    made = [
        _names_figure(report, result, numbered("names", place)) for place, result in enumerate(report.of_kind("rated"))
    ]
    return tuple(figure for figure in made if figure is not None)


def _names_figure(report: ReportInput, result: ClaimResult, name: str) -> Figure | None:
    facts = result.unreliable
    if facts is None or len(facts.cells) < 4:
        return None
    pair = (result.claim.device, result.claim.comparator)
    a, b = drawn_names([report.name_of(one) for one in pair])
    called = dict(zip(pair, (a, b), strict=True))
    with drawing(4.2) as page:
        axes = page.subplots()
        # The comparator's name to the left: a line that climbs is a name that is worth something.
        places = {pair[1]: 0.0, pair[0]: 1.0}
        for one in facts.listeners:
            shift = 0.03 if one.sound == pair[0] else -0.03
            axes.plot(
                places[one.label] + shift, one.mean, MARKS[pair.index(one.sound)], color=LIGHT["soft"], markersize=4,
                markerfacecolor="none", markeredgewidth=0.8, alpha=0.7, zorder=2,
            )  # fmt: skip
        for place, sound in enumerate(pair):
            means = [facts.mean(sound, label) or 0.0 for label in (pair[1], pair[0])]
            axes.plot(
                (0.0, 1.0), means, marker=MARKS[place], markersize=8, color=LIGHT["ab"[place]],
                linestyle=DASHES[place], linewidth=2, zorder=4, label=f"sound of {called[sound]}",
            )  # fmt: skip
        axes.set_xlim(-0.35, 1.35)
        axes.set_xticks([0.0, 1.0], [f"called {b}", f"called {a}"])
        axes.set_ylabel("mean rating, points")
        axes.grid(color=LIGHT["grid"], linewidth=0.5)
        axes.set_axisbelow(True)
        legend_above(axes)
        said = "; ".join(
            f"the sound of {called[one.sound]} called {called[one.label]}: {number(one.mean, 1)}" for one in facts.cells
        )
        found = facts.result
        description = (
            f"Mean ratings of either sound under either name. {said[0].upper()}{said[1:]}. What lies between the lines "
            f"is the sound, {points(found.sound.estimate)} points on average; what they climb is the name, "
            f"{points(found.label.estimate)} points."
            + (f" Small open marks are the means of {found.listeners} listeners." if facts.listeners else "")
        )
        rows = [(called[one.sound], called[one.label], one.mean, one.ratings) for one in facts.cells]
        return finished(
            page, name, f"Sound and name: {a} and {b}", description, ("sound", "called", "mean rating", "ratings"),
            tuple(rows), 1,
        )  # fmt: skip
