"""Settings of listeners in columns, for the terminal."""

from blindtest.stats import SettingsResult
from blindtest.steps.columns import columns

__all__ = ["setting_columns"]


def setting_columns(found: SettingsResult) -> str:
    """Return a row for each listener: settings, mean with its interval, scatter, and the means of both starts."""
    rows = [
        (
            one.listener,
            str(one.settings),
            f"{one.mean:+.2f}",
            "" if one.interval is None else f"{one.interval[0]:+.2f} to {one.interval[1]:+.2f}",
            "" if one.std is None else f"{one.std:.2f}",
            "" if one.from_below is None else f"{one.from_below:+.2f}",
            "" if one.from_above is None else f"{one.from_above:+.2f}",
        )
        for one in found.listeners
    ]
    head = ("listener", "settings", "mean", f"{100 * found.level:g} % interval", "sd", "from below", "from above")
    return columns(head, rows)
