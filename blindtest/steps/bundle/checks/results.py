"""What follows from the record, made again and held against what was published: every number, line and byte."""

import json
from collections.abc import Collection, Iterator, Mapping, Sequence
from datetime import datetime
from importlib.resources import files
from math import isclose
from typing import TYPE_CHECKING, Any

from blindtest.nouns import number_of
from blindtest.steps.bundle.opening import SUMS, OpenedBundle, read_json
from blindtest.steps.evidence import DERIVED, derived
from blindtest.steps.evidence.bundle import SECOND_FIXED, STUDY_FILE
from blindtest.steps.verification import Finding

if TYPE_CHECKING:
    from blindtest.session.record import Record
    from blindtest.steps.answers.study import Answers

__all__ = ["TO_THE_LAST_DIGIT", "check_derived", "check_verifier", "only_by_hash", "results_apart"]

RESULTS = "results.json"
VERIFIER = "verify.py"
TO_THE_LAST_DIGIT = "the same to the last digit"
TOLERANCE = 1e-6
"""Relative: other processors and libraries sum in another order; a fit may stop a step earlier."""
_TABLE = "trials.csv"
_BY_SOUND = ("stimuli/table.csv", "stimuli/fixed.toml", SECOND_FIXED)
"""Found by rendering all stimuli again."""
_HELD = ("record/seals.jsonl", "record/sittings.jsonl", "record/chain.jsonl", "record/impressions.jsonl")
"""Files of the record that hashes hold; the others have their form, and nothing they follow from."""
Path = tuple[str, ...]
ADDED: tuple[str, ...] = ("consent", "withdrawn.against", "claims.*.power.together")
"""What came to `results.json` since the first bundles, and which an older source therefore lacks: keys from the top on,
'*' for any place of a list. Whoever adds one to `evidence.results` writes it down here."""
_BY_NAMES = frozenset({"clips", "devices", "stimuli", "trials"})
"""Tables of it whose keys are names of the study."""
_NAMED = 5


def check_derived(
    bundle: OpenedBundle, answers: "Answers", record: "Record", *, same_all: bool, same_source: bool
) -> tuple[list[Finding | str], list[str]]:
    """Make every file that follows from the record again; return what was found, and the files that are not decided.

    Parameters
    ----------
    same_all : all that computed it is here in the same version
    same_source : blindtest's source is; then all but numbers of other libraries must be the same to the byte

    Raises
    ------
    BlindtestError, ValueError, KeyError
        What it follows from is not what blindtest writes.
    """
    told = read_json(bundle.path(RESULTS), name=RESULTS)
    held = {name: bundle.path(name) for name in bundle.names if name not in (*DERIVED, SUMS)}
    made = derived(
        held,
        answers,
        record,
        generated_at=datetime.fromisoformat(told["generated_at"]),
        invented=bool(told["invented"]),
    )
    found: list[Finding | str] = [_table(bundle, made[_TABLE])]
    strange: list[str] = []
    if same_source:
        found.insert(0, _results(bundle, told, made[RESULTS]))
    else:
        less, more, worded, apart = results_apart(told, json.loads(made[RESULTS]))
        found.insert(0, _results(bundle, told, made[RESULTS], apart=apart))
        if less:
            found.append(f"{RESULTS} lacks what the source that runs here computes beside the rest: {_places(less)}")
        if worded:
            strange = [RESULTS]
            found.append(f"{RESULTS}: the source that runs here words {_places(worded)} otherwise: not decided")
        if more:
            strange = [RESULTS]
            found.append(f"{RESULTS}: the source that runs here does not compute {_places(more)}: not decided")
    others = [name for name in DERIVED if name not in (RESULTS, _TABLE)]
    wrong = [name for name in others if _bytes(bundle, name) != made[name]]
    # How another version of a library describes or spells the same is no finding; what it holds is checked elsewhere.
    undecided = [name for name in wrong if not same_all and (not same_source or name.endswith("metadata.json"))]
    firm = [name for name in wrong if name not in undecided]
    what = (
        f"{number_of(len(others) - len(undecided), 'file that follows', 'files that follow')} from these, byte for byte"
    )
    found.append(Finding(ok=not firm, what=what, detail=f"differs in {', '.join(firm)}" if firm else ""))
    if undecided:
        found.append(f"other versions spell {', '.join(undecided)} otherwise: not decided")
    return found, [*undecided, *strange]


