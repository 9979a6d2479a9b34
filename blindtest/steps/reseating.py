"""What a difference between two units is held against: reseating, and other samples, in words from the measurements."""

from blindtest.errors import BlindtestError
from blindtest.study import Study, Unit, reseating_of, units_apart

__all__ = ["reseating_words"]


def reseating_words(study: Study, pairs: list[tuple[str, str]], band_hz: tuple[float, float]) -> tuple[str, ...]:
    """Return sentences on each pair of units that a claim compares: their difference beside what reseating makes.

    `pairs`: ids of the units whose responses the two conditions apply, '' where there is none.
    """
    out: list[str] = []
    said: set[frozenset[str]] = set()
    low, high = band_hz
    over = f"from {low:g} to {high:g} Hz, both brought to the same mean"
    for first, second in pairs:
        if not first or not second or frozenset((first, second)) in said:
            continue
        said.add(frozenset((first, second)))
        try:
            out += _pair(study, study.unit(first), study.unit(second), band_hz, over)
        except BlindtestError:
            continue  # said where the measurements are listed
    return tuple(out)


def _pair(study: Study, one: Unit, other: Unit, band_hz: tuple[float, float], over: str) -> list[str]:
    out = []
    difference = None
    if one.id != other.id:
        difference = units_apart(study, one, other, band_hz).rms_db
        kind = _kinship(one, other)
        out.append(f"{one.name} and {other.name}{kind} lie {difference:.1f} dB RMS apart as measured, {over}.")
    for unit in dict.fromkeys((one.id, other.id)):
        own = study.unit(unit)
        found = reseating_of(study, own, band_hz)
        if found is None:
            out.append(
                f"{own.name} was measured once: how much of a difference is no more than putting it on again is "
                "unknown."
            )
            continue
        text = (
            f"Two seatings of {own.name} lie {found.rms_db:.1f} dB RMS apart on average, "
            f"{found.worst_rms_db:.1f} dB at most ({own.seatings} seatings)."
        )
        if difference is not None and difference <= found.worst_rms_db:
            text += (
                " So the difference between the two units is no larger than that of reseating: it may be no property "
                "of the unit."
            )
        out.append(text)
    samples = [
        unit
        for unit in study.units
        if unit.id not in (one.id, other.id) and unit.sample_of and unit.sample_of in (one.id, other.id)
    ]
    for sample in samples:
        own = study.unit(sample.sample_of)
        spread = units_apart(study, own, sample, band_hz).rms_db
        text = f"Two samples of one model, {own.name} and {sample.name}, lie {spread:.1f} dB RMS apart."
        if difference is not None and difference <= spread:
            text += " So the difference between the two units is no larger than that between samples."
        out.append(text)
    return out


def _kinship(one: Unit, other: Unit) -> str:
    if one.sample_of == other.id or other.sample_of == one.id or (one.sample_of and one.sample_of == other.sample_of):
        return ", two samples of one model,"
    return ""
