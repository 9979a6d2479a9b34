"""The evidence bundle of a small study: opened by programs that others made, the same bytes twice, nothing private.

Outside: RO-Crate's own library, frictionless (Table Schema), jsonschema, sha256sum, hashlib, zipfile, unzip's rules.
"""

import csv
import io
import json
import os
import shutil
import socket
import subprocess
import sys
import zipfile
from collections.abc import Iterable
from contextlib import closing
from datetime import UTC, datetime
from functools import cache
from hashlib import sha256
from math import comb
from pathlib import Path
from types import SimpleNamespace
from urllib.parse import unquote

import numpy as np
import pytest
import soundfile

from blindtest import steps
from blindtest.errors import BlindtestError
from blindtest.render import kept_to_us, load_rendered
from blindtest.session import Abandoned, Commented, event_to_dict
from blindtest.session.kept_record import read_kept_record
from blindtest.session.own_words import OWN_WORDS
from blindtest.session.store import Store
from blindtest.steps.answers.study import read_answers
from blindtest.steps.evidence import DERIVED, SUMS, derived, evidence, given, trials_text, write_folder, write_zip
from blindtest.study import load_study, render_job

NAME = "Invented Q. Person"
OWN = "my tinnitus is back"
REMARK = "the neighbour's dog, called Rumpel, barked"
MADE = datetime(2026, 5, 9, 12, 0, tzinfo=UTC)


def remark(folder):
    """Put a remark on the first trial of the last sitting on record."""
    with opened(folder) as store:
        number = store.sittings()[-1].number
        store.add_event(number, event_to_dict(Commented(trial=1, attempt=1, text=REMARK, at=datetime.now(UTC))))


def opened(folder):
    return Store(folder / "study.db", entropy=lambda n: sha256(b"salt").digest()[:n])


@cache
def rendered_in(folder):
    """Return the stimuli of the study, and of copies of it: their filters are designed once."""
    return load_rendered(render_job(load_study(folder)), folder / "stimuli")


def made_of(folder, original, at=MADE, **options):
    """Return what the report of a study puts into its bundle, but for page and figures, which take long to draw."""
    study = load_study(folder)
    rendered = rendered_in(original)
    with opened(folder) as store:
        held = given(
            study, rendered, store, stimuli=folder / "stimuli", report={}, versions={"blindtest": "0"}, **options
        )
        made = derived(held, read_answers(store), store, generated_at=at, invented=False)
    return held, made


@pytest.fixture(scope="module")
def listened(tmp_path_factory, own_template, sit):
    """A study in which one has finished, one stopped off, and one was forgotten; names lie where no command reads."""
    folder = tmp_path_factory.mktemp("listened") / "Öwn study #2"
    shutil.copytree(own_template, folder)
    text = (folder / "study.toml").read_text(encoding="utf-8")
    for clip, licence in (("tune.flac", "cc-by-4.0"), ("beat.mp3", "all rights reserved")):
        file = f'file = "clips/{clip}"'
        assert text.count(file) == 1
        text = text.replace(file, f'licence = "{licence}"\n{file}')
    text = text.replace("test.trials = 28", "test.trials = 9")
    (folder / "study.toml").write_text(text, encoding="utf-8")
    (folder / "names.csv").write_text(f"L-one,{NAME}\n")
    steps.render(folder)
    sit(folder, "L-one", seed=1)
    remark(folder)
    sit(folder, "L-gone", seed=2)
    remark(folder)
    sit(folder, "L-stopped", seed=3, stop_after=4)
    remark(folder)
    with opened(folder) as store:
        store.remember("cookie_secret", "5ec3e7" * 8)
        store.remember("port", 43_210)
        store.add_event(3, event_to_dict(Abandoned(reason=OWN, at=datetime.now(UTC))))
        store.set_state(3, "abandoned", at=datetime.now(UTC), reason=OWN)
        store.forget("L-gone", at=datetime.now(UTC))
    return folder


@pytest.fixture(scope="module")
def shown(listened):
    """Its report; no connection may be opened while it is made."""
    with pytest.MonkeyPatch.context() as patch:

        def refused(*_: object) -> None:
            raise AssertionError("a connection was opened")

        patch.setattr(socket.socket, "connect", refused)
        patch.setattr(socket, "getaddrinfo", refused)
        return steps.report(listened, clock=lambda: MADE)


