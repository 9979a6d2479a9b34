"""Whatever is changed in a bundle is found: by `blindtest verify`, and by the short verifier as far as it says.

The forger of these tests knows how bundles are made. Some edits are blunt (a byte), some are careful: hashes made
again, a chain forged anew from its plan on, results computed from other answers by this very tool.
"""

import contextlib
import io
import json
import random
import runpy
import shutil
import subprocess
import sys
import tempfile
import zipfile
from dataclasses import dataclass, replace
from datetime import datetime
from hashlib import sha256
from html import escape
from math import comb
from pathlib import Path

import jsonschema
import numpy as np
import pytest
import soundfile

import blindtest
from blindtest import steps
from blindtest.cli.commands import main
from blindtest.errors import BlindtestError
from blindtest.report import escaped_markdown
from blindtest.session.kept_record import read_kept_record
from blindtest.steps.answers.study import read_answers
from blindtest.steps.bundle.checks import (
    check_files,
    check_packing,
    check_rendering,
    check_study,
    hashes_in,
    laid_out,
    levels_in,
    report,
)
from blindtest.steps.bundle.opening import opened
from blindtest.steps.bundle.verification import verify_bundle
from blindtest.steps.evidence import DERIVED, SUMS, derived
from blindtest.steps.source_state import SOURCE
from blindtest.steps.verification import Finding

VERDICTS = "the report names the study seal"
RESULTS_SCHEMA = Path(blindtest.__file__).parent / "cli" / "results.schema.json"
CHAIN, SITTINGS, SEALS = "record/chain.jsonl", "record/sittings.jsonl", "record/seals.jsonl"


@dataclass(frozen=True)
class Made:
    """A study with its bundle, made once."""

    study: Path
    bundle: Path
    archive: Path
    bundle_hash: str
    heads: tuple[str, ...]
    """What was published in time: study seal, plans, last hashes."""

    @property
    def everything(self):
        return [self.bundle_hash, *self.heads]


@pytest.fixture(scope="module")
def made(tmp_path_factory, fill_in, sit):
    """Two listeners, one of whom stopped; the audio of one clip may be passed on, that of the other may not."""
    folder = tmp_path_factory.mktemp("bundle") / "my-study"
    main(["new", str(folder), "--quiet"], standalone_mode=False)
    fill_in(folder, trials=28)
    file = folder / "study.toml"
    text = file.read_text(encoding="utf-8")
    assert text.count('file = "clips/tune.flac"') == 1
    text = text.replace('file = "clips/tune.flac"', 'file = "clips/tune.flac"\nlicence = "CC0-1.0"')
    text = text.replace("planned = 1", "planned = 2").replace("[rendering]\n", "[rendering]\nrate_hz = 44_100\n")
    file.write_text(text, encoding="utf-8")
    # Figures have tests of their own; what lies in their place here is what any other file is.
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("blindtest.steps.reporting.figures", lambda facts: {})
        return published_study(folder, sit)


def published_study(folder, sit):
    """Render, let two listeners sit, and report."""
    steps.render(folder)
    sit(folder, "L-one", seed=5, d_prime=2.0)
    sit(folder, "L-two", seed=6, d_prime=2.0, stop_after=12)
    steps.abandon(folder, sitting=2)
    shown = steps.report(folder)
    record = read_kept_record(shown.evidence / "record")
    heads = {seal.commitment for seal in record.seals()} | {entry.head for entry in record.sittings()}
    return Made(folder, shown.evidence, shown.archive, shown.evidence_sha256, tuple(sorted(heads)))


@pytest.fixture
def copy(made, tmp_path):
    return Path(shutil.copytree(made.bundle, tmp_path / "copy"))


def lines_in(file):
    return file.read_bytes().split(b"\n")[:-1]


def put_lines(file, lines):
    file.write_bytes(b"".join(line + b"\n" for line in lines))


def values_in(folder, name):
    return [json.loads(line) for line in lines_in(folder / name)]


def put_values(folder, name, values):
    """Write JSON lines as blindtest does, for values without floats beside those inside texts (RFC 8785)."""
    put_lines(
        folder / name,
        [json.dumps(v, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode() for v in values],
    )


def summed_again(folder):
    """Make SHA256SUMS again, as a forger does."""
    names = sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())
    text = "".join(f"{sha256((folder / n).read_bytes()).hexdigest()}  {n}\n" for n in names if n != SUMS)
    (folder / SUMS).write_bytes(text.encode())


def derived_again(folder):
    """Make all that follows from the record again with the tool itself, as a forger can."""
    record = read_kept_record(folder / "record")
    told = json.loads((folder / "results.json").read_bytes())
    names = [path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()]
    held = {name: folder / name for name in names if name not in (*DERIVED, SUMS)}
    at = datetime.fromisoformat(told["generated_at"])
    for name, content in derived(
        held, read_answers(record), record, generated_at=at, invented=told["invented"]
    ).items():
        (folder / name).write_bytes(content)
    with contextlib.suppress(BlindtestError):
        verdicts_again(folder, read_answers(record))


def verdicts_again(folder, answers):
    """Write the verdicts that now follow into page and block, as a report that is made again has them."""
    with opened(folder) as bundle, tempfile.TemporaryDirectory() as place:
        (said,) = report._said(answers, laid_out(bundle, Path(place)).study)
    page, block = folder / "report/report.html", folder / "report/report.md"
    card = f'<p class="word">{said.word}</p>\n<p class="sentence">{escape(said.sentence)}</p>'
    line = f"**Result: {said.word}.** {escaped_markdown(said.sentence)}"
    for file, pattern, new in ((page, report._CARD, card), (block, report._LINE, line)):
        file.write_text(pattern.sub(lambda _, new=new: new, file.read_text(encoding="utf-8")), encoding="utf-8")


def linked_again(folder):
    """Forge chain and register anew from the rows as they are, with the salts that are known."""
    sittings, chain = values_in(folder, SITTINGS), values_in(folder, CHAIN)
    for sitting in sittings:
        head, links = sitting["commitment"], [link for link in chain if link["sitting"] == sitting["number"]]
        for position, link in enumerate(links, start=1):
            link["position"] = position
            link["row_hash"] = sha256(bytes.fromhex(link["salt"]) + link["row"].encode()).hexdigest()
            head = sha256(bytes.fromhex(head) + bytes.fromhex(link["row_hash"])).hexdigest()
            link["hash"] = head
        sitting["links"], sitting["head"] = len(links), head
    put_values(folder, CHAIN, chain)
    put_values(folder, SITTINGS, sittings)


