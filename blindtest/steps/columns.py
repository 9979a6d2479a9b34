"""Rows as text in columns, for what steps print."""

from collections.abc import Iterable

__all__ = ["columns", "p_cell"]


def columns(headings: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> str:
    """Return rows in columns; a column whose cells all begin with a digit, a sign or '<' stands right."""
    body = list(rows)
    lines = [headings, *body]
    widths = [max(len(row[place]) for row in lines) for place in range(len(headings))]
    right = [bool(body) and all(row[place][:1] in "0123456789+-.<−–" for row in body) for place in range(len(headings))]
    return "\n".join(
        "  ".join(
            cell.rjust(width) if stands_right else cell.ljust(width)
            for cell, width, stands_right in zip(row, widths, right, strict=True)
        ).rstrip()
        for row in lines
    )


def p_cell(p_value: float) -> str:
    """Return a p value with four decimals, or that it is smaller."""
    return "<0.0001" if p_value < 0.00005 else f"{p_value:.4f}"