@pytest.fixture(scope="module")
def bundle(shown):
    return shown.evidence


def members(folder: Path) -> dict[str, bytes]:
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def read_json(path):
    return json.loads(path.read_text(encoding="utf-8"))


def test_every_file_has_its_hash_and_the_bundle_one_of_its_own(shown, bundle):
    files = members(bundle)
    listed = dict(reversed(line.split("  ", 1)) for line in files[SUMS].decode().splitlines())
    assert list(listed) == sorted(files.keys() - {SUMS})
    assert all(sha256(files[name]).hexdigest() == hashed for name, hashed in listed.items())
    assert shown.evidence_sha256 == sha256(files[SUMS]).hexdigest()
    assert f"  evidence bundle  {shown.evidence_sha256}" in shown.text()
    assert shown.to_dict()["evidence_sha256"] == shown.evidence_sha256
    for wanted in ("report/report.html", "report/report.md", "report/figures/plan.png", "study/study.toml", "verify.py",
                   "study/protocols/abx.toml", "stimuli/table.csv", "stimuli/fixed.toml", "versions.json"):  # fmt: skip
        assert wanted in files


@pytest.mark.skipif(shutil.which("sha256sum") is None, reason="no sha256sum here")
def test_sha256sum_checks_it(bundle):
    said = subprocess.run(["sha256sum", "--strict", "-c", SUMS], cwd=bundle, capture_output=True, text=True, check=True)
    assert said.stdout.count(": OK") == len(members(bundle)) - 1


def test_the_zip_holds_the_same_and_tells_neither_machine_nor_time(shown, bundle, tmp_path):
    assert shown.archive.name == "wn-study-2-evidence.zip"
    with zipfile.ZipFile(shown.archive) as archive:
        assert archive.testzip() is None
        assert archive.comment == b""
        assert archive.namelist() == sorted(archive.namelist())
        assert {name: archive.read(name) for name in archive.namelist()} == members(bundle)
        for entry in archive.infolist():
            assert entry.date_time == (1980, 1, 1, 0, 0, 0)
            assert (entry.extra, entry.comment) == (b"", b"")
            assert entry.external_attr >> 16 == 0o100644
    whole = {name: bundle / name for name in members(bundle)}
    write_zip(whole, tmp_path / "again.zip")
    assert (tmp_path / "again.zip").read_bytes() == shown.archive.read_bytes()


def test_made_twice_it_is_the_same_bytes(listened):
    one, other = (evidence(*made_of(listened, listened)) for _ in range(2))
    assert one.keys() == other.keys()
    assert all(value == other[name] for name, value in one.items())
    later = evidence(*made_of(listened, listened, at=MADE.replace(day=10)))
    assert later[SUMS] != one[SUMS]


def test_what_follows_follows_from_the_bundle_alone(bundle):
    """As anybody who has nothing else makes it: record, study file, match table and versions from the bundle."""
    files = members(bundle)
    held = {name: text for name, text in files.items() if name not in (*DERIVED, SUMS)}
    record = read_kept_record(bundle / "record")
    found = json.loads(files["results.json"])
    again = derived(
        held,
        read_answers(record),
        record,
        generated_at=datetime.fromisoformat(found["generated_at"]),
        invented=found["invented"],
    )
    assert sorted(again) == sorted(DERIVED)
    for name, text in again.items():
        assert text == files[name], name


def test_the_short_verifier_agrees_from_an_unpacked_zip(shown, tmp_path):
    with zipfile.ZipFile(shown.archive) as archive:
        archive.extractall(tmp_path)
    ran = subprocess.run(
        [sys.executable, "-S", "-I", str(tmp_path / "verify.py")], capture_output=True, text=True, cwd=tmp_path
    )
    assert ran.returncode == 0, ran.stdout + ran.stderr
    assert shown.evidence_sha256 in ran.stdout


