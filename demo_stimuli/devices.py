"""The demo's four headphones, which don't exist, and a target: their responses are written down here.

Levels are dB SPL at the eardrum of an imagined ear simulator. Each device is the diffuse-field response of an average
ear (ISO 11904-1:2002, as the device room has it) with the character of a headphone added; each seating moves that a
little, as a headphone taken off and put on again does: the seal at the ear in the bass, the place of resonances in the
treble. One device, one dialect of text file, since benches differ; a revision is measured on its forerunner's bench.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from blindtest.device import diffuse_field_curve, interpolated

Curve = NDArray[np.float64]

SEATINGS = 5
SEED = 20261126
RIG = "demo ear simulator (invented)"


@dataclass(frozen=True, kw_only=True)
class Device:
    """How an invented headphone measures: dB over frequency, and how a seating changes it."""

    name: str
    level_db_spl: float
    low_shelf: tuple[float, float]
    """Hz, dB: the bass against the midrange."""
    low_cut_hz: float
    """Where the bass is 3 dB down, second order."""
    bands: tuple[tuple[float, float, float], ...]
    """Hz, octaves, dB: bumps and dips."""
    tilt_db: float
    """dB an octave above 1 kHz."""
    seal_db: float
    """Standard deviation of the bass from seating to seating at 40 Hz."""
    points_per_octave: int
    drivers_of: str = ""
    """Whose pair of drivers it has, with what makes them differ; '' for its own."""


DEVICES = {
    "heron": Device(
        name="Heron",
        level_db_spl=93.0,
        low_shelf=(120.0, 0.8),
        low_cut_hz=25.0,
        bands=((1400, 0.8, -0.8), (3100, 0.5, 0.6), (5600, 0.35, 1.5), (9300, 0.3, 1.2), (12800, 0.3, -3.0)),
        tilt_db=-0.9,
        seal_db=0.35,
        points_per_octave=24,
    ),
    "plover": Device(
        name="Plover",
        level_db_spl=97.0,
        low_shelf=(150.0, 3.4),
        low_cut_hz=16.0,
        bands=(
            (240, 0.7, -1.2),
            (1500, 0.8, 0.9),
            (3300, 0.5, -0.6),
            (4700, 0.3, -1.2),
            (7900, 0.3, 1.6),
            (11500, 0.35, -2.5),
        ),
        tilt_db=-1.4,
        seal_db=1.1,
        points_per_octave=48,
    ),
    "wren": Device(
        name="Wren",
        level_db_spl=101.5,
        low_shelf=(110.0, 2.4),
        low_cut_hz=18.0,
        bands=((600, 1.2, 0.5), (2600, 0.5, -0.8), (6300, 0.3, 1.5), (8800, 0.25, -2.4), (13500, 0.4, 1.5)),
        tilt_db=-1.1,
        seal_db=0.6,
        points_per_octave=12,
    ),
}
DEVICES["finch"] = replace(
    DEVICES["plover"],
    name="Finch",
    level_db_spl=97.4,
    low_shelf=(150.0, 3.5),
    bands=(
        (240, 0.7, -1.2),
        (1500, 0.8, 0.9),
        (3300, 0.5, -0.6),
        (4700, 0.3, -1.1),
        (7900, 0.3, 1.5),
        (11500, 0.35, -2.5),
    ),
    drivers_of="plover",
)
"""Plover's costlier revision: other cloth, another name, the same driver."""

TARGET_TILT_DB = -0.7
"""dB an octave above 1 kHz."""
TARGET_SHELF = (105.0, 6.0)
"""Hz, dB."""


def response(device: Device, frequency: Curve, *, bass_db: float = 0.0, stretch: float = 1.0) -> Curve:
    """Return dB SPL at `frequency`; `bass_db` moves the bass, `stretch` the resonances above 2 kHz along the axis."""
    moved = np.where(frequency > 2000, frequency * stretch ** np.clip(np.log2(frequency / 2000), 0, 1), frequency)
    level = device.level_db_spl + interpolated(diffuse_field_curve(), np.clip(moved, 20, 20_000))[:, 0]
    corner, gain = device.low_shelf
    level = level + (gain + bass_db) / (1.0 + (frequency / corner) ** 2)
    level = level - 10.0 * np.log10(1.0 + (device.low_cut_hz / frequency) ** 4)
    level = level + device.tilt_db * np.clip(np.log2(moved / 1000), 0, None)
    for centre, octaves, peak in device.bands:
        level = level + peak * np.exp(-0.5 * (np.log2(moved / centre) / octaves) ** 2 * 2.0)
    return level - 6.0 * np.clip(np.log2(frequency / 15_500), 0, None) ** 2 * 8.0  # the drivers' upper end


