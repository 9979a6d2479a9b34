"""Laplace's approximation of a binary mixed model's likelihood, with its exact gradient.

Row i: k_i of m_i answers right, eta = X beta + Z Lambda u, u standard normal, p = guess + (1 - guess) F(eta). At the
mode u of l(eta) - u'u/2

    log L = l(eta) - u'u/2 - log det(I + Lambda' Z' W Z Lambda)/2,    W = -l''(eta)

(Tierney & Kadane 1986, JASA 81, 82). W is the observed information, as the method has it; with
`information="expected"` the determinant takes the expected one, as programs do that find the mode by Fisher scoring,
and which differs in the first or second digit with a guess rate. The mode is found by Newton steps, halved until the
criterion rises; where the observed information is not positive definite (a guess rate allows that) a step takes its
positive part.

Gradient: the determinant depends on the parameters directly, through W, and through the mode; the last two come
together by one solve with the mode's own information (adjoint), so a gradient costs about as much as a Newton step.
`theta` are the entries of Lambda, on and below each term's diagonal; the likelihood is even in the scale of a scalar
term, so its slope at 0 is 0.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from blindtest.stats.mixed.arrowhead import Arrowhead, Factor, Scale, crossed, factorised
from blindtest.stats.mixed.effect_layout import EffectLayout, RowSum
from blindtest.stats.mixed.links import Link, Pieces

__all__ = [
    "BinaryRows",
    "Evaluation",
    "Information",
    "Mode",
    "foreseen",
    "laplace",
    "mode_at",
    "scale_of",
    "theta_places",
]

Floats = NDArray[np.float64]
Information = Literal["observed", "expected"]

CLOSE = 1e-7
"""Largest move of a standardised effect at which the mode is found; the step before it was its square root."""
CORRECTED = 1e-5
"""Largest move that is made without looking at the rows again: the slope's own change over it is known."""
FLATTEST = 0.2
"""Least curvature, of the 1 that the effects' own distribution has, at which a mode counts as one.

With a guess rate the observed information can all but cancel that distribution's; the approximation, a parabola of that
curvature, then makes a likelihood without limit of nothing.
"""
MOST_STEPS = 100


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BinaryRows:
    """Distinct rows of a table, counted: what the likelihood is made of."""

    fixed: Floats
    """(d, p): distinct rows of the fixed part."""
    cells: RowSum
    """Rows to distinct rows of the fixed part."""
    right: Floats
    trials: Floats
    layout: EffectLayout
    link: Link

    def fixed_predictor(self, beta: Floats) -> Floats:
        """Return X beta of each row.

        Parameters
        ----------
        beta : (p,) on the scale of the link; the result is (rows,)
        """
        return self.cells.gather(self.fixed @ beta)

    def fixed_sums(self, values: Floats) -> Floats:
        """Return X' values.

        Parameters
        ----------
        values : (rows,); the result is (p,)
        """
        return np.asarray(self.cells(values) @ self.fixed)

    def random_predictor(self, b: Floats) -> Floats:
        """Return Z b of each row.

        Parameters
        ----------
        b : (J r + m,) effects on the scale of the link, slot by slot; the result is (rows,)
        """
        eta = np.zeros(len(self.right))
        for touch in self.layout.touches:
            eta += touch.weighted(touch.block.gather(b[touch.first : touch.first + touch.block.size]))
        return eta

    def random_sums(self, values: Floats) -> Floats:
        """Return Z' values, slot by slot.

        Parameters
        ----------
        values : (rows,); the result is (J r + m,)
        """
        total = np.zeros(self.layout.size)
        for touch in self.layout.touches:
            total[touch.first : touch.first + touch.block.size] += touch.block(touch.weighted(values))
        return total

    def pattern(self, weights: Floats) -> Arrowhead:
        """Return Z' diag(weights) Z.

        Parameters
        ----------
        weights : (rows,)
        """
        layout = self.layout
        levels, r, m = layout.root_levels, layout.local, layout.crossing
        shapes = {"local": (levels, r, r), "border": (levels, r, m), "crossing": (m, m)}
        blocks: dict[str, Floats] = {}
        for pair in layout.pairs:
            values = weights if pair.value is None else weights * pair.value
            sums = pair.sums(values).reshape(shapes[pair.kind])
            if pair.kind != "border" and pair.first != pair.second:
                sums = sums + np.swapaxes(sums, -1, -2)
            blocks[pair.kind] = blocks[pair.kind] + sums if pair.kind in blocks else sums
        local, border, corner = (blocks[kind] if kind in blocks else np.zeros(shape) for kind, shape in shapes.items())
        return Arrowhead(local=local, border=border, corner=corner)

    def leverage(self, covariance: Arrowhead) -> Floats:
        """Return z' C z of each row: the variance of its linear predictor under `covariance` of the effects.

        Parameters
        ----------
        covariance : of the J r + m effects, squared units of the link's scale; the result is (rows,)
        """
        blocks = {
            "local": covariance.local.ravel(),
            "border": covariance.border.ravel(),
            "crossing": covariance.corner.ravel(),
        }
        total = np.zeros(len(self.right))
        for pair in self.layout.pairs:
            part = pair.sums.gather(blocks[pair.kind])
            if pair.value is not None:
                part = part * pair.value
            total += part if pair.first == pair.second else 2 * part
        return total


