"""The verifier inside the bundle: one short file, the standard library alone, run as a doubting reader runs it."""

import ast
import csv
import io
import json
import runpy
import subprocess
import sys
import zipfile
from fractions import Fraction
from hashlib import sha256
from math import comb
from pathlib import Path

import pytest
from scipy import stats

import blindtest

SOURCE = Path(blindtest.__file__).parent / "report" / "short_verifier.py"


def run(*arguments, script=SOURCE):
    """Run it without site packages and isolated from the environment: nothing of ours can be imported."""
    command = [sys.executable, "-S", "-I", str(script), *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, timeout=120, check=False, cwd="/")


def test_it_is_short_and_needs_the_standard_library_alone():
    text = SOURCE.read_text(encoding="utf-8")
    assert text.count("\n") <= 300
    assert max(map(len, text.splitlines())) <= 120
    names = {
        name.split(".")[0]
        for node in ast.walk(ast.parse(text))
        for name in (
            [alias.name for alias in node.names]
            if isinstance(node, ast.Import)
            else [node.module or ""]
            if isinstance(node, ast.ImportFrom)
            else []
        )
    }
    assert names <= set(sys.stdlib_module_names)


def test_its_exit_codes_are_those_of_the_tool(tmp_path):
    assert run("--help").returncode == 0
    used_wrongly = run("--publish", "00")
    assert used_wrongly.returncode == 2
    assert "--published HASH" in used_wrongly.stdout
    nothing = run(tmp_path)
    assert nothing.returncode == 3
    assert "no SHA256SUMS: this is no bundle" in nothing.stderr
    assert nothing.stderr.count("\n") == 1
    (tmp_path / "a.zip").write_bytes(b"PK")
    assert run(tmp_path / "a.zip").returncode == 3


def test_tails_are_those_of_scipy_also_of_many_trials():
    """Against scipy.stats.binom, of few trials and of as many as a large panel has."""
    tail = runpy.run_path(str(SOURCE))["upper_tail"]
    for right, trials, guess in ((0, 7, "1/2"), (5, 7, "1/3"), (8, 7, "1/2"), (5_100, 10_000, "1/2"), (1, 9, "19/20")):
        found = float(tail(right, trials, Fraction(guess)))
        assert found == pytest.approx(stats.binom.sf(right - 1, trials, float(Fraction(guess))), rel=1e-9)


# --- each check on its own ------------------------------------------------------------------------------------------
#
# A record of two sittings, made here by the formulas alone (FIPS 180-4 over the bytes as they stand, exact tails from
# binomial coefficients); then one thing is changed, all hashes above it are made again, and exactly the check that is
# there for it must fail. In a whole bundle with its hash published, one check hides behind another.


def digest(*parts):
    return sha256(b"".join(part.encode() if isinstance(part, str) else part for part in parts)).hexdigest()


def ways(right, trials, hit, miss):
    """Return P(right or more) where `hit` of `hit + miss` equally likely cases are right."""
    return sum(comb(trials, k) * hit**k * miss ** (trials - k) for k in range(right, trials + 1)) / (
        (hit + miss) ** trials
    )


