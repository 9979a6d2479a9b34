"""The report: gathered, written as a page, a Markdown block, a trial table and an evidence bundle.

The folder is replaced as a whole.
"""

import os
import re
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from blindtest.errors import BlindtestError, Fault
from blindtest.render import Rendered, kept_to_us, load_rendered
from blindtest.report import ReportInput, figures, html, markdown
from blindtest.session.kept_record import KeptRecord
from blindtest.session.record_lines import record_lines
from blindtest.steps.anchors import ANCHORS, stamps
from blindtest.steps.answers.study import read_answers
from blindtest.steps.consent import with_consent
from blindtest.steps.corrections import designed, filter_files
from blindtest.steps.evidence import bundle_hash, derived, evidence, given, write_folder, write_zip
from blindtest.steps.evidence.archive import Content
from blindtest.steps.gathering.report import Truths, gathered
from blindtest.steps.place import (
    Clock,
    Entropy,
    Progress,
    now,
    open_store,
    refuse_open_sittings,
    report_folder,
    stimuli_folder,
)
from blindtest.steps.remarks import refuse_while_open, with_remarks
from blindtest.steps.screening import with_screening
from blindtest.steps.second_rate import load_both
from blindtest.steps.verification import verify_store
from blindtest.study import load_study, render_job

__all__ = ["ReportShown", "report"]

MANIFEST = "manifest.txt"
BUNDLE = "bundle"
_MADE = "made by blindtest report; this folder is replaced as a whole\n"


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportShown:
    """What `blindtest report` prints."""

    page: Path
    block: Path
    table: Path
    facts: ReportInput
    replaced: bool
    evidence: Path
    """The evidence bundle, a folder."""
    archive: Path
    """The same as a ZIP."""
    evidence_sha256: str
    """Hash of the bundle, to publish."""
    audio_left_out: tuple[str, ...] = ()
    """Clips whose audio is not in the bundle."""
    filters: tuple[Path, ...] = ()
    """Corrections to take away: impulse responses and level curves."""

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {
            "html": str(self.page),
            "markdown": str(self.block),
            "trials": str(self.table),
            "filters": [str(path) for path in self.filters],
            "evidence": str(self.evidence),
            "evidence_zip": str(self.archive),
            "evidence_sha256": self.evidence_sha256,
            "audio_left_out": list(self.audio_left_out),
            "claims": [{"id": one.claim.id, "kind": one.claim.kind, "word": one.word} for one in self.facts.answers],
            "grade": self.facts.seal.grade,
        }

    def text(self) -> str:
        """Return where it lies."""
        lines = [f"Page to publish: {self.page}", f"Markdown to paste: {self.block}", f"Trial table: {self.table}"]
        lines += [f"Filter: {path}" for path in self.filters]
        lines += [f"Evidence bundle: {self.evidence}", f"The same as one file: {self.archive}"]
        if self.audio_left_out:
            left = ", ".join(self.audio_left_out)
            lines.append(f"Audio not in it (not asked for, or no licence that lets it be passed on): {left}")
        lines += [
            "",
            "Publish this where others see it, so that nobody can put another bundle in its place:",
            f"  evidence bundle  {self.evidence_sha256}",
        ]
        return "\n".join(lines)


