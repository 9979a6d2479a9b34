#!/usr/bin/env python3
"""Check this evidence bundle with Python's standard library alone. Read it: it is meant to be read whole.

    python -S -I verify.py [FOLDER or ZIP] [--published HASH]...

Without a name it checks the folder that it lies in. HASH: a hash that you saw elsewhere, before or after the test: the
bundle's own, a study seal, a sitting's plan, the last hash of its answers, that of how it ended. It writes nothing.
Exit codes: 0 all holds; 1 something does not; 2 wrong use; 3 this can't be read as a bundle.
"""

import csv
import io
import json
import re
import sys
import zipfile
from collections.abc import Callable, Iterator
from datetime import datetime
from fractions import Fraction
from functools import partial
from hashlib import sha256
from pathlib import Path
from typing import Any

Files = dict[str, Callable[[], bytes]]
Lines = list[dict[str, Any]]
Checks = Iterator[tuple[bool, str, list[Any]]]  # whether it holds, what was compared, what is wrong

GUESS = dict.fromkeys(("abx", "duo-trio", "same-different", "2afc"), "1/2")
GUESS |= dict.fromkeys(("triangle", "tetrad", "3afc"), "1/3")  # how often a guess is right, by method
LARGEST = 1 << 30  # bytes of one file; more is not read

CANNOT = """
What this shows: files, plans and answers fit together, {}.{}
What it can't show: that truths follow from the plans, that sound and verdicts are right (blindtest verify does that);
that nobody knew the plan, that no other record was kept back, that who withdrew asked for it (nothing does that)."""
WITH = "and belong to the hashes you saw, but for seals that are said to be shut"
WITHOUT = "and no more: as no published hash was given, all of it could have been made afterwards"
ENDS = "\nWhat none of those hashes holds: how {} of {} sittings ended (finished, abandoned), and when."


def files_of(place: Path) -> Files:
    """Return the files of a folder or ZIP by name, and how to read each. No link is followed, nothing is unpacked."""
    if place.is_file():
        archive = zipfile.ZipFile(place)
        infos = [info for info in archive.infolist() if not info.filename.endswith("/")]
        if archive.comment or min((info.header_offset for info in archive.infolist()), default=0):
            raise ValueError("bytes before the ZIP's first entry, or behind its end")
        if len({info.filename for info in infos}) != len(infos) or any(info.flag_bits & 1 for info in infos):
            raise ValueError("a name that stands there twice, or an encrypted file")
        if any(info.file_size > LARGEST for info in infos) or sum(info.file_size for info in infos) > 8 * LARGEST:
            raise ValueError("a file of more than 1 GiB, or more than 8 GiB in all")
        # A ZIP's reader gives no more than the size that was just looked at, and checks it.
        found: Files = {info.filename: partial(archive.read, info) for info in infos}
    else:
        paths = sorted(place.rglob("*"))
        for path in paths:
            if path.is_symlink() or not (path.is_file() or path.is_dir()) or path.stat().st_size > LARGEST:
                raise ValueError(f"{path}: a link, a special file, or more than 1 GiB")
        found = {path.relative_to(place).as_posix(): path.read_bytes for path in paths if path.is_file()}
    if "SHA256SUMS" not in found:
        raise ValueError("no SHA256SUMS: this is no bundle")
    return found


def lines_of(files: Files, name: str) -> Lines:
    """Return the JSON objects of a file that holds one in each line."""
    return [json.loads(line.decode()) for line in files[f"record/{name}.jsonl"]().splitlines()]


def check_files(files: Files) -> Checks:
    """Every file has the hash that SHA256SUMS says, every name stands there once, and nothing else is here."""
    lines = [line.decode(errors="replace") for line in files["SHA256SUMS"]().splitlines(keepends=True)]
    found = [re.fullmatch(r"([0-9a-f]{64})  (.+)\n", line) for line in lines]
    wrong = [f"line {number} of SHA256SUMS is not a hash and a name" for number, one in enumerate(found, 1) if not one]
    listed = [(one[1], one[2]) for one in found if one]
    names = [name for _, name in listed]
    wrong += [name for hashed, name in listed if name in files and sha256(files[name]()).hexdigest() != hashed]
    wrong += sorted(set(names) ^ (set(files) - {"SHA256SUMS"})) + ["a name twice"] * (len(names) - len(set(names)))
    yield not wrong, f"{len(names)} files against their SHA-256 in SHA256SUMS, and no file besides them", wrong


