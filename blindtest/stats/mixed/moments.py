"""Traces and quadratic forms of a mixed model: what slopes, curvature and Kenward-Roger's correction are made of.

K_k = Z U_k Z' is what the k-th (co)variance adds to V. Everything is relative to the residual variance, from the
patterns of blocks, a pattern counted as often as blocks share it.

Sources: Harville 1977 (JASA 72, 320); Kenward & Roger 1997 (Biometrics 53, 983) for the forms in the fixed part.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blindtest.stats.mixed.profile import Direction, Directions, State

__all__ = ["FixedForms", "Moments", "fixed_forms", "moments_of", "slope_of"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Moments:
    """First and second forms of all directions, in the terms' order."""

    trace: Floats
    """tr(Q K_k), (k,); Q is P under REML, V^-1 under ML."""
    square: Floats
    """y'P K_k P y, (k,)."""
    traces: Floats
    """tr(Q K_k Q K_l), (k, k)."""
    squares: Floats
    """y'P K_k P K_l P y, (k, k)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FixedForms:
    """Forms in the fixed part, in its orthonormal basis."""

    first: Floats
    """X'V^-1 K_k V^-1 X, (k, p, p)."""
    second: Floats
    """X'V^-1 K_k V^-1 K_l V^-1 X, (k, k, p, p)."""


def slope_of(state: State) -> list[Floats]:
    """Return, for each term, the slope of the criterion in G as a symmetric (q, q): d criterion = sum(slope * dG)."""
    design, weight = state.design, 1 / state.sigma2
    out = []
    blocks = rests = None
    for place in design.layout.places:
        q, end = place.size, place.start + place.size * place.slots
        if place.root is not None:
            if blocks is None:
                EN = state.across @ state.outer_of_traces
                sharing = design.sharing[:, None, None]
                moved = (sharing * EN).transpose(1, 0, 2).reshape(design.layout.width, -1)
                traces = (sharing * state.within).sum(axis=0) - moved @ state.across.transpose(1, 0, 2).reshape(
                    design.layout.width, -1
                ).T
                blocks = traces - weight * state.score_products.sum(axis=0)
            part = blocks[place.start : end, place.start : end]
        else:
            if rests is None:
                rest = design.rest
                A = state.A[:, :rest]
                rests = (
                    A[:rest] - A.T @ state.outer_of_traces @ A - weight * np.outer(state.rest_scores, state.rest_scores)
                )
            part = rests[place.start : end, place.start : end]
        levels = part.reshape(place.slots, q, place.slots, q)
        out.append(np.einsum("iaib->ab", levels))
    return out