class Record:
    """A small bundle as values; `files()` makes the bytes of it."""

    def __init__(self, method="abx", answers=("TTTFT", "TF"), kind="heard"):
        self.claim = {
            "id": "heard", "kind": kind, "margin": 0.2, "device": "heron", "comparator": "plover",
            "direction": "better", "blocks": ["test"], "clips": ["tune"],
        }  # fmt: skip
        blocks = [{"id": "test", "method": method}, {"id": "warm", "method": method}]
        study = {"claims": [dict(self.claim)], "protocol": {"blocks": blocks}}
        self.seals = [self.sealed("study", study)]
        root = self.seals[0]["commitment"]
        self.sittings, self.rows = [], []
        for number, given in enumerate(answers, start=1):
            self.seals.append(self.sealed("sitting", {"sitting": number, "study_seal": root}))
            state = "finished" if number == 1 else "abandoned"
            self.sittings.append({
                "number": number, "commitment": self.seals[-1]["commitment"], "study_seal": root, "state": state,
                "listener": f"L{number}", "forgotten": None, "ended": "2026-05-09T13:00:00.000+00:00",
            })  # fmt: skip
            self.rows.append([self.row(number, trial, letter, "practice") for trial, letter in enumerate("F")])
            self.rows[-1] += [self.row(number, trial, letter, "blind") for trial, letter in enumerate(given, start=1)]
        self.chain = [link for number in range(1, len(answers) + 1) for link in self.linked(number)]
        self.table = [dict(row) for own in self.rows for row in own]
        self.counts = {"unanswered": 2}
        self.exact, self.more, self.sums = [], {"a.txt": b"a"}, None
        self.published = []

    @staticmethod
    def sealed(kind, record):
        text, nonce = json.dumps(record, sort_keys=True, separators=(",", ":")), digest(kind, json.dumps(record))
        return {"kind": kind, "record": text, "nonce": nonce, "commitment": digest(bytes.fromhex(nonce), text)}

    @staticmethod
    def row(number, trial, letter, phase):
        """T, F: an answer to a choice that is right or wrong; W, L, =: one to a pair."""
        return {
            "sitting": number, "listener": f"L{number}", "trial": trial, "phase": phase,
            "block": "test" if phase == "blind" else "warm", "clip": "tune", "order": "1=heron|2=plover",
            "response": {"W": "1", "L": "2"}.get(letter, "" if letter == "=" else "A"),
            "correct": {"T": True, "F": False}.get(letter), "time_taken_s": 1.5,
            "answered_at": f"2026-05-09T12:00:0{trial}.000+00:00",
        }  # fmt: skip

    def linked(self, number):
        """Make the chain of a sitting, its length and its last hash."""
        sitting, links = self.sittings[number - 1], []
        head = sitting["commitment"]
        for position, row in enumerate(self.rows[number - 1], start=1):
            text, salt = json.dumps(row, sort_keys=True), digest(f"salt {number} {position}")
            hashed = digest(bytes.fromhex(salt), text)
            head = digest(bytes.fromhex(head), bytes.fromhex(hashed))
            links.append({
                "sitting": number, "position": position, "row": text, "salt": salt, "row_hash": hashed, "hash": head,
            })  # fmt: skip
        sitting["links"], sitting["head"] = len(links), head
        return links

    def tested(self, right, trials, tail, guess="1/2", p=None):
        hit, of = map(int, guess.split("/"))
        upper, lower = ways(right, trials, hit, of - hit), 1 - ways(right + 1, trials, hit, of - hit)
        p = {"upper": upper, "lower": lower, "two-sided": min(1, 2 * min(upper, lower))}[tail] if p is None else p
        self.exact.append({"guess": guess, "successes": right, "trials": trials, "tail": tail, "p_value": p})
        return self

    def files(self):
        cells = {None: "", True: "true", False: "false"}
        out = io.StringIO()
        lines = csv.DictWriter(out, list(self.table[0]))
        lines.writeheader()
        for row in self.table:
            lines.writerow({k: cells.get(v, v) if v is None or v is True or v is False else v for k, v in row.items()})
        told = {key: value for key, value in self.claim.items() if key not in ("blocks", "clips")}
        claims = [told | {"counts": self.counts, "exact": self.exact}]
        if hasattr(self, "claims"):
            claims = self.claims(claims[0])
        content = {
            f"record/{name}.jsonl": "".join(json.dumps(one) + "\n" for one in getattr(self, name)).encode()
            for name in ("seals", "sittings", "chain")
        } | {"trials.csv": out.getvalue().encode(), "results.json": json.dumps({"claims": claims}).encode()}
        content |= self.more
        sums = "".join(f"{digest(data)}  {name}\n" for name, data in content.items()).encode()
        content["SHA256SUMS"] = sums if self.sums is None else self.sums(sums, content)
        return {name: (lambda data=data: data) for name, data in content.items()}

    def failing(self):
        """Return the first word or two of each check that fails."""
        lines = list(runpy.run_path(str(SOURCE))["checks"](self.files(), self.published))
        assert len(lines) >= 6
        told = {what: name for name, what in CHECKS.items()}
        return [next((told[k] for k in told if k in what), what) for holds, what, wrong in lines if not holds]


