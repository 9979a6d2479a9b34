"""A mixed model's rows reduced, once, to sums of products: all that its likelihood needs.

With Z_g the random effects' columns of block g, W those of the rest and the fixed part side by side, the likelihood
sees the rows only through Z_g'Z_g, Z_g'W, W'W and the products of all of them with y. Blocks with equal Z_g'Z_g and
Z_g'W (listeners who heard the same plan) share one pattern, and of their answers only sums and sums of products are
needed.

The fixed part enters by an orthonormal basis of its columns, and the response by its residuals from least squares, so
that neither a covariate far from zero nor a response far from zero costs digits.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blindtest.stats.mixed.block_layout import BlockLayout, TermPlace, block_layout
from blindtest.stats.mixed.model_matrix import ModelMatrix

__all__ = ["Answers", "Design", "answers_of", "design_of"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Touched:
    """One column of one term: the slot each cell meets, and with which value."""

    slot: Ints
    value: Floats | None
    in_block: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Design:
    """Sums of products that don't depend on the response."""

    model: ModelMatrix
    layout: BlockLayout
    n: int
    p: int
    pattern: Ints
    """(blocks,): which pattern each block has."""
    sharing: Floats
    """(patterns,): how many blocks share it."""
    ZZ: Floats
    """(patterns, width, width)"""
    ZW: Floats
    """(patterns, width, rest + p)"""
    WW: Floats
    """(rest + p, rest + p)"""
    basis: Floats
    """(p, p): coefficients of the model's columns from those of the orthonormal basis."""
    log_det: float
    """log|X'X| of the model's own columns: what the basis leaves out of log|X'V^-1 X|."""
    cells: Ints | None
    counts: Floats | None
    """Rows of each cell; None: 1."""
    fixed_row: Ints
    """(cells,): distinct row of the fixed part."""
    fixed_counts: Floats
    """(distinct rows,)"""
    root: Ints
    """(cells,): block."""
    touched: tuple[_Touched, ...]

    @property
    def rest(self) -> int:
        """Slots of the rest."""
        return self.layout.rest


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Answers:
    """Sums of products with the response (its residuals from least squares)."""

    response: Floats
    """(n,)"""
    start: Floats
    """(p,): the least squares coefficients that were taken out, of the model's own columns."""
    each: Floats
    """(blocks, width): Z_g'y."""
    mean: Floats
    """(patterns, width): mean of Z_g'y over the blocks of a pattern."""
    scatter: Floats | None
    """(patterns, width, width): sum of their products about that mean; None: every block has its own pattern."""
    Wy: Floats
    yy: float


def design_of(model: ModelMatrix, layout: BlockLayout | None = None) -> Design:
    """Reduce everything but the response."""
    layout = block_layout(model.random) if layout is None else layout
    cells, counts = model.cells, None
    first: Ints | slice = slice(None)
    if cells is not None:
        total = np.bincount(cells)
        if len(total) < model.n:
            place = np.empty(len(total), dtype=np.intp)
            place[cells[::-1]] = np.arange(model.n - 1, -1, -1)
            first, counts = place, total.astype(np.float64)
        else:
            cells = None
    root = layout.root.codes[first]
    touched = tuple(_touched(model, place, column, first) for place in layout.places for column in range(place.size))
    fixed_row = model.distinct[first]
    d, p = model.fixed.shape
    fixed_counts = np.bincount(fixed_row, weights=counts, minlength=d).astype(np.float64)
    triangle = np.linalg.qr(np.sqrt(fixed_counts)[:, None] * model.fixed, mode="r")
    basis = np.linalg.inv(triangle)

    blocks, width, rest = layout.blocks, layout.width, layout.rest
    slots = np.arange(width)
    ZZ = np.zeros(blocks * width * width)
    ZW = np.zeros((blocks * width, rest + p))
    WW = np.zeros((rest + p, rest + p))
    WW[rest:, rest:] = np.eye(p)
    ZR = np.zeros(blocks * width * rest) if rest else None
    RR = np.zeros(rest * rest)
    for i, one in enumerate(touched):
        weight = _product(counts, one.value)
        at = root * width + one.slot if one.in_block else one.slot
        held = _by_fixed(at, blocks * width if one.in_block else rest, fixed_row, model.fixed, weight)
        if one.in_block:
            ZW[:, rest:] += held
        else:
            WW[:rest, rest:] += held @ basis
        for other in touched[i:]:
            both = _product(weight, other.value)
            if one is other:
                # A level's own column meets no other level of it: the diagonal.
                diagonal = np.bincount(at, weights=both, minlength=blocks * width if one.in_block else rest)
                if one.in_block:
                    ZZ.reshape(blocks, width, width)[:, slots, slots] += diagonal.reshape(blocks, width)
                else:
                    RR.reshape(rest, rest)[np.arange(rest), np.arange(rest)] += diagonal
            elif one.in_block and other.in_block:
                ZZ += np.bincount(at * width + other.slot, weights=both, minlength=len(ZZ))
                ZZ += np.bincount((root * width + other.slot) * width + one.slot, weights=both, minlength=len(ZZ))
            elif not one.in_block and not other.in_block:
                RR += np.bincount(at * rest + other.slot, weights=both, minlength=len(RR))
                RR += np.bincount(other.slot * rest + at, weights=both, minlength=len(RR))
            elif ZR is not None:
                inner, outer = (one, other) if one.in_block else (other, one)
                where = (root * width + inner.slot) * rest + outer.slot
                ZR += np.bincount(where, weights=both, minlength=len(ZR))
    WW[:rest, :rest] = RR.reshape(rest, rest)
    WW[rest:, :rest] = WW[:rest, rest:].T
    if ZR is not None:
        ZW[:, :rest] = ZR.reshape(-1, rest)
    pattern, representative = _patterns(ZZ.reshape(blocks, -1), ZW.reshape(blocks, -1))
    shared = ZW.reshape(blocks, width, rest + p)[representative]
    shared[:, :, rest:] = shared[:, :, rest:] @ basis
    return Design(
        model=model,
        layout=layout,
        n=model.n,
        p=p,
        pattern=pattern,
        sharing=np.bincount(pattern).astype(np.float64),
        ZZ=ZZ.reshape(blocks, width, width)[representative],
        ZW=shared,
        WW=WW,
        basis=basis,
        log_det=2 * float(np.log(np.abs(np.diagonal(triangle))).sum()),
        cells=cells,
        counts=counts,
        fixed_row=fixed_row,
        fixed_counts=fixed_counts,
        root=root,
        touched=touched,
    )