def moments_of(state: State, directions: Directions) -> Moments:
    """Return the traces and quadratic forms at a state."""
    if directions.diagonal is not None and directions.diagonal_rest is not None:
        return _plain_moments(state, directions.diagonal, directions.diagonal_rest, directions)
    design, N = state.design, state.outer_of_traces
    k, rest = len(directions.all), design.rest
    block, outer = list(directions.block), list(directions.rest)
    trace, square = np.zeros(k), np.zeros(k)
    traces, squares = np.zeros((k, k)), np.zeros((k, k))
    through = state.through(N)[:, :rest]
    exact = state.through(state.N)[:, :rest]
    held = [directions.all[i] for i in outer]
    if block:
        sharing = design.sharing[:, None, None]
        E, D, SS = state.across, state.within, state.score_products
        EN = E @ N
        ENE = (EN * E).sum(axis=2, keepdims=True) if E.shape[1] == 1 else EN @ E.transpose(0, 2, 1)
        T = (sharing * (D - ENE)).sum(axis=0)
        trace[block] = (directions.masks * T).sum(axis=(1, 2))
        square[block] = (directions.masks * SS.sum(axis=0)).sum(axis=(1, 2))
        pairs, forms = _block_pairs(state, directions, ENE)
        Q = _sandwich(E, design.sharing, directions)
        NQ = N @ Q
        pairs += np.einsum("kij,lji->kl", NQ, NQ)
        traces[np.ix_(block, block)] = pairs
        total = design.sharing[:, None] * state.block_scores
        e = _block_vectors(E, total, directions)
        squares[np.ix_(block, block)] = forms - e @ state.N @ e.T
        if outer:
            QY = Q @ through
            eY = e @ exact
            for i, direction in zip(outer, held, strict=True):
                moved = np.einsum("mr,kmr->k", through[:, direction.columns], QY[:, :, direction.rows])
                traces[block, i] = traces[i, block] = moved
                w = _applied(direction, state.rest_scores)
                squares[block, i] = squares[i, block] = eY @ w
    if outer:
        A = state.A[:rest]
        T = A[:, :rest] - A @ N @ A.T
        exact_T = T if state.reml else A[:, :rest] - A @ state.N @ A.T
        s = state.rest_scores
        w = np.stack([_applied(direction, s) for direction in held])
        trace[outer] = [T[d.rows, d.columns].sum() for d in held]
        square[outer] = w @ s
        for i, one in zip(outer, held, strict=True):
            for j, other in zip(outer, held, strict=True):
                if i <= j:
                    both = T[np.ix_(one.columns, other.rows)] * T[np.ix_(one.rows, other.columns)]
                    traces[i, j] = traces[j, i] = both.sum()
        squares[np.ix_(outer, outer)] = w @ exact_T @ w.T
    return Moments(trace=trace, square=square, traces=traces, squares=squares)


def _plain_moments(state: State, B: Floats, R: Floats, directions: Directions) -> Moments:
    """Return the moments where every term has one column: sums over the slots of each, B (width, k), R (rest, k)."""
    design, N, E, D = state.design, state.outer_of_traces, state.across, state.within
    rest, block, outer = design.rest, B.shape[1], R.shape[1]
    k = block + outer
    sharing = design.sharing[:, None, None]
    SS = state.score_products
    EN = E @ N
    ENE = (EN * E).sum(axis=2, keepdims=True) if E.shape[1] == 1 else EN @ E.transpose(0, 2, 1)
    Q = _sandwich(E, design.sharing, directions)
    NQ = N @ Q
    total = design.sharing[:, None] * state.block_scores
    e = B.T @ np.einsum("cwm,cw->wm", E, total)
    A, s = state.A[:rest], state.rest_scores
    through = state.through(N)[:, :rest]
    T = A[:, :rest] - A @ N @ A.T
    exact, exact_T = (through, T) if state.reml else (state.through(state.N)[:, :rest], A[:, :rest] - A @ state.N @ A.T)

    trace, square, traces, squares = np.empty(k), np.empty(k), np.empty((k, k)), np.empty((k, k))
    slots = np.einsum("cww->w", sharing * (D - ENE))
    trace[:block], trace[block:] = slots @ B, np.diagonal(T) @ R
    square[:block], square[block:] = np.einsum("cww->w", SS) @ B, (s * s) @ R
    pairs = (sharing * D * (D - 2 * ENE)).sum(axis=0)
    traces[:block, :block] = B.T @ pairs @ B + np.einsum("kij,lji->kl", NQ, NQ)
    traces[:block, block:] = (through * (Q @ through)).sum(axis=1) @ R
    traces[block:, block:] = R.T @ (T * T) @ R
    squares[:block, :block] = B.T @ (D * SS).sum(axis=0) @ B - e @ state.N @ e.T
    squares[:block, block:] = ((e @ exact) * s) @ R
    squares[block:, block:] = R.T @ (exact_T * s * s[:, None]) @ R
    for both in (traces, squares):
        both[block:, :block] = both[:block, block:].T
    order = np.argsort(np.concatenate([directions.block, directions.rest]))
    return Moments(
        trace=trace[order],
        square=square[order],
        traces=traces[order][:, order],
        squares=squares[order][:, order],
    )


