"""Numbers as sentences of results say them: shares, probabilities, d'."""

from math import isinf, isnan

__all__ = ["d_words", "p_words", "percent"]


def percent(share: float) -> str:
    """Return a share in percent, to a tenth; 'none' where there is none (nan)."""
    return "none" if isnan(share) else f"{100 * share:.1f}".removesuffix(".0") + " %"


def p_words(p: float) -> str:
    """Return a probability to three decimals, a small one to two digits."""
    if p >= 0.9995:
        return f"{p:.3f}" if p < 1 else "1"
    return f"{p:.2g}" if p < 0.001 else f"{p:.3f}".removeprefix("0")


def d_words(value: float) -> str:
    """Return a d' to two decimals."""
    if isinf(value):
        return "infinite" if value > 0 else "minus infinite"
    return f"{value:.2f}"
