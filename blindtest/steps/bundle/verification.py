"""Anybody's check of an evidence bundle, with nothing but the bundle: cheap checks first, sound last.

What was sealed, answered and found is computed again from what lies there, and held against what was published. A
bundle comes from somebody else: whatever it holds, the worst that may happen is a line that says it fails.
"""

import os
import re
import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from blindtest.design import Grade
from blindtest.errors import BlindtestError, Fault
from blindtest.steps.anchors import ANCHORS, stamps
from blindtest.steps.answers.study import read_answers
from blindtest.steps.bundle import checks
from blindtest.steps.bundle.opening import SUMS, OpenedBundle, is_bundle, opened
from blindtest.steps.place import Entropy, Progress
from blindtest.steps.verification import Finding, Verified, hashes_in_text, in_one_line, verify_store
from blindtest.steps.verification import verify as verify_study
from blindtest.steps.withdrawn import counted_against_words

if TYPE_CHECKING:
    from blindtest.session.kept_record import KeptRecord

__all__ = ["BundleVerified", "verify", "verify_bundle"]

T = TypeVar("T")
_OF_SITTING = re.compile(r"sitting \d+: (.*)")
SHOWN_EACH = 6
"""Sittings that get lines of their own where all of them hold."""
PARTS = 6
"""Files, record, plan, results, levels, rendering."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BundleVerified:
    """What `blindtest verify BUNDLE` found."""

    bundle_hash: str
    """SHA-256 of its list of hashes, hex."""
    seen_whole: bool
    """Whether that hash was among those seen elsewhere."""
    findings: tuple[Finding, ...]
    grade: Grade
    published: tuple[str, ...]
    record: Verified | None
    """Of the record alone; None where it couldn't be read."""
    made_by: checks.MadeBy = field(default_factory=checks.MadeBy)
    """What computed it, as it says."""
    only_by_hash: tuple[str, ...] = ()
    """Files that follow from nothing else in the bundle: only its own hash, seen elsewhere, speaks for them."""
    notes: tuple[str, ...] = ()
    """What wasn't compared or not decided, and why."""

    @property
    def ok(self) -> bool:
        """Whether everything holds."""
        return all(finding.ok for finding in self.findings)

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {
            "stamps": [],
            **({} if self.record is None else self.record.to_dict()),
            "ok": self.ok,
            "grade": self.grade,
            "published_found": list(self.published),
            "findings": [{"ok": one.ok, "what": one.what, "detail": one.detail} for one in self.findings],
            "bundle": {
                "hash": self.bundle_hash,
                "seen_elsewhere": self.seen_whole,
                "other_versions": {name: list(pair) for name, pair in self.made_by.others.items()},
                "source": self.made_by.to_dict(),
                "only_by_hash": list(self.only_by_hash),
                "notes": list(self.notes),
            },
        }

    def text(self) -> str:
        """Return a line for each thing compared, then what it proves and what it can't."""
        lines = [f"bundle {self.bundle_hash}", *_lines(self.findings)]
        if self.record is not None:
            lines += [line.text() for line in self.record.anchored.lines if line.ok is None]
        if self.made_by.others:
            told = (f"{name} {there} (here {here or 'none'})" for name, (there, here) in self.made_by.others.items())
            lines.append(f"note: computed by other versions than are here: {', '.join(told)}")
        lines += [f"note: {note}" for note in self.notes]
        return "\n".join([*map(in_one_line, lines), "", *map(in_one_line, self._meaning())])

    def _meaning(self) -> Iterator[str]:
        if not self.ok:
            yield "Grade: broken. What lies in this bundle is not what was sealed, answered or published."
            return
        yield f"Grade: {self.grade}."
        yield (
            "What this proves: every answer, plan and number in this bundle belongs to the others: trials were drawn "
            "as sealed, answers were chained as given, and the results follow from them."
        )
        if self.only_by_hash and not self.seen_whole:
            yield (
                f"What follows from nothing else here: {', '.join(_folders(self.only_by_hash))}; what study.toml "
                "says beyond the plan (licences, remarks); when anything was made, begun or ended, and why; whether it "
                "is called a demonstration. Only the bundle's own hash, seen "
                "elsewhere, would speak for these."
            )
        if self.seen_whole:
            yield "The bundle as a whole is the one whose hash was seen elsewhere: no byte of it was changed since."
        if self.grade == "anchored":
            yield "Plans were seen elsewhere before the answers, and the last hashes after: neither was changed since."
            if self.record is not None:
                yield from self._unheld(self.record)
        elif self.record is not None and (self.published or self.record.anchored.shown):
            # A part that was seen is told above: to say that nothing was would contradict it.
            yield (
                "What it does not prove: all of when. A part was seen elsewhere, as said above; but not every plan "
                "before the first answer of its sitting, and the last hash of its answers after, or none that can be "
                "opened yet: where one is missing, whoever made the bundle could have made the rest afterwards."
            )
        else:
            yield (
                "What it does not prove: when. No commitment seen elsewhere before and no last hash seen after was "
                "given (--published), or none that can be opened yet: whoever made the bundle could have made all of "
                "it afterwards."
            )
        yield (
            "What no check can tell: that the listener did not know the plan otherwise, that no other record was kept "
            "back, that who is said to have withdrawn asked for it."
        )

    def _unheld(self, record: Verified) -> list[str]:
        seen = replace(record, ends_unseen=()) if self.seen_whole else record
        return seen.unheld(" Only the bundle's own hash, seen elsewhere, would speak for that.")