def test_ro_crate_s_own_library_reads_it(bundle):
    from rocrate.rocrate import ROCrate

    crate = ROCrate(str(bundle))
    assert crate.version == "1.2"
    assert crate.root_dataset["datePublished"] == "2026-05-09T12:00:00.000+00:00"
    described = {entity.id for entity in crate.get_entities() if entity.type == "File"}
    assert {unquote(name) for name in described} == set(members(bundle)) - {SUMS, "ro-crate-metadata.json"}
    assert "study/measurements/first/take%200.txt" in described
    assert {part.id for part in crate.root_dataset["hasPart"]} == described
    graph = read_json(bundle / "ro-crate-metadata.json")
    # RO-Crate 1.2, section "RO-Crate Metadata Descriptor" and "Root Data Entity": what must stand there.
    assert graph["@context"] == "https://w3id.org/ro/crate/1.2/context"
    by_id = {entity["@id"]: entity for entity in graph["@graph"]}
    assert by_id["ro-crate-metadata.json"]["conformsTo"] == {"@id": "https://w3id.org/ro/crate/1.2"}
    assert by_id["ro-crate-metadata.json"]["about"] == {"@id": "./"}
    assert {"name", "description", "datePublished", "license"} <= by_id["./"].keys()
    # Every reference leads somewhere in the graph.
    for entity in graph["@graph"]:
        for value in entity.values():
            for one in value if isinstance(value, list) else [value]:
                if isinstance(one, dict) and not one["@id"].startswith("https://w3id.org/ro/crate"):
                    assert one["@id"] in by_id
    audio = [entity for name, entity in by_id.items() if name.startswith("stimuli/") and name.endswith(".wav")]
    assert audio
    assert all(entity["license"] == {"@id": "https://spdx.org/licenses/CC-BY-4.0"} for entity in audio)


def test_frictionless_finds_the_table_as_its_schema_says(bundle):
    from frictionless import Resource, Schema

    schema = Schema.from_descriptor(read_json(bundle / "trials.schema.json"))
    found = Resource(path="trials.csv", basepath=str(bundle), schema=schema).validate()
    assert found.valid, found.flatten(["rowNumber", "fieldName", "note"])
    header, *rows = csv.reader(io.StringIO((bundle / "trials.csv").read_text(encoding="utf-8")))
    assert header == schema.field_names
    assert all(field.description for field in schema.fields)
    # A practice trial and nine, and what the other answered before the end; none of the one who was forgotten.
    assert {row[header.index("listener")] for row in rows} == {"L-one", "L-stopped"}
    # A track that nobody chose on has no response.
    row = {**dict(zip(header, rows[-1], strict=True)), "response": None, "correct": None}
    over = SimpleNamespace(entry=SimpleNamespace(state="finished"), rows=[row])
    (bundle.parent / "unchosen.csv").write_bytes(trials_text(SimpleNamespace(sittings=[over])))
    found = Resource(path="unchosen.csv", basepath=str(bundle.parent), schema=schema).validate()
    assert found.valid, found.flatten(["rowNumber", "fieldName", "note"])
    # The schema holds what it is given to: a trial twice, a phase that there is none of.
    broken = (bundle / "trials.csv").read_text(encoding="utf-8")
    for change in (broken + broken.splitlines()[1] + "\n", broken.replace(",practice,abx,", ",rehearsal,abx,", 1)):
        (bundle.parent / "broken.csv").write_text(change, encoding="utf-8")
        assert not Resource(path="broken.csv", basepath=str(bundle.parent), schema=schema).validate().valid