CHECKS = {
    "files": "files against their SHA-256", "seals": "commitments against", "register": "the register of",
    "chains": "rows of answers against", "table": "lines of trials.csv", "counted": "counted again",
    "exact": "computed again:", "claims": "claims reported against", "published": "is nothing of this record",
}  # fmt: skip


def choices():
    """Four right of five and one of two; two were never answered."""
    one = Record()
    one.counts |= {"correct": 5, "trials": 7}
    one.tested(5, 7, "upper").tested(5, 9, "upper").tested(7, 9, "lower", "3/5")
    return one


def pairs():
    one = Record("preference", ("WWLW=", "WL"), kind="preferred")
    one.counts |= {"wins": 4, "losses": 2, "ties": 1, "unanswered": 0}
    return one.tested(4, 6, "two-sided").tested(4, 6, "upper")


def test_a_small_record_made_by_the_formulas_holds():
    for made in (choices, pairs):
        one = made()
        one.published = [one.seals[0]["commitment"], one.sittings[0]["head"], one.sittings[1]["head"]]
        assert one.failing() == []


def said_of(place, capsys):
    """Run it in this process on a folder or ZIP: exit code, what it printed, what it complained of."""
    code = runpy.run_path(str(SOURCE))["main"]([str(place)])
    said = capsys.readouterr()
    return code, said.out, said.err


def packed(path, *, comment=b""):
    with zipfile.ZipFile(path, "w") as archive:
        for name, content in choices().files().items():
            archive.writestr(name, content())
        archive.comment = comment
    return path


def test_a_zip_with_bytes_before_or_behind_it_is_refused_as_blindtest_verify_does(tmp_path, capsys):
    """Whoever opens it by its first bytes reads another file than whoever opens it by its last."""
    plain = packed(tmp_path / "plain.zip")
    assert said_of(plain, capsys)[0] == 0
    before, moved, behind = (tmp_path / f"{name}.zip" for name in ("before", "moved", "behind"))
    before.write_bytes(b"#!/bin/sh\n" + plain.read_bytes())
    with moved.open("wb") as file:
        # The same with a directory that knows of them.
        file.write(b"#!/bin/sh\n")
        with zipfile.ZipFile(plain) as source, zipfile.ZipFile(file, "a") as target:
            for info in source.infolist():
                target.writestr(info, source.read(info))
    packed(behind, comment=b"more")
    for path in (before, moved, behind):
        with zipfile.ZipFile(path) as archive:
            assert archive.testzip() is None
        code, _, complained = said_of(path, capsys)
        assert code == 3
        assert "bytes before the ZIP's first entry, or behind its end" in complained


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda sums: b"# made by hand\n" + sums, "line 1 of SHA256SUMS is not a hash and a name"),
        (lambda sums: sums + b"\n", "line 7 of SHA256SUMS is not a hash and a name"),
        (lambda sums: sums[:-1], "line 6 of SHA256SUMS is not a hash and a name"),
        (lambda sums: sums.replace(b"  ", b" *", 1), "line 1 of SHA256SUMS is not a hash and a name"),
        (lambda sums: sums[:10].upper() + sums[10:], "line 1 of SHA256SUMS is not a hash and a name"),
        (lambda sums: b"\xff\xfe" + sums, "line 1 of SHA256SUMS is not a hash and a name"),
        (lambda sums: sums + sums[-sums[::-1].index(b"\n", 1):], "a name twice"),
        (lambda sums: b"", "record/chain.jsonl"),
    ],
    ids=["a remark", "an empty line", "cut off", "one blank", "capitals", "no UTF-8", "twice", "empty"],
)  # fmt: skip
def test_what_is_wrong_with_the_list_of_hashes_is_said_by_its_line(tmp_path, capsys, change, said):
    """And the other checks are made all the same."""
    for name, content in choices().files().items():
        (tmp_path / name).parent.mkdir(exist_ok=True)
        data = content()
        (tmp_path / name).write_bytes(change(data) if name == "SHA256SUMS" else data)
    code, told, complained = said_of(tmp_path, capsys)
    (failed,) = [line for line in told.splitlines() if line.startswith("FAILS")]
    assert (code, complained) == (1, "")
    assert said in failed
    assert "holds: 3 commitments against their nonces and records" in told


