"""All figures of a unit on the bench, in the order in which they are told."""

from blindtest.report.bench_facts import BenchFacts
from blindtest.report.bench_figures import average_figure, imbalance_figure, target_figure
from blindtest.report.figures import Figure
from blindtest.report.harmonic_figures import harmonic_figures
from blindtest.report.impedance_figures import impedance_figure, source_figures
from blindtest.report.impulse_figures import delay_figure, impulse_figure

__all__ = ["bench_figures"]


def bench_figures(facts: BenchFacts) -> tuple[Figure, ...]:
    """Return every figure for which there is data."""
    made = (
        average_figure(facts),
        target_figure(facts),
        imbalance_figure(facts),
        *harmonic_figures(facts),
        impedance_figure(facts),
        *source_figures(facts),
        impulse_figure(facts),
        delay_figure(facts),
    )
    return tuple(figure for figure in made if figure is not None)