def answers_of(design: Design, response: Floats) -> Answers:
    """Reduce one response, (n,)."""
    model, layout, rest = design.model, design.layout, design.rest
    sums = np.bincount(model.distinct, weights=response, minlength=len(model.fixed))
    start = design.basis @ (design.basis.T @ (model.fixed.T @ sums))
    residual = response - (model.fixed @ start)[model.distinct]
    cell_sums = residual if design.cells is None else np.bincount(design.cells, weights=residual)
    each = np.zeros(layout.blocks * layout.width)
    Wy = np.zeros(rest + design.p)
    for one in design.touched:
        weight = cell_sums if one.value is None else cell_sums * one.value
        if one.in_block:
            each += np.bincount(design.root * layout.width + one.slot, weights=weight, minlength=len(each))
        else:
            Wy[:rest] += np.bincount(one.slot, weights=weight, minlength=rest)
    left = np.bincount(design.fixed_row, weights=cell_sums, minlength=len(model.fixed))
    Wy[rest:] = design.basis.T @ (model.fixed.T @ left)
    by_block: Floats = each.reshape(layout.blocks, layout.width)
    mean, scatter = _shared(by_block, design.pattern, design.sharing)
    return Answers(
        response=response, start=start, each=by_block, mean=mean, scatter=scatter, Wy=Wy, yy=float(residual @ residual)
    )


def _touched(model: ModelMatrix, place: TermPlace, column: int, first: Ints | slice) -> _Touched:
    term = model.random[place.term]
    slot = place.start + place.local[term.codes[first]] * place.size + column
    value = None
    if term.slope_rows is not None:
        values, row = term.slope_rows
        value = np.ascontiguousarray(values[:, column])[row[first]]
    return _Touched(slot=slot, value=value, in_block=place.root is not None)


def _product(one: Floats | None, other: Floats | None) -> Floats | None:
    if one is None or other is None:
        return other if one is None else one
    return one * other


def _by_fixed(at: Ints, size: int, fixed_row: Ints, fixed: Floats, weight: Floats | None) -> Floats:
    """Return the sums of the fixed part's rows at each place, (size, p)."""
    d, p = fixed.shape
    if size * d <= 4 * len(at) + 65536:
        table = np.bincount(at * d + fixed_row, weights=weight, minlength=size * d)
        return np.asarray(table.reshape(size, d) @ fixed)
    columns = [fixed[fixed_row, j] if weight is None else fixed[fixed_row, j] * weight for j in range(p)]
    return np.stack([np.bincount(at, weights=column, minlength=size) for column in columns], axis=1)


def _patterns(*parts: Floats) -> tuple[Ints, Ints]:
    """Return the pattern of each block and a block of each pattern: blocks whose products are equal to the last bit."""
    rows = np.ascontiguousarray(np.concatenate(parts, axis=1)) + 0.0  # no negative zeros
    if len(rows) == 1:
        return np.zeros(1, dtype=np.intp), np.zeros(1, dtype=np.intp)
    # Sums of the bits times odd numbers, modulo 2^64: equal rows have equal sums, and others are looked at below.
    odd = 2 * np.arange(rows.shape[1], dtype=np.uint64) + np.uint64(1)
    sums = rows.view(np.uint64) @ (odd * np.uint64(0x9E3779B97F4A7C15))
    _, representative, pattern = np.unique(sums, return_index=True, return_inverse=True)
    if len(representative) < len(rows) and not np.array_equal(rows[representative][pattern], rows):
        return np.arange(len(rows)), np.arange(len(rows))
    return pattern.astype(np.intp), representative


def _shared(each: Floats, pattern: Ints, sharing: Floats) -> tuple[Floats, Floats | None]:
    if len(sharing) == len(each):
        return each[np.argsort(pattern)], None
    if len(sharing) == 1:
        mean = each.mean(axis=0)
        apart = each - mean
        return mean[None], (apart.T @ apart)[None]
    order = np.argsort(pattern, kind="stable")
    starts = np.concatenate(([0], np.cumsum(sharing[:-1]).astype(np.intp)))
    mean = np.add.reduceat(each[order], starts, axis=0) / sharing[:, None]
    apart = each - mean[pattern]
    products = apart[:, :, None] * apart[:, None, :]
    return mean, np.add.reduceat(products[order], starts, axis=0)