def fixed_forms(state: State, directions: Directions) -> FixedForms:
    """Return the forms in the fixed part at a state, in its orthonormal basis."""
    design = state.design
    k, rest, p = len(directions.all), design.rest, design.p
    block, outer = list(directions.block), list(directions.rest)
    N = state.N_without_fixed
    through = state.through(N)
    to_rest, to_fixed = through[:, :rest], through[:, rest:]
    first, second = np.zeros((k, p, p)), np.zeros((k, k, p, p))
    held = [directions.all[i] for i in outer]
    XR = state.A[:rest] @ to_fixed
    moved = np.stack([_applied(d, XR) for d in held]) if outer else np.zeros((0, rest, p))
    if block:
        G = state.across @ to_fixed
        UG = directions.masks[:, None] @ G
        sharing = design.sharing[:, None, None]
        Q = _sandwich(state.across, design.sharing, directions)
        QX = Q @ to_fixed
        first[block] = np.einsum("kcwp,cwq->kpq", UG, sharing * G)
        DUG = (sharing * state.within) @ UG
        second[np.ix_(block, block)] = np.einsum("kcwp,lcwq->klpq", UG, DUG) - np.einsum("kmp,mn,lnq->klpq", QX, N, QX)
        if outer:
            crossed = np.einsum("kmp,mr,lrq->klpq", QX, to_rest, moved)
            second[np.ix_(block, outer)] = crossed
            second[np.ix_(outer, block)] = crossed.transpose(1, 0, 3, 2)
    if outer:
        A = state.A[:rest]
        T = A[:, :rest] - A @ N @ A.T
        first[outer] = np.einsum("krp,rq->kpq", moved, XR)
        second[np.ix_(outer, outer)] = np.einsum("krp,rs,lsq->klpq", moved, T, moved)
    return FixedForms(first=first, second=second)


def _applied(direction: Direction, vectors: Floats) -> Floats:
    """Return U_k times vectors of the rest, (rest,) or (rest, columns)."""
    out = np.zeros_like(vectors)
    out[direction.rows] = vectors[direction.columns]
    return out


def _block_pairs(state: State, directions: Directions, ENE: Floats) -> tuple[Floats, Floats]:
    """Return sums over the blocks of tr(U_k D U_l (D - 2 ENE')) and of s'U_k D U_l s."""
    sharing = state.design.sharing[:, None, None]
    D, SS = state.within, state.score_products
    UD = directions.masks[:, None] @ D
    U2 = directions.masks[:, None] @ (sharing * (D - 2 * ENE))
    US = directions.masks[:, None] @ SS
    pairs = np.einsum("kcij,lcji->kl", UD, U2)
    forms = np.einsum("kcij,lcji->kl", UD, US)
    return (pairs + pairs.T) / 2, (forms + forms.T) / 2


def _sandwich(E: Floats, sharing: Floats, directions: Directions) -> Floats:
    """Return sums over the blocks of E'U_k E, (k, m, m)."""
    m = E.shape[2]
    weighted = E if np.all(sharing == 1) else sharing[:, None, None] * E
    out = np.empty((len(directions.block), m, m))
    for k, i in enumerate(directions.block):
        rows, columns = directions.all[i].rows, directions.all[i].columns
        if len(rows) == E.shape[1] and rows is columns:
            out[k] = E.reshape(-1, m).T @ weighted.reshape(-1, m)
        else:
            out[k] = E[:, rows].reshape(-1, m).T @ weighted[:, columns].reshape(-1, m)
    return out


def _block_vectors(E: Floats, total: Floats, directions: Directions) -> Floats:
    """Return sums over the blocks of E'U_k s, (k, m)."""
    out = np.empty((len(directions.block), E.shape[2]))
    for k, i in enumerate(directions.block):
        direction = directions.all[i]
        out[k] = np.einsum("cwm,cw->m", E[:, direction.rows], total[:, direction.columns])
    return out
