"""All figures of a report, in the order of its page."""

from blindtest.report.answering import times_figure
from blindtest.report.chain_figures import chain_figures
from blindtest.report.choice_figures import attribute_figure, listened_figure
from blindtest.report.correction_figures import correction_figures
from blindtest.report.effect_figures import effects_figures
from blindtest.report.facts import ReportInput
from blindtest.report.figures import Figure
from blindtest.report.heard_figures import power_figure, results_figure, trials_figure
from blindtest.report.preference_figures import (
    choices_figure,
    preference_figure,
    preference_plan_figure,
    strengths_figure,
)
from blindtest.report.rating_figures import ratings_figure
from blindtest.report.record_figures import record_figure
from blindtest.report.residual_figures import model_figures
from blindtest.report.scale_figures import scale_figures
from blindtest.report.sound_figures import filters_figure, match_figure, response_figure
from blindtest.report.stage_figures import stage_figure
from blindtest.report.stopped_figures import stopped_figure
from blindtest.report.survival_plan_figures import survival_plan_figures
from blindtest.report.threshold_figures import threshold_figure, tracks_figure
from blindtest.report.unreliable_figures import names_figures

__all__ = ["figures"]


def figures(report: ReportInput) -> dict[str, Figure]:
    """Return every figure for which `report` has data, by name, in the order of the page."""
    made = (
        results_figure(report),
        stopped_figure(report),
        trials_figure(report),
        preference_figure(report),
        choices_figure(report),
        strengths_figure(report),
        attribute_figure(report),
        listened_figure(report),
        threshold_figure(report),
        stage_figure(report),
        tracks_figure(report),
        *scale_figures(report),
        *effects_figures(report),
        *names_figures(report),
        ratings_figure(report),
        *model_figures(report),
        times_figure(report),
        record_figure(report),
        response_figure(report),
        *correction_figures(report),
        filters_figure(report),
        *chain_figures(report),
        match_figure(report),
        power_figure(report),
        preference_plan_figure(report),
        *survival_plan_figures(report),
    )
    return {figure.name: figure for figure in made if figure is not None}
