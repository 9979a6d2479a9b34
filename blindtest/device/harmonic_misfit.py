"""What a harmonic stage makes of every number of its table, and the compromise between the levels of one.

A sine of strength a (in units of the drive) through T_m gives cosine parts that are known in closed form, so what the
stage makes of the table is computed, not measured; that the computation is right is measured in the tests.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from .fir import SHORTEST_TRANSFORM
from .harmonic_branches import Branch, Topology, centred_response, chebyshev_parts, referred_back_db
from .harmonic_curves import Curves, HarmonicCurve, levels_of
from .response import Response

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["compromise", "misfit_of"]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

MOST_CHANGE_DB = 20.0
"""How far the compromise between levels may move a coefficient; our rule."""


def misfit_of(
    branches: Sequence[Branch],
    curves: Curves,
    asked: Mapping[int, HarmonicCurve],
    rate: int,
    *,
    topology: Topology,
    design: float,
    scale_db: float,
    response: Response | None,
) -> "DataFrame":
    """Return level_db, frequency_hz, order, wanted_db, made_db, error_db for every number of the table below Nyquist.

    `made_db` is behind `response` where there is one, as the bench measured; levels are those of the table, scaled.
    """
    import pandas as pd

    spectra = {b.order: None if b.fir is None else centred_response(b.fir, SHORTEST_TRANSFORM * 2) for b in branches}
    rows = []
    for (level, order), curve in sorted(curves.items()):
        if order not in asked:
            continue
        frequency = curve.frequency[order * curve.frequency < rate / 2]
        if not len(frequency):
            continue
        strength = 10 ** ((level - design) / 20)
        made = _made_db(branches, spectra, frequency, strength, order, rate, topology)
        made = made - referred_back_db(response, frequency, order)
        for hertz, decibels, wanted in zip(frequency, made, curve.level_db + scale_db, strict=False):
            rows.append((level, hertz, order, wanted, decibels, decibels - wanted))
    return pd.DataFrame(rows, columns=["level_db", "frequency_hz", "order", "wanted_db", "made_db", "error_db"])


def _made_db(
    branches: Sequence[Branch],
    spectra: Mapping[int, Complex | None],
    frequency: Floats,
    strength: float,
    order: int,
    rate: int,
    topology: Topology,
) -> Floats:
    """Return harmonic `order` re the fundamental (points,) in dB, of sines of `strength` times the drive."""
    harmonic = np.zeros(len(frequency), dtype=np.complex128)
    fundamental = np.full(len(frequency), strength, dtype=np.complex128)
    for branch in branches:
        spectrum = spectra[branch.order]
        if topology == "after":
            parts = chebyshev_parts(branch.order, np.full(len(frequency), strength), order)
            harmonic += branch.gain * parts[:, order] * _read(spectrum, order * frequency, rate)
            fundamental += branch.gain * parts[:, 1] * _read(spectrum, frequency, rate)
        else:
            weight = _read(spectrum, frequency, rate)
            parts = chebyshev_parts(branch.order, strength * np.abs(weight), order)
            turn = np.angle(weight)
            harmonic += branch.gain * parts[:, order] * np.exp(1j * order * turn)
            fundamental += branch.gain * parts[:, 1] * np.exp(1j * turn)
    with np.errstate(divide="ignore"):
        decibels: Floats = 20 * np.log10(np.abs(harmonic) / np.abs(fundamental))
    return decibels


def _read(spectrum: Complex | None, frequency: Floats, rate: int) -> Complex:
    if spectrum is None:
        return np.ones(len(frequency), dtype=np.complex128)
    bins = np.linspace(0, rate / 2, len(spectrum))
    read: Complex = np.interp(frequency, bins, spectrum.real) + 1j * np.interp(frequency, bins, spectrum.imag)
    return read


def compromise(curves: Curves, wanted: Mapping[int, HarmonicCurve], design: float) -> dict[int, HarmonicCurve]:
    """Return the curves of the design level moved to the least squares of errors in dB over all levels of the table.

    Frequency by frequency of the design level's grid, every coefficient within 20 dB of the exact one.
    """
    from scipy.optimize import least_squares

    orders = sorted(wanted)
    levels = levels_of(curves)
    grid = np.unique(np.concatenate([wanted[order].frequency for order in orders]))
    signs = np.array([wanted[order].sign for order in orders], dtype=np.float64)
    exact = np.stack([wanted[order].level_at(grid) for order in orders])
    present = [(level, order) for level in levels for order in orders if (level, order) in curves]
    asked = np.stack([curves[key].level_at(grid) for key in present])
    strengths = {level: 10 ** ((level - design) / 20) for level in levels}
    parts = {
        (level, m): chebyshev_parts(m, np.array([strengths[level]]), max(orders))[0] for level in levels for m in orders
    }
    moved = np.zeros_like(exact)
    for k in range(len(grid)):

        def errors(change: Floats, k: int = k) -> Floats:
            gains = signs * 10 ** ((exact[:, k] + change) / 20)
            off = []
            for (level, order), target in zip(present, asked[:, k], strict=True):
                made = sum(g * parts[(level, m)][order] for g, m in zip(gains, orders, strict=True))
                first = strengths[level] + sum(g * parts[(level, m)][1] for g, m in zip(gains, orders, strict=True))
                off.append(20 * np.log10(max(abs(made / first), 1e-12)) - target)
            return np.array(off)

        found = least_squares(errors, np.zeros(len(orders)), bounds=(-MOST_CHANGE_DB, MOST_CHANGE_DB))
        moved[:, k] = found.x
    return {
        order: replace(
            wanted[order],
            frequency=grid if len(grid) > 1 else wanted[order].frequency,
            level_db=exact[k] + moved[k] if len(grid) > 1 else exact[k] + moved[k][:1],
            phase=wanted[order].phase_at(grid) if len(grid) > 1 else wanted[order].phase,
        )
        for k, order in enumerate(orders)
    }