@pytest.mark.parametrize("made", [choices, pairs])
def test_another_claims_counts_and_p_values_in_place_of_its_own_are_found(made):
    """Two claims' results exchanged: one is not counted as the other is, and each has exact p values that are right."""
    rated = Record("rated pairs", kind="rated")
    rated.counts |= {"trials": 7}
    assert rated.failing() == []
    own = made()
    rated.counts, own.counts, rated.exact, own.exact = own.counts, rated.counts, own.exact, []
    assert own.failing() == ["counted"]
    assert rated.failing() == ["exact"] * len(rated.exact)
    # As if there were no result: then there is none to count, and no p either.
    own.claim["why_not"] = "nobody answered"
    assert own.failing() == []
    own.exact = rated.exact
    assert own.failing() == ["exact"] * len(own.exact)


def test_shares_of_an_equal_part_are_not_counted_here_but_their_p_is():
    one = Record("free listening", kind="keeps listening")
    one.counts |= {"trials": 7, "chosen": 5, "of": 9, "without_choice": 2}
    assert one.tested(5, 9, "upper", "1/3").failing() == []
    one.exact[0]["p_value"] /= 2
    assert one.failing() == ["exact"]


def again(one, number=1):
    """Link a sitting's rows anew, as a forger does, and make the table fit."""
    one.chain = [link for link in one.chain if link["sitting"] != number] + one.linked(number)
    one.chain.sort(key=lambda link: link["sitting"])
    one.table = [dict(row) for own in one.rows for row in own]


def withheld(one):
    one.chain[1] |= {"row": None, "salt": None}
    del one.table[1]
    one.counts |= {"correct": 4, "trials": 6}
    one.exact = []


def shut(one, at, **record):
    seal = one.seals[at]
    seal["nonce"], seal["record"] = None, json.dumps(json.loads(seal["record"]) | record)


def opened_again(one):
    """A sitting that goes on: its seal and the study's may be shut, its rows are not given yet."""
    one.sittings[1]["state"] = "open"
    shut(one, 2)
    shut(one, 0)
    for link in one.chain[6:]:
        link["row"] = link["salt"] = None
    del one.table[6:]
    one.counts |= {"correct": 4, "trials": 5}
    one.exact = []


def test_what_may_be_missing_is_not_held_against_the_record():
    one = choices()
    opened_again(one)
    assert one.failing() == []
    one = choices()
    withheld(one)
    one.sittings[0]["forgotten"] = "2026-06-01T00:00:00.000+00:00"
    one.counts |= {"correct": 1, "trials": 2}
    assert one.failing() == []
    one = choices()
    one.table[2]["answered_at"] = "2026-05-09T14:00:02.000+02:00"  # the same moment
    assert one.failing() == []


def put(of, at, **values):
    """Return an edit that puts values into the `at`-th of a list of the record, or into one of its tables."""

    def edit(one):
        held = getattr(one, of)
        (held if at is None else held[at]).update(values)

    return edit


def told_last(change):
    """Return an edit of files and sums after the sums were made."""

    def edit(one):
        one.sums = change

    return edit


def resealed(**record):
    """Return an edit that seals another plan for sitting 2, and forges its chain from there on."""

    def edit(one):
        seal = one.seals[2]
        seal.update(one.sealed("sitting", json.loads(seal["record"]) | record))
        one.sittings[1]["commitment"] = seal["commitment"]
        again(one, 2)

    return edit


