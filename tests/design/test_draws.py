"""Draws by hashing: vectors made by other programs, and the properties of what is drawn."""

from collections import Counter
from hashlib import sha256
from itertools import permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from blindtest.design import Draws

SEED = bytes(range(32))

# Made with coreutils 9.1 on 2026-11-25, SEED written as octal escapes, purpose, eight counter bytes:
#   (printf "$(printf '\\%03o' $(seq 0 31))"; printf 'key/0'; printf '\0\0\0\0\0\0\0\0') | sha256sum
VECTORS = {
    ("key/0", 0): "d342ccdf194474c3346cb2a88f930e52237d725c417864ba20ad41bb704bbec1",
    ("key/0", 1): "bdef472b090f9884e4d6d6e6df6d81ad8636379631778eacc8264de711b443a7",
    ("token/7/1/X", 0): "c678a3c9dcdcd977f9789fb2e69944376fca2caee51198a802c8afe8457e71a3",
}


@pytest.mark.parametrize(("place", "digest"), VECTORS.items())
def test_blocks_are_those_of_another_program(place, digest):
    purpose, counter = place
    assert Draws(SEED).block(purpose, counter).hex() == digest


def test_sha256_is_that_of_fips_180_4():
    # FIPS 180-4, example of the secure hash standard: "abc"
    assert sha256(b"abc").hexdigest() == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_below_is_the_first_eight_bytes_modulo_n():
    # By hand from the vectors above: int("HEX"[:16], 16) % n for counters 0 and 1.
    below = Draws(SEED).source("key/0")
    assert [below(1000), below(7)] == [int(VECTORS["key/0", 0][:16], 16) % 1000, int(VECTORS["key/0", 1][:16], 16) % 7]


def test_values_in_the_last_incomplete_stretch_are_rejected():
    """With n = 2**32 nothing is rejected; with n = 3 a block of all ones is (2**64 = 1 mod 3)."""

    class Rigged(Draws):
        def block(self, purpose, counter=0):
            return (b"\xff" * 32, (4).to_bytes(8, "big") + bytes(24))[min(counter, 1)]

    assert Rigged(SEED).source("x")(3) == 4 % 3
    assert Rigged(SEED).source("x")(2**32) == 2**32 - 1


@pytest.mark.parametrize("n", [2, 3, 6, 10])
def test_draws_are_uniform(n):
    """Chi-squared below the 99.99 % point of scipy.stats.chi2; one fixed seed, so it can't fail by chance."""
    from scipy.stats import chi2

    below = Draws(SEED).source(f"uniform/{n}")
    counts = Counter(below(n) for _ in range(20_000))
    statistic = sum((counts[k] - 20_000 / n) ** 2 / (20_000 / n) for k in range(n))
    assert statistic < chi2.ppf(0.9999, n - 1)


def test_every_order_is_equally_likely():
    from scipy.stats import chi2

    counts = Counter(Draws(SEED).shuffled(f"order/{k}", "abcd") for k in range(12_000))
    assert set(counts) == set(permutations("abcd"))
    assert sum((c - 500) ** 2 / 500 for c in counts.values()) < chi2.ppf(0.9999, 23)


def test_purposes_have_counters_of_their_own():
    draws = Draws(SEED)
    one, other = draws.source("one"), draws.source("other")
    first = [one(1000), other(1000), one(1000), other(1000)]
    assert first[::2] == [(again := draws.source("one"))(1000), again(1000)]


@given(st.lists(st.integers()), st.text())
def test_shuffling_loses_nothing(items, purpose):
    assert sorted(Draws(SEED).shuffled(purpose, items)) == sorted(items)


def test_tokens_are_url_safe_and_all_different():
    tokens = {Draws(SEED).token(f"token/{k}") for k in range(1000)}
    assert len(tokens) == 1000
    assert all(len(t) == 32 and t.replace("-", "a").replace("_", "a").isalnum() for t in tokens)


def test_noise_is_shake_256_of_the_block():
    # (block as above) | openssl dgst -shake256 -xoflen 16; OpenSSL 3.0, 2026-11-25
    assert Draws(SEED).noise("dither", 16).hex() == "07ff279275d0f59a72bb104afab84047"
    assert Draws(SEED).noise("dither", 1000)[:16] == Draws(SEED).noise("dither", 16)
    assert Draws(SEED).noise("dither", 16) != Draws(SEED).noise("dither/other", 16)


@pytest.mark.parametrize("length", [0, 31, 33])
def test_a_seed_of_another_length_is_a_mistake(length):
    with pytest.raises(ValueError, match="32 bytes"):
        Draws(bytes(length))


def test_of_one_thing_there_is_one_draw():
    assert Draws(SEED).source("x")(1) == 0


@pytest.mark.parametrize("n", [0, -1, 2**32 + 1])
def test_below_refuses_what_it_cannot_draw(n):
    with pytest.raises(ValueError, match="1 <= n"):
        Draws(SEED).source("x")(n)
