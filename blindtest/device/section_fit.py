"""Sections fitted to a wanted level curve: a start that is picked, then all numbers of all sections jointly.

The chain's level in dB is least squares' model, its parameters are log f, gain and log Q of every section within the
user's limits; derivatives are closed forms of the prototypes (see `sections`). One section after another is added from
a dictionary of shapes, the one that explains most of what is left (matching pursuit: Mallat and Zhang 1993), several
ways being followed at once; after each all sections are moved together (Levenberg 1944, Marquardt 1963, with bounds by
an active set). Last, the sections that bring least are taken out and looked for again, and the best chain is polished
by scipy's bounded trust-region solver. Nothing is drawn at random: the same input gives the same sections.

The overall level is free, since levels are matched anyhow: a shift of the curve as a whole costs no section. Between
chains that fit alike, the one is taken that shifts less, does less outside the band and has the smaller gains.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .sections import Section, SectionType

__all__ = ["SectionLimits", "fit_sections"]

Floats = NDArray[np.float64]

_LOG10 = float(np.log(10))
_DB = 10 / _LOG10
_WIDEST_Q = 0.3
_SHELF_Q = (0.4, 1.2)
_OUTSIDE = 0.01
"""Weight of a gain outside the band, where nothing asks for one."""
_RIDGE = 0.015
"""Weight of each section's own gain: no two sections that work against each other."""
_OVER_LIMIT = 3.0
"""Weight of what passes the limit of the boost."""
_GOOD_DB = 0.02
"""R.m.s. under which no further section is added; our rule."""
_WORTH_DB = 0.003
"""A section that lowers the r.m.s. error by less is left out; our rule."""
_WAYS = 3
_ROUNDS_ADDED, _ROUNDS_LAST = 14, 60
_EXCHANGES = 3
_ATOM_DB = 6.0
_ATOM_QS = (0.4, 0.8, 1.4, 2.4, 4.0, 7.0, 12.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class SectionLimits:
    """What the user allows."""

    count: int
    max_gain_db: float
    """Of each section, up and down."""
    max_q: float
    band_hz: tuple[float, float]
    """Where sections may lie."""
    max_boost_db: float | None = None
    """Of the chain as a whole, anywhere."""


def fit_sections(
    frequency: Floats,
    wanted_db: Floats,
    rate: float,
    limits: SectionLimits,
    *,
    aligned: NDArray[np.bool_],
    shift_db: float = 0.0,
    shift_weight: float = 0.5,
) -> tuple[Section, ...]:
    """Return at most `limits.count` sections whose chain comes nearest to `wanted_db`, by frequency.

    Parameters
    ----------
    frequency : (points,) Hz in equal steps on log f
        Those inside `limits.band_hz` are fitted; at the others the boost is limited too.
    wanted_db : (points,) dB
    rate : Hz
        At which the sections run; all frequencies lie under half of it.
    aligned : (points,)
        Where the mean of what is left counts as the shift of the whole.
    shift_db, shift_weight : dB, per dB
        The shift that is sought, and what a dB off it costs: at 0.5 as much as 0.03 dB r.m.s. over nine octaves.
    """
    problem = _Problem.of(frequency, wanted_db, rate, limits, aligned, (shift_db, shift_weight))
    best = problem.empty()
    if limits.count == 0 or limits.max_gain_db == 0 or best.rms < 1e-6:
        return ()
    ways = [best]
    for _ in range(limits.count):
        ways = problem.added(ways)
        best = min((best, *ways), key=_cost)
        if best.rms < _GOOD_DB:
            break
    best = problem.exchanged(best)
    best = problem.polished(best)
    best = problem.pruned(best)
    return problem.sections(best)


@dataclass(frozen=True, slots=True, eq=False)
class _Chain:
    """A state of the fit: types, numbers (sections, 3) as ln f, dB, ln Q; its cost, and r.m.s. error in the band."""

    types: tuple[SectionType, ...]
    numbers: Floats
    cost: float
    rms: float


def _cost(chain: _Chain) -> float:
    return chain.cost


@dataclass(frozen=True, slots=True, eq=False)
class _Problem:
    wanted: Floats
    warped: Floats
    """(points,) ln tan(pi f/rate)"""
    inside: NDArray[np.bool_]
    aligned: NDArray[np.bool_]
    shift: tuple[float, float]
    """The shift sought, dB, and what a dB off it costs."""
    rate: float
    limits: SectionLimits
    atoms: Floats
    """(atoms, bins): shapes of 6 dB inside the band, their shift taken out."""
    atom_types: tuple[SectionType, ...]
    atom_numbers: Floats

    @classmethod
    def of(
        cls,
        frequency: Floats,
        wanted: Floats,
        rate: float,
        limits: SectionLimits,
        aligned: NDArray[np.bool_],
        shift: tuple[float, float],
    ) -> "_Problem":
        warped = np.asarray(np.log(np.tan(np.pi * frequency / rate)), dtype=np.float64)
        inside = (frequency >= limits.band_hz[0] * (1 - 1e-9)) & (frequency <= limits.band_hz[1] * (1 + 1e-9))
        low, high = limits.band_hz
        types: list[SectionType] = []
        numbers: list[tuple[float, float, float]] = []
        for hz in np.geomspace(low, high, max(2, int(12 * np.log2(high / low)))):
            for q in (q for q in _ATOM_QS if q <= limits.max_q):
                types.append("peaking")
                numbers.append((np.log(hz), _ATOM_DB, np.log(q)))
            for shelf in ("low-shelf", "high-shelf"):
                types.append(shelf)
                numbers.append((np.log(hz), _ATOM_DB, np.log(min(0.7, limits.max_q))))
        own = np.array(numbers)
        shapes, _ = _levels_and_slopes(types, own, warped, rate)
        atoms = shapes[:, inside] - (shapes[:, aligned].mean(axis=1, keepdims=True) if shift[1] < 1 else 0.0)
        return cls(wanted, warped, inside, aligned, shift, rate, limits, atoms, tuple(types), own)

    def empty(self) -> _Chain:
        return self._chain((), np.zeros((0, 3)))

    def added(self, ways: Sequence[_Chain]) -> list[_Chain]:
        """Return the best chains that have one section more than these."""
        longer = [
            self._improved(_Chain((*way.types, kind), np.vstack([way.numbers, row]), np.inf, np.inf), _ROUNDS_ADDED)
            for way in ways
            for kind, row in self._candidates(way)
        ]
        longer.sort(key=_cost)
        kept: list[_Chain] = []
        for one in longer:
            if all(abs(one.cost - other.cost) > 1e-6 * one.cost for other in kept):
                kept.append(one)
        return kept[:_WAYS]

    def _candidates(self, way: _Chain) -> list[tuple[SectionType, Floats]]:
        """Return the shapes that explain most of what a chain leaves, each apart from the others."""
        left = self._left(way)
        size = np.maximum(np.sum(self.atoms**2, axis=1), 1e-12)
        along = self.atoms @ left / size
        gain = np.clip(_ATOM_DB * along, -self.limits.max_gain_db, self.limits.max_gain_db)
        share = gain / _ATOM_DB
        explained = size * share * (2 * along - share)
        found: list[tuple[SectionType, Floats]] = []
        for index in np.argsort(-explained):
            kind, row = self.atom_types[index], self.atom_numbers[index].copy()
            row[1] = gain[index]
            if all(kind != other or abs(row[0] - place[0]) > 0.35 for other, place in found):
                found.append((kind, row))
            if len(found) == _WAYS:
                break
        return found

    def exchanged(self, best: _Chain) -> _Chain:
        """Return a chain at least as good: the section that brings least is looked for again, while that helps."""
        for _ in range(_EXCHANGES):
            if best.rms < _GOOD_DB or len(best.types) < 2:
                break
            without = sorted((self._without(best, place) for place in range(len(best.types))), key=_cost)
            found = min(self.added([self._improved(one, _ROUNDS_ADDED) for one in without[:2]]), key=_cost)
            if found.cost > best.cost * 0.995:
                break
            best = found
        return self._improved(best, _ROUNDS_LAST)

    def pruned(self, best: _Chain) -> _Chain:
        """Return the chain without sections that bring next to nothing."""
        while best.types:
            shorter = min((self._without(best, place) for place in range(len(best.types))), key=_cost)
            shorter = self._improved(shorter, _ROUNDS_LAST)
            if shorter.rms > max(best.rms + _WORTH_DB, _GOOD_DB / 2):
                break
            best = shorter
        return best

    def polished(self, best: _Chain) -> _Chain:
        """Return the chain at the minimum that scipy's bounded solver finds from it, if it is lower."""
        from scipy.optimize import least_squares  # slow to import

        if not best.types:
            return best

        def residuals(x: Floats) -> Floats:
            return self._residuals(best.types, x.reshape(-1, 3))[0]

        def slopes(x: Floats) -> Floats:
            return self._residuals(best.types, x.reshape(-1, 3))[1]

        lower, upper = (edge.ravel() for edge in self._bounds(best.types))
        start = np.clip(best.numbers.ravel(), lower + 1e-9, upper - 1e-9)
        found = least_squares(
            residuals,
            start,
            jac=slopes,
            bounds=(lower, upper),
            x_scale=np.tile([0.1, 1.0, 0.2], len(best.types)),
            max_nfev=_ROUNDS_LAST,
            ftol=1e-7,
            xtol=1e-7,
        )
        polished = self._chain(best.types, found.x.reshape(-1, 3))
        return polished if polished.cost < best.cost else best

    def sections(self, best: _Chain) -> tuple[Section, ...]:
        """Return a chain as sections, by frequency: in numbers as they are written down, so that these are exact."""
        made = [
            Section(
                type=kind,
                frequency_hz=round(float(np.clip(np.exp(row[0]), *self.limits.band_hz)), 3),
                gain_db=round(float(row[1]), 3),
                q=round(float(np.exp(row[2])), 4),
            )
            for kind, row in zip(best.types, best.numbers, strict=True)
        ]
        return tuple(sorted(made, key=lambda one: one.frequency_hz))

    def _without(self, chain: _Chain, place: int) -> _Chain:
        kept = [index for index in range(len(chain.types)) if index != place]
        return self._chain(tuple(chain.types[index] for index in kept), chain.numbers[kept])

    def _left(self, chain: _Chain) -> Floats:
        levels, _ = _levels_and_slopes(chain.types, chain.numbers, self.warped, self.rate)
        left = self.wanted - levels.sum(axis=0)
        sought, weight = self.shift
        # With a shift that costs much the atoms have to bring it about too; else the level is free.
        free = left[self.aligned].mean() if weight < 1 else -sought
        return np.asarray(left[self.inside] - free, dtype=np.float64)

    def _chain(self, types: tuple[SectionType, ...], numbers: Floats) -> _Chain:
        residuals, _ = self._residuals(types, numbers)
        bins = int(np.count_nonzero(self.inside))
        return _Chain(types, numbers, float(residuals @ residuals), float(np.sqrt(np.mean(residuals[:bins] ** 2))))

    def _residuals(self, types: Sequence[SectionType], numbers: Floats) -> tuple[Floats, Floats]:
        """Return residuals (rows,) and their derivatives (rows, 3 x sections).

        Rows: the band, what lies outside, the shift, what passes the boost's limit, each section's gain.
        """
        count = len(types)
        levels, by_section = _levels_and_slopes(types, numbers, self.warped, self.rate)
        level, slopes = levels.sum(axis=0), by_section.reshape(3 * count, len(self.warped)).T
        error, outside = level - self.wanted, ~self.inside
        shift, by_shift = error[self.aligned].mean(), slopes[self.aligned].mean(axis=0)
        sought, weight = self.shift
        rows = [error[self.inside] - shift, _OUTSIDE * level[outside], np.array([weight * (shift - sought)])]
        slope_rows = [slopes[self.inside] - by_shift, _OUTSIDE * slopes[outside], weight * by_shift[None, :]]
        if self.limits.max_boost_db is not None:
            over = level > self.limits.max_boost_db
            rows.append(_OVER_LIMIT * np.where(over, level - self.limits.max_boost_db, 0.0))
            slope_rows.append(_OVER_LIMIT * slopes * over[:, None])
        rows.append(_RIDGE * numbers[:, 1])
        gains = np.zeros((count, 3 * count))
        gains[np.arange(count), 3 * np.arange(count) + 1] = _RIDGE
        slope_rows.append(gains)
        return np.concatenate(rows), np.concatenate(slope_rows)

    def _bounds(self, types: Sequence[SectionType]) -> tuple[Floats, Floats]:
        low, high = np.log(self.limits.band_hz)
        gain, sharpest = self.limits.max_gain_db, self.limits.max_q
        lower, upper = [], []
        for kind in types:
            widest, narrowest = (_WIDEST_Q, sharpest) if kind == "peaking" else _SHELF_Q
            narrowest = min(narrowest, sharpest)
            lower.append((low, -gain, np.log(min(widest, narrowest / 1.001))))
            upper.append((high, gain, np.log(narrowest)))
        return np.array(lower), np.array(upper)

    def _improved(self, chain: _Chain, rounds: int) -> _Chain:
        """Return the chain after some rounds of a damped Gauss-Newton step within the bounds."""
        if not chain.types:
            return self._chain((), np.zeros((0, 3)))
        lower, upper = (edge.ravel() for edge in self._bounds(chain.types))
        return _descended(
            lambda x: self._residuals(chain.types, x.reshape(-1, 3)),
            np.clip(chain.numbers.ravel(), lower, upper),
            lower,
            upper,
            rounds,
            lambda x: self._chain(chain.types, x.reshape(-1, 3)),
        )


def _descended(
    residuals: Callable[[Floats], tuple[Floats, Floats]],
    start: Floats,
    lower: Floats,
    upper: Floats,
    rounds: int,
    ended: Callable[[Floats], _Chain],
) -> _Chain:
    """Levenberg-Marquardt with bounds: numbers that stand at one and would leave it are held for the step."""
    x, damping = start, 1e-2
    values, slopes = residuals(x)
    cost = float(values @ values)
    for _ in range(rounds):
        gradient, curvature = slopes.T @ values, slopes.T @ slopes
        free = ~(((x <= lower) & (gradient > 0)) | ((x >= upper) & (gradient < 0)))
        if not free.any():
            break
        inner = curvature[np.ix_(free, free)]
        scale = np.diag(inner) + 1e-9
        gained = 0.0
        for _ in range(6):
            step = np.zeros_like(x)
            step[free] = -np.linalg.solve(inner + damping * np.diag(scale), gradient[free])
            tried = np.clip(x + step, lower, upper)
            new_values, new_slopes = residuals(tried)
            new_cost = float(new_values @ new_values)
            if new_cost < cost:
                gained = cost - new_cost
                x, values, slopes, cost = tried, new_values, new_slopes, new_cost
                damping = max(damping / 5, 1e-7)
                break
            damping *= 6
        if gained <= 1e-5 * cost:
            break
    return ended(x)


def _levels_and_slopes(
    types: Sequence[SectionType], numbers: Floats, warped: Floats, rate: float
) -> tuple[Floats, Floats]:
    """Return sections' levels (sections, points) dB, and derivatives (sections, 3, points) by ln f, dB and ln Q."""
    levels = np.zeros((len(types), len(warped)))
    slopes = np.zeros((len(types), 3, len(warped)))
    if not types:
        return levels, slopes
    angle = np.pi * np.exp(numbers[:, :1]) / rate
    # A high shelf is a low one with log frequency turned round.
    turned = np.where(np.array([[kind == "high-shelf"] for kind in types]), -1.0, 1.0)
    square = np.exp(2 * turned * (warped[None, :] - np.log(np.tan(angle))))
    by_frequency = -turned * 2 * angle / np.sin(2 * angle)
    amplitude, q = np.exp(_LOG10 / 40 * numbers[:, 1:2]), np.exp(numbers[:, 2:3])
    peaks = np.array([kind == "peaking" for kind in types])
    for shape, chosen in ((_peaks, peaks), (_low_shelves, ~peaks)):
        if chosen.any():
            levels[chosen], by_place, by_gain, by_q = shape(square[chosen], amplitude[chosen], q[chosen])
            slopes[chosen, 0] = by_place * by_frequency[chosen]
            slopes[chosen, 1] = by_gain * (_LOG10 / 40)
            slopes[chosen, 2] = by_q
    return levels, slopes


def _peaks(square: Floats, amplitude: Floats, q: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Level in dB of prototypes at u^2, and derivatives by ln u, ln A and ln Q."""
    bell = (1 - square) ** 2
    above, below = square * (amplitude / q) ** 2, square / (amplitude * q) ** 2
    top, bottom = bell + above, bell + below
    turn = -4 * square * (1 - square)
    by_place = (turn + 2 * above) / top - (turn + 2 * below) / bottom
    first, second = 2 * above / top, 2 * below / bottom
    return _DB * np.log(top / bottom), _DB * by_place, _DB * (first + second), _DB * (second - first)


def _low_shelves(square: Floats, amplitude: Floats, q: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    width = square * amplitude / q**2
    near, far = amplitude - square, 1 - amplitude * square
    top, bottom = near**2 + width, far**2 + width
    level = 2 * np.log(amplitude) + np.log(top / bottom)
    by_place = (-4 * square * near + 2 * width) / top - (-4 * amplitude * square * far + 2 * width) / bottom
    by_gain = 2 + (2 * amplitude * near + width) / top - (-2 * amplitude * square * far + width) / bottom
    return _DB * level, _DB * by_place, _DB * by_gain, _DB * 2 * width * (1 / bottom - 1 / top)
