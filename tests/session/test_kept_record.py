"""A record published as lines of JSON is read back as it was, and gives nothing away that must stay at home."""

import json
import runpy
from datetime import timedelta
from hashlib import sha256
from pathlib import Path

import pytest

from blindtest.design import Sealed, plan_from_record, seal
from blindtest.errors import BlindtestError
from blindtest.session import Commented, LevelSet, event_to_dict, restored, rows_of, start
from blindtest.session.kept_record import KeptRecord, read_kept_record
from blindtest.session.record_lines import RECORD_FILES, record_lines
from blindtest.session.store import Store

P = runpy.run_path(str(Path(__file__).parent / "plans.py"))
START, DEADLINE = P["START"], P["DEADLINE"]
STUDY_SEAL = seal({"kind": "study", "claims": ["one"]}, sha256(b"study").digest())
SECRET = "cafe" * 16
REMARK = "my cousin Invented Person sat beside me"


def sat(store, listener, *, ended=True):
    """Let somebody answer half of a plan."""
    number = store.next_number()
    plan = P["make"](blocks=P["ALL_BLOCKS"], seed=number, sitting=number, study_seal=STUDY_SEAL.commitment)
    sealed = Sealed(record=plan.record, nonce=plan.nonce, commitment=plan.commitment)
    store.add_sitting(
        sealed, study_seal=STUDY_SEAL.commitment, listener=listener, created=START, deadline=DEADLINE, public="a line"
    )
    store.add_event(number, event_to_dict(LevelSet(gain_db=-20.0, at=START)))
    store.add_event(number, event_to_dict(Commented(trial=0, attempt=0, text=REMARK, at=START)))
    store.remember(f"playback/{number}", [{"player": "browser", "at": "2026-03-01"}])
    for answer in answers_of(plan, listener)[:4]:
        store.append(number, rows_of(answer))
    if ended:
        store.set_state(number, "abandoned", at=START + timedelta(hours=1), reason="the bus came")
    return plan, number


def answers_of(plan, listener):
    return P["walked"](start(plan, study="st-77", listener=listener)).answers


@pytest.fixture
def store(tmp_path):
    count = iter(range(10_000))
    with Store(tmp_path / "study.db", entropy=lambda n: sha256(f"salt {next(count)}".encode()).digest()[:n]) as opened:
        opened.add_seal(STUDY_SEAL, kind="study", created=START)
        opened.remember("cookie_secret", SECRET)
        opened.remember("port", 45_678)
        opened.add_impression({"words": "glassy", "unit": {"id": "heron"}}, by="R-9q", at=START)
        opened.add_override("report while sitting 1 was open", reason="a deadline", at=START)
        yield opened


def same(kept, store):
    """What analysis, verification and report read is the same from both."""
    for name in ("sittings", "seals", "impressions", "overrides", "rows"):
        assert getattr(kept, name)() == getattr(store, name)(), name
    for entry in store.sittings():
        assert kept.chain(entry.number) == store.chain(entry.number)
        assert kept.public(entry.commitment) == store.public(entry.commitment)
        assert kept.record(entry.commitment) == store.record(entry.commitment)
        assert kept.sealed(entry.commitment) == store.sealed(entry.commitment)
        key = f"playback/{entry.number}"
        assert kept.remembered(key) == store.remembered(key)
        assert (store.remembered(key) is None) == (entry.forgotten is not None)


def test_a_record_of_ended_sittings_is_read_back_as_it_was(store, tmp_path):
    plan, number = sat(store, "L-one")
    sat(store, "L-two")
    store.open_seal(STUDY_SEAL.commitment, at=START + timedelta(hours=2))
    lines = record_lines(store, comments=True)
    assert sorted(lines) == sorted(f"{name}.jsonl" for name in RECORD_FILES)
    place = tmp_path / "record"
    place.mkdir()
    for name, content in lines.items():
        (place / name).write_bytes(content)
    kept = read_kept_record(place)
    same(kept, store)
    assert kept.events(number) == store.events(number)
    assert kept.faults() == ()
    assert kept.sealed(STUDY_SEAL.commitment).nonce == STUDY_SEAL.nonce
    # What was read gives the same lines again.
    assert record_lines(kept, comments=True) == lines
    again = plan_from_record(
        kept.record(plan.commitment),
        kept.sealed(plan.commitment).nonce,
        expected=plan.commitment,
        methods=P["METHODS_WITH_TOYS"],
    )
    assert len(restored(again, kept.rows(number), study="st-77", listener="L-one").answers) == 4


