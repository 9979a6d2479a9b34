"""Reading SOFA files (AES69) by the library sofar (extra `sofa`): impulse responses, their rate, and what is held."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blindtest.errors import BlindtestError, Fault, Missing

__all__ = ["SofaFile", "read_sofa_file"]

LEAD = 64
"""Samples put ahead of all paths alike where one is late by a part of a sample: room for what rings ahead of it."""
LONGEST_DELAY_S = 10.0
"""More than this is no delay of a measurement; our rule."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SofaFile:
    """What a file of data type FIR or FIR-E holds."""

    samples: NDArray[np.float64]
    """(measurements, receivers, samples), or (measurements, receivers, emitters, samples); each behind its delay."""
    rate: float
    """Hz, as it stands there."""
    places: NDArray[np.float64]
    """(sources, 3) SourcePosition, in whatever coordinates it is kept."""
    held: Any
    """All of it, as the library gives it: positions and their kinds by name."""


def read_sofa_file(path: Path, *, instead: str) -> SofaFile:
    """Read a SOFA file.

    instead : what else could be exported as WAV where the library is missing

    Raises
    ------
    Missing
        The library is not installed.
    BlindtestError
        There is no such file, or it holds no impulse responses.
    """
    try:
        import sofar  # type: ignore[import-untyped]
    except ImportError as error:
        raise Missing(
            Fault(
                problem="reading SOFA files needs the library sofar",
                file=str(path),
                remedy=f"install it: pip install 'blindtest[sofa]', or export {instead} as WAV",
            )
        ) from error
    if not path.exists():
        raise BlindtestError(Fault(problem="there is no such file", remedy="check the name and the folder"))
    try:
        held = sofar.read_sofa(str(path), verify=False, verbose=False)
        samples, rate = np.asarray(held.Data_IR, dtype=np.float64), float(np.atleast_1d(held.Data_SamplingRate)[0])
        if samples.ndim == 4 and str(held.GLOBAL_DataType) == "FIR-E":
            samples = np.moveaxis(samples, 3, 2)  # emitters come last there, as they did not in the FIRE of old
        return SofaFile(
            samples=_late(samples, np.asarray(getattr(held, "Data_Delay", 0.0), dtype=np.float64), rate),
            rate=rate,
            places=np.atleast_2d(np.asarray(held.SourcePosition, dtype=np.float64)),
            held=held,
        )
    except Exception as error:  # whatever the library finds wrong with a file is a fault of the file
        reason = str(error).splitlines()[0][:120] if str(error) else type(error).__name__
        problem = f"can't be read as SOFA impulse responses: {reason}"
        raise BlindtestError(Fault(problem=problem, remedy="export it again, data type FIR")) from None


def _late(samples: NDArray[np.float64], delay: NDArray[np.float64], rate: float) -> NDArray[np.float64]:
    """Return `samples` (..., n) with the file's delays in samples put ahead of them; as they are where all are 0.

    AES69, Data.Delay: one for each path, or alike for all measurements. Some files hold what one ear hears later there
    and nowhere else.
    """
    late = np.broadcast_to(delay, samples.shape[:-1])
    if not np.all((late >= 0.0) & (late <= LONGEST_DELAY_S * rate)):
        raise ValueError(f"delays of {late.min():g} to {late.max():g} samples")
    if not late.any():
        return samples
    whole = np.floor(late).astype(np.int64)
    lead = 0 if np.array_equal(late, whole) else LEAD
    count = samples.shape[-1]
    behind = np.zeros((*samples.shape[:-1], 2 * lead + int(whole.max()) + count))
    for place in np.ndindex(late.shape):
        first = lead + int(whole[place])
        behind[(*place, slice(first, first + count))] = samples[place]
    if lead:
        turns = np.fft.rfftfreq(behind.shape[-1]) * (late - whole)[..., None]
        behind = np.fft.irfft(np.fft.rfft(behind) * np.exp(-2j * np.pi * turns), behind.shape[-1])
    return behind
