"""Corrections of a study as designed: what each leaves and needs, and its filter as files to take away."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from blindtest.render import CorrectionStage
from blindtest.study import Study, render_job

if TYPE_CHECKING:
    from blindtest.device import Correction

__all__ = ["Designed", "designed", "filter_files"]

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
        """The impulse response, and the level curve as text."""
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
        return (
            f"Correction of {self.unit} towards {self.target} in '{self.condition}', {made.rate} Hz: error "
            f"{made.rms_before_db:.2f} dB before, {made.rms_error_db:.2f} dB after (r.m.s., {made.band_hz[0]:.0f} to "
            f"{made.band_hz[1]:.0f} Hz), {made.worst_error_db:+.2f} dB at worst, at {made.worst_error_hz:.0f} Hz; in a "
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
    from blindtest.device import correction_fir

    targets = {
        (one.id, stage.correction.unit): stage.correction.target
        for one in study.conditions
        for stage in one.stages
        if stage.correction is not None
    }
    if not targets:
        return ()
    return tuple(
        Designed(
            condition=condition.id,
            unit=study.unit(stage.unit_id).name,
            target=targets.get((condition.id, stage.unit_id), ""),
            correction=correction_fir(
                stage.response,
                stage.target,
                rate,
                align_hz=stage.align_hz,
                band_hz=stage.band_hz,
                max_boost_db=stage.max_boost_db,
            ),
        )
        for condition in render_job(study).conditions
        for stage in condition.stages
        if isinstance(stage, CorrectionStage)
        for rate in dict.fromkeys(rates.values())
    )


def filter_files(made: tuple[Designed, ...]) -> dict[str, bytes]:
    """Return the files of corrections by name: impulse responses (WAV, 32-bit float) and level curves (text)."""
    from blindtest.device import correction_text, correction_wav

    files = {}
    for one in made:
        wav, text = one.file_names
        files[wav] = correction_wav(one.correction)
        about = (f"correction of {one.unit} towards {one.target}", f"rate_hz: {one.correction.rate}")
        files[text] = correction_text(one.correction, about=about).encode()
    return files