def row_changed(one):
    text = one.chain[2]["row"]
    one.chain[2]["row"] = text.replace('"response": "A"', '"response": "B"')
    assert one.chain[2]["row"] != text
    one.table[2]["response"] = "B"


def of_another_sitting(one):
    one.rows[0][1]["sitting"] = 2
    again(one)


def tail_cut(one):
    one.chain.pop()
    one.table.pop()
    one.counts |= {"trials": 6}
    one.exact = []


def sitting_left_out(one):
    del one.sittings[1], one.chain[6:], one.table[6:]
    one.counts |= {"correct": 4, "trials": 5}
    one.exact = []


def same_plan_twice(one):
    one.sittings[1]["commitment"] = one.sittings[0]["commitment"]
    again(one, 2)


def surplus_cell(one):
    one.more["trials.csv"] = one.files()["trials.csv"]().rstrip() + b",more\r\n"


def column_left_out(one):
    for row in one.table:
        del row["clip"]


def last_hash_of_an_open_one(one):
    opened_again(one)
    one.published = [one.sittings[1]["head"]]


EDITS = [
    ("files", told_last(lambda sums, content: content.update({"a.txt": b"b"}) or sums)),
    ("files", told_last(lambda sums, content: content.pop("a.txt") and sums)),
    ("files", told_last(lambda sums, content: content.update({"b.txt": b""}) or sums)),
    ("files", told_last(lambda sums, content: sums + sums.splitlines(keepends=True)[0])),
    ("seals", put("seals", 1, nonce="00" * 32)),
    ("seals", lambda one: one.seals.append(dict(one.seals[-1]))),
    ("seals", lambda one: shut(one, 0)),
    ("seals", lambda one: shut(one, 1)),
    ("seals", lambda one: shut(one, 1, helper={})),
    ("seals", lambda one: shut(one, 2)),
    ("register", resealed(sitting=3)),
    ("register", resealed(study_seal="00" * 32)),
    ("register", put("seals", 0, kind="other")),
    ("register", lambda one: one.seals.append(one.sealed("sitting", {"sitting": 3}))),
    ("register", sitting_left_out),
    ("register", same_plan_twice),
    ("chains", put("chain", 1, position=7)),
    ("chains", put("chain", 1, hash="ab" * 32)),
    ("chains", put("chain", 1, salt="ab" * 32)),
    ("chains", put("chain", 1, salt=None)),
    ("chains", put("sittings", 0, head="ab" * 32)),
    ("chains", put("sittings", 0, links=7)),
    ("chains", lambda one: one.chain.append(one.chain[-1] | {"sitting": 9, "row": None})),
    ("chains", row_changed),
    ("chains", withheld),
    ("chains", of_another_sitting),
    ("chains", tail_cut),
    ("table", put("table", 2, response="B")),
    ("table", put("table", 2, correct=False)),
    ("table", put("table", 2, correct=None)),
    ("table", put("table", 2, time_taken_s=1.6)),
    ("table", put("table", 2, time_taken_s="")),
    ("table", put("table", 2, answered_at="2026-05-09T12:00:09.000+00:00")),
    ("table", lambda one: one.table.pop()),
    ("table", lambda one: one.table.append(dict(one.table[-1]))),
    ("table", lambda one: one.table.insert(1, one.table.pop(2))),
    ("table", surplus_cell),
    ("table", column_left_out),
    ("counted", put("counts", None, correct=6)),
    ("counted", put("counts", None, trials=8)),
    ("exact", put("exact", 0, p_value=ways(5, 7, 1, 1) * (1 - 1e-7))),
    ("exact", put("exact", 2, tail="upper")),
    ("exact", put("exact", 0, tail="two-sided")),
    ("exact", lambda one: one.tested(6, 7, "upper")),
    ("exact", lambda one: one.tested(7, 7, "upper")),  # the unanswered as right, but not among the answers
    ("exact", lambda one: one.tested(6, 9, "upper")),
    ("exact", lambda one: one.tested(5, 8, "upper")),
    ("exact", lambda one: one.tested(5, 7, "upper", "1/3")),
    ("exact", lambda one: one.tested(5, 7, "lower", "4/5")),
    ("claims", put("claim", None, margin=0.3)),
    ("claims", put("claim", None, kind="alike")),
    ("claims", put("claim", None, device="plover")),
    ("claims", put("claim", None, comparator="heron")),
    ("claims", put("claim", None, direction="worse")),
    ("claims", put("claim", None, id="another")),
    ("claims", lambda one: setattr(one, "claims", lambda told: [])),
    ("claims", lambda one: setattr(one, "claims", lambda told: [told, told | {"id": "more"}])),
    ("claims", lambda one: setattr(one, "claims", lambda told: [told, told])),
    ("published", lambda one: setattr(one, "published", ["00" * 32])),
    ("published", last_hash_of_an_open_one),
]