# Edits: each changes the folder and returns what it did.


def a_byte(folder, rng, names=None):
    names = names or sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())
    name = rng.choice([name for name in names if (folder / name).stat().st_size])
    content = bytearray((folder / name).read_bytes())
    place, flip = rng.randrange(len(content)), rng.randrange(1, 256)
    content[place] ^= flip
    (folder / name).write_bytes(bytes(content))
    return f"byte {place} of {name} ^ {flip}"


LINED = (CHAIN, SITTINGS, SEALS, "trials.csv", "stimuli/hashes.csv", "stimuli/table.csv")


def a_row_removed(folder, rng, names=LINED):
    name = rng.choice(names)
    lines = lines_in(folder / name)
    place = rng.randrange(len(lines))
    put_lines(folder / name, lines[:place] + lines[place + 1 :])
    return f"line {place} of {name} removed"


def two_rows_exchanged(folder, rng, names=LINED):
    name = rng.choice(names)
    lines = lines_in(folder / name)
    one, other = rng.sample(range(len(lines)), 2)
    lines[one], lines[other] = lines[other], lines[one]
    put_lines(folder / name, lines)
    return f"lines {one} and {other} of {name} exchanged"


def another_plan(folder, rng):
    """Put another plan in the place of one, with a commitment that is right, and forge the chain from it on."""
    seals, sittings = values_in(folder, SEALS), values_in(folder, SITTINGS)
    sitting = rng.choice(sittings)
    seal = next(seal for seal in seals if seal["commitment"] == sitting["commitment"])
    seal["nonce"] = rng.randbytes(32).hex()
    seal["commitment"] = sha256(bytes.fromhex(seal["nonce"]) + seal["record"].encode()).hexdigest()
    sitting["commitment"] = seal["commitment"]
    put_values(folder, SEALS, seals)
    put_values(folder, SITTINGS, sittings)
    linked_again(folder)
    return f"another plan for sitting {sitting['number']}"


def a_commitment_of_another_plan(folder, rng):
    sittings = values_in(folder, SITTINGS)
    one, other = sittings
    one["commitment"] = other["commitment"] if rng.random() < 0.5 else one["study_seal"]
    put_values(folder, SITTINGS, sittings)
    return "the commitment of another seal"


def a_nonce_left_out(folder, rng):
    """Leave out what opens a plan: its answers would count as never given."""
    seals = values_in(folder, SEALS)
    seal = rng.choice(seals)
    seal["nonce"] = None
    put_values(folder, SEALS, seals)
    return f"the nonce of a {seal['kind']} seal left out"


def the_tail_cut_off(folder, rng):
    """Cut off the last answers of a sitting and forge register, results and table to fit."""
    chain = values_in(folder, CHAIN)
    number = rng.choice([1, 2])
    own = [link for link in chain if link["sitting"] == number]
    count = rng.randrange(1, len(own))
    put_values(folder, CHAIN, [link for link in chain if link not in own[-count:]])
    linked_again(folder)
    if number == 1:
        sittings = values_in(folder, SITTINGS)
        sittings[0] |= {"state": "abandoned", "reason": "stopped by the organiser"}
        put_values(folder, SITTINGS, sittings)
    derived_again(folder)
    return f"the last {count} rows of sitting {number} cut off, all else made to fit"


def an_answer_changed(folder, rng):
    """Turn a wrong answer into a right one, and forge everything that follows."""
    chain = values_in(folder, CHAIN)
    wrong = [link for link in chain if '"correct":false' in link["row"] and '"phase":"blind"' in link["row"]]
    link = rng.choice(wrong)
    row = link["row"]
    other = row.replace('"response":"A"', '"response":"B"')
    other = other if other != row else row.replace('"response":"B"', '"response":"A"')
    link["row"] = other.replace('"correct":false', '"correct":true')
    assert link["row"] != row
    put_values(folder, CHAIN, chain)
    linked_again(folder)
    derived_again(folder)
    return "an answer changed, all else made to fit"


def a_number_changed(folder, rng):
    file = folder / "results.json"
    told = json.loads(file.read_bytes())
    claim = told["claims"][0]
    where, key = rng.choice(
        [(claim["exact"][0], "p_value"), (claim["counts"], "correct"), (claim["exact"][0], "successes")]
    )
    where[key] = where[key] * 0.5 if key == "p_value" else where[key] + 1
    file.write_text(json.dumps(told, indent=1, sort_keys=True, ensure_ascii=False) + "\n", encoding="utf-8")
    return f"{key} of results.json changed"


def a_file_gone_or_new(folder, rng):
    names = sorted(
        path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file() and path.name != SUMS
    )
    name = rng.choice(names)
    if rng.random() < 0.5:
        (folder / name).unlink()
        return f"{name} removed"
    (folder / f"{name}.more").write_bytes(b"more")
    return f"{name}.more added"


ALL = (
    a_byte, a_byte, a_byte, a_row_removed, two_rows_exchanged, another_plan, a_commitment_of_another_plan,
    a_nonce_left_out, the_tail_cut_off, an_answer_changed, a_number_changed, a_file_gone_or_new,
)  # fmt: skip
CAREFUL = (
    another_plan, a_commitment_of_another_plan, a_nonce_left_out, the_tail_cut_off, an_answer_changed, a_number_changed,
)  # fmt: skip
BY_HEADS = ("chain.jsonl", "trials.csv", "results.json", "README.md", "hashes.csv")


def short_verifier(script, *arguments):
    """Run the verifier of a bundle in this process (a thousand processes take minutes): its exit code, its lines."""
    said, complained = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(complained):
        code = runpy.run_path(str(script))["main"]([str(one) for one in arguments])
    return code, said.getvalue() + complained.getvalue()


def published(hashes):
    return [part for one in hashes for part in ("--published", one)]