def check_seals(sittings: Lines, seals: Lines) -> Checks:
    """The commitment of each seal is SHA-256(nonce || record); a nonce is left out only while a sitting needs it."""
    still = {one for s in sittings if s["state"] == "open" for one in (s["commitment"], s["study_seal"])}
    done = {sitting["commitment"] for sitting in sittings if sitting["state"] == "finished"}
    wrong, shut = ["a seal twice"] * (len(seals) - len({seal["commitment"] for seal in seals})), 0
    for seal in seals:
        if seal["nonce"] is None:
            shut += 1
            helped = seal["kind"] == "sitting" and "helper" in json.loads(seal["record"])
            fits = seal["commitment"] in still or (helped and seal["commitment"] not in done)
        else:
            fits = seal["commitment"] == sha256(bytes.fromhex(seal["nonce"]) + seal["record"].encode()).hexdigest()
        wrong += [] if fits else [seal["commitment"]]
    note = f"; {shut} without a nonce could not be looked at" if shut else ""
    yield not wrong, f"{len(seals) - shut} commitments against their nonces and records{note}", wrong


def check_register(sittings: Lines, seals: Lines) -> Checks:
    """Sittings are counted without a gap, and each has a plan of its own under a study seal that is here."""
    by_hash = {seal["commitment"]: (seal["kind"], json.loads(seal["record"])) for seal in seals}
    wrong = []
    for number, sitting in enumerate(sittings, start=1):
        kind, plan = by_hash.get(sitting["commitment"], ("", {}))
        sealed = (kind, plan.get("sitting"), plan.get("study_seal")) == ("sitting", number, sitting["study_seal"])
        if sitting["number"] != number or not sealed or by_hash.get(sitting["study_seal"], ("",))[0] != "study":
            wrong.append(f"sitting {sitting['number']}")
    plans = sum(kind == "sitting" for kind, _ in by_hash.values())
    if plans != len(sittings) or len({sitting["commitment"] for sitting in sittings}) != plans:
        wrong.append(f"{plans} plans for {len(sittings)} sittings")
    states = [sitting["state"] for sitting in sittings]
    told = ", ".join(f"{states.count(state)} {state}" for state in ("finished", "abandoned", "open"))
    yield not wrong, f"the register of sittings ({told}) against its plans, without a gap", wrong


def check_chains(sittings: Lines, seals: Lines, chain: Lines) -> Checks:
    """Each link follows from the one before and from its row; a row is withheld if somebody asked or a seal is shut."""
    wrong, withheld, shut = [], 0, {seal["commitment"] for seal in seals if seal["nonce"] is None}
    for sitting in sittings:
        head, links = sitting["commitment"], [link for link in chain if link["sitting"] == sitting["number"]]
        for position, link in enumerate(links, start=1):
            head = sha256(bytes.fromhex(head) + bytes.fromhex(link["row_hash"])).hexdigest()
            place = f"sitting {sitting['number']}, row {position}"
            wrong += [] if (link["position"], link["hash"]) == (position, head) else [place]
            if link["row"] is None or link["salt"] is None:
                withheld += 1
                if sitting["forgotten"] is None and sitting["commitment"] not in shut:
                    wrong.append(f"{place} is missing unasked")
            else:
                hashed, row = sha256(bytes.fromhex(link["salt"]) + link["row"].encode()), json.loads(link["row"])
                own = (row["sitting"], row["listener"]) == (sitting["number"], sitting["listener"])
                wrong += [] if own and hashed.hexdigest() == link["row_hash"] else [place]
        fits = (len(links), head) == (sitting["links"], sitting["head"])
        wrong += [] if fits else [f"sitting {sitting['number']}: length or last hash"]
    strays = {link["sitting"] for link in chain} - {sitting["number"] for sitting in sittings}
    wrong += [f"rows of sitting {number}, which is not registered" for number in sorted(strays)]
    told = f"rows of answers against their salted hashes and the chain, row by row; {withheld} withheld"
    yield not wrong, f"{len(chain) - withheld} {told}", wrong


def same(cell: str, value: Any) -> bool:
    """Return whether a cell of a CSV says what a value of a row says."""
    if value is None or isinstance(value, bool):
        return cell == {None: "", True: "true", False: "false"}[value]
    if isinstance(value, int | float):
        return cell != "" and float(cell) == value
    if cell != value and value[10:11] == "T" == cell[10:11]:
        return datetime.fromisoformat(cell) == datetime.fromisoformat(value)
    return bool(cell == value)