def theta_places(layout: EffectLayout) -> tuple[tuple[int, int, int], ...]:
    """Return (term, row, column) in Lambda of each entry of theta: each term's lower triangle, column by column."""
    return tuple(
        (number, row, column)
        for number, group in enumerate(layout.groups)
        for column in range(len(group.columns))
        for row in range(column, len(group.columns))
    )


def scale_of(layout: EffectLayout, theta: Floats) -> Scale:
    """Return Lambda.

    Parameters
    ----------
    theta : (t,) relative to the link's scale: each term's lower triangle, column by column
    """
    scalar = all(len(group.columns) == 1 for group in layout.groups)
    shape = (lambda n: (n,)) if scalar else (lambda n: (n, n))
    local, corner = np.zeros(shape(layout.local)), np.zeros(shape(layout.crossing))
    for (term, row, column), value in zip(theta_places(layout), theta, strict=True):
        at, to = layout.inside[term][:, row], layout.inside[term][:, column]
        target = corner if layout.touches_crossing(term) else local
        if scalar:
            target[at] = value
        else:
            target[at, to] = value
    return Scale(local=local, corner=corner)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Mode:
    """The most likely effects given the parameters."""

    u: Floats
    b: Floats
    """Lambda u: in units of the linear predictor."""
    eta: Floats
    pieces: Pieces
    height: float
    """l - u'u/2"""
    sums: Floats
    """Z' l'"""
    pattern: Arrowhead
    """Z' W Z, observed"""
    factor: Factor
    """I + Lambda' Z' W Z Lambda"""
    scale: Scale
    left: Floats
    """What a last Newton step would still have moved u."""
    found: bool
    steps: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Evaluation:
    """The approximated log-likelihood at one set of parameters, without binomial coefficients."""

    value: float
    gradient: Floats
    """In beta, then theta."""
    mode: Mode
    factor: Factor
    """The mode's own, or with the expected information the determinant's."""


def _plus_identity(a: Arrowhead) -> Arrowhead:
    return Arrowhead(
        local=a.local + np.eye(a.local.shape[1]), border=a.border, corner=a.corner + np.eye(a.corner.shape[0])
    )


def mode_at(rows: BinaryRows, beta: Floats, scale: Scale, start: Floats) -> Mode:
    """Return the mode, sought from the standardised effects `start`.

    Parameters
    ----------
    beta : (p,) on the scale of the link
    start : (J r + m,) no unit
    """
    levels, offset = rows.layout.root_levels, rows.fixed_predictor(beta)
    u, move, height, share, steps = start, np.zeros_like(start), -np.inf, 1.0, 0
    while True:
        b = scale.times(u, levels)
        eta = offset + rows.random_predictor(b)
        pieces = rows.link.pieces(eta, rows.right, rows.trials)
        here = pieces.value - float(u @ u) / 2
        if not here >= height - 1e-11 * abs(height) and share > 1e-6:
            # Too far: half of the way back towards where the step began.
            share /= 2
            u = u - share * move
            continue
        height = here
        sums = rows.random_sums(pieces.slope)
        slope = scale.transposed_times(sums, levels) - u
        pattern = rows.pattern(pieces.information)
        try:
            factor = factorised(_plus_identity(scale.inside(pattern)))
            maximum = True
        except np.linalg.LinAlgError:
            positive = rows.pattern(np.maximum(pieces.information, 0))
            factor = factorised(_plus_identity(scale.inside(positive)))
            maximum = False
        move = factor.solve(slope)
        largest = float(np.max(np.abs(move), initial=0.0))
        if maximum and CLOSE <= largest < CORRECTED and factor.least > FLATTEST:
            return _corrected(rows, u, b, eta, pieces, move, scale, steps)
        if largest < CLOSE or steps == MOST_STEPS:
            return Mode(
                u=u,
                b=b,
                eta=eta,
                pieces=pieces,
                height=height,
                sums=sums,
                pattern=pattern,
                factor=factor,
                scale=scale,
                left=move,
                found=maximum and largest < CLOSE and factor.least > FLATTEST,
                steps=steps,
            )
        share = 1.0
        u, steps = u + move, steps + 1


