"""Effects of a factorial design of +-1/2 columns on ratings, by listeners and clips, each with its own random parts.

rating ~ x1 + x2 + ... where every column is +1/2 or -1/2, products among them: the coefficient of a column is the mean
rating where it is +1/2 minus that where it is -1/2, the other columns averaged alike; that of a product is what one
changes in the effect of the other. Listeners and clips vary in each of them by a variance of its own (Barr et al.
2013). Fewer than five clips are these clips, fixed. A single listener has no spread of listeners: ordinary least
squares over single ratings, clips and sittings fixed, for this listener.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from blindtest.errors import BlindtestError, Fault, did_you_mean
from blindtest.stats.contrasts import LEAST_UNITS, Estimates
from blindtest.stats.crossed_fit import crossed_term
from blindtest.stats.two_way import LEAST_CLIPS

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["CrossedTerms", "crossed_terms", "rated_rows"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CrossedTerms:
    """Estimates by term, and what they are about."""

    estimates: dict[str, Estimates]
    listeners: int
    clips: int
    ratings: int
    clips_drawn: bool
    method: str
    remarks: tuple[str, ...]

    @property
    def scope(self) -> str:
        """For whom it holds."""
        if self.listeners == 1:
            return "for this listener and these clips"
        return "for listeners and clips like these" if self.clips_drawn else "for listeners like these and these clips"


def rated_rows(table: "DataFrame", columns: Sequence[str]) -> tuple["DataFrame", int]:
    """Return the rows with a rating, text columns as text; how many had none.

    Raises
    ------
    BlindtestError
        A column that is not there, a rating that is no number, a row that does not say who, what or which.
    """
    import pandas as pd

    known = [str(name) for name in table.columns]
    faults = [
        Fault(
            problem="the table has no such column",
            key=name,
            got=", ".join(known),
            allowed="columns " + ", ".join(columns),
            remedy=did_you_mean(name, known),
        )
        for name in columns
        if name not in known
    ]
    if faults:
        raise BlindtestError(*faults)
    rated = table[table["rating"].notna() & (table["rating"].astype(str) != "")].copy()
    numbers = pd.to_numeric(rated["rating"], errors="coerce")
    places = {index: number for number, index in enumerate(table.index, start=1)}
    wrong = rated.index[~np.isfinite(numbers.to_numpy(dtype=np.float64))]
    faults = [
        Fault(
            problem="not a number",
            line=places[index],
            key="rating",
            got=rated["rating"][index],
            allowed="a finite number",
        )
        for index in wrong
    ]
    for name in columns:
        if name != "rating":
            lacking = rated.index[rated[name].isna()]
            faults += [Fault(problem="the row does not say this", line=places[index], key=name) for index in lacking]
    if faults:
        raise BlindtestError.of(faults)
    if rated.empty:
        raise BlindtestError(
            Fault(problem="the table holds no rating", key="rating", got=f"{len(table)} rows", remedy="rate first")
        )
    rated["rating"] = numbers
    for name in ("listener", "clip", "sitting"):
        if name in rated:
            rated[name] = rated[name].astype(str)
    return rated, len(table) - len(rated)


def crossed_terms(
    rows: "DataFrame", columns: dict[str, Floats], products: Sequence[tuple[str, str]], *, only_these_clips: bool | None
) -> CrossedTerms:
    """Return the effect of each column and product of two columns.

    Parameters
    ----------
    rows : listener, clip, rating; sitting where there is one
    columns : name -> (rows,), +-1/2
    products : pairs of names; their effects are named "a x b"

    Raises
    ------
    BlindtestError
        Columns that the table can't tell apart; too few listeners; ratings without any scatter.
    """
    data = rows[["listener", "clip", "rating"]].reset_index(drop=True)
    names = {name: f"x{number}" for number, name in enumerate(columns)}
    data = data.assign(**{names[name]: values for name, values in columns.items()})
    if "sitting" in rows:
        data = data.assign(sitting=rows["sitting"].to_numpy())
    for first, second in products:
        label = f"{first} x {second}"
        names[label] = f"x{len(names)}"
        data[names[label]] = columns[first] * columns[second]
    listeners, clips = data["listener"].nunique(), data["clip"].nunique()
    if data["rating"].nunique() < 2:
        raise BlindtestError(Fault(problem="all ratings are alike: nothing to estimate an error by", key="rating"))
    if listeners == 1:
        return _of_one_listener(data, names, clips)
    if listeners < LEAST_UNITS:
        raise BlindtestError(
            Fault(
                problem="two listeners are too few for a panel, and too many for a single listener",
                key="listener",
                got=listeners,
                allowed=f"1, or {LEAST_UNITS} and more",
                remedy="analyse them one by one, or ask a third",
            )
        )
    drawn = not only_these_clips and clips >= LEAST_CLIPS
    if only_these_clips is False and not drawn:
        raise BlindtestError(
            Fault(
                problem="so few clips say too little about others",
                key="clip",
                got=clips,
                allowed=f"{LEAST_CLIPS} or more",
                remedy="add clips, or let the result be about these",
            )
        )
    return _of_panel(data, names, listeners, clips, drawn=drawn, asked=only_these_clips)


def _of_panel(
    data: "DataFrame", names: dict[str, str], listeners: int, clips: int, *, drawn: bool, asked: bool | None
) -> CrossedTerms:
    from blindtest.stats.mixed.linear import prepare_linear_mixed

    _check_told(_design(data, names, () if drawn else ("clip",)), names)
    parts = ["1", *(f"0 + {column}" for column in names.values())]
    random: dict[str, Any] = {"listener": parts} | ({"clip": parts} if drawn else {})
    fixed = " + ".join(names.values()) + ("" if drawn or clips < 2 else " + C(clip)")
    fit = prepare_linear_mixed(f"rating ~ {fixed}", data, random=random).fit(data["rating"].to_numpy(dtype=np.float64))
    remarks = []
    if asked is None and not drawn:
        remarks.append(
            f"with fewer than {LEAST_CLIPS} clips their spread says too little about others: the result is about these"
        )
    if not fit.convergence.converged:
        remarks.append("the fit did not converge: read with care")
    return CrossedTerms(
        estimates={
            name: crossed_term(fit, column, listener_df=listeners - 1, clip_df=clips - 1)
            for name, column in names.items()
        },
        listeners=listeners,
        clips=clips,
        ratings=len(data),
        clips_drawn=drawn,
        method=(
            "linear mixed model by REML, variances of their own for what each effect varies over listeners"
            + (" and clips" if drawn else ", clips fixed")
            + "; Satterthwaite's degrees of freedom, quantiles weighed by the shares of the variance"
        ),
        remarks=tuple(remarks),
    )


def _of_one_listener(data: "DataFrame", names: dict[str, str], clips: int) -> CrossedTerms:
    design, y = _design(data, names, ("clip", "sitting")), data["rating"].to_numpy(dtype=np.float64)
    _check_told(design, names)
    inverse = np.linalg.pinv(design.T @ design, hermitian=True)
    df = len(y) - int(np.linalg.matrix_rank(design))
    if df < 1:
        raise BlindtestError(
            Fault(
                problem=f"{len(y)} ratings leave nothing to estimate an error by",
                key="rating",
                remedy="collect more ratings",
            )
        )
    beta = inverse @ design.T @ y
    sigma2 = float(((y - design @ beta) ** 2).sum()) / df
    errors = np.sqrt(sigma2 * np.diagonal(inverse))
    return CrossedTerms(
        estimates={
            name: Estimates(mean=np.asarray(beta[place]), std_error=np.asarray(errors[place]), df=np.asarray(float(df)))
            for place, name in enumerate(names, start=1)
        },
        listeners=1,
        clips=clips,
        ratings=len(y),
        clips_drawn=False,
        method="ordinary least squares over the ratings of one listener, clips and sittings fixed",
        remarks=("one listener: single ratings are taken as independent",),
    )


def _design(data: "DataFrame", names: dict[str, str], fixed: Sequence[str]) -> Floats:
    columns = [np.ones(len(data)), *(data[column].to_numpy(dtype=np.float64) for column in names.values())]
    for name in fixed:
        if name in data:
            levels = sorted(data[name].unique())
            columns += [(data[name] == level).to_numpy(dtype=np.float64) for level in levels[1:]]
    return np.stack(columns, axis=1)


def _check_told(design: Floats, names: dict[str, str]) -> None:
    """Refuse effects that the columns of the design can't tell from each other."""
    told = np.diagonal(np.linalg.pinv(design) @ design)[1 : 1 + len(names)]
    lost = [name for name, share in zip(names, told, strict=True) if abs(share - 1) > 1e-6]
    if lost:
        raise BlindtestError(
            Fault(
                problem=f"the ratings can't tell {', '.join(lost)} from the rest",
                key="rating",
                remedy="collect more ratings, with every combination",
            )
        )
