"""Targets: what a device shall become, from a file, a field's table or several devices, tilted and shelved.

A target is a `Response` like any other; `read_response` reads one from a text file. Those made here are made for the
ear they are heard with: a field curve is that of average ears, and no rig's own (`field`). None of them is a prediction
of what will be liked: that is what the test is for.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from .correction_curve import ALIGN_HZ
from .field import diffuse_field_curve, free_field_curve
from .response import Response, average_seatings, channel_mean, interpolated, level_between
from .sections import Section, section_level_db

__all__ = ["BASS_HZ", "TREBLE_HZ", "field_target", "flat_target", "shaped_target", "target_of_devices"]

Floats = NDArray[np.float64]
Band = tuple[float, float]

TILT_ABOUT_HZ = 1000.0
BASS_HZ = 105.0
TREBLE_HZ = 2500.0
"""Where a shelf has half its gain, if nothing is said; our choice, no standard's."""
SHELF_Q = 0.7071067811865476
"""The steepest shelf that doesn't overshoot."""
_FLAT_HZ = (5.0, 40_000.0)
_POINTS_PER_OCTAVE = 48


def flat_target() -> Response:
    """Return 0 dB from 5 Hz to 40 kHz."""
    return Response(frequency=np.array(_FLAT_HZ), magnitude=np.zeros((2, 1)), remarks=("flat",))


def field_target(field: str) -> Response:
    """Return the level at the eardrum in a "diffuse" or "free" field: what a device shall do that sounds like it.

    The published table of ISO 11904-1:2002 for average ears (`field`), held under 100 Hz and over 16 kHz.
    """
    curves = {"diffuse": diffuse_field_curve, "free": free_field_curve}
    if field not in curves:
        raise ValueError(f"field must be 'diffuse' or 'free', got {field!r}")
    own = curves[field]()
    # Its ends are held as everywhere; the remark says so, since a target from 100 Hz up would leave the bass alone.
    frequency = np.concatenate(([_FLAT_HZ[0]], own.frequency, [_FLAT_HZ[1]]))
    magnitude = np.concatenate((own.magnitude[:1], own.magnitude, own.magnitude[-1:]))
    remark = f"held under {own.frequency[0]:g} Hz and over {own.frequency[-1]:g} Hz"
    return replace(own, frequency=frequency, magnitude=magnitude, remarks=(*own.remarks, remark))


def target_of_devices(responses: Sequence[Response], *, align_hz: Band = ALIGN_HZ) -> Response:
    """Return the mean of several devices in dB, each brought to 0 dB on average over `align_hz` before.

    Of several channels the mean is taken. Devices on different grids are read on the finest of them, within what all
    cover. Raises as `average_seatings`: none at all, different rigs, nothing in common.
    """
    levelled = [
        replace(
            mean := channel_mean(one),
            magnitude=mean.magnitude - level_between(mean.frequency, mean.magnitude[:, 0], *align_hz),
            phase=None,
        )
        for one in responses
    ]
    average = average_seatings(levelled).response
    return replace(average, remarks=(*average.remarks, f"mean of {len(levelled)} devices"))


def shaped_target(
    base: Response,
    *,
    tilt_db_per_octave: float = 0.0,
    bass_db: float = 0.0,
    bass_hz: float = BASS_HZ,
    treble_db: float = 0.0,
    treble_hz: float = TREBLE_HZ,
) -> Response:
    """Return a target with a tilt about 1 kHz, and with shelves in bass and treble, added.

    Parameters
    ----------
    tilt_db_per_octave : float
        Positive is brighter; 0 dB at 1 kHz.
    bass_db, treble_db : float, dB
        A low and a high shelf after the Audio EQ Cookbook's prototype, Q 0.707; half of it at `bass_hz`, `treble_hz`.

    Notes
    -----
    The curve is read on 48 points an octave beside its own, so that a shelf is one between far points too. With nothing
    to add the target comes back as it is.
    """
    if not (bass_hz > 0 and treble_hz > 0 and np.all(np.isfinite([tilt_db_per_octave, bass_db, treble_db]))):
        raise ValueError("shelves need frequencies above 0, and all numbers must be finite")
    if not (tilt_db_per_octave or bass_db or treble_db):
        return base
    low, high = float(base.frequency[0]), float(base.frequency[-1])
    fine = np.geomspace(low, high, max(2, int(np.ceil(np.log2(high / low) * _POINTS_PER_OCTAVE)) + 1))
    # A point that nearly meets one of the base's own would make a slope over nothing.
    apart = np.min(np.abs(np.log(fine[:, None] / base.frequency[None, :])), axis=1) > 1e-6
    frequency = np.sort(np.concatenate((base.frequency, fine[apart])))
    shelves = [
        Section(type="low-shelf", frequency_hz=bass_hz, gain_db=bass_db, q=SHELF_Q),
        Section(type="high-shelf", frequency_hz=treble_hz, gain_db=treble_db, q=SHELF_Q),
    ]
    added = tilt_db_per_octave * np.log2(frequency / TILT_ABOUT_HZ) + section_level_db(shelves, frequency)
    words = [
        f"tilt {tilt_db_per_octave:+g} dB/octave" if tilt_db_per_octave else "",
        f"bass {bass_db:+g} dB at {bass_hz:g} Hz" if bass_db else "",
        f"treble {treble_db:+g} dB at {treble_hz:g} Hz" if treble_db else "",
    ]
    return Response(
        frequency=frequency,
        magnitude=interpolated(base, frequency) + added[:, None],
        channels=base.channels,
        remarks=(*base.remarks, ", ".join(word for word in words if word)),
        sources=base.sources,
        rig=base.rig,
    )
