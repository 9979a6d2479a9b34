"""Ratings of two devices, labelled and blind, turned into one effect per listener or sitting.

`rating_table.py` reads them. The effect on a page (one listener, mode, sitting and clip) is the mean rating of the
device minus that of the comparator; several ratings of one page are repeats and are averaged. Effects per listener or
sitting leave out pages that hold only one of the two; the model of a panel (survival_model.py) takes `Panel`, which
has them.
"""

from dataclasses import dataclass, replace
from math import sqrt
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from blindtest.nouns import number_of
from blindtest.stats.contrasts import rounding_sd
from blindtest.stats.phase_order import BLIND_FIRST

if TYPE_CHECKING:
    pass

__all__ = ["MODES", "Effects", "Page", "Panel", "Ratings"]

Floats = NDArray[np.float64]
MODES = ("labelled", "blind")
LEAST_OF_AN_ORDER = 2
"""Fewer listeners of one order say nothing about it: then all count as one group."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """Two devices rated by one listener in one mode and sitting on one clip."""

    listener: str
    mode: str
    sitting: str
    clip: str
    difference: float
    """Mean rating of the first minus mean rating of the second."""
    sign: float
    """Share of pairs of ratings with the first above, minus share with the second above: -1 ... 1."""
    squares: float
    """Mean square of the differences of all pairs of ratings."""
    ratings: int
    """Ratings averaged per device, the smaller number."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Effects:
    """One effect per unit and mode, the pages of the rest left out."""

    unit: str
    """"listener": both arrays are of the same listeners; "sitting": of different sittings of one listener."""
    labelled: Floats
    blind: Floats
    labelled_signs: Floats
    blind_signs: Floats
    names: tuple[str, ...]
    """The listeners; of a single listener their name alone."""
    clips: tuple[str, ...]
    least_sd: float
    """Rounding hides a standard deviation of an effect below this."""
    least_sign_sd: float
    pages: tuple[Page, ...]
    """Those that went in."""
    remarks: tuple[str, ...]
    half_pages: tuple[int, int] = (0, 0)
    """Pages that hold only one of the two devices, labelled and blind; left out."""

    @property
    def spread(self) -> float:
        """Standard deviation of single differences of two ratings, around the mean of their mode."""
        variances = []
        for mode in MODES:
            pages = [page for page in self.pages if page.mode == mode]
            if pages:
                mean = float(np.mean([page.difference for page in pages]))
                variances.append(float(np.mean([page.squares for page in pages])) - mean**2)
        return sqrt(max(0.0, float(np.mean(variances)))) if variances else 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Panel:
    """What listeners who rated in both modes said of two devices on the clips that were rated in both."""

    listeners: tuple[str, ...]
    clips: tuple[str, ...]
    ratings: Floats
    """(mode, listener, clip, device): mean over sittings of the means of repeats, NaN where nothing was rated.

    From pages that hold both devices where there is one, else from what there is. Modes as MODES, the device first."""
    signs: Floats
    """(mode, listener, clip): mean share above minus share below, NaN without a page that holds both."""
    order: NDArray[np.bool_] | None
    """(listeners,): blind first. None: not known, or the same for all."""
    remarks: tuple[str, ...]

    @property
    def differences(self) -> Floats:
        """Device minus comparator, (mode, listener, clip)."""
        return np.asarray(self.ratings[..., 0] - self.ratings[..., 1])

    @property
    def complete(self) -> bool:
        """Whether every listener has a page with both devices for every clip in both modes."""
        return not (np.isnan(self.ratings).any() or np.isnan(self.signs).any())