def check_table(files: Files, rows: Lines) -> Checks:
    """The trial table holds the rows of the chain, in their order, and nothing else."""
    table = list(csv.DictReader(io.StringIO(files["trials.csv"]().decode(), newline="")))
    wrong = [
        f"line {number + 2}"
        for number, (line, row) in enumerate(zip(table, rows, strict=False))
        if None in line or any(not same(cell, row.get(name)) for name, cell in line.items()) or row.keys() - line.keys()
    ]
    wrong += [] if len(table) == len(rows) else [f"{len(table)} lines for {len(rows)} rows"]
    yield not wrong, f"{len(table)} lines of trials.csv against the rows of the chain", wrong


def upper_tail(right: int, trials: int, guess: Fraction) -> Fraction:
    """Return P(right or more of `trials` by guessing), exact: whole numbers of ways over all ways."""
    hit, miss, found = guess.numerator, guess.denominator - guess.numerator, 0
    if trials * guess.denominator.bit_length() > 1_000_000:
        raise ValueError(f"{trials} trials are more than this counts")
    ways = miss**trials
    for k in range(trials + 1):  # each number of ways from the one before it
        found += ways if k >= right else 0
        ways = ways * (trials - k) * hit // ((k + 1) * miss)
    return Fraction(found, guess.denominator**trials)


def chosen(row: dict[str, Any]) -> str:
    """Return the condition that stood at the chosen slot: the row says which stood where, 1=heron|2=plover."""
    return str(dict(slot.split("=", 1) for slot in row["order"].split("|")).get(row["response"], ""))


def check_claim(claim: dict[str, Any], found: dict[str, Any], own: Lines, method: str) -> Checks:
    """Answers to a claim counted again from its rows, and each exact binomial p that is reported of it."""
    name, counts, margin = f"claim {claim['id']}", found["counts"], Fraction(str(float(claim["margin"] or 0)))
    exact, unanswered, allowed = found.get("exact") or [], counts["unanswered"], None
    kind = "" if found.get("why_not") else claim["kind"]  # "": there is no result
    if method in GUESS and (kind in ("heard", "attribute") or "correct" in counts):
        right = [row["sitting"] for row in own if row["correct"] is True]
        each = " + ".join(str(right.count(number)) for number in sorted({row["sitting"] for row in own}))
        wrong = (counts.get("correct"), counts["trials"]) != (len(right), len(own))
        yield not wrong, f"{name}: {len(right)} right of {len(own)} ({each or 0} by sitting), counted again", [counts]
        guess = Fraction(GUESS[method])
        allowed = [len(right), len(own)], [guess, guess + margin * (1 - guess)]
    elif method == "preference" and (kind == "preferred" or "wins" in counts):
        wins = sum(chosen(row) == claim["device"] for row in own)
        ties = sum(chosen(row) == "" for row in own)
        wrong = [counts.get(key) for key in ("wins", "losses", "ties")] != [wins, len(own) - wins - ties, ties]
        yield not wrong, f"{name}: chosen {wins} times of {len(own)}, {ties} without a choice, counted again", [counts]
        allowed = [wins, len(own) - ties], [Fraction(1, 2)]
    for one in exact:
        guess, k, n = Fraction(*map(int, one["guess"].split("/"))), one["successes"], one["trials"]
        upper, lower = upper_tail(k, n, guess), 1 - upper_tail(k + 1, n, guess)
        p = float({"upper": upper, "lower": lower}.get(one["tail"], min(Fraction(1), 2 * min(upper, lower))))
        taken = [(0, 0), (0, unanswered), (unanswered, unanswered)]  # left out, as wrong, as right
        fits = kind == "keeps listening"  # of all others with an exact p the answers were counted above
        fits = (k - allowed[0][0], n - allowed[0][1]) in taken and guess in allowed[1] if allowed else fits
        fits = fits and abs(p - one["p_value"]) <= 1e-9 * p
        told = f"{one.get('what', '')}: exact {one['tail']} p of {k} in {n} at {guess}, computed again: {p:.6g}"
        yield fits, f"{name} {told}", [one]


def check_counts(results: dict[str, Any], sittings: Lines, seals: Lines, rows: Lines) -> Checks:
    """What is reported of each claim that was sealed, from the sittings that count: ended, planned, not withdrawn."""
    records, study_seal = {s["commitment"]: json.loads(s["record"]) for s in seals}, sittings[-1]["study_seal"]
    ended = [s for s in sittings if s["study_seal"] == study_seal and s["state"] != "open" and s["forgotten"] is None]
    counted = {s["number"] for s in ended if not records[s["commitment"]].get("beyond_plan")}
    rows = [row for row in rows if row["sitting"] in counted and row["phase"] not in ("practice", "control")]
    method_of = {block["id"]: block["method"] for block in records[study_seal]["protocol"]["blocks"]}
    sealed = {claim["id"]: claim for claim in records[study_seal]["claims"]}
    reported = {claim["id"]: claim for claim in results["claims"]}
    for claim in (sealed[name] for name in sealed.keys() & reported.keys()):
        own = [row for row in rows if row["block"] in claim["blocks"] and row["clip"] in claim["clips"]]
        methods = {method_of[block] for block in claim["blocks"]}
        yield from check_claim(claim, reported[claim["id"]], own, methods.pop() if len(methods) == 1 else "")
    keys = ("id", "kind", "margin", "device", "comparator", "direction")
    wrong = [n for n in sealed | reported if any(sealed.get(n, {}).get(k) != reported.get(n, {}).get(k) for k in keys)]
    wrong += ["a claim twice"] * (len(results["claims"]) - len(reported))
    told = f"{len(sealed)} claims reported against those sealed: none added, left out, or with another margin"
    yield not wrong, told, wrong