def edited(made, place, rng, *, kind, remade):
    """Return an edited copy and what was done to it; another edit where nothing changed."""
    before = {path.relative_to(made.bundle).as_posix(): path for path in made.bundle.rglob("*") if path.is_file()}
    while True:
        shutil.rmtree(place, ignore_errors=True)
        shutil.copytree(made.bundle, place, copy_function=shutil.copyfile)
        told = kind(place, rng)
        if remade:
            summed_again(place)
        after = {path.relative_to(place).as_posix(): path for path in place.rglob("*") if path.is_file()}
        if before.keys() != after.keys() or any(after[n].read_bytes() != before[n].read_bytes() for n in before):
            return told


def found_by_us(place, hashes):
    """Return whether `blindtest verify` finds that something is wrong, or refuses it in one line."""
    try:
        found = verify_bundle(place, published=hashes)
    except BlindtestError as error:
        return "\n" not in str(error)
    return not found.ok and found.grade == "broken"


def found_by_both(place, told, hashes, script):
    """Both verifiers find that something is wrong."""
    assert found_by_us(place, hashes), told
    code, said = short_verifier(script, place, *published(hashes))
    assert code in (1, 3), (told, said)


def hunt(made, place, rng, count):
    """Edit `count` times: with SHA256SUMS as it was or made again; every edit is found."""
    for number in range(count):
        kind = ALL[number % len(ALL)]
        remade = rng.random() < 0.5
        told = edited(made, place, rng, kind=kind, remade=remade)
        found_by_both(
            place,
            f"{told}, SHA256SUMS {'made again' if remade else 'as it was'}",
            made.everything,
            made.bundle / "verify.py",
        )


def hunt_by_heads(made, place, rng, count):
    """The same of a careful forger, SHA256SUMS made again, where only commitments and last hashes were published."""
    covered = sorted(
        path.relative_to(made.bundle).as_posix()
        for path in made.bundle.rglob("*")
        if path.is_file() and (path.name in BY_HEADS or path.parts[-2] == "study" or path.match("stimuli/*.wav"))
    )
    for number in range(count):
        kind = (*CAREFUL, a_byte)[number % (len(CAREFUL) + 1)]
        own = (lambda folder, rng: a_byte(folder, rng, covered)) if kind is a_byte else kind
        told = edited(made, place, rng, kind=own, remade=True)
        assert found_by_us(place, made.heads), told
        if kind is not a_byte:
            code, said = short_verifier(made.bundle / "verify.py", place, *published(made.heads))
            assert code in (1, 3), (told, said)


@pytest.fixture(scope="module")
def whole(made):
    """The bundle as it was made, verified from its ZIP with all that was published."""
    return verify_bundle(made.archive, published=made.everything)


def test_a_bundle_holds_in_every_line(made, whole):
    said = whole.text()
    assert whole.ok, said
    assert whole.grade == "anchored"
    assert whole.seen_whole
    assert whole.bundle_hash == sha256((made.bundle / SUMS).read_bytes()).hexdigest() == made.bundle_hash
    for wanted in (
        "files, ", "against their SHA-256 in SHA256SUMS", "the plan, drawn again, is that of its commitment",
        "what was planned: study.toml against the seal", "numbers and", "the same to the last digit",
        "2 stimuli rendered again from the clips and responses that are here: 2 byte for byte the same",
        "note: 2 stimuli are not in the bundle", "files of filters, designed again",
        "Grade: anchored", "What this proves", "What no check can tell", "no byte of it was changed since",
    ):  # fmt: skip
        assert wanted in said, wanted
    assert str(made.study.parent) not in said
    schema = json.loads(RESULTS_SCHEMA.read_text(encoding="utf-8"))
    jsonschema.validate({"schema_version": 1, "command": "verify", **whole.to_dict()}, schema)


def test_without_a_published_hash_it_says_what_is_not_proved(whole):
    assert "report/report.md" in whole.only_by_hash
    said = replace(whole, seen_whole=False, grade="consistent", published=()).text()
    assert "What it does not prove: when." in said
    assert "Only the bundle's own hash" in said
    many = [replace(whole.findings[0], what=f"sitting {n}: the chain of 12 answers holds") for n in range(1, 21)]
    assert "holds: 20 sittings, each: the chain of 240 answers holds" in replace(whole, findings=tuple(many)).text()


def test_what_is_found_and_what_is_refused_have_the_codes_that_are_documented(made, copy, tmp_path, capsys):
    (copy / "report" / "report.md").write_text("other words", encoding="utf-8")
    before = {path: path.stat().st_mtime_ns for path in copy.rglob("*")}
    with pytest.raises(SystemExit) as left:
        main(["verify", str(copy), "--quiet"], standalone_mode=False)
    assert left.value.code == 1
    # A folder is read where it lies, and nothing is written to it.
    assert {path: path.stat().st_mtime_ns for path in copy.rglob("*")} == before
    said = capsys.readouterr().out
    assert "FAILS: every file against its SHA-256: report/report.md: its bytes are not those that were listed" in said
    assert "Grade: broken." in said
    assert "note: results and sound were not computed again" in said
    climbing = tmp_path / "climbing.zip"
    with zipfile.ZipFile(climbing, "w") as archive:
        archive.writestr("../outside.txt", b"gotcha")
    with pytest.raises(BlindtestError, match="climbs out of the bundle") as refused:
        main(["verify", str(climbing)], standalone_mode=False)
    assert refused.value.exit_code == 3
    assert not (tmp_path.parent / "outside.txt").exists()
    assert not (tmp_path / "outside.txt").exists()
    with zipfile.ZipFile(tmp_path / "holiday.zip", "w") as archive:
        archive.writestr("beach.jpg", b"sand")
    with pytest.raises(BlindtestError, match="this is no evidence bundle"):
        main(["verify", str(tmp_path / "holiday.zip")], standalone_mode=False)
    with pytest.raises(BlindtestError, match="64 hexadecimal digits"):
        main(["verify", str(copy), "--published", "nonsense"], standalone_mode=False)


def test_what_was_planned_is_held_against_the_seal(made, copy):
    file = copy / "study" / "study.toml"
    with file.open("a", encoding="utf-8") as study:
        study.write("test.margin = 0.35\n")
    summed_again(copy)
    found = verify_bundle(copy, published=made.heads)
    (failed,) = [one for one in found.findings if not one.ok]
    assert failed.what.startswith("what was planned: study.toml against the seal")
    assert failed.detail == "differs in claims, protocol"


