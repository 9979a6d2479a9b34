"""Corrections of a study as designed: what each leaves and needs, and its filter as files to take away."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from blindtest.device import (
    SectionCorrection,
    coefficients_json,
    coefficients_text,
    correction_fir,
    correction_text,
    correction_wav,
    sections_text,
)
from blindtest.render import CorrectionStage, SectionStage
from blindtest.study import Study, StudyCorrection, render_job, target_words

if TYPE_CHECKING:
    from blindtest.device import Correction

__all__ = ["Designed", "correction_in_chain", "designed", "filter_files"]

USUAL_RATES = (44_100, 48_000, 88_200, 96_000, 176_400, 192_000)
FOLDER = "filters"
WHY_HELD_BACK = {
    "notch": "a narrow dip is not filled",
    "boost": "the boost ends at its limit",
    "spread": "the seatings lie too far apart to be sure of the dip",
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Designed:
    """A correction at one sample rate."""

    condition: str
    unit: str
    """Name of the unit that is corrected."""
    target: str
    """File of the target, as the study names it."""
    correction: "Correction"

    @property
    def name(self) -> str:
        """What its files are called, without what they end in."""
        return f"{FOLDER}/{self.condition}-{self.correction.rate}"

    @property
    def file_names(self) -> tuple[str, ...]:
        """The impulse response, and the level curve as text; or the sections and their coefficients, of all rates."""
        if isinstance(self.correction, SectionCorrection):
            own = f"{FOLDER}/{self.condition}"
            return f"{own}-sections.csv", f"{own}-coefficients.csv", f"{own}-coefficients.json", f"{self.name}.wav"
        return f"{self.name}.wav", f"{self.name}.txt"

    @property
    def sentence(self) -> str:
        """What it leaves, and the headroom it needs."""
        made = self.correction
        held = "".join(
            f"\n  From {one.low_hz:.0f} to {one.high_hz:.0f} Hz {WHY_HELD_BACK[one.by]}: up to {one.worst_db:.1f} dB "
            "of the measured dip is left."
            for one in made.held_back
        )
        held += "".join(
            f"\n  From {one.low_hz:.0f} to {one.high_hz:.0f} Hz the seatings lie up to {one.worst_db:.1f} dB apart "
            "(standard deviation): the measurement is too uncertain to be corrected."
            for one in made.uncertain
        )
        held += "".join(f"\n  Switched off from {low:g} to {high:g} Hz." for low, high in made.without_hz)
        filter_words = ""
        if isinstance(made, SectionCorrection):
            filter_words = f" by {len(made.chain)} section{'' if len(made.chain) == 1 else 's'}"
        return (
            f"Correction of {self.unit} towards {self.target}{filter_words} in '{self.condition}', {made.rate} Hz: "
            f"error {made.rms_before_db:.2f} dB before, {made.rms_error_db:.2f} dB after "
            f"(r.m.s., {made.band_hz[0]:.0f} to {made.band_hz[1]:.0f} Hz), {made.worst_error_db:+.2f} dB at worst, at "
            f"{made.worst_error_hz:.0f} Hz; in a "
            f"player of your own lower the programme by {made.headroom_db:.1f} dB before it.{held}"
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, curves left out."""
        found = {key: value for key, value in self.correction.to_dict().items() if key not in _CURVES}
        return {"condition": self.condition, "unit": self.unit, "target": self.target, **found}


_CURVES = ("frequency_hz", "response_db", "target_db", "gain_db", "error_db")


def designed(study: Study, rates: Mapping[str, int]) -> tuple[Designed, ...]:
    """Return every correction of the study, at each of the clips' sample rates.

    Parameters
    ----------
    rates : Hz by clip, as rendered
    """
    named = {
        (condition.id, stage.correction.unit): target_words(stage.correction)
        for condition in study.conditions
        for stage in condition.stages
        if stage.correction is not None
    }
    if not named:
        return ()
    return tuple(
        Designed(
            condition=condition.id,
            unit=study.unit(stage.unit_id).name,
            target=named.get((condition.id, stage.unit_id), ""),
            correction=_at_rate(stage, rate),
        )
        for condition in render_job(study).conditions
        for stage in condition.stages
        if isinstance(stage, CorrectionStage | SectionStage)
        for rate in dict.fromkeys(rates.values())
    )


def _at_rate(stage: CorrectionStage | SectionStage, rate: int) -> "Correction":
    if isinstance(stage, SectionStage):
        return stage.correction.at_rate(rate)
    return correction_fir(
        stage.response,
        stage.target,
        rate,
        align_hz=stage.align_hz,
        band_hz=stage.band_hz,
        max_boost_db=stage.max_boost_db,
        smoothing=stage.smoothing,
        limits=stage.known_limits,
    )


def correction_in_chain(study: Study, own: StudyCorrection) -> str:
    """Return what a correction is, as one stage of a chain, in words."""
    low, high = own.band_hz
    words = f"the correction of {study.unit(own.unit).name} towards {target_words(own)} from {low:g} to {high:g} Hz, "
    if isinstance(own.sections, str):
        words += f"by the sections of {own.sections}"
    else:
        words += f"boost up to {own.max_boost_db:g} dB, {own.phase} phase"
        words += "" if own.sections is None else f", by at most {own.sections} second-order sections"
    if own.max_boost_points:
        words += ", the boost limited over frequency"
    if own.seating_sd:
        words += f", boosts held back by {own.seating_sd:g} standard deviations over the seatings"
    return words + "".join(f", switched off from {low:g} to {high:g} Hz" for low, high in own.without_hz)


def filter_files(made: tuple[Designed, ...]) -> dict[str, bytes]:
    """Return the files of corrections by name: impulse responses (WAV, 32-bit float), and what belongs to them.

    Of an FIR the level curve as text; of sections the list (the form that a study reads) and the coefficients at the
    usual sample rates and those of the clips, as CSV and as JSON.
    """
    files: dict[str, bytes] = {}
    for one in made:
        about = (f"correction of {one.unit} towards {one.target}", f"rate_hz: {one.correction.rate}")
        if isinstance(one.correction, SectionCorrection):
            own = one.correction
            needs = f"lower_programme_by_db: {own.headroom_db:.2f}"
            lowest = 2 * max((section.frequency_hz for section in own.chain), default=0.0)
            rates = sorted({rate for rate in (*USUAL_RATES, own.rate) if rate > lowest})
            listed, table, structured, wav = one.file_names
            files[listed] = sections_text(own.chain, about=(about[0], needs)).encode()
            files[table] = coefficients_text(own.chain, rates, about=(about[0], needs)).encode()
            files[structured] = coefficients_json(own, rates).encode()
            files[wav] = correction_wav(own)
        else:
            wav, text = one.file_names
            files[wav] = correction_wav(one.correction)
            files[text] = correction_text(one.correction, about=about).encode()
    return files
