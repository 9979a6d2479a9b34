"""The filters of a bundle, designed again from its measurements; no audio is needed for that."""

import re
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np

from blindtest.audio import read_clip
from blindtest.nouns import number_of
from blindtest.render import render
from blindtest.steps.bundle.checks.workplace import Workplace
from blindtest.steps.bundle.opening import OpenedBundle
from blindtest.steps.corrections import designed, filter_files
from blindtest.steps.evidence.bundle import applied_filters
from blindtest.steps.verification import Finding
from blindtest.study import render_job

__all__ = ["check_filters"]

FOLDER, FIXED = "filters/", "stimuli/fixed.toml"
_RATE = re.compile(r"-(\d{4,6})\.wav$")
NEAR_SAMPLE = 1e-6
"""Full scale 1: half of a step of 20 bits, far below what a filter's length leaves."""
NEAR_DB = 0.00021


def check_filters(bundle: OpenedBundle, work: Workplace, place: Path) -> Finding:
    """Design every filter again, in the empty folder `place`, and hold each file against the one that is there."""
    there = [name for name in bundle.names if name.startswith(FOLDER)]
    what = f"{number_of(len(there), 'file')} of filters, designed again from the measurements"
    rates = sorted({int(match[1]) for name in there if (match := _RATE.search(name))})
    made: dict[str, bytes] = {}
    job = render_job(work.study)
    for rate in rates:
        own = place / str(rate)
        own.mkdir(parents=True)
        if FIXED in bundle.names:
            shutil.copyfile(bundle.path(FIXED), own / "fixed.toml")
        applied = applied_filters(render(replace(job, clips=(), rate_hz=rate), own))
        made |= {name: content for name, content in applied.items() if isinstance(content, bytes)}
    made |= filter_files(designed(work.study, {str(rate): rate for rate in rates}))
    same = [name for name in there if made.get(name) == bundle.path(name).read_bytes()]
    others = [name for name in there if name not in same]
    wrong = [name for name in others if name not in made or not _near(bundle.path(name), made[name], place)]
    told = f"{len(same)} byte for byte the same"
    if others:
        told += f", {len(others)} within rounding: another platform rounds otherwise"
    return Finding(ok=not wrong, what=what, detail=f"differs in {', '.join(wrong[:5])}" if wrong else told)


def _near(one: Path, made: bytes, place: Path) -> bool:
    """Return whether two files hold the same filter but for rounding: samples, or numbers among the same words."""
    if one.suffix == ".wav":
        other = place / "made.wav"
        other.write_bytes(made)
        first, second = read_clip(one), read_clip(other)
        alike = first.frames.shape == second.frames.shape and first.rate == second.rate
        return alike and bool(np.max(np.abs(first.frames - second.frames), initial=0.0) <= NEAR_SAMPLE)
    ours, theirs = made.decode().split(), one.read_bytes().decode("utf-8").split()
    return len(ours) == len(theirs) and all(map(_alike, ours, theirs))


def _alike(one: str, other: str) -> bool:
    if one == other:
        return True
    try:
        return abs(float(one) - float(other)) <= NEAR_DB
    except ValueError:
        return False