def _lines(findings: Sequence[Finding]) -> list[str]:
    """Return a line for each finding; of many sittings one for all of which the same holds."""
    told: dict[str, list[Finding]] = {}
    for number, one in enumerate(findings):
        match = _OF_SITTING.fullmatch(one.what) if one.ok and not one.detail else None
        told.setdefault(re.sub(r"\d+", "#", match[1]) if match else f"{number}", []).append(one)
    lines = []
    for same in told.values():
        match = _OF_SITTING.fullmatch(same[0].what)
        if len(same) <= SHOWN_EACH or match is None:
            lines += [one.text() for one in same]
        else:
            counted = [int(found[0]) for one in same if (found := re.findall(r"\d+", one.what)[1:])]
            words = re.sub(r"\d+", str(sum(counted)), match[1]) if counted else match[1]
            # Of one answer each they are several together.
            words = words.replace("answer holds", "answers holds")
            lines.append(Finding(ok=True, what=f"{len(same)} sittings, each: {words}").text())
    return lines


def _folders(names: Sequence[str]) -> list[str]:
    """Return names, those of a folder as one."""
    return list(
        dict.fromkeys(
            f"{name.split('/')[0]}/" if name.startswith(("anchors/", "filters/", "report/")) else name for name in names
        )
    )


def verify(
    path: Path,
    *,
    published: Sequence[str] = (),
    authorities: Sequence[Path] = (),
    entropy: Entropy = os.urandom,
    progress: Progress = lambda done, total, what: None,
) -> Verified | BundleVerified:
    """Check what lies at `path`: an evidence bundle (a folder or a ZIP), or the record of a study folder.

    See `verify_bundle` and, for a study, `verification.verify`.
    """
    if not path.exists():
        # Not "no study file": a bundle's name mistyped is no reason to write a study.
        raise BlindtestError(
            Fault(
                problem="there is no such folder or ZIP",
                file=str(path),
                remedy="name a study's folder, or an evidence bundle (a folder or a ZIP)",
            )
        )
    if is_bundle(path / "bundle") and not (path / "study.toml").exists():
        path = path / "bundle"  # the folder of a report, in which it lies
    if is_bundle(path):
        return verify_bundle(path, published=published, authorities=authorities, progress=progress)
    return verify_study(path, published=published, authorities=authorities, entropy=entropy)


def verify_bundle(
    path: Path,
    *,
    published: Sequence[str] = (),
    authorities: Sequence[Path] = (),
    sound: bool = True,
    progress: Progress = lambda done, total, what: None,
) -> BundleVerified:
    """Check the evidence bundle `path`, a folder or a ZIP.

    Parameters
    ----------
    published : hashes seen elsewhere, or the lines that hold them: the bundle's, commitments, last hashes
    authorities : certificates (PEM) of the time-stamp authorities that are trusted; those in anchors/ else
    sound : render and measure again what can be

    Raises
    ------
    BlindtestError
        It can't be opened as a bundle, or a published hash is not one.
    """
    wanted = list(dict.fromkeys(one for text in published for one in hashes_in_text(text)))
    with opened(path) as bundle, tempfile.TemporaryDirectory(prefix="blindtest-verify-") as place:
        if not {SUMS, "record/chain.jsonl"} & set(bundle.names):
            problem = f"this is no evidence bundle: it holds neither {SUMS} nor a record"
            raise BlindtestError(Fault(problem=problem, file=str(path), remedy="blindtest report makes one"))
        return _Checking(bundle, wanted, authorities, sound, Path(place), progress).done()


