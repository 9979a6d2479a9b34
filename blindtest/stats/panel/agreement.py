"""How far judges agree about the same targets: four families of figures on one table.

Rows are targets (what was rated: devices, or device and clip), columns judges (listeners). Intraclass correlations ask
how much of the spread of ratings is that of the targets; Cronbach's alpha is the same for the mean of these judges;
Kendall's W uses ranks only, each judge's own; Krippendorff's alpha takes missing ratings and asks whether one judge
could stand for another.

Sources: Shrout & Fleiss 1979 (Psychological Bulletin 86, 420); Cronbach 1951 (Psychometrika 16, 297), interval Feldt
1965 (Psychometrika 30, 357); Kendall & Babington Smith 1939 (Ann. Math. Statist. 10, 275), ties as in Kendall 1970,
*Rank Correlation Methods*; Krippendorff 2004, *Content Analysis*.
"""

from dataclasses import dataclass
from math import inf, isfinite, nan
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from blindtest.errors import BlindtestError, Fault
from blindtest.stats.binomial import Interval, checked_probability
from blindtest.stats.panel.intraclass import FORMS, intraclass_correlations, mean_squares
from blindtest.stats.panel.krippendorff import LEVELS, krippendorff_alpha
from blindtest.stats.plain import plain
from blindtest.stats.ranks.friedman import RankSums, rank_sums
from blindtest.stats.rows import json_rows
from blindtest.stats.scores import checked_number

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["AgreementResult", "agreement"]