def ends_of(sittings: Lines, seals: Lines) -> dict[int, str]:
    """Return what holds how each sitting ended: SHA-256 of its last hash and of the words of the register."""
    helped = {seal["commitment"]: " helper" for seal in seals if "helper" in json.loads(seal["record"])}
    over = [s for s in sittings if s["state"] != "open"]
    told = [f"{s['state']} {s['ended']}{helped.get(s['commitment'], '')}".encode() for s in over]
    ends = [sha256(bytes.fromhex(s["head"]) + words).hexdigest() for s, words in zip(over, told, strict=True)]
    return {s["number"]: end for s, end in zip(over, ends, strict=True)}


def check_published(published: list[str], sums: str, sittings: Lines, seals: Lines) -> Checks:
    """Every hash that was seen elsewhere is one of this record's."""
    known = {s["head"]: f"the last hash of sitting {s['number']}" for s in sittings if s["state"] != "open"}
    shut = {True: ", shut until it may be opened: it shows nothing yet", False: ""}
    known[sums] = "the bundle's hash"
    known |= {seal["commitment"]: f"a {seal['kind']} seal{shut[seal['nonce'] is None]}" for seal in seals}
    known |= {end: f"how sitting {number} ended" for number, end in ends_of(sittings, seals).items()}
    for one in published:
        yield one in known, f"published {one[:16]}... is {known.get(one, 'nothing of this record')}", []


def checks(files: Files, published: list[str]) -> Checks:
    """Yield (holds, what was compared, what was wrong) for everything that is checked."""
    yield from check_files(files)
    seals, sittings, chain = (lines_of(files, name) for name in ("seals", "sittings", "chain"))
    yield from check_seals(sittings, seals)
    yield from check_register(sittings, seals)
    yield from check_chains(sittings, seals, chain)
    rows, study_seal = [json.loads(link["row"]) for link in chain if link["row"]], sittings[-1]["study_seal"]
    under = {s["number"] for s in sittings if s["study_seal"] == study_seal and s["state"] != "open"}
    rows = [row for row in rows if row["sitting"] in under]
    yield from check_table(files, rows)
    yield from check_counts(json.loads(files["results.json"]()), sittings, seals, rows)
    yield from check_published(published, sha256(files["SHA256SUMS"]()).hexdigest(), sittings, seals)


def plain(text: object) -> str:
    """Return a text that came with a bundle in one line, without what would steer a terminal."""
    return "".join(letter if letter.isprintable() else "?" for letter in str(text)[:400])


def main(arguments: list[str]) -> int:
    """Print a line for each check and return the exit code."""
    place, published, all_hold = Path(__file__).resolve().parent, list[str](), True
    while arguments:
        first = arguments.pop(0)
        if first == "--published" and arguments:
            published.append(arguments.pop(0).strip().lower())
        elif first.startswith("-"):
            print(__doc__)
            return 0 if first in ("-h", "--help") else 2
        else:
            place = Path(first)
    try:
        files = files_of(place)
        print(f"bundle {(sums := sha256(files['SHA256SUMS']()).hexdigest())}")
        for holds, what, wrong in checks(files, published):
            all_hold &= holds
            print(f"{'holds' if holds else 'FAILS'}: {plain(what)}" + ("" if holds else f": {str(wrong)[:200]}"))
        ends = set(ends_of(lines_of(files, "sittings"), lines_of(files, "seals")).values())
        unseen = len(ends - set(published)) if published and sums not in published else 0
    except Exception as error:  # whatever it is: what lies here is not what a bundle holds
        print(plain(f"{place}: can't be read as a bundle: {type(error).__name__}: {error}"), file=sys.stderr)
        return 3 if all_hold else 1
    print(CANNOT.format(WITH if published else WITHOUT, ENDS.format(unseen, len(ends)) if unseen else ""))
    return 0 if all_hold else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