class _Checking:
    """A bundle being checked: findings collect, and what one check read serves the next."""

    def __init__(
        self,
        bundle: OpenedBundle,
        wanted: Sequence[str],
        authorities: Sequence[Path],
        sound: bool,
        place: Path,
        progress: Progress,
    ) -> None:
        self._bundle = bundle
        self._wanted = wanted
        self._authorities = authorities
        self._with_sound = sound
        self._place = place
        self._progress = progress
        self._findings: list[Finding] = []
        self._made_by = checks.MadeBy(unread=True)
        self._notes: list[str] = []
        self._all_sound = self._filters = self._same_verifier = False
        self._sealed_files: set[str] = set()
        self._undecided: list[str] = []

    @property
    def _intact(self) -> bool:
        return all(finding.ok for finding in self._findings)

    def done(self) -> BundleVerified:
        """Return what was found."""
        self._part(0)(0, 1, "files")
        files = checks.check_files(self._bundle)
        self._findings += files.findings
        seen_whole = files.bundle_hash in self._wanted
        if seen_whole:
            self._add(Finding(ok=True, what=f"published hash {files.bundle_hash[:16]}... is that of this bundle"))
        if self._bundle.zipped and self._intact:
            self._try("the ZIP", lambda: checks.check_packing(self._bundle, self._place / "again.zip"))
        by = self._try("versions", lambda: checks.made_by(self._bundle))
        if by is not None:
            self._made_by = by
            self._try("versions", by.told)
        self._part(1)(0, 1, "record")
        kept = self._try("the record", lambda: checks.read_record(self._bundle))
        verified = None if kept is None else self._record(kept, files.bundle_hash)
        if kept is not None:
            self._try("what was published", lambda: self._rest(kept, files))
        grade: Grade = verified.grade if verified is not None and self._intact else "broken"
        return BundleVerified(
            bundle_hash=files.bundle_hash,
            seen_whole=seen_whole,
            findings=tuple(self._findings),
            grade=grade,
            published=(*((files.bundle_hash,) if seen_whole else ()), *(verified.published if verified else ())),
            record=verified,
            made_by=self._made_by,
            only_by_hash=tuple(
                checks.only_by_hash(
                    self._bundle,
                    self._sealed_files,
                    undecided=self._undecided,
                    filters=self._filters,
                    all_sound=self._all_sound,
                    same_verifier=self._same_verifier,
                )
            ),
            notes=tuple(self._notes),
        )

    def _record(self, kept: "KeptRecord", bundle_hash: str) -> Verified | None:
        self._try("form", lambda: self._form(kept))
        wanted = [one for one in self._wanted if one != bundle_hash]
        # What lies in the bundle and can't be used is told by the stamps; a file that the user named is an error.
        stamped = stamps(self._bundle.root / ANCHORS, authorities=self._authorities)
        verified = self._try("the record", lambda: verify_store(kept, published=wanted, stamped=stamped))
        if verified is not None:
            self._findings += verified.findings
        return verified

    def _rest(self, kept: "KeptRecord", files: checks.FilesFound) -> None:
        bundle, same_source = self._bundle, self._made_by.same_source
        sealed = kept.record(kept.sittings()[-1].study_seal)
        listed = self._try("stimuli/hashes.csv", lambda: checks.hashes_in(bundle))
        if listed is None:
            return
        self._sealed_files = {f"study/{name}" for name in sealed["files"]}
        second = checks.second_hashes(sealed)
        self._try("hashes of stimuli", lambda: checks.check_hashes(listed, sealed))
        self._try("stimuli", lambda: checks.check_stimuli(bundle, files.hashes, listed, second))
        self._part(2)(0, 1, "plan")
        work = self._try("the study", lambda: checks.laid_out(bundle, self._made("study")))
        if work is not None:
            self._try("what was planned", lambda: checks.check_study(work, listed, sealed, same_source=same_source))
        known = self._try("verify.py", lambda: checks.check_verifier(bundle, same_source=same_source))
        self._same_verifier = isinstance(known, Finding) and known.ok
        self._part(3)(0, 1, "results")
        if not self._intact or work is None:
            self._notes.append("results and sound were not computed again, since what they follow from fails already")
            return
        self._try("results", lambda: self._results(kept, work))
        if not self._intact:
            self._notes.append("sound was not rendered and measured again, since what comes before it fails already")
        elif not self._with_sound:
            self._notes.append("sound was not rendered and measured again: not asked for")
        else:
            self._sound(work, listed, second)

    def _form(self, kept: "KeptRecord") -> Finding | str:
        found, undecided = checks.check_form(self._bundle, kept, same_source=self._made_by.same_source)
        self._undecided += undecided
        return found

    def _results(self, kept: "KeptRecord", work: checks.Workplace) -> list[Finding | str]:
        answers = read_answers(kept)
        made, undecided = checks.check_derived(
            self._bundle, answers, kept, same_all=self._made_by.same_all, same_source=self._made_by.same_source
        )
        self._undecided += undecided
        self._notes += counted_against_words(answers)
        # Numbers that another platform rounds otherwise may be worded otherwise, too.
        exact = isinstance(made[0], Finding) and made[0].detail == checks.TO_THE_LAST_DIGIT
        worded = exact and self._made_by.same_source
        return [*made, checks.check_report(self._bundle, answers, work.study, worded=worded)]

    def _sound(self, work: checks.Workplace, listed: Sequence[checks.Hashed], second: Sequence[checks.Hashed]) -> None:
        bundle = self._bundle
        self._part(4)(0, 1, "filters")
        filters = self._try("filters", lambda: checks.check_filters(bundle, work, self._made("filters")))
        self._filters = filters is not None and filters.ok
        levels = self._try("stimuli/table.csv", lambda: checks.levels_in(bundle))
        if levels is None:
            return
        self._try("levels", lambda: checks.check_levels(bundle, listed, levels, self._part(4)))
        self._try(
            "stimuli rendered again",
            lambda: checks.check_rendering(bundle, work, listed, levels, self._made("stimuli"), self._part(5), second),
        )
        self._all_sound = self._intact and not work.missing

    def _part(self, number: int) -> Progress:
        """Return the progress of one of `PARTS` parts."""

        def report(done: int, total: int, what: str) -> None:
            share = min(done, total) / total if total else 1.0
            self._progress(round(100 * (number + share)), 100 * PARTS, what)

        return report

    def _made(self, name: str) -> Path:
        place = self._place / name
        place.mkdir()
        return place

    def _add(self, finding: Finding) -> None:
        self._findings.append(finding)

    def _try(self, what: str, check: Callable[[], T]) -> T | None:
        """Run one check; what it finds is added, and what makes it stumble is a finding too.

        A stranger's bundle may hold anything that has the right hashes: keys that are missing, numbers that are texts.
        Code that was written for our own records stumbles over that in as many ways as there are; each of them means
        that this is not what blindtest writes, and none may end the check of the rest.
        """
        try:
            found = check()
        except BlindtestError as error:
            detail = "; ".join(" ".join(str(fault).split()) for fault in error.faults[:3])
            self._add(Finding(ok=False, what=f"{what} can be read and checked", detail=self._home(detail)))
            return None
        except Exception as error:  # see above
            detail = f"not what blindtest writes ({type(error).__name__}: {' '.join(str(error).split())[:160]})"
            self._add(Finding(ok=False, what=f"{what} can be read and checked", detail=self._home(detail)))
            return None
        for one in found if isinstance(found, list) else [found]:
            if isinstance(one, Finding):
                self._add(one)
            elif isinstance(one, str):
                self._notes.append(one)
        return found

    def _home(self, text: str) -> str:
        """Return a text without the places on this machine where the bundle is unpacked."""
        return text.replace(f"{self._bundle.root}/", "").replace(f"{self._place}/", "")
