"""`blindtest compare`: bundles checked, their studies side by side, pooled where that makes sense."""

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import isfinite
from pathlib import Path
from typing import Any

from blindtest.errors import BlindtestError, Fault, WrongUse
from blindtest.report.figures import Figure
from blindtest.report.forest_figure import Forest, ForestRow, forest_figure
from blindtest.report.words import clean
from blindtest.stats import StudiesSummary
from blindtest.steps.bundle.opening import is_bundle, opened
from blindtest.steps.comparison.alike import Objection, design_words, objections, remarks
from blindtest.steps.comparison.effects import Scale, StudyEffect, effects
from blindtest.steps.comparison.intact import verified_bundle
from blindtest.steps.comparison.pooling import Pooled, pooled, tau_of
from blindtest.steps.comparison.published import Published, file_stem, read_published
from blindtest.steps.figure_files import refuse_foreign, write_figure_file, write_figures
from blindtest.steps.place import Progress

__all__ = ["Comparison", "compare"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Studies side by side."""

    studies: tuple[Published, ...]
    design: str
    """What is alike and what differs, in words."""
    scale: Scale | None
    """None where they have none in common."""
    rows: tuple[StudyEffect | None, ...]
    """As `studies`; None where a study has no estimate."""
    own_scales: tuple[Scale | None, ...]
    objections: tuple[Objection, ...]
    """What keeps them from being pooled."""
    remarks: tuple[str, ...]
    pooled: Pooled | None
    figure: Figure | None = None
    files: tuple[Path, ...] = ()
    """Written to where `--out` said."""

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {
            "design": self.design,
            "poolable": self.pooled is not None,
            "objections": [one.to_dict() for one in self.objections],
            "remarks": list(self.remarks),
            "scale": self.scale.to_dict() if self.scale else None,
            "studies": [self._study(place) for place in range(len(self.studies))],
            "pooled": _pooled_dict(self.scale, self.pooled) if self.scale and self.pooled else None,
            "files": [str(path) for path in self.files],
        }

    def _study(self, place: int) -> dict[str, Any]:
        one, row, scale = self.studies[place], self.rows[place], self.own_scales[place]
        weights = self.pooled.summary.weights if self.pooled else None
        return {
            "name": one.name,
            "title": one.title,
            "source": one.source,
            "claim": str(one.claim["id"]),
            "device": one.label("device"),
            "comparator": one.label("comparator"),
            "word": str(one.claim["word"]),
            "grade": one.grade,
            "scale": scale.name if scale else None,
            "unit": scale.unit if scale else None,
            "counts": row.counts if row else None,
            "estimate": row.estimate if row else None,
            "std_error": row.std_error if row else None,
            "shown": None
            if row is None or scale is None
            else {"estimate": scale.shown(row.estimate), "interval": [scale.shown(x) for x in row.interval]},
            "pooling_std_error": self.pooled.errors[place] if self.pooled else None,
            "weight": weights[place] if weights else None,
        }

    def text(self) -> str:
        """Return it in words: a table, the mean and the spread, or why there is none."""
        lines = [f"{one.name}: {clean(one.title)} ({one.source})" for one in self.studies]
        lines += ["", f"{self.design[:1].upper()}{self.design[1:]}.", *self._table()]
        if self.pooled is not None and self.scale is not None:
            lines += ["", *_pooled_lines(self.scale, self.pooled)]
            lines += [f"Caution: {words}." for words in self.pooled.cautions]
        if any(row is not None and row.odds is not None for row in self.rows):
            # Said here, since 20 of 28 then stand beside 70.7 %, and not beside the 71.4 % of the study's own report.
            lines.append("Note: these estimates hold half an answer more on either side, with the limits that pool.")
        lines += [f"Note: {words}." for words in self.remarks]
        if self.objections:
            lines += ["", "Not pooled:", *(f"- {one.words}" for one in self.objections)]
        lines += [f"Written: {path}" for path in self.files]
        return "\n".join(lines)

    def _table(self) -> list[str]:
        weights = self.pooled.summary.weights if self.pooled else None
        cells = [("study", "device against comparator", "counts", "word", "estimate, 95 % interval")]
        for place, one in enumerate(self.studies):
            row, scale = self.rows[place], self.own_scales[place]
            devices = " against ".join(clean(name) for role in ("device", "comparator") if (name := one.label(role)))
            told = "none" if row is None or scale is None else _span_text(scale, row.estimate, row.interval)
            share = f", weight {100 * weights[place]:.0f} %" if weights else ""
            own = f" ({scale.name})" if scale is not None and self.scale is None else ""
            cells.append(
                (clean(one.name), devices, row.counts if row else "", str(one.claim["word"]), told + share + own)
            )
        widths = [max(len(row[column]) for row in cells) for column in range(len(cells[0]))]
        return ["  ".join(text.ljust(width) for text, width in zip(row, widths, strict=True)).rstrip() for row in cells]


def _span_text(scale: Scale, estimate: float, interval: tuple[float, float]) -> str:
    low, high = (scale.shown(x) for x in interval)
    return f"{_value(scale.shown(estimate))}{_unit(scale)} ({_value(low)} to {_value(high)})"


def _unit(scale: Scale) -> str:
    return f" {scale.unit}" if scale.unit else ""


def _value(value: float) -> str:
    return f"{value:.1f}" if abs(value) >= 1 or value == 0 else f"{value:.2f}"


def _p_text(p: float) -> str:
    return "p < .0001" if p < 1e-4 else f"p = {p:.4f}".replace("0.", ".", 1)


def _pooled_lines(scale: Scale, found: Pooled) -> list[str]:
    own = found.summary
    heard = ""
    if (middle := scale.d_prime(own.estimate)) is not None:
        ends = [scale.d_prime(x) for x in own.interval]
        heard = f", d' {middle:.2f} ({' to '.join('infinite' if x is None else f'{x:.2f}' for x in ends)})"
    tau, (tau_low, tau_high) = tau_of(own)
    lines = [
        f"Mean of {scale.name}: {_span_text(scale, own.estimate, own.interval)}{heard}.",
        f"Random effects over {own.studies} studies on {scale.pooled_as}: restricted maximum likelihood, Hartung and "
        f"Knapp's interval; against {scale.none_name} t = {own.statistic:.2f} on {own.df:.0f} df, "
        f"{_p_text(own.p_value)}.",
        f"Between studies: tau {tau:.2f} ({tau_low:.2f} to {tau_high:.2f}), I2 {100 * own.i_squared:.0f} %, "
        f"Q = {own.q:.2f} on {own.df:.0f} df, {_p_text(own.q_p_value)}.",
    ]
    if own.studies > 2:
        low, high = (_value(scale.shown(x)) for x in own.prediction_interval)
        lines.append(f"One more such study is expected from {low} to {high}{_unit(scale)}.")
    if found.exact is not None:
        told = _span_text(scale, found.exact.estimate, found.exact.interval)
        lines.append(f"By the binomial likelihood itself, with normal limits: {told}.")
    return lines


def _pooled_dict(scale: Scale, found: Pooled) -> dict[str, Any]:
    own: StudiesSummary = found.summary
    low, high = own.prediction_interval
    tau, tau_interval = tau_of(own)
    known = own.studies > 2
    return {
        "estimate": own.estimate,
        "interval": list(own.interval),
        "std_error": own.std_error,
        "statistic": own.statistic if isfinite(own.statistic) else None,
        "df": own.df,
        "p_value": own.p_value,
        "level": own.level,
        "method": own.method,
        "common_interval": list(own.common_interval),
        "tau": tau,
        "tau_interval": list(tau_interval),
        "q": own.q,
        "q_p_value": own.q_p_value,
        "i_squared": own.i_squared,
        "h_squared": own.h_squared,
        "prediction_interval": [low, high] if known else None,
        "weights": list(own.weights),
        "shown": {
            "estimate": scale.shown(own.estimate),
            "interval": [scale.shown(x) for x in own.interval],
            "prediction_interval": [scale.shown(low), scale.shown(high)] if known else None,
            "d_prime": scale.d_prime(own.estimate),
        },
        "exact_likelihood": None
        if found.exact is None
        else {"estimate": found.exact.estimate, "interval": list(found.exact.interval)},
        "cautions": list(found.cautions),
    }


def compare(
    bundles: Sequence[Path],
    *,
    claim: str = "",
    effect: str = "",
    out: Path | None = None,
    progress: Progress = lambda done, total, what: None,
) -> Comparison:
    """Put the studies of several evidence bundles (folders or ZIPs) side by side, and pool them where they are alike.

    Parameters
    ----------
    claim : its id in every bundle; the primary claim of each where none is named
    effect : the name of another effect than the one that the claim's word rests on ("labelled effect")
    out : a file ending in .svg or .png for the forest plot, or a folder for it, its data and the results

    Raises
    ------
    FoundWanting
        A bundle is not whole, or its record contradicts itself.
    BlindtestError
        A bundle can't be read, or has no such claim or effect.
    """
    if out is not None:
        _check_out(out)
    studies = _named([_read(path, claim, progress, place, len(bundles)) for place, path in enumerate(bundles)])
    against = objections(studies)
    scale, rows, own_scales = _estimates(studies, against, effect)
    made = pooled(scale, rows) if scale is not None and not against else None  # type: ignore[arg-type]
    shown = Comparison(
        studies=tuple(studies),
        design=design_words(studies) if len(studies) > 1 else "one study",
        scale=scale,
        rows=rows,
        own_scales=own_scales,
        objections=against,
        remarks=remarks(studies),
        pooled=made,
    )
    if out is None:
        return shown
    figure = forest_figure(_forest(shown)) if scale is not None else None
    return _written(replace(shown, figure=figure), out)


def _read(path: Path, claim: str, progress: Progress, place: int, total: int) -> Published:
    progress(place, total, str(path))
    # A study's folder, or that of its report, is taken for the bundle in it.
    within = [path / inner for inner in ("report/bundle", "bundle") if is_bundle(path / inner)]
    with opened(within[0] if path.is_dir() and not is_bundle(path) and within else path) as bundle:
        grade, found = verified_bundle(bundle)
        return read_published(bundle, found, claim, grade=grade)


def _named(studies: Sequence[Published]) -> list[Published]:
    """Give each study a short name unlike the others': that of its folder or ZIP, numbered where they are alike."""
    names = [file_stem(one.source) for one in studies]
    return [
        replace(one, name=f"{name} ({names[:place].count(name) + 1})" if names.count(name) > 1 else name)
        for place, (one, name) in enumerate(zip(studies, names, strict=True))
    ]


_OF_SCALES = ("kind", "method", "scale")


def _estimates(
    studies: Sequence[Published], against: Sequence[Objection], effect: str
) -> tuple[Scale | None, tuple[StudyEffect | None, ...], tuple[Scale | None, ...]]:
    """Return the common scale, estimates and scales; where scales differ each study's own, where it has one."""
    if not any(one.what in _OF_SCALES for one in against):
        scale, found = effects(studies, effect=effect)
        return scale, found, (scale,) * len(found)
    rows: list[StudyEffect | None] = []
    scales: list[Scale | None] = []
    for one in studies:
        try:
            own, (row,) = effects([one], effect=effect)
        except BlindtestError:
            own, row = None, None
        rows.append(row)
        scales.append(own)
    return None, tuple(rows), tuple(scales)


def _forest(shown: Comparison) -> Forest:
    scale = shown.scale
    if scale is None:
        raise ValueError("studies without a common scale have no forest plot")
    weights = shown.pooled.summary.weights if shown.pooled else (None,) * len(shown.rows)

    def row(name: str, estimate: float, interval: tuple[float, float], weight: float | None, counts: str) -> ForestRow:
        low, high = (scale.shown(x) for x in interval)
        return ForestRow(name=name, estimate=scale.shown(estimate), interval=(low, high), weight=weight, counts=counts)

    own = shown.pooled.summary if shown.pooled else None
    ahead = own.prediction_interval if own is not None and own.studies > 2 else None
    return Forest(
        title=f"{scale.name[:1].upper()}{scale.name[1:]} in {len(shown.rows)} studies",
        axis=f"{scale.name}, {scale.unit}" if scale.unit else scale.name,
        none=scale.none,
        none_name=scale.none_name,
        bounds=None if scale.guess is None else (0.0, 100.0),
        rows=tuple(
            row(one.study, one.estimate, one.interval, weight, one.counts)
            for one, weight in zip(shown.rows, weights, strict=True)
            if one is not None
        ),
        mean=None if own is None else row("mean of studies", own.estimate, own.interval, 1.0, "random effects"),
        one_more=None if ahead is None else (scale.shown(ahead[0]), scale.shown(ahead[1])),
    )


def _check_out(out: Path) -> None:
    """Refuse a place before anything is computed."""
    kind = out.suffix.lower()
    if kind in (".svg", ".png"):
        if not out.resolve().parent.is_dir():
            raise BlindtestError(Fault(problem="there is no such folder", file=str(out.parent), key="--out"))
    elif kind:
        raise WrongUse(
            Fault(
                problem="not a kind of figure", key="--out", got=str(out),
                allowed="a name ending in .svg or .png, or a folder",
            )
        )  # fmt: skip
    else:
        refuse_foreign(out, key="--out")


def _written(shown: Comparison, out: Path) -> Comparison:
    figure = shown.figure
    if out.suffix:
        if figure is None:
            raise BlindtestError(
                Fault(problem="studies without a common scale have no forest plot", key="--out", got=str(out))
            )
        write_figure_file(figure, out, key="--out")
        return replace(shown, files=(out,))
    extra = {
        "comparison.json": json.dumps(shown.to_dict(), indent=1, ensure_ascii=False, allow_nan=False) + "\n",
        "comparison.txt": shown.text() + "\n",
    }
    files = write_figures([figure] if figure else [], out, also=extra, key="--out")
    return replace(shown, files=files)
