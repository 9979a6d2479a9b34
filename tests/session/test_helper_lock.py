"""The helper's passphrase: the key made from it, what is wrapped and encrypted, and what is refused."""

import hashlib
import os

import pytest

from blindtest.errors import BlindtestError
from blindtest.session import helper_lock
from blindtest.session.helper_lock import decrypted, encrypted, locked, passphrase_key, unlocked


@pytest.mark.parametrize(
    ("passphrase", "salt", "cost", "block", "parallel", "begins"),
    [
        ("", b"", 16, 1, 1, "77d6576238657b203b19ca42c18a0497f16b4844e3074ae8dfdffa3fede21442"),
        ("password", b"NaCl", 1024, 8, 16, "fdbabe1c9d3472007856e7190d01e9fe7c6ad7cbc8237830e77376634b373162"),
        ("pleaseletmein", b"SodiumChloride", 16_384, 8, 1,
         "7023bdcb3afd7348461c06cd81fd38ebfda8fbba904f8e3ea9b543f6545da1f2"),
    ],
)  # fmt: skip
def test_the_key_is_that_of_rfc_7914(passphrase, salt, cost, block, parallel, begins):
    """RFC 7914, section 12, the first 32 of 64 bytes: PBKDF2's output is made in blocks of 32. OpenSSL's as well."""
    key = passphrase_key(passphrase, salt, cost=cost, block=block, parallel=parallel)
    assert key.hex() == begins
    assert key == hashlib.scrypt(passphrase.encode(), salt=salt, n=cost, r=block, p=parallel, dklen=32)


def test_the_encryption_is_aes_256_gcm():
    """McGrew & Viega, The Galois/Counter Mode of Operation, appendix B, test case 14: all of it noughts."""
    sealed = encrypted(bytes(32), bytes(16), iv=bytes(12), about=b"")
    assert sealed.hex() == "00" * 12 + "cea7403d4d606b6e074ec5d3baf39d18" + "d0d1c8a799996bf0265b98b5d48ab919"
    assert decrypted(bytes(32), sealed, about=b"") == bytes(16)


def test_what_is_encrypted_opens_for_its_key_and_purpose_only():
    sealed = encrypted(b"k" * 32, b"which is X", iv=b"i" * 12, about=b"row")
    assert decrypted(b"k" * 32, sealed, about=b"row") == b"which is X"
    assert decrypted(b"l" * 32, sealed, about=b"row") is None
    assert decrypted(b"k" * 32, sealed, about=b"nonce") is None
    for at in range(len(sealed)):
        changed = bytearray(sealed)
        changed[at] ^= 1
        assert decrypted(b"k" * 32, bytes(changed), about=b"row") is None
    assert decrypted(b"k" * 32, b"short", about=b"row") is None
    with pytest.raises(ValueError, match="12 bytes"):
        encrypted(b"k" * 32, b"", iv=b"i", about=b"")


def test_a_lock_opens_with_its_passphrase_however_that_was_composed():
    lock = locked("vier Wörter und ein Ångström", os.urandom, cost=2**10)
    assert unlocked(lock.record, "vier Wo\u0308rter und ein A\u030angstro\u0308m") == lock.key
    assert lock.key.hex() not in str(lock.record)
    assert lock.key.hex() not in repr(lock)
    with pytest.raises(
        BlindtestError, match="this is not the helper's passphrase of this sitting; type it again"
    ) as no:
        unlocked(lock.record, "vier andere Woerter")
    assert len(str(no.value).splitlines()) == 1


def test_two_locks_of_one_passphrase_have_nothing_in_common():
    one, other = (locked("the same four words", os.urandom, cost=2**10) for _ in range(2))
    assert one.key != other.key
    assert one.record["salt"] != other.record["salt"]
    assert one.record["wrapped"] != other.record["wrapped"]


def test_the_parameters_are_those_that_are_recommended():
    # OWASP Password Storage Cheat Sheet: scrypt with N = 2^17 (128 MiB), r = 8, p = 1 (from memory).
    record = locked("the same four words", os.urandom).record
    assert (record["kdf"], record["cost"], record["block"], record["parallel"]) == ("scrypt", 2**17, 8, 1)


@pytest.mark.parametrize("short", ["", "seven77", "      a      "])
def test_a_short_passphrase_is_refused(short):
    with pytest.raises(BlindtestError, match=r"too short, got '\d characters' \(allowed: 8 or more\)"):
        locked(short, os.urandom, cost=2**10)


@pytest.mark.parametrize(
    "change",
    [{"kdf": "md5"}, {"cost": 2**40}, {"cost": 1000}, {"cost": "x"}, {"block": 10**9}, {"wrapped": "zz"}, {"salt": 4}],
)
def test_a_record_that_was_not_made_here_is_refused_before_anything_is_computed(change, monkeypatch):
    record = {**locked("the same four words", os.urandom, cost=2**10).record, **change}
    monkeypatch.setattr(helper_lock, "passphrase_key", None)
    with pytest.raises(BlindtestError, match="locked in a way that is not known here"):
        unlocked(record, "the same four words")
