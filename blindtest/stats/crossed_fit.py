"""A coefficient of a fitted model of listeners and clips, with the part that each has in its error.

Random parts whose group is "listener" or "clip" are theirs; all others belong to the residual. Degrees of freedom after
Satterthwaite 1946, of each part together with the residual; Kenward & Roger 1997 for the variance.
"""

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from blindtest.stats.contrasts import Estimates

if TYPE_CHECKING:
    from blindtest.stats.mixed.linear_fit import LinearFit

__all__ = ["crossed_term"]


def crossed_term(
    fit: "LinearFit", name: str, *, listener_df: int, clip_df: int = 1, least_error: float = 0.0
) -> Estimates:
    """Return a coefficient with the parts of listeners and clips in its error.

    The variance of a coefficient is homogeneous of degree one in the variances of the model, so it is the sum of each
    variance times its slope (Euler).

    Parameters
    ----------
    listener_df, clip_df : at most so many degrees of freedom, those of the means of listeners and of clips
    least_error : standard error below which rounding hides it
    """
    place = fit.model.terms.index(name)
    free = ~fit.zero
    slopes = fit.cov_beta_gradient()[:, place, place]
    parts = fit.phi[free] * slopes
    groups = np.array([label.group for label, used in zip(fit.labels, free, strict=True) if used])
    of_clips, of_listeners = groups == "clip", groups == "listener"
    spread = fit.phi_covariance()
    widening = max(1.0, float(fit.kenward_roger().cov_adjusted[place, place] / fit.cov_beta[place, place]))

    def alone(keep: NDArray[np.bool_], most: int) -> tuple[float, float]:
        variance = float(parts[keep].sum())
        scatter = float(slopes[keep] @ spread[np.ix_(keep, keep)] @ slopes[keep])
        df = 2 * variance**2 / scatter if scatter > 0 else float(most)
        return variance * widening, min(max(df, 1.0), float(max(most, 1)))

    own, df = alone(~of_clips, listener_df)
    own = max(own, least_error**2)
    added = float(parts[of_clips].sum()) * widening
    floor, df_of_clips = alone(~of_listeners, clip_df)
    return Estimates(
        mean=np.asarray(fit.beta[place]),
        std_error=np.asarray(np.sqrt(own + added)),
        df=np.asarray(df),
        clip_variance=np.asarray(added),
        clip_floor=np.asarray(floor if added > 0 else 0.0),
        clip_df=np.asarray(df_of_clips),
    )
