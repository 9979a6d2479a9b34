"""Seals and chains: canonical form by the RFC's own examples, tampering found."""

from hashlib import sha256

import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st

from blindtest.design import Link, canonical, commitment, grade, key_seed, link_hash, row_hash, seal, verify_chain

NONCE = bytes(range(100, 132))
SALT = b"s" * 32


def test_canonical_form_is_that_of_rfc_8785():
    # RFC 8785, section 3.2.2 (input) and 3.2.3 (output of the sorted sample)
    value = {
        "numbers": [333333333.33333329, 1e30, 4.50, 2e-3, 0.000000000000000000000000001],
        "string": '€$\u000f\nA\'B"\\\\"/',
        "literals": [None, True, False],
    }
    assert canonical(value) == (
        b'{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],'
        b'"string":"\xe2\x82\xac$\\u000f\\nA\'B\\"\\\\\\\\\\"/"}'
    )


TEXTS = st.text(st.characters(), max_size=12)
ATOMS = TEXTS | st.integers(-(2**53) - 2, 2**53 + 2) | st.floats() | st.booleans() | st.none()


@given(
    st.dictionaries(
        TEXTS | st.sampled_from(["a", "Z", "_", "\x7f", "\n"]), ATOMS | st.lists(ATOMS, max_size=2), max_size=6
    )
)
def test_a_row_is_written_as_the_library_writes_it(row):
    """Texts (lone surrogates too), whole numbers and words of JSON are written here; the rest by `rfc8785`."""
    try:
        expected = rfc8785.dumps(row)
    except rfc8785.CanonicalizationError:
        with pytest.raises(ValueError, match="no canonical form"):
            canonical(row)
    else:
        assert canonical(row) == expected


@pytest.mark.parametrize("value", [float("nan"), float("inf"), 2**60, {1: 2}, object()])
def test_values_without_a_form_are_refused(value):
    with pytest.raises(ValueError, match="no canonical form"):
        canonical({"x": value})


def test_commitment_counted_by_hand():
    # The bytes written out: nonce, then {"a":1,"b":[2,"x"]}
    assert commitment({"b": [2, "x"], "a": 1}, NONCE) == sha256(NONCE + b'{"a":1,"b":[2,"x"]}').hexdigest()


def test_key_seed_takes_the_public_string():
    assert key_seed(NONCE) == sha256(NONCE).digest()
    assert key_seed(NONCE, "drawn elsewhere") == sha256(NONCE + b"drawn elsewhere").digest()


def test_a_seal_holds_record_nonce_and_commitment():
    sealed = seal({"a": 1}, NONCE)
    assert sealed.commitment == commitment({"a": 1}, NONCE)


@pytest.mark.parametrize("wrong", [b"", b"x" * 31])
def test_short_nonces_and_salts_are_mistakes(wrong):
    with pytest.raises(ValueError, match="32 bytes"):
        commitment({}, wrong)
    with pytest.raises(ValueError, match="32 bytes"):
        row_hash(wrong, {})


def chain(rows, start="00" * 32):
    links, previous = [], start
    for position, row in enumerate(rows, start=1):
        salt = sha256(str(position).encode()).digest()
        hashed = row_hash(salt, row)
        previous = link_hash(previous, hashed)
        links.append(Link(position=position, row_hash=hashed, hash=previous, salt=salt, row=row))
    return links


ROWS = [{"trial": k, "answer": "AB"[k % 2]} for k in range(12)]
START = "00" * 32


def test_a_chain_by_the_formula():
    # h_1 = SHA-256(h_0 || SHA-256(salt || row)), written out
    salt = sha256(b"1").digest()
    inner = sha256(salt + b'{"answer":"A","trial":0}').digest()
    assert chain(ROWS[:1])[0].hash == sha256(bytes(32) + inner).hexdigest()


def test_a_whole_chain_holds():
    check = verify_chain(START, chain(ROWS))
    assert check.ok
    assert (check.links, check.withheld, check.head) == (12, 0, chain(ROWS)[-1].hash)


@given(st.data())
def test_every_tampering_is_found(data):
    """Edited, removed, exchanged or inserted rows: the links tell; a cut tail: the published head tells."""
    from dataclasses import replace

    links = chain(ROWS)
    head = links[-1].hash
    at = data.draw(st.integers(0, 11))
    how = data.draw(st.sampled_from(["edit", "remove", "exchange", "insert", "cut", "salt", "hash"]))
    if how == "edit":
        links[at] = replace(links[at], row={**ROWS[at], "answer": "C"})
    elif how == "remove":
        del links[at]
    elif how == "exchange":
        other = (at + data.draw(st.integers(1, 11))) % 12
        links[at], links[other] = links[other], links[at]
    elif how == "insert":
        links.insert(at, replace(links[at], row={"trial": 99}))
    elif how == "cut":
        links = links[:at]
    elif how == "salt":
        links[at] = replace(links[at], salt=SALT)
    else:
        links[at] = replace(links[at], hash="ab" * 32)
    check = verify_chain(START, links)
    assert not check.ok or check.head != head


def test_a_chain_says_what_is_wrong_with_it_without_any_published_head():
    from dataclasses import replace

    whole = chain(ROWS)
    gap = verify_chain(START, whole[:4] + whole[5:])
    assert gap.faults == ("link 5 is missing: the next one stored is 6",)
    edited = verify_chain(START, [*whole[:2], replace(whole[2], row={"trial": 2, "answer": "C"}), *whole[3:]])
    assert edited.faults == ("row 3 is not the one that was recorded: its salted hash differs",)
    moved = verify_chain(START, [*whole[:2], replace(whole[2], hash="ab" * 32), *whole[3:]])
    assert moved.faults == tuple(f"link {n} does not follow from the one before it" for n in (3, 4))


@pytest.mark.parametrize("gone", [{"salt": None}, {"row": None}])
def test_a_row_without_its_salt_is_as_good_as_erased(gone):
    from dataclasses import replace

    links = chain(ROWS)
    links[6] = replace(links[6], **gone)
    assert (verify_chain(START, links).ok, verify_chain(START, links).withheld) == (True, 1)


def test_erased_rows_keep_their_place():
    from dataclasses import replace

    links = [replace(link, salt=None, row=None) if link.position in (3, 4) else link for link in chain(ROWS)]
    check = verify_chain(START, links)
    assert check.ok
    assert (check.withheld, check.head) == (2, chain(ROWS)[-1].hash)


def test_a_chain_of_another_plan_does_not_hold():
    assert not verify_chain("11" * 32, chain(ROWS)).ok


@pytest.mark.parametrize(
    ("intact", "before", "after", "expected"),
    [
        (False, True, True, "broken"),
        (True, False, False, "consistent"),
        (True, True, False, "consistent"),
        (True, False, True, "consistent"),
        (True, True, True, "anchored"),
    ],
)
def test_grades(intact, before, after, expected):
    assert grade(intact=intact, before=before, after=after) == expected