def _bytes(bundle: OpenedBundle, name: str) -> bytes:
    return bundle.path(name).read_bytes() if name in bundle.names else b""


def results_apart(told: Any, made: Any) -> tuple[list[Path], list[Path], list[Path], list[Path]]:
    """Return where results of another source lack a value, have one more, word a sentence otherwise, and differ.

    Lacking may be what was added to the results since (`ADDED`) or a key of a claim's details, more may be a key that
    isn't known here; but no line of a list, and no entry of a table that goes by names of the study: there both say the
    same, or they differ.
    """
    ours, theirs = dict(_leaves(made)), dict(_leaves(told))
    less = [
        path
        for path in ours.keys() - theirs.keys()
        if any(_under(path, one) for one in ADDED) or (_in_details(path) and _unknown_key(path, told))
    ]
    more = [path for path in theirs.keys() - ours.keys() if _unknown_key(path, made)]
    shared = ours.keys() & theirs.keys()
    wrong = [path for path in shared if not _alike(ours[path], theirs[path])]
    worded = [path for path in wrong if _is_sentence(path) and isinstance(theirs[path], str)]
    wrong = [path for path in wrong if path not in worded]
    wrong += [path for path in ours.keys() ^ theirs.keys() if path not in {*less, *more}]
    return sorted(less), sorted(more), sorted(worded), sorted(wrong)


def _is_sentence(path: Path) -> bool:
    """Return whether a path leads to prose about numbers that stand beside it, and to no verdict."""
    return _in_details(path) and (path[-1] == "sentence" or path[-1].endswith("_sentence"))


def _in_details(path: Path) -> bool:
    """Return whether a path leads into what `analyze --json` prints of a claim, which grows."""
    return path[0] == "claims" and path[2:3] == ("details",)


def _under(path: Path, added: str) -> bool:
    """Return whether a path leads to, or into, what was added; '*' stands for any place of a list."""
    parts = added.split(".")
    return len(path) >= len(parts) and all(one in ("*", other) for one, other in zip(parts, path, strict=False))


def _unknown_key(path: Path, made: Any) -> bool:
    """Return whether a path leaves `made` at a key of a table whose keys are blindtest's own."""
    here, name = made, ""
    for part in path:
        if isinstance(here, list):
            if not int(part) < len(here):
                return False
            here, name = here[int(part)], ""
            continue
        if not isinstance(here, Mapping) or part not in here:
            return isinstance(here, Mapping) and bool(here) and name not in _BY_NAMES
        here, name = here[part], part
    return False


def _places(paths: Sequence[Path]) -> str:
    told = ", ".join(".".join(path) for path in paths[:_NAMED])
    return told + (f" and {len(paths) - _NAMED} more" if len(paths) > _NAMED else "")


def _results(bundle: OpenedBundle, told: Any, made: bytes, *, apart: Sequence[Path] | None = None) -> Finding:
    """Hold every value of results.json against the one computed now.

    apart : where it differs, as far as another source may not; None: nothing may differ
    """
    ours = dict(_leaves(json.loads(made)))
    theirs = dict(_leaves(told))
    paths = sorted(ours.keys() | theirs.keys())
    both = ours.keys() & theirs.keys()  # a null that one alone has is a difference, too
    wrong = [path for path in paths if path not in both or not _alike(ours[path], theirs[path])]
    wrong = wrong if apart is None else list(apart)
    numbers = sum(type(value) in (int, float) for value in ours.values())
    what = f"{RESULTS}: {numbers} numbers and {len(ours) - numbers} words computed again from the record"
    if wrong:
        places = (".".join(path) for path in wrong[:3])
        return Finding(ok=False, what=what, detail=f"{len(wrong)} differ: {', '.join(places)}")
    if _bytes(bundle, RESULTS) == made:
        return Finding(ok=True, what=what, detail=TO_THE_LAST_DIGIT)
    if ours == theirs and apart is None:
        return Finding(ok=False, what=what, detail="the same values, spelt otherwise than blindtest spells them")
    shared = [path for path in both if type(ours[path]) is float]
    if apart is not None and all(ours[path] == theirs[path] for path in shared):
        return Finding(ok=True, what=what, detail="every number that both sources compute is the same")
    return Finding(ok=True, what=what, detail="the same within 1e-6 of each: another processor or library summed them")