@pytest.mark.parametrize(("check", "edit"), EDITS, ids=[f"{check}-{at}" for at, (check, _) in enumerate(EDITS)])
def test_the_check_that_is_there_for_it_finds_it(check, edit):
    one = choices()
    edit(one)
    assert one.failing() == [check]


@pytest.mark.parametrize(
    ("check", "edit"),
    [
        ("counted", put("counts", None, wins=5)), ("counted", put("counts", None, losses=1)),
        ("counted", put("counts", None, ties=2)), ("table", put("table", 1, correct="false")),
        ("exact", lambda one: one.tested(4, 6, "upper", "1/3")), ("exact", lambda one: one.tested(4, 7, "upper")),
        ("exact", put("exact", 0, p_value=ways(4, 6, 1, 1))),
    ],
)  # fmt: skip
def test_of_pairs_too(check, edit):
    one = pairs()
    edit(one)
    assert one.failing() == [check]


@pytest.mark.parametrize(
    ("method", "guess"),
    [("abx", "1/2"), ("duo-trio", "1/2"), ("same-different", "1/2"), ("2afc", "1/2"), ("triangle", "1/3"),
     ("tetrad", "1/3"), ("3afc", "1/3")],
)  # fmt: skip
def test_how_often_a_guess_is_right(method, guess):
    """1/2 and 1/3 are those of ISO 4120, 5495 and 10399 and of ASTM E3009 for the tetrad."""
    one = Record(method)
    one.counts |= {"correct": 5, "trials": 7}
    assert one.tested(5, 7, "upper", guess).failing() == []
    one.tested(5, 7, "upper", {"1/2": "1/3", "1/3": "1/2"}[guess])
    assert one.failing() == ["exact"]


def test_what_is_not_a_plain_file_is_not_read(tmp_path):
    (tmp_path / "bundle").mkdir()
    for name, read in choices().files().items():
        file = tmp_path / "bundle" / name
        file.parent.mkdir(exist_ok=True)
        file.write_bytes(read())
    assert run(tmp_path / "bundle").returncode == 0
    one = runpy.run_path(str(SOURCE))["files_of"]
    packed = tmp_path / "packed.zip"
    with zipfile.ZipFile(packed, "w") as archive:
        archive.mkdir("record")
        for name, read in choices().files().items():
            archive.writestr(name, read())
    assert {name: read() for name, read in one(packed).items()} == {n: r() for n, r in choices().files().items()}
    one.__globals__["LARGEST"] = 1000
    for place in (packed, tmp_path / "bundle"):
        with pytest.raises(ValueError, match="more than 1 GiB"):
            one(place)
    one.__globals__["LARGEST"] = 1 << 30
    with pytest.warns(UserWarning, match="Duplicate name"), zipfile.ZipFile(packed, "a") as archive:
        archive.writestr("a.txt", b"b")
    with pytest.raises(ValueError, match="a name that stands there twice"):
        one(packed)
    (tmp_path / "bundle" / "link.txt").symlink_to(tmp_path / "bundle" / "a.txt")
    with pytest.raises(ValueError, match="a link"):
        one(tmp_path / "bundle")