def test_what_was_hashed_stands_there_as_the_text_that_was_hashed(store):
    """By hashlib alone (FIPS 180-4): C = SHA-256(nonce || text), h_t = SHA-256(h_{t-1} || SHA-256(salt || text))."""
    sat(store, "L-one")
    read = {name: [json.loads(line) for line in text.splitlines()] for name, text in record_lines(store).items()}
    for one in read["seals.jsonl"]:
        assert sha256(bytes.fromhex(one["nonce"]) + one["record"].encode()).hexdigest() == one["commitment"]
    (sitting,) = read["sittings.jsonl"]
    tip = sitting["commitment"]
    for link in read["chain.jsonl"]:
        assert sha256(bytes.fromhex(link["salt"]) + link["row"].encode()).hexdigest() == link["row_hash"]
        tip = sha256(bytes.fromhex(tip) + bytes.fromhex(link["row_hash"])).hexdigest()
        assert tip == link["hash"]
    assert (tip, len(read["chain.jsonl"])) == (sitting["head"], sitting["links"])
    (said,) = read["impressions.jsonl"]
    assert sha256(bytes.fromhex(said["salt"]) + said["row"].encode()).hexdigest() == said["hash"]


def test_secrets_and_remarks_stay_at_home(store):
    sat(store, "L-one")
    published = b"".join(record_lines(store).values())
    for kept_back in (SECRET, "45678", "cookie", "cousin", "R-9q"):
        assert kept_back.encode() not in published
    assert REMARK.encode() in record_lines(store, comments=True)["events.jsonl"]


def test_a_sitting_that_is_open_gives_neither_nonce_nor_answers_nor_events(store):
    sat(store, "L-one")
    plan, number = sat(store, "L-two", ended=False)
    lines = record_lines(store, comments=True)
    published = b"".join(lines.values())
    for nonce in (plan.nonce, STUDY_SEAL.nonce):
        assert nonce.hex().encode() not in published
    for link in store.chain(number):
        assert link.salt.hex().encode() not in published
    kept = KeptRecord(lines, Path("bundle"))
    assert kept.locked(plan.commitment)
    assert kept.events(number) == () == kept.rows(number)
    assert kept.remembered(f"playback/{number}") is None
    assert len(kept.chain(number)) == store.sitting(number).links > 0
    assert kept.faults() == ()
    with pytest.raises(BlindtestError, match="it is given once no sitting under it is open"):
        kept.sealed(plan.commitment)


def test_rows_that_were_withdrawn_leave_links_that_hold(store):
    _, number = sat(store, "L-one")
    sat(store, "L-two")
    store.forget("L-one", at=START + timedelta(days=1))
    lines = record_lines(store)
    assert b"L-one" not in b"".join(lines.values())
    kept = KeptRecord(lines, Path("bundle"))
    same(kept, store)
    assert kept.faults() == ()
    assert all(link.row is None for link in kept.chain(number))
    # A row taken out without anybody's asking is found.
    chain = [json.loads(line) for line in lines["chain.jsonl"].splitlines()]
    chain[-1]["row"] = chain[-1]["salt"] = None
    lines["chain.jsonl"] = b"".join(json.dumps(one).encode() + b"\n" for one in chain)
    (fault,) = KeptRecord(lines, Path("bundle")).faults()
    assert "sitting 2: 1 row is missing, and nobody asked for it" in str(fault)


