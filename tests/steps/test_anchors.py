"""Time stamps by RFC 3161 (Adams et al. 2001) of an authority that openssl plays here: nothing leaves the machine.

All authorities are invented. `openssl ts -verify` checks what we check, by an implementation that isn't ours.
"""

import json
import re
import shutil
import socket
import subprocess
import sys
import tomllib
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from pathlib import Path

import numpy as np
import pytest

from blindtest import steps
from blindtest.cli.commands import main
from blindtest.errors import BlindtestError, Missing
from blindtest.session import SimulatedListener, simulate_sitting, simulated_clock
from blindtest.steps.anchors import Stamp, anchoring, stamps, write_requests
from blindtest.steps.time_stamp import (
    Certificates,
    NotStamped,
    Stamped,
    UnknownAuthority,
    checked_reply,
    stamp_request,
    trusted_from,
)

COMMITMENT = sha256(b"a plan, invented").hexdigest()
CONFIG = """
[ca]
basicConstraints = critical, CA:TRUE
keyUsage = critical, keyCertSign
subjectKeyIdentifier = hash
[stamping]
basicConstraints = critical, CA:FALSE
keyUsage = critical, digitalSignature
extendedKeyUsage = critical, timeStamping
[uncritical]
extendedKeyUsage = timeStamping
[signing]
basicConstraints = critical, CA:FALSE
keyUsage = critical, digitalSignature
[issue]
database = index.txt
serial = serial
new_certs_dir = .
default_md = sha256
policy = any
[any]
commonName = supplied
[tsa]
serial = stamped
signer_digest = sha256
default_policy = 1.3.6.1.4.1.99999.1
digests = sha256
accuracy = secs:1
ess_cert_id_alg = sha256
"""


@dataclass(frozen=True)
class Authorities:
    """Roots, links and authorities in a folder, by the names of their files."""

    place: Path

    def openssl(self, *arguments):
        return subprocess.run(
            ["openssl", *arguments], cwd=self.place, capture_output=True, text=True, check=True
        ).stdout

    def root(self, name):
        self._key(name)
        extensions = ("-addext", "basicConstraints=critical,CA:TRUE", "-addext", "keyUsage=critical,keyCertSign")
        self.openssl(
            "req", "-x509", "-key", f"{name}.key", "-out", f"{name}.pem", "-days", "30", "-config", "names.cnf",
            "-subj", f"/CN=Invented {name}", *extensions,
        )  # fmt: skip
        return self

    def issued(self, name, *, by, kind="stamping", valid=None):
        """Issue a certificate; valid: first and last day, 'YYYYMMDD' each."""
        self._key(name)
        self.openssl(
            "req", "-new", "-key", f"{name}.key", "-out", f"{name}.csr", "-config", "names.cnf",
            "-subj", f"/CN=Invented {name}",
        )  # fmt: skip
        dates = [f"{day}000000Z" for day in valid] if valid else []
        days = ("-startdate", dates[0], "-enddate", dates[1]) if valid else ("-days", "20")
        self.openssl(
            "ca", "-batch", "-notext", "-config", "own.cnf", "-name", "issue", "-cert", f"{by}.pem", "-keyfile",
            f"{by}.key", "-in", f"{name}.csr", "-out", f"{name}.pem", "-extensions", kind, *days,
        )  # fmt: skip
        return self

    def _key(self, name):
        self.openssl("genpkey", "-algorithm", "EC", "-pkeyopt", "ec_paramgen_curve:P-256", "-out", f"{name}.key")

    def reply(self, request, *, by="authority", also=()):
        """Return an authority's reply to a request, with its certificate and others inside."""
        (self.place / "q.tsq").write_bytes(request)
        (self.place / "also.pem").write_bytes(b"".join(map(self.pem, also)))
        self.openssl(
            "ts", "-reply", "-config", "own.cnf", "-section", "tsa", "-queryfile", "q.tsq", "-out", "r.tsr", "-signer",
            f"{by}.pem", "-inkey", f"{by}.key", *(("-chain", "also.pem") if also else ()),
        )  # fmt: skip
        return (self.place / "r.tsr").read_bytes()

    def pem(self, name):
        return (self.place / f"{name}.pem").read_bytes()

    def signed_by_other(self, reply, by):
        """Return what a reply says, signed as CMS by a certificate that is for something else."""
        (self.place / "r.tsr").write_bytes(reply)
        self.openssl("ts", "-reply", "-in", "r.tsr", "-token_out", "-out", "token")
        self.openssl("cms", "-verify", "-noverify", "-inform", "DER", "-in", "token", "-out", "told")
        self.openssl(
            "cms", "-sign", "-nodetach", "-binary", "-nosmimecap", "-econtent_type", "1.2.840.113549.1.9.16.1.4",
            "-signer", f"{by}.pem", "-inkey", f"{by}.key", "-in", "told", "-outform", "DER", "-out", "token",
        )  # fmt: skip
        token = (self.place / "token").read_bytes()
        return b"\x30\x82" + (len(token) + 5).to_bytes(2, "big") + bytes.fromhex("3003020100") + token