def _leaves(value: Any, path: Path = ()) -> Iterator[tuple[Path, Any]]:
    """Yield every value of a JSON document with the path that leads to it; an empty list or table is a value."""
    inside: Iterator[tuple[str, Any]] | None = None
    if isinstance(value, Mapping) and value:
        inside = iter(value.items())
    elif isinstance(value, list) and value:
        inside = ((str(place), one) for place, one in enumerate(value))
    if inside is None:
        yield path, value
        return
    for key, one in inside:
        yield from _leaves(one, (*path, str(key)))


def _alike(one: Any, other: Any) -> bool:
    if isinstance(one, float) and isinstance(other, float):
        return isclose(one, other, rel_tol=TOLERANCE, abs_tol=TOLERANCE**2)
    return type(one) is type(other) and bool(one == other)


def _table(bundle: OpenedBundle, made: bytes) -> Finding:
    there = _bytes(bundle, _TABLE)
    ours, theirs = made.split(b"\n"), there.split(b"\n")
    detail = ""
    if there != made:
        pairs = enumerate(zip(ours, theirs, strict=False), start=1)
        line = next((number for number, (one, other) in pairs if one != other), None)
        detail = (
            f"line {line} is not that of the record"
            if line
            else f"{number_of(len(theirs), 'line')} in place of {len(ours)}"
        )
    return Finding(
        ok=not detail, what=f"{_TABLE}: {number_of(len(ours) - 2, 'line')} against the rows of the chain", detail=detail
    )


def check_verifier(bundle: OpenedBundle, *, same_source: bool) -> Finding | str:
    """Hold the verifier inside the bundle against the one of this source: a reader is to run ours, not a forger's."""
    same = _bytes(bundle, VERIFIER) == files("blindtest.report").joinpath("short_verifier.py").read_bytes()
    if not same and not same_source:
        return f"{VERIFIER} is not that of the source that runs here: read it before you run it"
    return Finding(ok=same, what=f"{VERIFIER} is the short verifier of blindtest", detail="" if same else "another one")


def only_by_hash(
    bundle: OpenedBundle,
    sealed: Collection[str],
    *,
    undecided: Collection[str],
    filters: bool,
    all_sound: bool,
    same_verifier: bool,
) -> list[str]:
    """Return the files that follow from nothing else here: only the bundle's hash, seen elsewhere, speaks for them.

    Whatever was not compared with anything is among them, so that a file that was laid beside the others is too.

    Parameters
    ----------
    sealed : files of the study that the seal holds, by their names in the bundle
    undecided : files that another version of something writes otherwise
    filters : whether the filters were designed again
    all_sound : whether every stimulus was rendered again
    same_verifier : whether verify.py is known here
    """
    held = {SUMS, STUDY_FILE, *DERIVED, *_HELD, *sealed, *(_BY_SOUND if all_sound else ())}
    held |= {VERIFIER} if same_verifier else set()
    held -= {*undecided}
    stimuli = [name for name in bundle.names if name.startswith("stimuli/") and name.endswith(".wav")]
    designed = [name for name in bundle.names if filters and name.startswith("filters/")]
    return [name for name in bundle.names if name not in held.union(stimuli, designed)]