@pytest.mark.parametrize(
    ("name", "find", "put", "words"),
    [
        ("sittings", b'"links":', b'"links":-', "sittings.jsonl:1: links: not usable, got -"),
        ("sittings", b'"state":"abandoned"', b'"state":"won"', "got 'won' (allowed: open, finished, abandoned)"),
        ("sittings", b'"deadline":"', b'"deadline":"x', "deadline: not usable"),
        ("sittings", b'"head"', b'"tail"', "sittings.jsonl:1: head: missing"),
        ("chain", b'"hash":"', b'"hash":"z', "chain.jsonl:1: hash: not usable"),
        ("chain", b'"row":"{', b'"row":"{{', "chain.jsonl:1: row: not JSON"),
        ("seals", b'"kind":"study"', b'"kind":"study","kind":"study"', "a key stands there twice"),
        ("events", b'"gain_db":', b'"gain_db":NaN,"x":', "NaN is no JSON"),
        ("events", b'{"event"', b"[" * 100_000 + b'{"event"', "events.jsonl:1: "),
        ("overrides", b"deadline", b"dead\xffline", "overrides.jsonl:1: not UTF-8"),
        ("overrides", b'{"at"', b'1\n{"at"', "overrides.jsonl:1: not a table, got 1"),
    ],
)
def test_a_record_of_another_form_is_refused_with_its_place(store, name, find, put, words):
    sat(store, "L-one")
    lines = record_lines(store)
    assert find in lines[f"{name}.jsonl"]
    changed = {**lines, f"{name}.jsonl": lines[f"{name}.jsonl"].replace(find, put, 1)}
    with pytest.raises(BlindtestError) as refused:
        KeptRecord(changed, Path("bundle"))
    assert words in str(refused.value)


def test_a_record_with_a_part_missing_or_twice_is_refused(store, tmp_path):
    sat(store, "L-one")
    lines = record_lines(store)
    with pytest.raises(BlindtestError, match=r"chain\.jsonl: this file of the record is missing"):
        KeptRecord({name: text for name, text in lines.items() if name != "chain.jsonl"}, Path("bundle"))
    with pytest.raises(BlindtestError, match=r"seals\.jsonl: a file of the record can't be read: No such file"):
        read_kept_record(tmp_path)
    with pytest.raises(BlindtestError, match=r"sittings\.jsonl:2: stands there twice, got 1"):
        KeptRecord({**lines, "sittings.jsonl": 2 * lines["sittings.jsonl"]}, Path("bundle"))
    with pytest.raises(BlindtestError, match="sitting 1: this seal is not in the record"):
        KeptRecord({**lines, "seals.jsonl": b""}, Path("bundle"))


PANEL = {"listener": "L-p", "consent_sha256": "ab" * 32, "seed": None, "screening": None, "output": {"rate_hz": 48000}}


def test_a_panel_s_listeners_are_read_and_what_is_none_is_refused(store):
    sat(store, "L-one")
    lines = record_lines(store)
    assert "panel.jsonl" not in lines
    (one,) = KeptRecord({**lines, "panel.jsonl": json.dumps(PANEL).encode()}, Path("bundle")).panelists()
    assert (one.listener, one.seed, dict(one.kept)) == ("L-p", bytes(32), {"output": {"rate_hz": 48000}, "reached": {}})
    left = {**PANEL, "reached": "questions"}
    (one,) = KeptRecord({**lines, "panel.jsonl": json.dumps(left).encode()}, Path("bundle")).panelists()
    assert one.kept["reached"] == {"step": "questions"}
    for key, wrong in (
        ("screening", {"rules": {}, "answers": []}),
        ("screening", {"rules": None, "answers": [7]}),
        ("output", {"rate_hz": "fast"}),
        ("reached", "the door"),
        ("devices", [7]),
        ("devices", [{"sitting": -1, "links": 0, "seed": None, "screening": None, "output": None}]),
        ("devices", [{"sitting": 1, "links": True, "seed": None, "screening": None, "output": None}]),
        ("devices", [{"sitting": 1, "links": 0, "seed": "ab", "screening": None, "output": None}]),
        ("devices", [{"sitting": 1, "links": 0, "seed": None, "screening": {"rules": {}}, "output": None}]),
    ):
        with pytest.raises(BlindtestError, match=r"panel\.jsonl: not what is kept of a listener"):
            KeptRecord({**lines, "panel.jsonl": json.dumps({**PANEL, key: wrong}).encode()}, Path("bundle"))


@pytest.mark.parametrize("digit", [3, 20, 50])
def test_a_digit_of_any_hash_changed_is_a_fault(store, digit):
    sat(store, "L-one")
    lines = record_lines(store)
    salts = [("chain", b'"salt":"'), ("impressions", b'"salt":"')]
    for name, key in (("seals", b'"nonce":"'), ("chain", b'"hash":"'), ("sittings", b'"head":"'), *salts):
        text = lines[f"{name}.jsonl"]
        at = text.index(key) + len(key) + digit
        other = b"0" if text[at : at + 1] != b"0" else b"1"
        kept = KeptRecord({**lines, f"{name}.jsonl": text[:at] + other + text[at + 1 :]}, Path("bundle"))
        assert kept.faults(), (name, key)