@pytest.fixture(scope="module")
def authorities(tmp_path_factory, require):
    require("openssl", shutil.which("openssl") is not None, "openssl is not installed")
    place = tmp_path_factory.mktemp("authorities")
    (place / "own.cnf").write_text(CONFIG)
    (place / "names.cnf").write_text("[req]\ndistinguished_name = dn\n[dn]\n")
    (place / "index.txt").write_text("")
    (place / "serial").write_text("1000")
    made = Authorities(place).root("root").root("stranger")
    return made.issued("authority", by="root")


@pytest.fixture(scope="module")
def asked():
    pytest.importorskip("rfc3161_client")
    return stamp_request(COMMITMENT)


@pytest.fixture(scope="module")
def reply(authorities, asked):
    return authorities.reply(asked)


def check(reply, authorities, *roots, request=None, commitment=COMMITMENT):
    trusted = sum((trusted_from(authorities.pem(name)) for name in roots or ("root",)), Certificates())
    return checked_reply(reply, commitment, request=request, trusted=trusted)


def test_a_reply_says_when_and_by_whom(reply, authorities, asked):
    found = check(reply, authorities, request=asked)
    assert abs(found.at - datetime.now(UTC)) < timedelta(minutes=10)
    assert found.accuracy_s == 1.0
    assert found.authority == "CN=Invented authority"
    shown = authorities.openssl("x509", "-in", "root.pem", "-noout", "-fingerprint", "-sha256")
    assert found.root == shown.partition("=")[2].strip().replace(":", "").lower()
    assert found == check(reply, authorities, "stranger", "root")


def test_openssl_reads_our_request_and_checks_the_reply_by_the_commitment_alone(reply, authorities, asked):
    """RFC 3161, 2.4.1: version 1, SHA-256 as imprint, a nonce, the certificate asked for."""
    (authorities.place / "ours.tsq").write_bytes(asked)
    said = authorities.openssl("ts", "-query", "-in", "ours.tsq", "-text")
    assert "Version: 1" in said
    assert "Hash Algorithm: sha256" in said
    assert "Certificate required: yes" in said
    assert re.search(r"Nonce: 0x[0-9A-F]{8,}", said)
    dump = "".join(re.findall(r"- ((?:[0-9a-f]{2}[ -]?){16})", said))
    assert re.sub(r"[ -]", "", dump) == COMMITMENT
    (authorities.place / "ours.tsr").write_bytes(reply)
    verified = authorities.openssl("ts", "-verify", "-digest", COMMITMENT, "-in", "ours.tsr", "-CAfile", "root.pem")
    assert "Verification: OK" in verified


def test_two_requests_never_share_a_nonce(asked):
    assert stamp_request(COMMITMENT) != asked