Floats = NDArray[np.float64]
TARGET = "target"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AgreementResult:
    """How far judges agree about the same targets."""

    targets: int
    judges: int
    complete_targets: int
    """Targets rated by every judge: all but Krippendorff's alpha rest on them."""
    missing: int
    """Ratings that are not there."""
    icc: "DataFrame"
    """A row per form, "ICC(1,1)" ... "ICC(3,k)": estimate, ci_low, ci_high, f_value, df1, df2, p_value."""
    cronbach_alpha: float
    cronbach_alpha_interval: Interval
    cronbach_alpha_standardised: float
    """Of ratings brought to one spread per judge: from their mean correlation."""
    kendall_w: float
    """0 ... 1; judges are blocks, targets are ranked within each; corrected for ties."""
    kendall_statistic: float
    """chi-square of Friedman's test of "no target stands out"."""
    kendall_df: int
    kendall_p_value: float
    krippendorff_alpha: dict[str, float]
    """By level of measurement: nominal, ordinal, interval, ratio."""
    level: float
    remarks: tuple[str, ...]
    method: str = "intraclass correlations with F intervals; Cronbach's alpha; Kendall's W; Krippendorff's alpha"
    source: str = "Shrout & Fleiss 1979; Cronbach 1951, Feldt 1965; Kendall & Babington Smith 1939; Krippendorff 2004"
    assumptions: tuple[str, ...] = (
        "F tests and intervals: ratings normal, targets and judges independent; (1,.) and (3,.) exact then, (2,.) "
        "approximate",
        "(2,.) speaks of judges like these, (3,.) of these judges only; (1,.) lets every target have its own judges",
        "alphas of the levels differ in what a difference of two ratings means: read the one that suits the scale",
    )

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        icc = _row(self.icc, "ICC(2,1)")
        text = f"{self.judges} judges of {self.targets} targets: "
        if isfinite(icc["estimate"]):
            text += (
                f"{100 * icc['estimate']:.0f} % of the spread of single ratings is that of the targets, the rest is "
                f"judges and error (ICC(2,1), {100 * self.level:g} %: {icc['ci_low']:.2f} to {icc['ci_high']:.2f}); "
                f"the mean of all judges reaches {_row(self.icc, 'ICC(2,k)')['estimate']:.2f}. "
            )
        else:
            text += "intraclass correlations do not exist here. "
        if isfinite(self.kendall_w):
            text += f"Ranks agree to W = {self.kendall_w:.2f}"
            text += f" (p = {self.kendall_p_value:.2g})." if isfinite(self.kendall_p_value) else "."
        return " ".join((text, *self.remarks)).replace("  ", " ").strip()

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentence included; tables as lists of rows."""
        fields = {**plain(self, "sentence"), "icc": json_rows(self.icc, index="form")}
        fields["krippendorff_alpha"] = {k: v if isfinite(v) else None for k, v in self.krippendorff_alpha.items()}
        return fields


def _row(icc: "DataFrame", form: str) -> dict[str, float]:
    return dict(zip(map(str, icc.columns), icc.loc[form].to_numpy(dtype=np.float64).tolist(), strict=True))


def agreement(ratings: "DataFrame | ArrayLike", *, level: float = 0.95) -> AgreementResult:
    """Return how far judges agree: a row per target, a column per judge.

    Parameters
    ----------
    ratings : (targets, judges); a DataFrame, where a column `target` names the rows, or an array. Empty cells are
        missing: Krippendorff's alpha takes them, all else uses the targets that every judge rated.
    level : of the intervals

    Raises
    ------
    BlindtestError
        Fewer than two targets or judges, a cell that is neither a number nor empty.
    ValueError
        A level outside 0 ... 1.
    """
    checked_probability("level", level)
    matrix, said = _matrix(ratings)
    complete = matrix[~np.isnan(matrix).any(axis=1)]
    remarks = list(said)
    if len(complete) < len(matrix):
        remarks.append(
            f"{len(matrix) - len(complete)} of {len(matrix)} targets lack a rating: all but Krippendorff's alpha rest "
            f"on the other {len(complete)}."
        )
    enough = len(complete) > 1
    if not enough:
        remarks.append("Fewer than two targets were rated by every judge: only Krippendorff's alpha can be computed.")
    icc = _icc(complete, level) if enough else _no_icc()
    if enough and not np.isfinite(icc["estimate"]).all():
        remarks.append("All ratings are alike: there is no spread to share out.")
    ranks = rank_sums(complete.T) if enough else None
    alpha = _row(icc, "ICC(3,k)")
    return AgreementResult(
        targets=matrix.shape[0],
        judges=matrix.shape[1],
        complete_targets=len(complete),
        missing=int(np.isnan(matrix).sum()),
        icc=icc,
        cronbach_alpha=alpha["estimate"],
        cronbach_alpha_interval=(alpha["ci_low"], alpha["ci_high"]),
        cronbach_alpha_standardised=_standardised_alpha(complete) if enough else nan,
        krippendorff_alpha={name: krippendorff_alpha(matrix, level=name) for name in LEVELS},
        level=float(level),
        remarks=tuple(remarks),
        **_kendall(ranks),
    )


def _matrix(ratings: "DataFrame | ArrayLike") -> tuple[Floats, list[str]]:
    import pandas as pd

    frame = ratings if isinstance(ratings, pd.DataFrame) else pd.DataFrame(np.asarray(ratings, dtype=object))
    frame = frame.set_index(TARGET) if TARGET in frame.columns else frame
    faults: list[Fault] = []
    matrix = np.full(frame.shape, nan)
    for column, (name, cells) in enumerate(frame.items()):
        for row, cell in enumerate(cells.tolist()):
            if cell is None or cell is pd.NA or cell != cell or cell == "":
                continue
            found = checked_number(cell, line=row + 1, key=str(name))
            if isinstance(found, Fault):
                faults.append(found)
            else:
                matrix[row, column] = found
    if faults:
        raise BlindtestError.of(faults)
    nobody = np.isnan(matrix).all(axis=0)
    said = [f"No rating by {', '.join(map(str, frame.columns[nobody]))}: left out."] if nobody.any() else []
    matrix = matrix[:, ~nobody]
    if min(matrix.shape) < 2:
        raise BlindtestError(
            Fault(
                problem="agreement needs at least two targets (rows) and two judges (columns)",
                got=f"{matrix.shape[0]} x {matrix.shape[1]}",
                remedy="a row per target, a column per judge; turn the table if it lies the other way",
            )
        )
    return matrix, said


def _icc(complete: Floats, level: float) -> "DataFrame":
    return intraclass_correlations(mean_squares(complete), level=level)


def _no_icc() -> "DataFrame":
    import pandas as pd

    columns = ["estimate", "ci_low", "ci_high", "f_value", "df1", "df2", "p_value"]
    return pd.DataFrame(nan, columns=columns, index=pd.Index(FORMS, name="form"))


def _standardised_alpha(complete: Floats) -> float:
    spread = complete.std(axis=0, ddof=1)
    if np.any(spread == 0):
        return nan
    k = complete.shape[1]
    correlations = np.corrcoef(complete, rowvar=False)
    mean = (float(correlations.sum()) - k) / (k * (k - 1))
    whole = 1 + (k - 1) * mean
    # Where the judges' deviations cancel, the sum of all says the same of every target: as for alpha itself, -inf.
    return float(k * mean / whole) if whole > 1e-12 else -inf


def _kendall(ranks: RankSums | None) -> dict[str, Any]:
    if ranks is None:
        return {"kendall_w": nan, "kendall_statistic": nan, "kendall_df": 0, "kendall_p_value": nan}
    return {
        "kendall_w": ranks.kendall_w,
        "kendall_statistic": ranks.statistic,
        "kendall_df": ranks.df,
        "kendall_p_value": ranks.p_value,
    }