def seatings(name: str) -> tuple[Curve, list[Curve]]:
    """Return the frequencies and, for each seating, levels (bins, 2): left and right."""
    device = DEVICES[name]
    count = int(np.floor(np.log2(1000.0) * device.points_per_octave)) + 1
    frequency = 20.0 * 2.0 ** (np.arange(count) / device.points_per_octave)
    rng = _noise_of(name)
    sides = [_smooth_noise(rng, frequency, 0.35) for _ in range(2)]  # left and right drivers differ for good
    if device.drivers_of:
        theirs = _noise_of(device.drivers_of)
        sides = [_smooth_noise(theirs, frequency, 0.35) for _ in range(2)]
    results = []
    for _ in range(SEATINGS):
        columns = []
        for side in sides:
            bass_db = rng.normal(0, device.seal_db)
            level = response(device, frequency, bass_db=bass_db, stretch=float(np.exp(rng.normal(0, 0.018))))
            scatter = _smooth_noise(rng, frequency, 1.0) * (0.08 + 0.9 * np.clip(np.log2(frequency / 3000) / 2.5, 0, 1))
            columns.append(level + side + scatter + rng.normal(0, 0.1))
        results.append(np.stack(columns, axis=1))
    return frequency, results


def _noise_of(name: str) -> np.random.Generator:
    return np.random.default_rng([SEED, list(DEVICES).index(name)])


def _smooth_noise(rng: np.random.Generator, frequency: Curve, size_db: float) -> Curve:
    knots = np.linspace(np.log2(18), np.log2(22_000), 34)  # about three an octave
    values = rng.standard_normal(len(knots)) * size_db
    return np.interp(np.log2(frequency), knots, np.convolve(np.pad(values, 1, mode="edge"), [0.25, 0.5, 0.25], "valid"))


def _tabs(name: str, seating: int, frequency: Curve, level: Curve) -> bytes:
    """Return a file as one bench writes it: comment lines, a header with units, tabs."""
    lines = [
        f"* {DEVICES[name].name}, open-back headphone. INVENTED for the demo of blindtest: no such device exists.",
        f"* Rig: {RIG}. Seating {seating} of {SEATINGS}.",
        "Freq (Hz)\tLeft (dB SPL)\tRight (dB SPL)",
        *(f"{f:.3f}\t{left:.2f}\t{right:.2f}" for f, (left, right) in zip(frequency, level, strict=True)),
    ]
    return ("\n".join(lines) + "\n").encode()


def _semicolons(name: str, seating: int, frequency: Curve, level: Curve) -> bytes:
    """Return a file as another writes it: semicolons, decimal commas, CRLF, Latin-1."""
    lines = [
        f"# {DEVICES[name].name}, geschlossener Kopfhörer. Für die Vorführung erfunden: Es gibt kein solches Gerät.",
        f"# Messplatz: {RIG}. Sitz {seating} von {SEATINGS}.",
        "Frequency [Hz];Left [dB SPL];Right [dB SPL]",
        *(
            f"{f:.2f};{left:.2f};{right:.2f}".replace(".", ",")
            for f, (left, right) in zip(frequency, level, strict=True)
        ),
    ]
    return ("\r\n".join(lines) + "\r\n").encode("latin-1")


def _kilohertz(name: str, seating: int, frequency: Curve, level: Curve) -> bytes:
    """Return a file as a third writes it: kHz from the top down, commas, UTF-8 with a byte order mark."""
    rows = list(zip(frequency, level, strict=True))[::-1]
    lines = [
        f"# {DEVICES[name].name}, headphone for playback. Invented for the demo of blindtest; no such device exists.",
        f"# Rig: {RIG}; seating {seating} of {SEATINGS}",
        "frequency_kHz,left_dB_SPL,right_dB_SPL",
        *(f"{f / 1000:.6f},{left:.2f},{right:.2f}" for f, (left, right) in rows),
    ]
    return ("\n".join(lines) + "\n").encode("utf-8-sig")


DIALECTS: dict[str, Callable[[str, int, Curve, Curve], bytes]] = {
    "heron": _tabs,
    "plover": _semicolons,
    "wren": _kilohertz,
    "finch": _semicolons,
}


def target_file() -> bytes:
    """Return an invented target for headphones: the average ear in a diffuse field, more bass, less treble."""
    frequency = 20.0 * 2.0 ** (np.arange(10 * 12) / 12)
    corner, gain = TARGET_SHELF
    level = interpolated(diffuse_field_curve(), frequency)[:, 0]
    level = level + gain / (1.0 + (frequency / corner) ** 2)
    level = level + TARGET_TILT_DB * np.clip(np.log2(frequency / 1000), 0, None)
    lines = [
        "* A target for headphones at the eardrum. INVENTED for the demo of blindtest: nobody was asked for it.",
        "* Only its shape counts; the correction is aligned to it in a stated band.",
        "Freq (Hz)\tSPL (dB)",
        *(f"{f:.2f}\t{value:.2f}" for f, value in zip(frequency, level, strict=True)),
    ]
    return ("\n".join(lines) + "\n").encode()


def measurement_files(name: str) -> dict[str, bytes]:
    """Return {path under measurements/: content} of a device's seatings."""
    frequency, levels = seatings(name)
    return {
        f"{name}/seating-{k}.txt": DIALECTS[name](name, k, frequency, level) for k, level in enumerate(levels, start=1)
    }