def test_what_does_not_hold_is_told(reply, authorities, asked):
    other = sha256(b"another plan, invented").hexdigest()
    for wanted, given in (
        ("it stamps something else: ", {"reply": reply, "commitment": other}),
        ("it answers another request: the nonces differ", {"reply": reply, "request": stamp_request(COMMITMENT)}),
        ("the request beside it asks for something else", {"reply": reply, "request": stamp_request(other)}),
        ("the request beside it is none", {"reply": reply, "request": b"0\x03\x02\x01"}),
        ("this is no reply of a time-stamp authority", {"reply": b"<html>not found</html>"}),
        ("this is no reply of a time-stamp authority", {"reply": b""}),
        ("this is no reply of a time-stamp authority", {"reply": reply[:-1]}),
    ):
        with pytest.raises(NotStamped, match=wanted) as told:
            check(given.pop("reply"), authorities, **given)
        assert type(told.value) is NotStamped
    with pytest.raises(UnknownAuthority, match="no certificate at hand vouches"):
        check(reply, authorities, "stranger", request=asked)
    # The authority's own certificate doesn't vouch for itself.
    with pytest.raises(UnknownAuthority, match="no certificate at hand vouches"):
        check(reply, authorities, "authority", request=asked)


def test_a_refusal_is_no_stamp(authorities):
    """RFC 3161, 2.4.2: an authority that does not take the hash says so, and sends no token."""
    (authorities.place / "sha1.tsq").unlink(missing_ok=True)
    authorities.openssl("ts", "-query", "-digest", "ab" * 20, "-sha1", "-out", "sha1.tsq")
    refused = authorities.reply((authorities.place / "sha1.tsq").read_bytes())
    with pytest.raises(NotStamped, match="the authority did not grant the stamp"):
        check(refused, authorities)


def test_a_certificate_that_had_expired_stamps_nothing(authorities, asked):
    authorities.issued("lapsed", by="root", valid=("20200101", "20210101"))
    lapsed = authorities.reply(asked, by="lapsed")
    with pytest.raises(NotStamped, match="the authority's certificate was not valid at the time of the stamp"):
        check(lapsed, authorities, request=asked)


def test_only_a_certificate_for_time_stamping_stamps(reply, authorities, asked):
    """RFC 3161, 2.3: the key's purpose is time stamping alone, and the extension that says so is critical."""
    authorities.issued("signer", by="root", kind="signing").issued("loose", by="root", kind="uncritical")
    for by in ("signer", "loose"):
        with pytest.raises(NotStamped, match="the certificate that signed it is not one for time stamping"):
            check(authorities.signed_by_other(reply, by), authorities, request=asked)


def test_certificates_between_root_and_authority_come_inside_or_beside(authorities, asked):
    authorities.issued("link", by="root", kind="ca").issued("inner", by="link")
    inside = authorities.reply(asked, by="inner", also=("link",))
    assert check(inside, authorities, request=asked).authority == "CN=Invented inner"
    # In whichever order the authority wrote them: CMS (RFC 5652, 5.1) leaves that open.
    places = sorted((inside.index(der), der) for der in map(_der, map(authorities.pem, ("inner", "link"))))
    (start, first), (_, second) = places
    turned = inside[:start] + second + first + inside[start + len(first) + len(second) :]
    assert turned != inside
    assert check(turned, authorities, request=asked).authority == "CN=Invented inner"
    beside = authorities.reply(asked, by="inner")
    with pytest.raises(UnknownAuthority):
        check(beside, authorities, request=asked)
    assert check(beside, authorities, "root", "link", request=asked).authority == "CN=Invented inner"


def _der(pem):
    from cryptography.hazmat.primitives.serialization import Encoding
    from cryptography.x509 import load_pem_x509_certificate

    return load_pem_x509_certificate(pem).public_bytes(Encoding.DER)


def test_no_altered_byte_changes_what_a_reply_says(reply, authorities, asked):
    """A few bytes of a reply are signed by nobody (algorithm names that are said twice): they change nothing either."""
    good = check(reply, authorities, request=asked)
    trusted = trusted_from(authorities.pem("root"))
    unnoticed = 0
    for place in range(0, len(reply), 4):
        altered = bytearray(reply)
        altered[place] ^= 1 + place % 255
        try:
            found = checked_reply(bytes(altered), COMMITMENT, request=asked, trusted=trusted)
        except NotStamped:
            continue
        assert found == good
        unnoticed += 1
    assert unnoticed < len(reply) // 4 / 20
    # A year earlier, wherever it stands.
    for year in {f"{good.at:%Y}", f"{good.at:%y}"}:
        earlier = f"{int(year) - 1:0{len(year)}d}"
        with pytest.raises(NotStamped):
            check(reply.replace(year.encode(), earlier.encode()), authorities, request=asked)