def edited_line(file, wanted, change):
    """Change the cells of the line of a file that holds `wanted`."""
    lines = file.read_text(encoding="utf-8").split("\n")
    (at,) = [number for number, line in enumerate(lines) if line.startswith(wanted)]
    lines[at] = change(lines[at])
    file.write_text("\n".join(lines), encoding="utf-8")


def failed_in(found):
    return {one.what.split(",")[0]: one.detail for one in found.findings if not one.ok}


def test_what_is_there_beside_the_record_is_held_against_hashes_and_seal(made, copy):
    """Where only heads were published: no hash of the bundle hides behind itself what a check of its own must find."""
    (sound,) = (path for path in (copy / "stimuli").glob("*.wav") if path.stem == hash_of(copy, "one", "second"))
    sound.write_bytes(sound.read_bytes()[:-1] + b"x")
    edited_line(copy / "stimuli/hashes.csv", "beat,first", lambda line: line[:-1] + ("0" if line[-1] != "0" else "1"))
    with (copy / "verify.py").open("a", encoding="utf-8") as verifier:
        verifier.write("# more\n")
    with (copy / "study/measurements/first/take 1.txt").open("a", encoding="utf-8") as measured:
        measured.write("# more\n")
    summed_again(copy)
    failed = failed_in(verify_bundle(copy, published=made.heads))
    assert failed == {
        "2 stimuli against the hashes they are named by": f"stimuli/{sound.name}",
        "hashes of 4 stimuli: stimuli/hashes.csv against the study seal": "beat in first",
        "verify.py is the short verifier of blindtest": "another one",
        f"{failed_files(copy)} files of the study against their SHA-256 in the seal": "measurements/first/take 1.txt",
        "what was planned: study.toml against the seal: title": "differs in stimuli",
    }


def failed_files(folder):
    """Files of the study that are sealed and here: all but the study file itself and the protocol's."""
    return sum(path.is_file() for path in (folder / "study").rglob("*")) - 1


def test_what_follows_from_the_record_is_made_again(made, copy):
    file = copy / "results.json"
    told = json.loads(file.read_bytes())
    # A value that is null is another than none: once both were read as the same.
    told |= {"more": None}
    del told["claims"][0]["why_not"]
    file.write_text(json.dumps(told, indent=1, sort_keys=True, ensure_ascii=False) + "\n", encoding="utf-8")
    with (copy / "trials.csv").open("a", encoding="utf-8") as table:
        table.write("more\n")
    seal = values_in(copy, SITTINGS)[0]["study_seal"]
    for name in ("report/report.html", "report/report.md"):
        text = (copy / name).read_text(encoding="utf-8")
        (copy / name).write_text(text.replace(seal, "00" * 32), encoding="utf-8")
    with (copy / "README.md").open("a", encoding="utf-8") as readme:
        readme.write("x")
    summed_again(copy)
    failed = failed_in(verify_bundle(copy, published=made.heads, sound=False))
    (results,) = (what for what in failed if what.startswith("results.json: "))
    assert failed == {
        results: "2 differ: claims.0.why_not, more",
        "trials.csv: 41 lines against the rows of the chain": "line 43 is not that of the record",
        "5 files that follow from these": "differs in README.md",
        VERDICTS: "; ".join(f"report/report.{kind} does not name the study seal" for kind in ("md", "html")),
    }


@pytest.mark.parametrize("other_source", [False, True])
def test_verdicts_on_page_and_block_are_those_of_the_answers_and_the_only_ones(made, copy, other_source):
    """The word that is right stands on a page in many places: what counts is where the verdict is read."""
    page, block = copy / "report/report.html", copy / "report/report.md"
    texts = {file: file.read_text(encoding="utf-8") for file in (page, block)}
    word = json.loads((copy / "results.json").read_bytes())["claims"][0]["word"]
    if other_source:
        said_to_be_made_by(copy, **{SOURCE: "ab" * 32})
    card = f'<p class="word">{word}</p>'
    assert card in texts[page]
    for file, old, new, held_by_words in (
        (page, card, '<p class="word">shown</p>', True),
        (page, card, f'{card}<p class="sentence">All.</p><p class="word">shown</p>', True),
        (block, f"**Result: {word}.**", "**Result: shown.**", True),
        (block, "**Question.**", "**Result: shown.** Beyond doubt.\n\n**Question.**", True),
        (block, " of 56 planned trials", " of 36 planned trials", False),
        (page, " of 56 planned trials", " of 36 planned trials", False),
    ):
        assert old in texts[file], old
        file.write_text(texts[file].replace(old, new), encoding="utf-8")
        summed_again(copy)
        failed = failed_in(verify_bundle(copy, published=made.heads, sound=False))
        kind = "html" if file == page else "md"
        wanted = {} if other_source and not held_by_words else {
            VERDICTS: f"report/report.{kind} gives another verdict than the answers"
        }  # fmt: skip
        assert failed == wanted, (old, new)
        file.write_text(texts[file], encoding="utf-8")


def test_filters_levels_and_sound_are_made_again(made, copy):
    first, second = (copy / f"filters/applied-{name}-44100.txt" for name in ("first", "second"))
    edited_line(first, "5 ", lambda line: line + "1")  # the fifth decimal: what another platform may round otherwise
    edited_line(second, "5 ", lambda line: f"5 {float(line.split()[1]) + 0.001:.4f}")
    # A level that is no number is nobody's level: max() passes over a NaN.
    edited_line(copy / "stimuli/table.csv", "one,first", lambda line: line[: line.rindex(",")] + ",nan")
    edited_line(copy / "stimuli/table.csv", "one,second", lambda line: line.replace(",heard,", ",file,"))
    derived_again(copy)
    summed_again(copy)
    failed = failed_in(verify_bundle(copy, published=made.heads))
    assert failed == {
        "4 files of filters": "differs in filters/applied-second-44100.txt",
        "loudness and true peak of 2 stimuli": "one in first by inf dB",
        "match table: 2 lines measured again": "one in first by inf dB; one in second: not there",
    }


def hash_of(folder, clip, condition):
    lines = [line.split(",") for line in (folder / "stimuli/hashes.csv").read_text(encoding="utf-8").splitlines()]
    (found,) = [sha for one, other, sha, *_ in lines if (one, other) == (clip, condition)]
    return found


