"""Mutated study and protocol files: whatever is in them, complaints are faults of one line, never a traceback."""

import random
import time
import tomllib
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from blindtest.errors import BlindtestError
from blindtest.study import check_study, find_protocol, resources

STUDY = (Path(__file__).parent / "conftest.py").read_text().split('STUDY = """\\\n')[1].split('"""')[0]
PROTOCOL = (
    'format = 1\ntitle = "t"\ndecides = ["heard"]\nsource = "s"\n'
    '[[block]]\nid = "practice"\nphase = "practice"\nmethod = "abx"\ntrials = 4\nfeedback = true\n'
    '[[block]]\nid = "test"\nphase = "blind"\nmethod = "abx"\ntrials = 28\nmargin = 0.5\n'
)
EXTRA = (
    '[[claim]]\nid = "c"\nkind = "heard"\ndevice = "heron"\ncomparator = "plover"\nclips = ["strings"]\nmargin = 0.5\n'
    '[protocol.changes]\ntest.trials = 30\n[listeners]\nconsent = "consent.md"\n'
)
PANEL = (
    '[[condition]]\nid = "poor"\nanchor = "low"\nstages = [{ lowpass_hz = 3500 }]\n'
    '[[condition]]\nid = "good"\nanchor = "high"\nlabel = "The record"\nstages = []\n'
    '[[condition]]\nid = "tilted"\ndecoy = true\nstages = [{ response = "heron" }, { tilt_db_per_octave = -0.5 }]\n'
    '[[condition]]\nid = "mended"\nstages = [{ response = "heron" }, { correction = { unit = "heron", '
    'target = "measurements/plover/0.csv", align_hz = [300, 3000], band_hz = [20, 8000], max_boost_db = 6 } }]\n'
    '[[claim]]\nid = "c"\nkind = "rated"\ndevice = "heron"\ncomparator = "plover"\nclips = ["strings"]\nmargin = 20\n'
    'kept = 0.5\nquote = "it sings"\nimpression = "0123456789abcdef"\nprimary = true\n'
    '[[claim]]\nid = "d"\nkind = "rated"\ndevice = "mended"\ncomparator = "plover"\n'
    "[protocol.changes]\nblind.repeats = 5\nlabelled.repeats = 5\nblind.sittings = 3\n"
    "[listeners]\nplanned = 24\n"
)
PAIRS = (
    '[[claim]]\nid = "c"\nkind = "heard"\ndevice = "heron"\ncomparator = "plover"\n'
    '[[claim]]\nid = "d"\nkind = "preferred"\ndevice = "plover"\ncomparator = "heron"\ndirection = "claimed"\n'
    "[protocol.changes]\nliking.ties = true\nliking.trials = 30\n"
)
KINDS = (("abx", ""), ("abx", EXTRA), ("survival", PANEL), ("tuning", PAIRS))
VALUES = (
    "1", "-1", "0", "1e999", "nan", "-inf", "true", '""', '"abx"', '"*"', '"[*"', '"/etc/passwd"', '"../x"', '"~/x"',
    "[]", "[[]]", "{}", "[{}]", "{ a = 1 }", "2026-03-02", "07:32:00", "1979-05-27T07:32:00Z", "9223372036854775807",
    "0x" + "f" * 40, '"\\u0000"', '"\\U0010FFFF"', "'''\n\n'''", "[1, 'a', [2]]", "[-1, 1e400]",
    '["measurements/**/*"]', "{ files = 3 }", '"low"', '"rated"', '"preferred"', '"rating"', '"labelled"', "0.5", "20",
    "{ files = { strings = [] } }",
    "[{ recording = { files = {} } }]", "[{ recording = 1 }]",
)  # fmt: skip


def mutated(text: str, rng: random.Random) -> str:
    """Return `text` with a few changes: values exchanged, lines doubled, removed or moved, characters changed."""
    rows = text.split("\n")
    for _ in range(rng.randint(1, 4)):
        at = rng.randrange(len(rows))
        kind = rng.randrange(7)
        if kind <= 2 and "=" in rows[at]:
            rows[at] = rows[at].split("=")[0] + "= " + rng.choice(VALUES)
        elif kind == 3:
            rows.insert(at, rng.choice(rows))
        elif kind == 4 and len(rows) > 2:
            del rows[at]
        elif kind == 5:
            rows.insert(rng.randrange(len(rows)), rows.pop(at))
        elif rows[at]:
            spot = rng.randrange(len(rows[at]))
            rows[at] = rows[at][:spot] + rng.choice("[]{}=.,\"'#\\ x1\t\x00é") + rows[at][spot + rng.randint(0, 1) :]
    return "\n".join(rows)


def complain(folder: Path, seed: int) -> int:
    """Check one mutated study; return how many faults it had."""
    rng = random.Random(seed)
    use, extra = rng.choice(KINDS)
    study = (STUDY + extra).replace('use = "abx"', f'use = "{use}"')
    own = rng.random() < 0.4
    if own:
        study = study.replace(f'use = "{use}"', 'use = "own.toml"')
    (folder / "study.toml").write_text(mutated(study, rng), encoding="utf-8")
    source = PROTOCOL if use == "abx" else (resources("protocols") / f"{use}.toml").read_text()
    (folder / "own.toml").write_text(mutated(source, rng) if own and rng.random() < 0.7 else source, encoding="utf-8")
    begun = time.process_time()
    try:
        faults = check_study(folder)
    except BlindtestError as error:
        faults = error.faults
    assert time.process_time() - begun < 2, f"seed {seed} took too long"
    for fault in faults:
        assert "\n" not in str(fault), seed
        assert fault.problem, seed
        assert fault.file, seed
    return len(faults)


def test_hundreds_of_mutated_studies(folder, noise):
    (folder / "consent.md").write_text("text")
    noise(folder / "clips/strings.wav", seconds=4, rate=8_000)
    found = [complain(folder, seed) for seed in range(300)]
    assert sum(count > 0 for count in found) > 180  # the mutations do something


@pytest.mark.long
def test_ten_thousand_mutated_studies(folder, noise):
    (folder / "consent.md").write_text("text")
    noise(folder / "clips/strings.wav", seconds=4, rate=8_000)
    found = [complain(folder, seed) for seed in range(1_000_000, 1_010_000)]
    assert sum(count > 0 for count in found) > 6000


@pytest.mark.parametrize(("use", "extra"), KINDS)
def test_the_study_that_is_mutated_is_right(folder, use, extra):
    (folder / "consent.md").write_text("text")
    text = (STUDY + extra).replace('use = "abx"', f'use = "{use}"')
    (folder / "study.toml").write_text(text)
    tomllib.loads(text)
    assert [str(fault) for fault in check_study(folder)] == []


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None, max_examples=150)
@given(st.binary(max_size=200) | st.text(max_size=200).map(lambda text: text.encode("utf-8", "surrogatepass")))
def test_any_bytes_are_refused_in_faults(tmp_path, raw):
    (tmp_path / "study.toml").write_bytes(raw)
    (tmp_path / "own.toml").write_bytes(raw)
    try:
        faults = check_study(tmp_path)
    except BlindtestError as error:
        faults = error.faults
    assert faults
    assert all("\n" not in str(fault) for fault in faults)
    with pytest.raises(BlindtestError):
        find_protocol("own.toml", folder=tmp_path)