# --- a folder ------------------------------------------------------------------------------------------------------


@pytest.fixture
def anchors(tmp_path, reply, authorities, asked):
    folder = tmp_path / "anchors"
    folder.mkdir()
    (folder / f"{COMMITMENT}.tsq").write_bytes(asked)
    (folder / f"{COMMITMENT}.tsr").write_bytes(reply)
    (folder / "root.pem").write_bytes(authorities.pem("root"))
    return folder


def test_replies_are_found_beside_their_requests(anchors, authorities):
    (stamp,) = stamps(anchors)
    assert (stamp.state, stamp.commitment, stamp.problem) == ("holds", COMMITMENT, "")
    assert stamp.stamped.authority == "CN=Invented authority"
    json.dumps(stamp.to_dict(), allow_nan=False)
    assert stamps(anchors / "nowhere") == ()
    (anchors / f"{COMMITMENT}.tsq").unlink()
    assert stamps(anchors)[0].state == "holds"


def test_a_stranger_takes_the_certificates_that_he_trusts(anchors, authorities):
    """Whoever made a folder could have made the authority too."""
    (stamp,) = stamps(anchors, authorities=[authorities.place / "stranger.pem"])
    assert stamp.state == "unvouched"
    assert stamps(anchors, authorities=[authorities.place / "root.pem"])[0].state == "holds"
    with pytest.raises(BlindtestError, match=r"root\.key: --authority: holds no certificate that can be read"):
        stamps(anchors, authorities=[authorities.place / "root.key"])
    with pytest.raises(BlindtestError, match=r"none\.pem: --authority: is no file"):
        stamps(anchors, authorities=[anchors / "none.pem"])


def test_files_that_cannot_be_used_are_told_one_by_one(anchors, reply):
    (anchors / "broken.pem").write_bytes(b"-----BEGIN CERTIFICATE-----\n!!\n-----END CERTIFICATE-----\n")
    (anchors / "reply.tsr").write_bytes(reply)
    (anchors / f"{'ab' * 32}.tsr").write_bytes(reply)
    (anchors / f"{'cd' * 32}.tsr").write_bytes(b"\x00" * ((1 << 20) + 1))
    (anchors / f"{'ef' * 32}.tsr").mkdir()
    told = {Path(stamp.file).name: (stamp.state, stamp.problem) for stamp in stamps(anchors)}
    assert told.pop(f"{COMMITMENT}.tsr") == ("holds", "")
    assert {state for state, _ in told.values()} == {"fails"}
    for name, problem in (
        ("broken.pem", "holds no certificate"),
        ("reply.tsr", "its name is no commitment"),
        (f"{'ab' * 32}.tsr", "it stamps something else"),
        (f"{'cd' * 32}.tsr", "is larger than"),
        (f"{'ef' * 32}.tsr", "is no file"),
    ):
        assert problem in told.pop(name)[1]
    assert not told


def test_requests_are_written_once(tmp_path, asked):
    folder = tmp_path / "anchors"
    first = write_requests(folder, [COMMITMENT, COMMITMENT])
    assert [path.name for path in first] == [f"{COMMITMENT}.tsq"]
    before = first[0].read_bytes()
    assert write_requests(folder, [COMMITMENT]) == ()
    assert first[0].read_bytes() == before
    assert [path.name for path in folder.iterdir()] == [f"{COMMITMENT}.tsq"]


def test_without_the_library_one_line_says_what_to_install(anchors, monkeypatch):
    monkeypatch.setitem(sys.modules, "rfc3161_client", None)
    with pytest.raises(Missing, match=r"need the library rfc3161-client; pip install 'blindtest\[anchor\]'"):
        stamp_request(COMMITMENT)
    (stamp,) = stamps(anchors)
    assert stamp.state == "unchecked"
    assert "pip install 'blindtest[anchor]'" in stamp.problem


# --- what stamps show of a record ----------------------------------------------------------------------------------

NINE = datetime(2026, 5, 6, 9, 0, tzinfo=UTC)
SEAL, PLAN, HEAD, END = (sha256(name.encode()).hexdigest() for name in ("seal", "plan", "head", "end"))