def test_results_keep_to_their_schema_and_say_what_was_left_out(bundle):
    import jsonschema

    schema, found = read_json(bundle / "results.schema.json"), read_json(bundle / "results.json")
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.Draft202012Validator(schema, format_checker=jsonschema.FormatChecker()).validate(found)
    (claim,) = found["claims"]
    one, stopped = claim["by_listener"]
    assert (one["listener"], one["trials"], stopped["listener"]) == ("L-one", 9, "L-stopped")
    assert stopped["trials"] + stopped["unanswered"] == 9
    assert claim["counts"]["planned"] == 18
    # The exact p, summed here from binomial coefficients.
    for exact in claim["exact"][:2]:
        k, n = exact["successes"], exact["trials"]
        assert exact["p_value"] == pytest.approx(sum(comb(n, i) for i in range(k, n + 1)) / 2**n, rel=1e-12)
    assert claim["p_value"] == claim["exact"][1]["p_value"]
    assert claim["interval"][0] <= claim["estimate"] <= claim["interval"][1]
    assert found["register"] | {"answers": 0} == {
        "sittings": 3, "finished": 2, "abandoned": 1, "open": 0, "counted": 2, "beyond_plan": 0, "locked": 0,
        "under_other_seals": 0, "answers": 0,
    }  # fmt: skip
    (against,) = found["withdrawn"].pop("against")
    assert found["withdrawn"] == {"sittings": 1, "rows": 10, "impressions": 0}
    # Nine more trials that nobody answered, none of them right: the tail of binomial coefficients again.
    right, trials = claim["counts"]["correct"], claim["counts"]["planned"] + 9
    tail = sum(comb(trials, i) for i in range(right, trials + 1)) / 2**trials
    assert (against["claim"], against["trials"], against["word"]) == ("heard", 9, claim["word"])
    assert against["p_value"] == pytest.approx(tail, rel=1e-12)
    readme = (bundle / "README.md").read_text(encoding="utf-8")
    assert "1 sitting with 10 rows, 0 impressions" in readme
    assert found["study_seal"] in readme
    assert all(one["residuals_db"]["heard_after"] < 0.1 for one in found["loudness"])


def test_audio_is_there_only_under_a_licence_that_lets_it_be_passed_on(listened, bundle):
    found = {one["clip"]: one for one in read_json(bundle / "results.json")["audio"]}
    assert (found["one"]["licence"], found["one"]["included"]) == ("CC-BY-4.0", True)
    assert (found["beat"]["licence"], found["beat"]["included"]) == ("all rights reserved", False)
    assert "all rights reserved is not on the list" in (bundle / "README.md").read_text(encoding="utf-8")
    files = members(bundle)
    assert "study/clips/tune.flac" in files
    assert not any("beat" in name for name in files)
    with (bundle / "stimuli" / "hashes.csv").open() as stream:
        hashes = list(csv.DictReader(stream))
    assert len(hashes) == 4
    for row in hashes:
        there = files.get(f"stimuli/{row['sha256']}.wav")
        assert (there is not None) == (row["clip"] == "one")
        assert there is None or sha256(there).hexdigest() == row["sha256"]
    held, _ = made_of(listened, listened, audio=False)
    assert not [name for name in held if name.startswith("stimuli/") and name.endswith(".wav")]
    assert "study/clips/tune.flac" not in held


def test_filters_are_there_as_impulse_responses_that_have_the_level_they_say(bundle):
    """By numpy's FFT of the WAV that libsndfile reads: the level at 1 kHz and 100 Hz is that of the text."""
    found = sorted((bundle / "filters").glob("applied-*.wav"))
    assert len(found) == 2
    for path in found:
        fir, rate = soundfile.read(path)
        listed = np.array(
            [line.split() for line in path.with_suffix(".txt").read_text().splitlines() if line[0] != "#"], dtype=float
        )
        length = 1 << 18
        level = 20 * np.log10(np.abs(np.fft.rfft(fir, length)))
        for hz in (100.0, 1000.0, 6000.0):
            at = np.interp(np.log(hz), np.log(listed[:, 0]), listed[:, 1])
            assert level[round(hz * length / rate)] == pytest.approx(at, abs=0.1)


def test_nothing_private_is_in_it(listened, shown, bundle):
    everything = b"".join(members(bundle).values()) + b"".join(name.encode() for name in members(bundle))
    for private in (
        NAME,
        "names.csv",
        REMARK,
        OWN,
        "Rumpel",
        "5ec3e7",
        "cookie_secret",
        "43210",
        "L-gone",
        str(listened.parent),
    ):
        assert private.encode() not in everything, private
    with closing(opened(listened)) as store:
        assert any(event["event"] == "commented" for event in store.events(1))
    # That something was said stands there, in the register, among the events, and on the page.
    for name in ("record/sittings.jsonl", "record/events.jsonl", "report/report.html"):
        assert OWN_WORDS.encode() in (bundle / name).read_bytes().replace(b"&#39;", b"'"), name
    held, _ = made_of(listened, listened, comments=True)
    for name, words in (("events", REMARK), ("events", OWN), ("sittings", OWN)):
        assert words.encode() in held[f"record/{name}.jsonl"]


