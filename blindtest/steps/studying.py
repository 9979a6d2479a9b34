"""The folder a user writes: made, looked at, rendered."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

from blindtest.errors import Fault, WrongUse
from blindtest.nouns import number_of
from blindtest.render import Rendered
from blindtest.stats import PanelChances, StoppedChances
from blindtest.steps.cluster import hands_at
from blindtest.steps.corrections import Designed, designed
from blindtest.steps.harmonics import Added, added_harmonics
from blindtest.steps.keeping import closing_reminder, keeping_reminder
from blindtest.steps.place import Clock, Progress, now, open_store, refuse_open_sittings, stimuli_folder
from blindtest.steps.quotes import quote_faults
from blindtest.steps.recordings import Aligned, aligned_recordings
from blindtest.steps.second_rate import render_both, second_dict, second_words
from blindtest.steps.several import several_chances, several_faults
from blindtest.steps.stopping_rules import rule_chances, rule_faults
from blindtest.steps.storage import has_record, look_at_storage
from blindtest.study import (
    AttributeReach,
    Examined,
    PreferenceReach,
    RatedReach,
    Reach,
    RuledReach,
    ScaleReach,
    StageReach,
    Study,
    UnreliableReach,
    compared,
    examine,
    is_path,
    json_schema,
    list_protocols,
    load_study,
    new_study,
    new_study_from,
    no_such_protocol,
    pair_study,
    render_job,
    tested_clips,
)

__all__ = ["Checked", "RenderShown", "check", "new", "pair", "render", "schema"]

Plan = Reach | PreferenceReach | AttributeReach | RatedReach | RuledReach | ScaleReach | StageReach | UnreliableReach
"""What the plan of a claim can show and refute."""

TOGETHER = "That is what one listener's answers say; all answers together:"


def new(folder: Path, *, protocol: str | None = None, old: Path | None = None) -> tuple[Path, ...]:
    """Write a study folder to fill in, and return its files.

    Parameters
    ----------
    protocol : a name; None for 'abx', or for that of the old study
    old : a study whose clips, anchors, loudness and rig are kept; the register goes on counting its plans

    Raises
    ------
    WrongUse
        No protocol has that name.
    BlindtestError
        The folder holds something, or the old study or the protocol's file can't be used.
    """
    if protocol is not None and not is_path(protocol) and protocol not in list_protocols():
        raise WrongUse(replace(no_such_protocol(protocol), key="--protocol"))
    if old is None:
        new_study(folder, protocol or "abx")
    else:
        new_study_from(folder, old, protocol, plans_sealed=_plans_sealed(old))
    return tuple(sorted(path for path in folder.rglob("*") if path.is_file()))


def _plans_sealed(folder: Path) -> int:
    study = load_study(folder)
    if not has_record(study):
        return 0
    with open_store(study, create=False) as store:
        return len(store.sittings())


def pair(first: Path, second: Path, *, folder: Path | None = None, align: bool = False) -> Path:
    """Make a study of two audio files, and return its folder: `folder`, or one named after them, made here."""
    made = folder or _free_name(Path(f"{first.stem}-against-{second.stem}"))
    pair_study(made, first, second, align=align)
    return made


def _free_name(wanted: Path) -> Path:
    if not wanted.exists():
        return wanted
    return next(numbered for n in range(2, 10_000) if not (numbered := wanted.with_name(f"{wanted.name}-{n}")).exists())


def schema(kind: str) -> dict[str, Any]:
    """Return the JSON Schema of study.toml ('study') or of a protocol ('protocol')."""
    of: Literal["study", "protocol"] = "protocol" if kind == "protocol" else "study"
    return json_schema(of)


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """What `blindtest check` says."""

    folder: Path
    study: Study | None
    faults: tuple[Fault, ...]
    notes: tuple[str, ...]
    ruled: Mapping[str, StoppedChances] = field(default_factory=dict)
    """What plans with a stopping rule can show and refute, by claim."""
    together: Mapping[str, PanelChances] = field(default_factory=dict)
    """What several listeners' answers together can, by claim."""

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {
            "ok": not self.faults,
            "faults": [fault.to_dict() for fault in self.faults],
            "notes": list(self.notes),
            "plan": None if self.study is None or self.study.reach is None else asdict(self.study.reach),
            "plans": [
                self._plan(claim, reach)
                for claim, reach in (self.study.reaches.items() if self.study is not None else ())
            ],
        }

    def text(self) -> str:
        """Return the summary; faults are printed one a line by whoever shows it."""
        if self.faults:
            count = len(self.faults)
            return f"{count} fault{'s' if count > 1 else ''} in {self.folder}; nothing was changed."
        assert self.study is not None
        device, comparator = compared(self.study)
        lines = [
            f"{self.folder} can be rendered: {device} against {comparator} on "
            f"{number_of(len(tested_clips(self.study)), 'clip')}, "
            f"protocol {self.study.protocol.name}."
        ]
        several = len(self.study.reaches) > 1
        for claim, reach in self.study.reaches.items():
            under = self.ruled.get(claim)
            said = under.sentence if under is not None else _reach_words(reach)
            lines.append((f"{claim}: " if several else "") + said)
            if (panel := self.together.get(claim)) is not None:
                lines.append(f"{claim + ': ' if several else ''}{TOGETHER} {panel.sentence}")
        return "\n".join(lines)

    def _plan(self, claim: str, reach: Plan) -> dict[str, Any]:
        under = self.ruled.get(claim)
        if under is not None:
            curves = ("shares", "shown", "negligible", "trials")
            chances = {key: value for key, value in under.to_dict().items() if key not in curves}
            return {"claim": claim, "chance_to_fail": under.chance_negligible, **chances, **asdict(reach)}
        panel = self.together.get(claim)
        together = {} if panel is None else {"panel": panel.to_dict()}
        chance = _chance_to_fail(reach) if panel is None else panel.chance_to_fail
        return {"claim": claim, "sentence": reach.sentence, "chance_to_fail": chance, **asdict(reach), **together}


