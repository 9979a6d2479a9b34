"""All figures of a report, in the order of its page."""

from blindtest.report.facts import ReportInput
from blindtest.report.figures import Figure
from blindtest.report.heard_figures import power_figure, results_figure, trials_figure
from blindtest.report.sound_figures import filters_figure, match_figure, response_figure

__all__ = ["figures"]


def figures(report: ReportInput) -> dict[str, Figure]:
    """Return every figure for which `report` has data, by name, in the order of the page."""
    made = (
        results_figure(report),
        trials_figure(report),
        response_figure(report),
        filters_figure(report),
        match_figure(report),
        power_figure(report),
    )
    return {figure.name: figure for figure in made if figure is not None}