def test_what_is_forgotten_later_gives_another_bundle_whose_chain_still_holds(listened, shown, bundle, tmp_path):
    folder = shutil.copytree(listened, tmp_path / "later", ignore=shutil.ignore_patterns("report"))
    steps.forget(folder, "L-stopped")
    whole = evidence(*made_of(folder, listened))
    assert sha256(whole[SUMS]).hexdigest() != shown.evidence_sha256
    write_folder(whole, tmp_path / "bundle")
    record = read_kept_record(tmp_path / "bundle" / "record")
    assert record.faults() == ()
    before = read_kept_record(bundle / "record")
    for number in (1, 2, 3):
        assert [one.hash for one in record.chain(number)] == [one.hash for one in before.chain(number)]
        gone = [one.row is None and one.salt is None for one in record.chain(number)]
        assert gone == [number != 1] * len(gone)
    found = json.loads(whole["results.json"])
    assert found["withdrawn"]["sittings"] == 2
    assert found["claims"][0]["counts"]["trials"] == 9


def test_a_sitting_that_is_open_tells_nothing(listened, tmp_path, sit):
    folder = shutil.copytree(listened, tmp_path / "open", ignore=shutil.ignore_patterns("report"))
    text = (folder / "study.toml").read_text(encoding="utf-8")
    sit(folder, "L-new", seed=5, stop_after=3)
    remark(folder)
    held, made = made_of(folder, listened)
    everything = b"".join(
        one if isinstance(one, bytes) else one.read_bytes() for one in [*held.values(), *made.values()]
    )
    with opened(folder) as store:
        entry = store.sittings()[-1]
        assert entry.state == "open"
        assert entry.links
        assert store.sealed(entry.commitment).nonce.hex().encode() not in everything
        assert store.sealed(entry.study_seal).nonce.hex().encode() not in everything
        rows = store.rows(entry.number)
    assert rows[0]["answered_at"].encode() not in everything
    assert b"1 sitting still open" in made["README.md"]
    # Also then everything follows from what was published.
    write_folder(evidence(held, made), tmp_path / "bundle")
    record = read_kept_record(tmp_path / "bundle" / "record")
    again = derived(held, read_answers(record), record, generated_at=MADE, invented=False)
    assert again == made
    assert text


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("two\\one.txt", "a backslash in a name"),
        ("con.txt", "the name of a device"),
        ("dot.", "ends in a dot or a blank"),
    ],
)
def test_a_name_that_is_not_safe_everywhere_is_refused(name, words):
    with pytest.raises(BlindtestError, match=words):
        evidence({f"study/{name}": b""}, {})


def test_two_names_that_some_system_takes_for_one_are_refused():
    with pytest.raises(BlindtestError, match=r"study/A.txt: .*some systems take it for study/a.txt"):
        evidence({"study/a.txt": b"", "study/A.txt": b""}, {})


def test_a_bundle_that_cannot_be_written_leaves_the_report_before_it(listened, shown, monkeypatch):
    alone = []

    def full(_files: object, path: Path) -> None:
        # Another program that reports now would wait.
        with kept_to_us(listened, waiting=False) as ours:
            alone.append(not ours)
        path.write_bytes(b"half of it")
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("blindtest.steps.reporting.write_zip", full)
    monkeypatch.setattr("blindtest.steps.reporting.figures", lambda facts: {})
    monkeypatch.setattr("blindtest.steps.reporting.html", lambda facts, figures: "")
    before = members(shown.page.parent)
    with pytest.raises(BlindtestError, match="the report can't be written: No space left on device"):
        steps.report(listened, clock=lambda: MADE)
    assert members(shown.page.parent) == before
    assert not [path for path in listened.iterdir() if path.name.startswith(".report")]
    assert alone == [os.name == "posix"]


def lines(paths: Iterable[Path]) -> int:
    return sum(len(path.read_text(encoding="utf-8").splitlines()) for path in paths)


def test_the_verifier_is_short_enough_to_be_read_whole(bundle):
    assert lines([bundle / "verify.py"]) < 400
