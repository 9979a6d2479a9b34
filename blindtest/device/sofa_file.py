"""Reading SOFA files (AES69) by the library sofar (extra `sofa`): impulse responses, their rate, and what is held."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blindtest.errors import BlindtestError, Fault, Missing

__all__ = ["SofaFile", "read_sofa_file"]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SofaFile:
    """What a file of data type FIR or FIR-E holds."""

    samples: NDArray[np.float64]
    """(measurements, receivers, samples), or (measurements, receivers, emitters, samples)."""
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
        return SofaFile(
            samples=np.asarray(held.Data_IR, dtype=np.float64),
            rate=float(np.atleast_1d(held.Data_SamplingRate)[0]),
            places=np.atleast_2d(np.asarray(held.SourcePosition, dtype=np.float64)),
            held=held,
        )
    except Exception as error:  # whatever the library finds wrong with a file is a fault of the file
        reason = str(error).splitlines()[0][:120] if str(error) else type(error).__name__
        problem = f"can't be read as SOFA impulse responses: {reason}"
        raise BlindtestError(Fault(problem=problem, remedy="export it again, data type FIR")) from None