def test_other_versions_are_said(made, copy):
    told = json.loads((copy / "versions.json").read_bytes())
    told["numpy"] = "0.0.1"
    (copy / "versions.json").write_text(json.dumps(told), encoding="utf-8")
    found = verify_bundle(copy, sound=False)
    assert found.made_by.others["numpy"][0] == "0.0.1"
    assert found.made_by.same_source
    assert "note: computed by other versions than are here: numpy 0.0.1 (here " in found.text()


def test_rows_that_a_listener_withdrew_are_counted_and_all_else_still_holds(made, copy):
    """As `blindtest forget` leaves them: salts and rows gone, hashes kept, no pseudonym."""
    chain, sittings = values_in(copy, CHAIN), values_in(copy, SITTINGS)
    gone = [link for link in chain if link["sitting"] == 2]
    for link in gone:
        link["salt"] = link["row"] = None
    sittings[1] |= {"listener": "withheld", "forgotten": sittings[1]["ended"]}
    put_values(copy, CHAIN, chain)
    put_values(copy, SITTINGS, sittings)
    put_values(copy, "record/events.jsonl", [])
    derived_again(copy)
    summed_again(copy)
    found = verify_bundle(copy, published=made.heads)
    assert found.ok, found.text()
    assert f"{len(gone)} rows withheld at the listener's request" in found.text()
    # Whether they asked for it nobody can tell: so all 28 trials of that sitting are counted against the claim.
    told = json.loads((copy / "results.json").read_bytes())
    (against,) = told["withdrawn"]["against"]
    counts = told["claims"][0]["counts"]
    assert (counts["trials"], counts["unanswered"]) == (28, 0)
    p = sum(comb(56, k) for k in range(counts["correct"], 57)) / 2**56
    word = "heard" if p <= 0.05 else "open"
    assert against == {
        "claim": told["claims"][0]["id"], "trials": 28, "word": word, "stands": word == told["claims"][0]["word"],
        "p_value": pytest.approx(p), "why_not": "",
    }  # fmt: skip
    assert f"note: the claim {against['claim']}, with the 28 trials that were withdrawn counted" in found.text()
    code, said = short_verifier(copy / "verify.py", copy, *published(made.heads))
    assert code == 0, said
    assert f"{len(gone)} withheld" in said
    # Withheld without that being said, they are missing.
    put_values(copy, SITTINGS, [sittings[0], {**sittings[1], "forgotten": None}])
    summed_again(copy)
    assert not verify_bundle(copy).ok
    assert short_verifier(copy / "verify.py", copy)[0] == 1


def test_a_record_that_would_take_forever_is_refused_at_once(made, copy):
    """A plan of a billion trials, with a commitment that is right."""
    seals, sittings = values_in(copy, SEALS), values_in(copy, SITTINGS)
    seal = next(seal for seal in seals if seal["commitment"] == sittings[0]["commitment"])
    seal["record"] = seal["record"].replace('"trials":28', '"trials":1000000000')
    seal["commitment"] = sha256(bytes.fromhex(seal["nonce"]) + seal["record"].encode()).hexdigest()
    sittings[0]["commitment"] = seal["commitment"]
    put_values(copy, SEALS, seals)
    put_values(copy, SITTINGS, sittings)
    linked_again(copy)
    summed_again(copy)
    said = verify_bundle(copy).text()
    assert (
        "FAILS: the record can be read and checked: not what blindtest writes (ValueError: sitting 1: a plan of" in said
    )


def test_no_path_of_a_strangers_study_leads_to_a_file_of_this_machine(made, copy, tmp_path):
    secret = tmp_path / "secret.flac"
    secret.write_bytes(b"private")
    file = copy / "study" / "study.toml"
    text = file.read_text(encoding="utf-8")
    for path in (str(secret), "../../secret.flac", "~/secret.flac"):
        file.write_text(text.replace('"clips/beat.mp3"', json.dumps(path)), encoding="utf-8")
        place = tmp_path / sha256(path.encode()).hexdigest()[:8]
        place.mkdir()
        with opened(copy) as bundle:
            work = laid_out(bundle, place)
        used = {(work.study.folder / clip.file).resolve() for clip in work.study.clips}
        assert all(place.resolve() in one.parents for one in used)
        assert path in work.missing


