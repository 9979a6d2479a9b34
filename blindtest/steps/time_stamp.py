"""Time stamps of RFC 3161 (Adams et al. 2001): requests, and replies checked against an authority's certificates.

A stamp's *message imprint* is the commitment itself. A commitment is a SHA-256 already (of nonce and record, or of the
last link of a chain), so nothing is hashed twice, and any other program that reads time stamps can check it by the
hash alone: `openssl ts -verify -digest COMMITMENT -in COMMITMENT.tsr -CAfile authority.pem`.

Everything here works on bytes; nothing opens a connection, and revocation, which would need one, is not looked up.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from hashlib import sha256
from typing import TYPE_CHECKING, Any

from blindtest.errors import Fault, Missing

if TYPE_CHECKING:
    from cryptography.x509 import Certificate

__all__ = [
    "Certificates",
    "NotStamped",
    "Stamped",
    "UnknownAuthority",
    "checked_reply",
    "stamp_request",
    "trusted_from",
]

REMEDY = "pip install 'blindtest[anchor]'"
_SHA256 = "2.16.840.1.101.3.4.2.1"
# Of DER (X.690): tags, and the bit that says that the length takes several bytes.
_INTEGER = 0x02
_CERTIFICATES = 0xA0
_LONG = 0x80


class NotStamped(ValueError):
    """A reply is not a time stamp of what it should be; says why."""


class UnknownAuthority(NotStamped):
    """The reply may be in order, but no certificate at hand vouches for who signed it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stamped:
    """What an authority signed."""

    at: datetime
    """By the authority's clock, UTC: the second that it lies in, without its fraction."""
    accuracy_s: float | None
    """How far off that clock may be, s; None where the authority doesn't say."""
    authority: str
    """Subject of the certificate that signed, as RFC 4514 writes it."""
    root: str
    """SHA-256 of the certificate (DER) that vouches for it, hex."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Certificates:
    """Whose word is taken: `roots` vouch for themselves, `others` (authorities, links between) are vouched for."""

    roots: "tuple[Certificate, ...]" = ()
    others: "tuple[Certificate, ...]" = ()

    def __add__(self, more: "Certificates") -> "Certificates":
        return Certificates(roots=self.roots + more.roots, others=self.others + more.others)


def _library() -> Any:
    try:
        import rfc3161_client
    except ImportError as error:
        raise Missing(Fault(problem="time stamps need the library rfc3161-client", remedy=REMEDY)) from error
    return rfc3161_client


def trusted_from(pem: bytes) -> Certificates:
    """Return the certificates of a PEM file.

    Raises
    ------
    ValueError
        There is none in it, or one can't be read.
    """
    from cryptography.x509 import load_pem_x509_certificates

    try:
        found = load_pem_x509_certificates(pem)
    except ValueError as error:
        raise ValueError("holds no certificate that can be read (PEM: -----BEGIN CERTIFICATE-----)") from error
    roots = tuple(one for one in found if one.issuer == one.subject)
    return Certificates(roots=roots, others=tuple(one for one in found if one not in roots))


def stamp_request(commitment: str) -> bytes:
    """Return a request (DER) to stamp `commitment`, 64 hexadecimal digits, with a nonce and the certificate asked for.

    Raises
    ------
    Missing
        The library isn't there.
    """
    library = _library()
    imprint = bytes.fromhex(commitment)
    if len(imprint) != sha256().digest_size:
        raise ValueError(f"a commitment has 64 hexadecimal digits, got {commitment!r}")
    # The library hashes what it is given. Its request for some other text differs in these 32 bytes only.
    placeholder = b"blindtest"
    built = library.TimestampRequestBuilder(data=placeholder, hash_algorithm=library.HashAlgorithm.SHA256).build()
    before, hashed, after = bytes(built.as_bytes()).partition(sha256(placeholder).digest())
    if not hashed:
        raise ValueError("the library's request holds no SHA-256 of its text")
    return before + imprint + after


def checked_reply(reply: bytes, commitment: str, *, request: bytes | None, trusted: Certificates) -> Stamped:
    """Return what `reply` (DER) stamps, once it holds: status, imprint, nonce, signature, certificate and its purpose.

    Parameters
    ----------
    request : what it answers; without it the nonce can't be compared, the rest is
    trusted : certificates at hand; those inside the reply count only as far as a root of these vouches for them, at
        the time of the stamp (RFC 3161, 2.3: the one that signs must be for time stamping alone, critically so)

    Raises
    ------
    NotStamped
        Something does not hold; `UnknownAuthority` where only the certificate is missing.
    Missing
        The library isn't there.
    """
    library = _library()
    try:
        decoded = library.decode_timestamp_response(_in_order(reply))
        status = library.PKIStatus(decoded.status)
    except ValueError as error:
        raise NotStamped("this is no reply of a time-stamp authority (RFC 3161, DER)") from error
    if status is not library.PKIStatus.GRANTED:
        said = "; ".join(map(str, decoded.status_string or ())) or status.name.lower().replace("_", " ")
        raise NotStamped(f"the authority did not grant the stamp: {said}")
    try:
        info = decoded.tst_info
        imprint = info.message_imprint
        stamped, hashed_by = bytes(imprint.message).hex(), imprint.hash_algorithm.dotted_string
        embedded = len(decoded.signed_data.certificates)
    except ValueError as error:
        raise NotStamped("this is no reply of a time-stamp authority (RFC 3161, DER)") from error
    if hashed_by != _SHA256 or stamped != commitment:
        raise NotStamped(f"it stamps something else: {stamped[:16]}...")
    nonce = None if request is None else _nonce_of(request, commitment)
    if nonce is not None and info.nonce != nonce:
        raise NotStamped("it answers another request: the nonces differ")
    if not embedded:
        raise NotStamped("it holds no certificate: ask again with the request as it was written, which wants it")
    root = _vouched(library, decoded, bytes.fromhex(commitment), trusted)
    return Stamped(
        at=info.gen_time.astimezone(UTC).replace(microsecond=0),
        accuracy_s=_seconds(info.accuracy),
        authority=_signer(decoded),
        root=sha256(_der(root)).hexdigest(),
    )


def _vouched(library: Any, decoded: Any, imprint: bytes, trusted: Certificates) -> "Certificate":
    """Return the root that vouches for the one who signed."""
    if not trusted.roots:
        raise UnknownAuthority("no certificate at hand vouches for who signed it")
    problems = []
    # One by one, so that it is known which of them vouches.
    for root in trusted.roots:
        builder = library.VerifierBuilder(roots=[root], intermediates=list(trusted.others))
        try:
            builder.build().verify(decoded, imprint)
        except (library.VerificationError, ValueError) as error:
            problems.append(str(error))
        else:
            return root
    told = [_problem(text) for text in problems]
    raise next((one for one in told if not isinstance(one, UnknownAuthority)), told[0])


def _problem(text: str) -> NotStamped:
    found = re.search(r'Verify error: ?([^"]+)"', text)
    why = found.group(1).strip() if found else ""
    if "issuer" in why or "self-signed" in why or "self signed" in why:
        return UnknownAuthority("no certificate at hand vouches for who signed it")
    if why == "certificate has expired" or "not yet valid" in why:
        return NotStamped("the authority's certificate was not valid at the time of the stamp")
    if "purpose" in why or "EKU" in text:
        return NotStamped("the certificate that signed it is not one for time stamping")
    if why:
        return NotStamped(f"the authority's certificate does not hold: {why}")
    return NotStamped("the signature does not hold: the reply was altered")


def _nonce_of(request: bytes, commitment: str) -> int | None:
    """Return the nonce of a TimeStampReq (RFC 3161, 2.4.1): version, imprint, policy?, nonce?, certReq?, extensions?"""
    try:
        _, start, end = next(_parts(request, 0, len(request)))
        fields = list(_parts(request, start, end))
        imprint = list(_parts(request, fields[1][1], fields[1][2]))[1]
    except (IndexError, StopIteration) as error:
        raise NotStamped("the request beside it is none (RFC 3161, DER)") from error
    asked = request[imprint[1] : imprint[2]].hex()
    if asked != commitment:
        raise NotStamped(f"the request beside it asks for something else: {asked[:16]}...")
    return next((int.from_bytes(request[a:b], "big", signed=True) for tag, a, b in fields[2:] if tag == _INTEGER), None)


def _signer(decoded: Any) -> str:
    from cryptography.x509 import load_der_x509_certificate

    who = next(iter(decoded.signed_data.signer_infos))
    held = (load_der_x509_certificate(bytes(one)) for one in decoded.signed_data.certificates)
    found = next(one for one in held if (one.issuer, one.serial_number) == (who.issuer, who.serial_number))
    return str(found.subject.rfc4514_string())


def _der(certificate: "Certificate") -> bytes:
    from cryptography.hazmat.primitives.serialization import Encoding

    return bytes(certificate.public_bytes(Encoding.DER))


def _seconds(accuracy: Any) -> float | None:
    if accuracy is None:
        return None
    return (accuracy.seconds or 0) + (accuracy.millis or 0) / 1e3 + (accuracy.micros or 0) / 1e6


def _in_order(reply: bytes) -> bytes:
    """Return `reply` with its certificates in the order that DER asks of a set (X.690, 11.6).

    Authorities write them as they like, as CMS allows (RFC 5652, 5.1: BER), and the library then refuses the whole.
    No signature covers their order. What isn't built like a reply is returned as it is.
    """
    try:
        _, start, end = next(_parts(reply, 0, len(reply)))  # TimeStampResp
        _, start, end = list(_parts(reply, start, end))[1]  # its token
        _, start, end = list(_parts(reply, start, end))[1]  # its content
        _, start, end = next(_parts(reply, start, end))  # SignedData
        held = next((a, b) for tag, a, b in _parts(reply, start, end) if tag == _CERTIFICATES)
        places = [first for _, first, _ in _whole_parts(reply, *held)]
        ends = [*places[1:], held[1]]
        ordered = sorted(reply[a:b] for a, b in zip(places, ends, strict=True))
        return reply[: held[0]] + b"".join(ordered) + reply[held[1] :]
    except (IndexError, StopIteration):
        return reply


def _whole_parts(data: bytes, start: int, end: int) -> Iterator[tuple[int, int, int]]:
    """Yield (tag, where the part begins, where it ends) of what lies between two places of a DER text."""
    place = start
    while place < end:
        length, content = data[place + 1], place + 2
        if length & _LONG:
            size = length & ~_LONG
            content += size
            length = int.from_bytes(data[place + 2 : content], "big")
        if content + length > end:
            raise IndexError(place)
        yield data[place], place, content + length
        place = content + length


def _parts(data: bytes, start: int, end: int) -> Iterator[tuple[int, int, int]]:
    """Yield (tag, where the content begins, where it ends)."""
    for tag, first, last in _whole_parts(data, start, end):
        length = data[first + 1]
        yield tag, first + 2 + (length & ~_LONG if length & _LONG else 0), last