def _corrected(
    rows: BinaryRows, u: Floats, b: Floats, eta: Floats, pieces: Pieces, move: Floats, scale: Scale, steps: int
) -> Mode:
    """Return the mode after a last small move, over which the rows' derivatives are followed by their own slopes."""
    levels = rows.layout.root_levels
    u, added = u + move, scale.times(move, levels)
    shift = rows.random_predictor(added)
    bent = pieces.third * shift
    pieces = Pieces(
        value=pieces.value + float(np.sum(shift * (pieces.slope - shift * pieces.information / 2))),
        slope=pieces.slope - shift * (pieces.information - bent / 2),
        information=pieces.information - bent,
        third=pieces.third,
    )
    pattern = rows.pattern(pieces.information)
    return Mode(
        u=u,
        b=b + added,
        eta=eta + shift,
        pieces=pieces,
        height=pieces.value - float(u @ u) / 2,
        sums=rows.random_sums(pieces.slope),
        pattern=pattern,
        factor=factorised(_plus_identity(scale.inside(pattern))),
        scale=scale,
        left=np.zeros_like(u),
        found=True,
        steps=steps + 1,
    )


def foreseen(rows: BinaryRows, mode: Mode, beta_change: Floats, scale: Scale) -> Floats:
    """Return where the mode will be after a small change of the parameters, by its slope in them.

    The result is (J r + m,), standardised effects without a unit.

    Parameters
    ----------
    beta_change : (p,) on the scale of the link
    scale : Lambda after the change
    """
    levels = rows.layout.root_levels
    direct = scale.times(mode.u, levels) - mode.b
    shift = rows.fixed_predictor(beta_change) + rows.random_predictor(direct)
    pull = scale.transposed_times(mode.sums - rows.random_sums(mode.pieces.information * shift), levels)
    move = mode.factor.solve(pull - mode.u)
    return mode.u + move if float(np.max(np.abs(move), initial=0.0)) < 1 else mode.u


def laplace(
    rows: BinaryRows, beta: Floats, theta: Floats, start: Floats, *, information: Information = "observed"
) -> Evaluation:
    """Return the approximation and its gradient; value -inf where no mode was found.

    The value is a log-likelihood without the constant of the counts, the gradient (p + t,).

    Parameters
    ----------
    beta : (p,) on the scale of the link
    theta : (t,) each term's lower triangle, column by column
    start : (J r + m,) standardised effects from which the mode is sought
    information : weights of the determinant: minus the second derivative, or its expectation
    """
    layout = rows.layout
    scale = scale_of(layout, theta)
    mode = mode_at(rows, beta, scale, start)
    if not mode.found:
        return Evaluation(value=-np.inf, gradient=np.zeros(len(beta) + len(theta)), mode=mode, factor=mode.factor)
    pieces, pattern, factor, bend = mode.pieces, mode.pattern, mode.factor, -mode.pieces.third
    if information == "expected":
        weights, bend = rows.link.expected(mode.eta, rows.trials)
        pattern = rows.pattern(weights)
        factor = factorised(_plus_identity(scale.inside(pattern)))
    inverse = factor.inverse()
    through_weights = -0.5 * rows.leverage(scale.outside(inverse)) * bend
    levels = layout.root_levels
    pull = scale.transposed_times(rows.random_sums(through_weights), levels)
    adjoint = mode.factor.solve(pull)
    pushed = rows.random_predictor(scale.times(adjoint, levels))
    total = pieces.slope + through_weights - pieces.information * pushed
    total_sums = rows.random_sums(total)
    traces = _traces(inverse, scale, pattern)
    inner = levels * layout.local
    slope = np.empty(len(theta))
    for number, (term, row, column) in enumerate(theta_places(layout)):
        at, to = layout.slots[term][:, row], layout.slots[term][:, column]
        if layout.touches_crossing(term):
            trace = traces.corner[to - inner, at - inner].sum()
        else:
            trace = traces.local[to // layout.local, to % layout.local, at % layout.local].sum()
        slope[number] = mode.u[to] @ total_sums[at] + adjoint[to] @ mode.sums[at] - trace
    return Evaluation(
        # The determinant, unlike l - u'u/2, is not flat at the mode: what is left of the way counts.
        value=mode.height - factor.log_determinant / 2 + float(pull @ mode.left),
        gradient=np.concatenate([rows.fixed_sums(total), slope]),
        mode=mode,
        factor=factor,
    )


def _traces(inverse: Arrowhead, scale: Scale, pattern: Arrowhead) -> Arrowhead:
    """Return the diagonal blocks of A^-1 Lambda' Z'WZ."""
    right, lower = scale.right(inverse)
    local, corner = right.local @ pattern.local, right.corner @ pattern.corner
    if pattern.corner.shape[0]:
        local = local + np.einsum("jrm,jsm->jrs", right.border, pattern.border)
        m = pattern.corner.shape[0]
        corner = corner + crossed(lower.reshape(-1, m), pattern.border.reshape(-1, m))
    return Arrowhead(local=local, border=pattern.border, corner=corner)