def test_the_short_verifier_runs_from_an_unpacked_zip_with_the_standard_library_alone(made, tmp_path):
    with zipfile.ZipFile(made.archive) as archive:
        archive.extractall(tmp_path / "unpacked")
    before = sorted(tmp_path.rglob("*"))
    command = [sys.executable, "-S", "-I", "verify.py", *published(made.everything)]
    ran = subprocess.run(command, cwd=tmp_path / "unpacked", capture_output=True, text=True, timeout=120, check=False)
    assert ran.returncode == 0, ran.stdout + ran.stderr
    assert ran.stderr == ""
    assert sorted(tmp_path.rglob("*")) == before
    told = json.loads((made.bundle / "results.json").read_bytes())["claims"][0]
    right = told["counts"]["correct"]
    # The exact p, summed here from binomial coefficients, of all planned trials with the unanswered taken as wrong.
    p = sum(comb(56, k) for k in range(right, 57)) / 2**56
    assert f"{right} right of " in ran.stdout
    assert f"exact upper p of {right} in 56 at 1/2, computed again: {p:.6g}" in ran.stdout
    assert "FAILS" not in ran.stdout
    zipped = subprocess.run(
        [sys.executable, "-S", "-I", str(made.bundle / "verify.py"), str(made.archive)],
        capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert zipped.returncode == 0, zipped.stdout + zipped.stderr
    assert "no published hash was given" in zipped.stdout


def packed_by(made, path):
    """Pack the files of the bundle as another program would."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for one in sorted(made.bundle.rglob("*")):
            if one.is_file():
                archive.write(one, one.relative_to(made.bundle).as_posix())


def test_a_zip_that_another_program_packed_is_the_same_bundle(made, whole, tmp_path):
    packed_by(made, tmp_path / "other.zip")
    with opened(tmp_path / "other.zip") as bundle:
        said = check_packing(bundle, tmp_path / "again.zip")
    assert said == "the ZIP was packed by another program than blindtest; the files in it are what counts"
    assert "holds: the ZIP against these files packed again: byte for byte the same" in whole.text()


def hunt_in_the_zip(made, place, rng, count):
    """Change a byte of the ZIP: it is refused, or the place is found, also where the files come out the same."""
    content = made.archive.read_bytes()
    directory = content.index(b"PK\1\2")
    for number in range(count):
        changed = bytearray(content)
        # Every other one in the directory, where many bytes touch no file.
        at = rng.randrange(directory, len(content)) if number % 2 else rng.randrange(len(content))
        changed[at] ^= rng.randrange(1, 256)
        path = place / "edited.zip"
        path.write_bytes(changed)
        try:
            with opened(path) as bundle:
                files, packing = check_files(bundle), check_packing(bundle, place / "again.zip")
        except BlindtestError as error:
            found = "\n" not in str(error)
        else:
            found = not all(one.ok for one in files.findings) or (isinstance(packing, Finding) and not packing.ok)
        assert found, at


def test_a_byte_of_the_zip_is_found(made, tmp_path):
    hunt_in_the_zip(made, tmp_path, random.Random(3), 10)


@pytest.mark.long
def test_a_bundle_made_while_somebody_listens_holds_and_keeps_that_sitting_shut(made, tmp_path, sit):
    folder = Path(shutil.copytree(made.study, tmp_path / "my-study"))
    sit(folder, "L-three", seed=7, d_prime=2.0, stop_after=4)
    shown = steps.report(folder, while_open="a deadline")
    found = verify_bundle(shown.archive)
    assert found.ok, found.text()
    assert "is opened once no sitting under it is open" in found.text()
    assert "4 rows of a sitting that is open, given once it is over" in found.text()
    code, said = short_verifier(shown.evidence / "verify.py", shown.evidence)
    assert code == 0, said
    assert "2 without a nonce could not be looked at" in said


@pytest.mark.long
def test_a_thousand_bytes_of_the_zip_are_found(made, tmp_path):
    hunt_in_the_zip(made, tmp_path, random.Random(20261128), 1_000)


def test_forty_edits_are_found(made, tmp_path):
    hunt(made, tmp_path / "edited", random.Random(1), 28)
    hunt_by_heads(made, tmp_path / "edited", random.Random(2), 12)


@pytest.mark.long
def test_a_thousand_edits_are_found(made, tmp_path):
    hunt(made, tmp_path / "edited", random.Random(20261126), 1_000)


@pytest.mark.long
def test_three_hundred_edits_of_a_careful_forger_are_found_by_the_published_heads(made, tmp_path):
    hunt_by_heads(made, tmp_path / "edited", random.Random(20261127), 300)


# Forgeries that were once let through, and bundles made to stop a verifier.


def shut(folder, *, kind, **into_record):
    """Leave out the nonces of seals of a kind, and write something into their records, which nobody can hash now."""
    seals = values_in(folder, SEALS)
    for seal in seals:
        if seal["kind"] == kind:
            told = json.loads(seal["record"]) | into_record
            seal["nonce"], seal["record"] = None, json.dumps(told, sort_keys=True, separators=(",", ":"))
    put_values(folder, SEALS, seals)


def test_a_study_seal_is_not_shut_by_a_sitting_that_was_made_up(made, copy):
    """A sitting that is said to be open keeps the study seal shut, behind whose commitment any record could stand."""
    seals, sittings = values_in(copy, SEALS), values_in(copy, SITTINGS)
    plan = next(seal for seal in seals if seal["commitment"] == sittings[1]["commitment"])
    plan = plan | {"commitment": "5a" * 32, "nonce": None, "record": plan["record"].replace(':2,"study', ':3,"study')}
    more = {"number": 3, "commitment": "5a" * 32, "head": "5a" * 32, "links": 0, "listener": "L-new", "state": "open"}
    put_values(copy, SEALS, [*seals, plan])
    put_values(copy, SITTINGS, [*sittings, sittings[1] | more | {"ended": None, "reason": ""}])
    shut(copy, kind="study")
    derived_again(copy)
    summed_again(copy)
    found = verify_bundle(copy, published=made.heads, sound=False)
    assert found.grade != "anchored", found.text()
    assert "what was planned can't be held against it until then" in found.text()
    _, said = short_verifier(copy / "verify.py", copy, *published(made.heads))
    assert "is a study seal, shut until it may be opened: it shows nothing yet" in said
    assert "but for seals that are said to be shut" in said


def test_a_finished_sitting_does_not_lie_under_a_passphrase(made, copy):
    """Who finishes a sitting has its key stored: else its answers could be kept back, and its plan be any."""
    shut(copy, kind="sitting", helper={"cipher": "said to be"})
    summed_again(copy)
    found = verify_bundle(copy, published=made.heads, sound=False)
    assert any(one.what == "sitting 1: its plan can be drawn again" for one in found.findings if not one.ok)
    code, said = short_verifier(copy / "verify.py", copy, *published(made.heads))
    assert code == 1
    assert "FAILS: 1 commitments against their nonces and records" in said
    # And a study's seal never does.
    shut(copy, kind="study", helper={})
    assert "FAILS: 0 commitments against" in short_verifier(copy / "verify.py", copy)[1]


def test_a_seal_that_stands_there_twice_is_found(made, copy):
    """The later one, without a nonce, would be read in place of the one that was hashed."""
    seals = values_in(copy, SEALS)
    put_values(copy, SEALS, [*seals, seals[-1]])
    summed_again(copy)
    code, said = short_verifier(copy / "verify.py", copy, *published(made.heads))
    assert code == 1
    assert "a seal twice" in said


def test_a_finished_sitting_that_is_said_to_be_open_has_no_last_hash(made, copy):
    sittings = values_in(copy, SITTINGS)
    put_values(copy, SITTINGS, [sittings[0] | {"state": "open", "ended": None}, sittings[1]])
    summed_again(copy)
    code, said = short_verifier(copy / "verify.py", copy, "--published", sittings[0]["head"])
    assert code == 1
    assert "is nothing of this record" in said


def test_days_of_silence_in_a_few_packed_bytes_are_not_rendered(copy, tmp_path):
    soundfile.write(copy / "study" / "clips" / "tune.flac", np.zeros(200 * 8000), 8000, subtype="PCM_16")
    for name in ("study", "again"):
        (tmp_path / name).mkdir()
    with opened(copy) as bundle:
        work, listed, levels = laid_out(bundle, tmp_path / "study"), hashes_in(bundle), levels_in(bundle)
        found = check_rendering(bundle, work, listed, levels, tmp_path / "again")
    assert found == ["not rendered again, since the clip is much longer than its stimuli here: one"]
    assert sorted(path.name for path in (tmp_path / "again").iterdir()) == ["fixed.toml"]


def ends_of(bundle):
    return {entry.end for entry in read_kept_record(bundle / "record").sittings()}


def test_how_a_sitting_ended_is_held_by_a_hash_of_its_own(made, copy):
    """A finished sitting that is called abandoned: its chain is the same, and so are all numbers that count answers."""
    sittings = values_in(copy, SITTINGS)
    put_values(copy, SITTINGS, [sittings[0] | {"state": "abandoned", "reason": "by command"}, sittings[1]])
    derived_again(copy)
    summed_again(copy)
    unheld = "how sittings 1, 2 ended (finished or abandoned), and when"
    found = verify_bundle(copy, published=made.heads, sound=False)
    assert (found.ok, found.record.ends_unseen) == (True, (1, 2))
    assert unheld in found.text()
    code, said = short_verifier(copy / "verify.py", copy, *published(made.heads))
    assert code == 0
    assert "What none of those hashes holds: how 2 of 2 sittings ended" in said
    found = verify_bundle(copy, published=[*made.heads, *ends_of(made.bundle)], sound=False)
    assert [one.what[:14] for one in found.findings if not one.ok] == ["published hash"]
    code, said = short_verifier(copy / "verify.py", copy, *published(ends_of(made.bundle)))
    assert code == 1
    assert "is how sitting 2 ended" in said
    honest = verify_bundle(made.bundle, published=[*made.heads, *ends_of(made.bundle)], sound=False)
    assert (honest.grade, unheld in honest.text()) == ("anchored", False)


def test_a_sitting_that_is_said_to_lie_under_a_lost_passphrase_has_another_end(made, copy):
    """The most that a forger can do to answers that were bad: all of the sitting shut, nothing of it to look at."""
    sittings, chain = values_in(copy, SITTINGS), values_in(copy, CHAIN)
    put_values(copy, CHAIN, [link | ({"row": None, "salt": None} if link["sitting"] == 2 else {}) for link in chain])
    seals = values_in(copy, SEALS)
    plan = next(seal for seal in seals if seal["commitment"] == sittings[1]["commitment"])
    told = json.loads(plan["record"]) | {"helper": {"cipher": "AES-256-GCM"}}
    plan |= {"nonce": None, "record": json.dumps(told, sort_keys=True, separators=(",", ":"))}
    put_values(copy, SEALS, seals)
    derived_again(copy)
    summed_again(copy)
    found = verify_bundle(copy, published=made.heads, sound=False)
    assert (found.ok, found.record.unread) == (True, (2,)), found.text()
    assert "What nobody can read yet: plan and answers of sitting 2" in found.text()
    ends = ends_of(made.bundle)
    assert not verify_bundle(copy, published=[*made.heads, *ends], sound=False).ok
    code, said = short_verifier(copy / "verify.py", copy, *published(ends))
    assert (code, "1 without a nonce could not be looked at" in said) == (1, True)


def test_what_was_laid_beside_the_rest_is_named_as_held_by_the_hash_alone(made, copy):
    (copy / "report" / "more").mkdir()
    strays = ("extra/other results.html", "study/notes.txt", "record/more.jsonl", "stimuli/readme.txt")
    for name in strays:
        (copy / name).parent.mkdir(exist_ok=True)
        (copy / name).write_bytes(b"{}")
    derived_again(copy)
    summed_again(copy)
    found = verify_bundle(copy, published=made.heads, sound=False)
    assert {*strays, "record/events.jsonl", "versions.json"} <= {*found.only_by_hash}
    assert "verify.py" not in found.only_by_hash
    assert not [
        name for name in found.only_by_hash if name in (CHAIN, SITTINGS, SEALS, "trials.csv", "study/study.toml")
    ]
    assert "extra/other results.html" in found.text()
    # Filters and levels were not looked at, since sound was not asked for.
    assert [name for name in found.only_by_hash if name.startswith("filters/")]


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"listener": "L-new"}, "sitting 1: its answers are those of the listener in the register"),
        ({"listener": "withheld", "forgotten": "2031-01-01T00:00:00.000+00:00"},
         "sitting 1: it was withdrawn, and its rows erased"),
    ],
    ids=["another listener", "withdrawn with its rows"],
)  # fmt: skip
def test_the_register_says_of_answers_what_they_say_themselves(made, copy, changed, said):
    """Two listeners made of one count for more; who withdrew has no rows left that could count for nothing."""
    sittings = values_in(copy, SITTINGS)
    put_values(copy, SITTINGS, [sittings[0] | changed, sittings[1]])
    derived_again(copy)
    summed_again(copy)
    found = verify_bundle(copy, sound=False)
    assert [one.what for one in found.findings if not one.ok] == [said]
    code, told = short_verifier(copy / "verify.py", copy)
    (failed,) = [line for line in told.splitlines() if line.startswith("FAILS")]
    assert (code, "rows of answers against their salted hashes" in failed) == (1, True)


def said_to_be_made_by(folder, **versions):
    """Write into a bundle what made it; None: it says nothing of that."""
    told = json.loads((folder / "versions.json").read_bytes()) | versions
    left = {name: version for name, version in told.items() if version is not None}
    (folder / "versions.json").write_text(json.dumps(left, indent=1, sort_keys=True) + "\n", encoding="utf-8")


@pytest.mark.parametrize(
    ("versions", "said"),
    [
        ({SOURCE: "ab" * 32}, "note: made by another source state of blindtest 0.1.0 (abababababababab..., here "),
        ({SOURCE: None}, "note: it does not say which source state of blindtest 0.1.0 made it (here "),
        ({"blindtest": "9.9"}, "note: made by another source state of blindtest 9.9 ("),
    ],
    ids=["another source", "none, as older bundles", "another version"],
)
def test_what_another_source_may_write_otherwise_is_held_by_the_hash_alone(made, copy, versions, said):
    """Who says that another source made the bundle has less compared; what is not, is named, and that is all."""
    (copy / "README.md").write_text("trust me", encoding="utf-8")
    (copy / "verify.py").write_text("print('all holds')", encoding="utf-8")
    put_lines(copy / "record/settings.jsonl", [b'{"value": [], "key": "loopbacks", "more": 1}'])
    said_to_be_made_by(copy, **versions)
    summed_again(copy)
    found = verify_bundle(copy, sound=False)
    assert found.ok, found.text()
    assert {"README.md", "verify.py", "versions.json", "record/settings.jsonl"} <= {*found.only_by_hash}
    assert "verify.py is not that of the source that runs here: read it before you run it" in found.text()
    assert said in found.text()
    schema = json.loads(RESULTS_SCHEMA.read_text(encoding="utf-8"))
    jsonschema.validate({"schema_version": 1, "command": "verify", **found.to_dict()}, schema)
    # A verdict, an answer, a list of stimuli stay what they are, whoever is said to have made the bundle.
    file = copy / "results.json"
    told = json.loads(file.read_bytes())
    told["claims"][0]["word"] = "negligible"
    file.write_text(json.dumps(told, indent=1, sort_keys=True, ensure_ascii=False) + "\n", encoding="utf-8")
    with (copy / "trials.csv").open("a", encoding="utf-8") as table:
        table.write("more\n")
    summed_again(copy)
    failed = failed_in(verify_bundle(copy, sound=False))
    assert [what.split(":")[0] for what in failed] == ["results.json", "trials.csv"]
    assert [*failed.values()] == ["1 differ: claims.0.word", "line 43 is not that of the record"]


def test_a_rule_that_a_seal_is_without_is_told_and_not_called_other_words(copy, tmp_path):
    """Seals made before listeners of a preference were told apart lack one: no forgeries, and not the same words."""
    with opened(copy) as bundle:
        work, listed = laid_out(bundle, tmp_path), hashes_in(bundle)
        sealed = read_kept_record(copy / "record").record(read_kept_record(copy / "record").sittings()[-1].study_seal)
        rules = sealed["analysis"]
        without = sealed | {"analysis": {name: words for name, words in rules.items() if name != "several"}}
        _, told = check_study(work, listed, without, same_source=False)
        assert told == (
            f"the study seal is without a rule that the source here would seal: several ({rules['several']}): every "
            "claim is analysed as it was sealed, without it"
        )
        more = sealed | {"analysis": rules | {"heard": "by ear", "tasted": "a spoonful"}}
        _, unknown, reworded = check_study(work, listed, more, same_source=False)
        assert "names a rule that the source here doesn't know: tasted" in unknown
        assert reworded.endswith("another source of blindtest words analysis otherwise: not decided")
        for changed in (without, more):
            _, firm = check_study(work, listed, changed, same_source=True)
            assert (firm.ok, firm.detail) == (False, "differs in analysis")


def test_a_source_that_is_no_hash_makes_nothing_easier(copy):
    (copy / "verify.py").write_text("print('all holds')", encoding="utf-8")
    said_to_be_made_by(copy, **{SOURCE: "the best"})
    summed_again(copy)
    found = verify_bundle(copy, sound=False)
    reason = "ValueError: blindtest source: no SHA-256 in hex"
    assert failed_in(found) == {
        "versions can be read and checked": f"not what blindtest writes ({reason})",
        "verify.py is the short verifier of blindtest": "another one",
    }
    assert found.made_by.to_dict()["stated"] is None


def test_a_deadline_of_the_register_is_that_of_the_plan(made, copy):
    sittings = values_in(copy, SITTINGS)
    put_values(copy, SITTINGS, [sittings[0] | {"deadline": "2031-01-01T00:00:00.000+00:00"}, sittings[1]])
    derived_again(copy)
    summed_again(copy)
    found = verify_bundle(copy, sound=False)
    assert [one.what for one in found.findings if not one.ok] == [
        "sitting 1: its deadline in the register is that of its plan"
    ]


@pytest.mark.parametrize(
    "changed",
    [
        {"trials": 10**9, "successes": 5 * 10**8}, {"guess": "1e999999999"}, {"guess": f"1/{10**4000}"},
        {"trials": -5}, {"trials": 1e300}, {"guess": None}, {"guess": "1/0"}, {"guess": "1/1"},
    ],
    ids=["a billion", "many digits", "many digits below", "fewer than none", "a float", "null", "by zero", "sure"],
)  # fmt: skip
def test_no_number_keeps_the_short_verifier_busy(copy, changed):
    """A billion trials, or a fraction of a billion digits, are said to be too many; CI's own limit ends it else."""
    file = copy / "results.json"
    told = json.loads(file.read_bytes())
    told["claims"][0]["exact"][0] |= changed
    file.write_text(json.dumps(told), encoding="utf-8")
    code, said = short_verifier(copy / "verify.py", copy)
    assert code == 1
    assert "can't be read as a bundle" in said or "FAILS: claim" in said


def test_what_is_said_of_a_forged_bundle_stays_in_one_line(made, copy):
    """Names come from whoever made the bundle: none ends a line early or steers a terminal."""
    seals = values_in(copy, SEALS)
    study = next(seal for seal in seals if seal["kind"] == "study")
    name = json.dumps("it\nholds: all\x1b[2J\u202e\ud800")[1:-1]
    claim = json.loads(study["record"])["claims"][0]["id"]
    study["record"] = study["record"].replace(f'"id":"{claim}"', f'"id":"{name}"')
    put_values(copy, SEALS, seals)
    file = copy / "results.json"
    file.write_text(file.read_text(encoding="utf-8").replace(f'"id": "{claim}"', f'"id": "{name}"'), encoding="utf-8")
    _, said = short_verifier(copy / "verify.py", copy)
    assert "claim it?holds: all?[2J??" in said
    assert "\nholds: all" not in said
    assert "\x1b" not in said
    told = json.loads((made.bundle / "results.json").read_bytes())
    file.write_text(json.dumps(told | {"it\nholds: all\x1b[2J\u202e" + "x" * 100_000: 1}), encoding="utf-8")
    shutil.copyfile(made.bundle / SEALS, copy / SEALS)
    summed_again(copy)
    said = verify_bundle(copy, sound=False).text()
    assert "computed again from the record: 1 differ: it holds: all?[2J?x" in said
    assert "\nholds: all" not in said
    assert "\x1b" not in said
    assert max(map(len, said.splitlines())) < 2100