@dataclass(frozen=True, slots=True, kw_only=True)
class Ratings:
    """Rows of a table of ratings that can be used, and counts of those that can't."""

    rows: tuple[tuple[str, str, str, str, str, float], ...]
    """listener, clip, device, mode, sitting, rating."""
    without_rating: int
    other_phases: int
    step: float
    """Of the scale as used: 1 for whole numbers, .1 for one decimal; 0 beyond six decimals."""
    orders: tuple[tuple[str, str], ...] = ()
    """(listener, "blind-first" or "labelled-first") where it is known."""

    def panel(self, first: str, second: str) -> Panel:
        """Return the ratings of `first` and `second` by the listeners who rated them in both modes."""
        pages, _ = self.pages(first, second)
        known = _clips_in_both_modes(pages)
        names = tuple(sorted(known))
        whole = {(page.listener, page.mode, page.sitting, page.clip) for page in pages}
        held: dict[tuple[str, str, str], dict[str, tuple[list[float], list[float]]]] = {}
        for listener, clip, device, mode, sitting, rating in self.rows:
            if device in (first, second) and listener in known:
                sittings = held.setdefault((mode, listener, clip), {})
                sittings.setdefault(sitting, ([], []))[device == second].append(rating)
        rated = [{clip for mode, _, clip in held if mode == wanted} for wanted in MODES]
        clips = tuple(sorted(rated[0] & rated[1]))
        ratings = np.full((2, len(names), len(clips), 2), np.nan)
        signs = np.full((2, len(names), len(clips)), np.nan)
        of_listener = {name: place for place, name in enumerate(names)}
        of_clip = {name: place for place, name in enumerate(clips)}
        for (mode, listener, clip), sittings in held.items():
            if clip not in of_clip:
                continue
            where = (MODES.index(mode), of_listener[listener], of_clip[clip])
            both = [cell for sitting, cell in sittings.items() if (listener, mode, sitting, clip) in whole]
            for place in (0, 1):
                means = [np.mean(cell[place]) for cell in both or sittings.values() if cell[place]]
                ratings[(*where, place)] = np.mean(means) if means else np.nan
            if both:
                signs[where] = np.mean([np.sign(np.subtract.outer(*cell)).mean() for cell in both])
        order, remarks = self._order(names)
        return Panel(listeners=names, clips=clips, ratings=ratings, signs=signs, order=order, remarks=remarks)

    def _order(self, names: tuple[str, ...]) -> tuple[NDArray[np.bool_] | None, tuple[str, ...]]:
        known = dict(self.orders)
        if not set(names) <= set(known):
            return None, ()
        blind_first = np.array([known[name] == BLIND_FIRST for name in names], dtype=bool)
        fewest = int(min(blind_first.sum(), (~blind_first).sum())) if len(names) else 0
        if fewest == 0:
            return None, ()
        if fewest < LEAST_OF_AN_ORDER or len(names) - 2 < LEAST_OF_AN_ORDER:
            return None, ("too few listeners had the phases in one of the two orders: order is not part of the model",)
        return blind_first, ()

    @property
    def devices(self) -> tuple[str, ...]:
        """All that was rated, sorted."""
        return tuple(sorted({row[2] for row in self.rows}))

    def pages(self, first: str, second: str) -> tuple[tuple[Page, ...], tuple[int, int]]:
        """Return the pages that hold both devices, sorted; and how many hold only one, labelled and blind."""
        held: dict[tuple[str, str, str, str], tuple[list[float], list[float]]] = {}
        for listener, clip, device, mode, sitting, rating in self.rows:
            if device in (first, second):
                cell = held.setdefault((listener, mode, sitting, clip), ([], []))
                cell[device == second].append(rating)
        pages = [_page(key, *cell) for key, cell in sorted(held.items()) if cell[0] and cell[1]]
        halves = [key[1] for key, cell in held.items() if not (cell[0] and cell[1])]
        return tuple(pages), (halves.count("labelled"), halves.count("blind"))

    def effects(self, first: str, second: str) -> Effects:
        """Return the effects of `first` over `second`: per listener, or per sitting of the only one with both modes."""
        pages, halves = self.pages(first, second)
        remarks = (
            [f"{number_of(sum(halves), 'page holds', 'pages hold')} only one of the two and are left out"]
            if any(halves)
            else []
        )
        return replace(self._effects_of(pages, remarks), half_pages=halves)

    def _effects_of(self, pages: tuple[Page, ...], remarks: list[str]) -> Effects:
        both = _clips_in_both_modes(pages)
        if len(both) == 1:
            (name,) = both
            others = sorted({page.listener for page in pages} - {name})
            if others:
                remarks.append(f"left out, not rated in both modes: {', '.join(others)}")
            own = [page for page in pages if page.listener == name]
            used = [page for page in own if page.clip in both[name]]
            if len(used) < len(own):
                remarks.append(_unmatched(len(own) - len(used)))
            return self._by_sitting(used, name, remarks)
        return self._by_listener(pages, both, remarks)

    def _by_listener(self, pages: tuple[Page, ...], both: dict[str, set[str]], remarks: list[str]) -> Effects:
        names = tuple(sorted(both))
        lacking = sorted({page.listener for page in pages} - set(names))
        if lacking and names:
            remarks.append(f"left out, no clip rated in both modes: {', '.join(lacking)}")
        used = [page for page in pages if page.clip in both.get(page.listener, ())]
        if names and len(used) < len(pages):
            unmatched = sum(1 for page in pages if page.listener in both) - len(used)
            if unmatched:
                remarks.append(_unmatched(unmatched))
        if not names:
            return self._of_one_mode(pages, remarks)
        groups = [[[page for page in used if page.listener == n and page.mode == m] for n in names] for m in MODES]
        return self._effects("listener", groups[0], groups[1], names, used, remarks)

    def _of_one_mode(self, pages: tuple[Page, ...], remarks: list[str]) -> Effects:
        """Return what there is of each mode, not paired: of listeners, or of a single listener's sittings."""
        names = tuple(sorted({page.listener for page in pages}))
        if len(names) == 1:
            return self._by_sitting(list(pages), names[0], remarks)
        groups = []
        for mode in MODES:
            own = [[page for page in pages if page.listener == name and page.mode == mode] for name in names]
            groups.append([group for group in own if group])
        return self._effects("listener", groups[0], groups[1], names, list(pages), remarks)

    def _by_sitting(self, pages: list[Page], name: str, remarks: list[str]) -> Effects:
        groups = []
        for mode in MODES:
            sittings = sorted({page.sitting for page in pages if page.mode == mode})
            groups.append([[p for p in pages if p.mode == mode and p.sitting == sitting] for sitting in sittings])
        shared = {p.sitting for p in pages if p.mode == "labelled"} & {p.sitting for p in pages if p.mode == "blind"}
        if shared:
            remarks.append(
                f"sittings {', '.join(sorted(shared))} stand in both modes and are taken as different ones; labelled "
                "and blind ratings of one day would not be independent"
            )
        clips = [frozenset(page.clip for page in group) for group in (*groups[0], *groups[1])]
        if len(set(clips)) > 1:
            remarks.append("not every sitting holds the same clips: their differences count as spread of sittings")
        return self._effects("sitting", groups[0], groups[1], (name,), pages, remarks)

    def _effects(
        self,
        unit: str,
        labelled: list[list[Page]],
        blind: list[list[Page]],
        names: tuple[str, ...],
        pages: list[Page],
        remarks: list[str],
    ) -> Effects:
        averaged = min((_averaged(group) for group in (*labelled, *blind)), default=1)
        return Effects(
            unit=unit,
            labelled=np.array([_over_clips(group, "difference") for group in labelled]),
            blind=np.array([_over_clips(group, "difference") for group in blind]),
            labelled_signs=np.array([_over_clips(group, "sign") for group in labelled]),
            blind_signs=np.array([_over_clips(group, "sign") for group in blind]),
            names=names,
            clips=tuple(sorted({page.clip for page in pages})),
            least_sd=rounding_sd(self.step, averaged),
            least_sign_sd=rounding_sd(1.0, averaged),
            pages=tuple(pages),
            remarks=tuple(remarks),
        )