@dataclass(frozen=True)
class Entry:
    number: int = 1
    study_seal: str = SEAL
    commitment: str = PLAN
    head: str = HEAD
    end: str | None = END
    state: str = "finished"
    links: int = 2
    forgotten: datetime | None = None
    kind: str = "study"


@dataclass(frozen=True)
class Recorded:
    """As much of a record as is asked: one sitting, its answers at nine and five minutes later."""

    entry: Entry = Entry()
    known: bool = True

    def sittings(self):
        return (self.entry,)

    def seals(self):
        return (replace(self.entry, commitment=SEAL),)

    def locked(self, commitment):
        return not self.known

    def rows(self, number):
        return tuple({"answered_at": (NINE + timedelta(minutes=m)).isoformat()} for m in (0, 5))[: self.entry.links]


def stamp(commitment, seconds, accuracy_s=1.0):
    at = Stamped(at=NINE + timedelta(seconds=seconds), accuracy_s=accuracy_s, authority="CN=Invented", root="ab" * 32)
    return Stamp(file=f"{commitment}.tsr", commitment=commitment, state="holds", stamped=at)


def shown(*found, record=Recorded()):
    told = anchoring(record, found)
    return told.before, told.after, [line.text() for line in told.lines[: len(found)]]


def test_a_plan_stamped_before_the_first_answer_stood_before_it_and_its_study_seal_too():
    before, after, (line,) = shown(stamp(PLAN, -2))
    assert before == {PLAN, SEAL}
    assert after == frozenset()
    assert line == (
        "holds: time stamp on the plan of sitting 1 is of 2026-05-06 08:59:58 UTC within 1 s, before its first answer, "
        "given at 2026-05-06 09:00:00 UTC by the recording computer's clock: signed by CN=Invented"
    )


@pytest.mark.parametrize(("seconds", "accuracy_s", "counts"), [(-2, 1.0, True), (-1, 1.0, False), (-1, None, True)])
def test_what_an_authority_may_be_off_by_counts_against_the_stamp(seconds, accuracy_s, counts):
    """The stamp lies anywhere in its second, and its accuracy may be added."""
    before, _, (line,) = shown(stamp(PLAN, seconds, accuracy_s))
    assert (PLAN in before) is counts
    assert line.startswith("holds: " if counts else "note: ")


def test_a_stamp_on_the_study_seal_alone_does_not_vouch_for_the_plan():
    before, _, (line,) = shown(stamp(SEAL, -60))
    assert before == {SEAL}
    assert "before the first answer" in line
    assert shown(stamp(SEAL, 60))[0] == frozenset()


def test_a_stamp_on_the_answers_counts_once_the_last_was_given():
    before, after, (line,) = shown(stamp(HEAD, 301))
    assert (before, after) == (frozenset(), {HEAD})
    assert "nothing in them was changed since" in line


def test_a_clock_that_ran_ahead_is_found_and_vouches_for_nothing():
    before, after, (_, line) = shown(stamp(PLAN, -60), stamp(HEAD, 200))
    assert (before, after) == (frozenset(), frozenset())
    assert "that clock was ahead by 98 s or more" in line


def test_what_cannot_be_read_is_not_counted_but_what_was_withdrawn_is():
    assert shown(stamp(PLAN, -60), record=Recorded(known=False))[0] == frozenset()
    withdrawn = Recorded(entry=Entry(forgotten=NINE), known=False)
    assert PLAN in shown(stamp(HEAD, 400), record=withdrawn)[0]


def test_a_stamp_on_nothing_in_the_record_fails():
    (line,) = shown(stamp("ab" * 32, 0))[2]
    assert line.startswith("FAILS: time stamp on abababababababab... stands on something in the record: a tail may")


# --- a study -------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def rendered(own_template, tmp_path_factory):
    """A study that is rendered; not to be changed."""
    folder = Path(shutil.copytree(own_template, tmp_path_factory.mktemp("rendered") / "my-study"))
    steps.render(folder)
    return folder


@pytest.fixture
def own_study(rendered, tmp_path):
    return Path(shutil.copytree(rendered, tmp_path / "my-study"))


