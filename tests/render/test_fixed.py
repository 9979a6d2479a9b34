import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from blindtest.errors import BlindtestError
from blindtest.render import render
from blindtest.render.fixed import Fixed, Outside, fixed_text, read_fixed

numbers = st.floats(-200, 200, allow_nan=False)
curves = st.lists(st.floats(0.001, 1e6), min_size=2, max_size=9, unique=True).flatmap(
    lambda frequency: st.builds(
        Outside,
        frequency_hz=st.just(tuple(sorted(frequency))),
        level_db=st.lists(numbers, min_size=len(frequency), max_size=len(frequency)).map(tuple),
        untouched=st.booleans(),
    )
)
texts = st.text(st.characters(blacklist_categories=("Cs",), blacklist_characters="\x7f"), max_size=12)
states = st.builds(
    Fixed,
    common_loudness_lufs=st.none() | numbers,
    loudness_lufs=st.dictionaries(texts, numbers, max_size=4),
    taps=st.dictionaries(st.integers(8000, 768_000), st.integers(1, 1 << 20), max_size=3),
    outside=st.dictionaries(texts, curves, max_size=2),
)


@given(states)
def test_what_is_written_is_read_back(tmp_path_factory, fixed):
    folder = tmp_path_factory.mktemp("fixed")
    (folder / "fixed.toml").write_text(fixed_text(fixed), encoding="utf-8")
    assert read_fixed(folder) == fixed
    assert fixed_text(read_fixed(folder)) == fixed_text(fixed)
    assert tomllib.loads(fixed_text(fixed))["format"] == 1


def test_no_file_has_fixed_nothing(tmp_path):
    assert read_fixed(tmp_path) == Fixed()


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("format = 2", "format 2, this version reads 1"),
        ("format = 1\ncommon_loudness_lufs = 'loud'", "a finite number was expected, got 'loud'"),
        ("format = 1\ncommon_loudness_lufs = nan", "a finite number was expected, got nan"),
        ("format = 1\n[taps]\n48000 = 0.5", "a filter length was expected, got 0.5"),
        (
            "format = 1\n[[outside]]\nplayback = 'x'\nuntouched = true\nfrequency_hz = [2, 1]\nlevel_db = [0, 0]",
            "as many levels as ascending frequencies",
        ),
        ("format = 1\nx = ", "Invalid value"),
    ],
)
def test_a_broken_file_is_refused_with_the_remedy(tmp_path, text, reason):
    (tmp_path / "fixed.toml").write_text(text)
    with pytest.raises(
        BlindtestError, match=rf"fixed\.toml: not what a rendering wrote \(.*{reason}.*restore the file"
    ):
        read_fixed(tmp_path)


def test_what_was_fixed_gives_the_same_bytes_where_filters_had_to_be_longer(bench, monkeypatch):
    """The meter keeps the length that the first rendering began with, not the one that its filters came to."""
    monkeypatch.setattr("blindtest.render.filters.taps_for", lambda rate: 8_192)
    job = bench.job(bench.clip("a", bench.pink(1.0)))
    first = render(job, bench.stimuli)
    assert first.fixed["taps"]["48000"] > 8_192
    other = bench.folder / "other"
    other.mkdir()
    (other / "fixed.toml").write_bytes((bench.stimuli / "fixed.toml").read_bytes())
    again = render(job, other)
    assert [one.sha256 for one in again.stimuli] == [one.sha256 for one in first.stimuli]
    assert again.table == first.table