def _unmatched(pages: int) -> str:
    return f"{number_of(pages, 'page is', 'pages are')} of clips not rated in the other mode and are left out"


def _page(key: tuple[str, str, str, str], first: list[float], second: list[float]) -> Page:
    pairs = np.subtract.outer(first, second)
    return Page(
        listener=key[0],
        mode=key[1],
        sitting=key[2],
        clip=key[3],
        difference=float(pairs.mean()),
        sign=float(np.sign(pairs).mean()),
        squares=float((pairs**2).mean()),
        ratings=min(len(first), len(second)),
    )


def _clips_in_both_modes(pages: tuple[Page, ...]) -> dict[str, set[str]]:
    held: dict[str, dict[str, set[str]]] = {}
    for page in pages:
        held.setdefault(page.listener, {mode: set() for mode in MODES})[page.mode].add(page.clip)
    common = {name: clips["labelled"] & clips["blind"] for name, clips in held.items()}
    return {name: clips for name, clips in common.items() if clips}


def _over_clips(pages: list[Page], what: str) -> float:
    """Return the mean over clips of the means over sittings: every clip counts alike."""
    clips = sorted({page.clip for page in pages})
    return float(np.mean([np.mean([getattr(p, what) for p in pages if p.clip == clip]) for clip in clips]))


def _averaged(pages: list[Page]) -> int:
    return sum(page.ratings for page in pages)