def answered(folder, stamp_plan):
    """Let a listener sit whose plan is stamped before the first answer."""
    with steps.prepare_sitting(folder, listener="L-one") as prepared:
        stamp_plan()
        rng = np.random.default_rng(5)
        # Later than the stamp can be by its accuracy and its second.
        clock = simulated_clock(datetime.now(UTC) + timedelta(seconds=3), rng, step_s=0.001)
        listener = SimulatedListener(pseudonym="L-one", d_prime=3.0)
        sitting = simulate_sitting(
            prepared.sitting.plan, listener, rng, clock, study=prepared.sitting.study, save=prepared.answered
        )
        prepared.ended(sitting, clock())
        return prepared.result()


def test_a_study_is_anchored_without_a_connection(own_study, authorities, monkeypatch, capsys):
    def no_network(*arguments, **options):
        raise AssertionError("a connection was opened")

    for name in ("connect", "connect_ex", "sendto", "bind"):
        monkeypatch.setattr(socket.socket, name, no_network)
    monkeypatch.setattr(socket, "getaddrinfo", no_network)
    folder = own_study / "anchors"

    def stamp_all():
        for request in steps.seal(own_study).requests:
            request.with_suffix(".tsr").write_bytes(authorities.reply(request.read_bytes()))

    stamp_all()
    (folder / "root.pem").write_bytes(authorities.pem("root"))
    ended = answered(own_study, stamp_all)
    shown = steps.seal(own_study)
    assert {path.stem for path in folder.glob("*.tsr")} == {shown.study_seal.commitment, ended.commitment}
    assert [path.stem for path in shown.requests] == [ended.end]
    assert shown.line == (
        f"blindtest study seal {shown.study_seal.commitment} plan 1 {ended.commitment} answers 1 {ended.head} "
        f"end 1 {ended.end}"
    )
    # The head is published, the rest stamped: the line that `seal` prints is taken whole.
    assert steps.verify(own_study).grade == "consistent"
    verified = steps.verify(own_study, published=[f"posted: answers 1 {ended.head}."])
    assert (verified.grade, verified.ok) == ("anchored", True)
    assert "before its first answer" in verified.text()
    assert (
        "What no hash seen elsewhere holds: how sitting 1 ended (finished or abandoned), and when." in verified.text()
    )
    whole = steps.verify(own_study, published=[shown.line])
    assert (whole.grade, whole.ends_unseen) == ("anchored", ())
    assert "What no hash seen elsewhere holds" not in whole.text()
    # A reply that was altered is found, and shows nothing; the record is still what it was.
    path = folder / f"{ended.commitment}.tsr"
    path.write_bytes(path.read_bytes()[:-1])
    altered = steps.verify(own_study, published=[ended.head])
    assert (altered.grade, altered.ok) == ("consistent", False)
    with pytest.raises(SystemExit) as left:
        main(["verify", str(own_study)])
    assert left.value.code == 1
    assert "FAILS: anchors/" in capsys.readouterr().out
    path.unlink()
    # Another authority's word is not taken.
    with pytest.raises(SystemExit):
        main(["verify", str(own_study), "--authority", str(authorities.place / "stranger.pem"), "--json"])
    told = json.loads(capsys.readouterr().out)
    assert [one["state"] for one in told["stamps"]] == ["unvouched"]
    assert told["grade"] == "consistent"


def test_sealing_goes_on_without_the_library(own_study, monkeypatch):
    monkeypatch.setitem(sys.modules, "rfc3161_client", None)
    shown = steps.seal(own_study)
    assert shown.requests == ()
    assert not (own_study / "anchors").exists()
    (line,) = [line for line in shown.text().splitlines() if "time-stamp request" in line]
    assert line == (
        "No time-stamp request was written: time stamps need the library rfc3161-client; "
        "pip install 'blindtest[anchor]'"
    )


def test_the_library_comes_with_the_extra():
    """`pip install 'blindtest[anchor]'`, as the messages say."""
    project = tomllib.loads((Path(__file__).parents[2] / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert [one.partition(">")[0] for one in project["optional-dependencies"]["anchor"]] == ["rfc3161-client"]