def report(
    folder: Path,
    *,
    while_open: str = "",
    published: Sequence[str] = (),
    comments: bool = False,
    audio: bool = True,
    truths: Truths | None = None,
    invented: bool = False,
    clock: Clock = now,
    entropy: Entropy = os.urandom,
    progress: Progress = lambda done, total, what: None,
) -> ReportShown:
    """Write the report of the study in `folder`.

    Parameters
    ----------
    while_open : why it is made though a sitting is open; goes on record
    published : commitments and heads that were seen elsewhere
    comments : show what listeners wrote on single trials, and why they stopped; never while a sitting is open
    audio : put audio into the evidence bundle, as far as its licence lets it be passed on

    Raises
    ------
    BlindtestError
        Nobody has listened, a sitting is open, or report/ holds something that was not made here.
    """
    study = load_study(folder)
    with open_store(study, create=False, entropy=entropy) as store:
        if comments:
            store.abandon_overdue(clock())
            refuse_while_open(store)
        refuse_open_sittings(study, store, clock(), what="report", override=while_open)
        answers = read_answers(store)
        progress(1, 5, "verifying")
        verified = verify_store(store, published=published, stamped=stamps(study.folder / ANCHORS))
        # The set at a second rate is asked for where its audio goes into the bundle, and for nothing else.
        load = partial(load_both, study) if audio else load_rendered
        rendered = load(render_job(study), stimuli_folder(study))
        facts = gathered(
            study, rendered, store, answers, verified, generated_at=clock(), truths=truths, invented=invented
        )
        facts = with_consent(with_screening(facts, store, answers), store, answers)
        if comments:
            facts = with_remarks(facts, store)
        rows = [dict(row) for one in answers.sittings if one.entry.state != "open" for row in one.rows]
        # What is published is the record as it stands now; the database need not stay open for it.
        kept = KeptRecord(record_lines(store, comments=comments), store.path)
    progress(2, 5, "drawing figures")
    drawn = figures(facts)
    texts = {"report.html": html(facts, figures=drawn), "report.md": markdown(facts)}
    binary = {f"figures/{name}.png": figure.png for name, figure in drawn.items()}
    filters = filter_files(designed(study, rendered.rates))
    progress(3, 5, "gathering the evidence")
    published_files = {name: text.encode() for name, text in texts.items()} | binary | filters
    held = given(
        study, rendered, kept, stimuli=stimuli_folder(study), report=published_files, versions=dict(facts.versions),
        comments=comments, audio=audio,
    )  # fmt: skip
    made = derived(held, answers, kept, generated_at=facts.generated_at, invented=invented)
    bundle = evidence(held, made)
    archive = f"{_slug(study.folder.resolve().name)}-evidence.zip"
    progress(4, 5, "writing")
    # Two at once would each put theirs in place of the other's halfway: the second waits.
    with kept_to_us(study.folder, waiting=True):
        place, replaced = _replaced(report_folder(study), published_files, rows, bundle, archive)
    progress(5, 5, "")
    return ReportShown(
        page=place / "report.html",
        block=place / "report.md",
        table=place / "trials.csv",
        facts=facts,
        replaced=replaced,
        evidence=place / BUNDLE,
        archive=place / archive,
        evidence_sha256=bundle_hash(bundle),
        audio_left_out=tuple(clip.id for clip in study.clips if not _has_audio(clip.id, rendered, bundle)),
        filters=tuple(place / name for name in filters),
    )


def _slug(name: str) -> str:
    """Return a name for a file from that of a folder."""
    return re.sub(r"[^A-Za-z0-9]+", "-", name).strip("-").lower() or "study"


def _has_audio(clip: str, rendered: Rendered, bundle: Mapping[str, Content]) -> bool:
    return all(f"stimuli/{one.sha256}.wav" in bundle for one in rendered.stimuli if one.clip == clip)


def _replaced(
    place: Path,
    files: Mapping[str, bytes],
    rows: list[dict[str, Any]],
    bundle: Mapping[str, Content],
    archive: str,
) -> tuple[Path, bool]:
    """Write the folder under another name and put it in place of the old one; refuse to replace what isn't ours."""
    from blindtest.stats import trial_table, write_trial_table

    was_there = place.exists()
    if was_there and any(place.iterdir()) and not (place / MANIFEST).is_file():
        raise BlindtestError(
            Fault(
                problem="this folder holds something that blindtest did not make",
                file=str(place),
                remedy="move it away; nothing was overwritten",
            )
        )
    try:
        draft = Path(tempfile.mkdtemp(prefix=".report-", dir=place.parent))
        try:
            draft.chmod(0o755)
            for name, content in files.items():
                (draft / name).parent.mkdir(exist_ok=True)
                (draft / name).write_bytes(content)
            write_trial_table(trial_table(rows), draft / "trials.csv")
            write_folder(bundle, draft / BUNDLE)
            write_zip(bundle, draft / archive)
            (draft / MANIFEST).write_text(_MADE, encoding="utf-8")
            if was_there:
                old = place.with_name(f".{place.name}-old")
                shutil.rmtree(old, ignore_errors=True)
                place.rename(old)
                draft.rename(place)
                shutil.rmtree(old, ignore_errors=True)
            else:
                draft.rename(place)
        finally:
            shutil.rmtree(draft, ignore_errors=True)
    except OSError as error:
        raise BlindtestError(
            Fault(problem=f"the report can't be written: {error.strerror}", file=str(place))
        ) from error
    return place, was_there