def _chance_to_fail(reach: Plan) -> float:
    """Return how often the plan refutes the claim where it is false, or finds it negligible."""
    if isinstance(reach, RuledReach):
        raise ValueError("how often a rule refutes follows from its table: `rule_chances`")
    if isinstance(reach, Reach):
        return reach.chance_negligible
    return reach.chance_vanishes if isinstance(reach, RatedReach) else reach.chance_to_fail


def _reach_words(reach: Plan) -> str:
    if not isinstance(reach, Reach):
        return f"{reach.sentence[0].upper()}{reach.sentence[1:]}."
    shown = (
        "no number right shows a difference"
        if reach.shown_from is None
        else f"{reach.shown_from} or more right show a difference (chance {reach.chance_shown:.2f} for a listener who "
        f"hears {100 * reach.margin:g} % of them)"
    )
    refuted = (
        "no number right makes it negligible"
        if reach.negligible_to is None
        else f"{reach.negligible_to} or fewer make it negligible (chance {reach.chance_negligible:.2f} for a guesser)"
    )
    return f"Of {number_of(reach.trials, 'trial')}, {shown}; {refuted}."


def check(folder: Path, *, clock: Clock = now) -> Checked:
    """Read everything in a study and return everything that is wrong with it; change nothing."""
    examined: Examined = examine(folder)
    path = folder if folder.is_file() else folder / "study.toml"
    found, unreached = look_at_storage(path)
    quotes = () if unreached else quote_faults(path)
    reminder = "" if examined.study is None else keeping_reminder(examined.study, clock())
    closed = "" if examined.study is None else closing_reminder(examined.study, clock())
    rules = rule_faults(examined.study) if examined.study is not None else ()
    several = several_faults(examined.study) if examined.study is not None else ()
    study = None if unreached or quotes or rules or several else examined.study
    wrong = (*examined.faults, *unreached, *quotes, *rules, *several)
    return Checked(
        folder=folder,
        study=study,
        ruled=rule_chances(study) if study is not None else {},
        together=several_chances(study) if study is not None else {},
        faults=tuple(sorted(wrong, key=lambda one: (one.file != str(path), one.line or 0))),
        notes=(*(str(note) for note in examined.notes), *(words for words in (found, reminder, closed) if words)),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class RenderShown:
    """What `blindtest render` prints: the match table, limits that acted, what was made."""

    rendered: Rendered
    dry_run: bool
    corrections: tuple[Designed, ...] = ()
    """As rendered, at each sample rate; none in a dry run."""
    harmonics: tuple[Added, ...] = ()
    """Likewise."""
    recordings: tuple[Aligned, ...] = ()
    """Those that were aligned, likewise."""
    measured: bool = True
    """Whether any condition is a device as measured: only then is there a band outside which all share a curve."""

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold; no file names, since they would tell which stimulus is which."""
        return {
            "made": self.rendered.made,
            "reused": self.rendered.reused,
            "dry_run": self.dry_run,
            "heard": self.rendered.heard,
            "trusted_band_hz": list(self.rendered.trusted_band_hz),
            "limits": [asdict(limit) for limit in self.rendered.limits],
            "corrections": [one.to_dict() for one in self.corrections],
            "harmonics": [one.to_dict() for one in self.harmonics],
            **({"recordings": [one.to_dict() for one in self.recordings]} if self.recordings else {}),
            "match_table": [_row(row) for row in self.rendered.table],
            **second_dict(self.rendered),
        }

    def text(self) -> str:
        """Return it in words and columns."""
        from blindtest.steps.columns import columns

        if self.dry_run:
            return (
                f"{number_of(self.rendered.made, 'stimulus', 'stimuli')} would be made, "
                f"{number_of(self.rendered.reused, 'is', 'are')} there already."
            )
        rows = [
            (
                row.clip, row.condition, f"{row.heard_before:.2f}", f"{row.gain_db:+.2f}", f"{row.heard_after:.2f}",
                f"{row.file_after:.2f}", f"{row.a_weighted_after:.2f}", f"{row.rms_after:.2f}",
                f"{row.true_peak_after:.2f}",
            )
            for row in self.rendered.table
        ]  # fmt: skip
        headings = (
            "clip", "condition", "heard before", "gain dB", "heard LUFS", "file LUFS", "dB(A)", "RMS dBFS", "peak dBTP",
        )  # fmt: skip
        low, high = self.rendered.trusted_band_hz
        by_heard = all(row.measure == "heard" for row in self.rendered.table)
        lines = [
            columns(headings, rows),
            f"{'Matched by what is heard' if by_heard else 'What is heard'}: {self.rendered.heard}.",
        ]
        if self.measured:
            lines.append(f"Conditions differ from {low:g} Hz to {high:g} Hz; outside they share one curve.")
        lines += [
            f"The limit of the playback inverse acted from {limit.low_hz:.0f} to {limit.high_hz:.0f} Hz: up to "
            f"{limit.worst_db:.1f} dB of the playback unit's own dip is left, in all conditions alike."
            for limit in self.rendered.limits
        ]
        lines += [one.sentence for one in self.corrections]
        lines += [one.sentence for one in self.harmonics]
        lines += [one.sentence for one in self.recordings if one.sentence]
        lines.append(
            f"{number_of(self.rendered.made, 'stimulus', 'stimuli')} made, "
            f"{number_of(self.rendered.reused, 'was', 'were')} there already."
        )
        lines += second_words(self.rendered)
        return "\n".join(lines)


def _row(row: Any) -> Mapping[str, Any]:
    return {name: getattr(row, name) for name in row.__dataclass_fields__}


def render(
    folder: Path,
    *,
    dry_run: bool = False,
    cluster: str = "",
    progress: Progress = lambda done, total, what: None,
) -> RenderShown:
    """Render a study's stimuli.

    Parameters
    ----------
    cluster : address of the Dask scheduler whose workers render the clips; '' for this machine alone. Files are the
        same, byte for byte

    Raises
    ------
    BlindtestError
        The study can't be used, a condition can't reach its loudness, or a sitting is open.
    Missing
        No cluster there, or one that computes otherwise.
    """
    study = load_study(folder)
    if not dry_run and has_record(study):
        with open_store(study, create=False) as store:
            refuse_open_sittings(study, store, now(), what="rendering")
    job = render_job(study)
    with hands_at("" if dry_run else cluster) as hands:
        rendered = render_both(study, job, stimuli_folder(study), progress=progress, dry_run=dry_run, hands=hands)
    corrections = () if dry_run else designed(study, rendered.rates)
    return RenderShown(
        rendered=rendered,
        dry_run=dry_run,
        corrections=corrections,
        harmonics=() if dry_run else added_harmonics(study, job, rendered.rates),
        recordings=() if dry_run else aligned_recordings(job, rendered),
        measured=any(condition.measured for condition in job.conditions),
    )
