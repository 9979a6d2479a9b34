"""The state of the source: a hash that anybody can make by hand, and what another state's results may lack or add."""

import shutil
import subprocess
from hashlib import sha256
from importlib.resources import files
from pathlib import Path

import pytest

import blindtest
from blindtest.steps.bundle.checks.results import results_apart
from blindtest.steps.gathering.record import versions
from blindtest.steps.source_state import SOURCE, source_sha256, source_text

PACKAGE = Path(blindtest.__file__).parent


def command_in_the_guide():
    """Return the command by which the guide has a reader make the hash."""
    page = (PACKAGE / "guide" / "verify.md").read_text(encoding="utf-8")
    blocks = [block.partition("```")[0] for block in page.split("```sh\n")[1:]]
    (found,) = [block for block in blocks if "sha256sum" in block]
    return found


def test_it_is_what_the_tools_of_a_shell_make_of_the_files():
    """Against GNU coreutils and findutils, by the guide's own command."""
    if shutil.which("sha256sum") is None:
        pytest.skip("no sha256sum here")
    command = command_in_the_guide()
    made = subprocess.run(["sh", "-c", command], cwd=PACKAGE, capture_output=True, text=True, timeout=60, check=True)
    assert made.stdout.split()[0] == source_sha256() == versions()[SOURCE]


def test_names_and_bytes_count_and_nothing_that_is_left_about(tmp_path):
    for name in ("b.py", "a/c.json", "a-b.py", "guide/x.md", "a/guide/y.md"):
        (tmp_path / name).parent.mkdir(exist_ok=True, parents=True)
        (tmp_path / name).write_bytes(name.encode())
    wanted = [f"{sha256(n.encode()).hexdigest()}  {n}\n" for n in ("a-b.py", "a/c.json", "a/guide/y.md", "b.py")]
    assert source_text(tmp_path) == "".join(wanted)
    (tmp_path / "__pycache__").mkdir()
    for name in ("__pycache__/b.pyc", ".b.py.swp", "b.py~"):
        (tmp_path / name).write_bytes(b"left about")
    assert source_text(tmp_path) == "".join(wanted)
    (tmp_path / "b.py").rename(tmp_path / "d.py")
    assert source_text(tmp_path) != "".join(wanted)


def test_the_source_is_that_of_the_package_itself():
    names = [line.split("  ", 1)[1] for line in source_text(files("blindtest")).splitlines()]
    assert {"__init__.py", "report/short_verifier.py", "cli/results.schema.json", "web/static/words.js"} <= {*names}
    assert not [name for name in names if "__pycache__" in name or name.startswith(("guide/", "protocols/"))]


MADE = {"word": "heard", "claims": [{"id": "a", "p": 0.5, "clips": {"tune": 1.0}}], "planned": {"trials": {"test": 3}}}


def with_claim(**more):
    return MADE | {"claims": [MADE["claims"][0] | more]}


@pytest.mark.parametrize(
    ("told", "less", "more", "wrong"),
    [
        (MADE, [], [], []),
        (with_claim(q=0.5), [], ["claims.0.q"], []),
        (MADE | {"more": {"of": [1, 2]}}, [], ["more.of.0", "more.of.1"], []),
        (MADE | {"claims": MADE["claims"] * 2}, [], [], ["claims.1.clips.tune", "claims.1.id", "claims.1.p"]),
        (with_claim(clips={"tune": 1.0, "beat": 2.0}), [], [], ["claims.0.clips.beat"]),
        (MADE | {"planned": {"trials": {"test": 3, "more": 1}}}, [], [], ["planned.trials.more"]),
        (with_claim(p=0.4), [], [], ["claims.0.p"]),
        ({key: value for key, value in MADE.items() if key != "word"}, [], [], ["word"]),
        (with_claim(id={"of": "a"}), [], [], ["claims.0.id", "claims.0.id.of"]),
    ],
    ids=["same", "a key", "a table", "a claim twice", "a clip", "a block", "a number", "no verdict", "a table"],
)  # fmt: skip
def test_results_of_another_source_may_know_more_and_say_nothing_else(told, less, more, wrong):
    found = results_apart(told, MADE)
    assert [[".".join(path) for path in paths] for paths in found] == [less, more, [], wrong]


def test_prose_beside_numbers_may_be_worded_otherwise_and_nothing_else():
    def with_details(**details):
        return {"claims": [{"id": "a", "details": {"sentence": "5 of 7.", "word": "heard", "n": 7} | details}]}

    def apart(**details):
        return [[".".join(path) for path in paths] for paths in results_apart(with_details(**details), with_details())]

    assert apart(sentence="Five of 7.") == [[], [], ["claims.0.details.sentence"], []]
    assert apart(sentence=None) == [[], [], [], ["claims.0.details.sentence"]]
    # Details grow: a key that is lacking there is named; a line of a list that is, is a difference.
    held = with_details(more=1, rows=[1, 2])
    assert results_apart(with_details(rows=[1, 2]), held)[0] == [("claims", "0", "details", "more")]
    assert results_apart(with_details(more=1, rows=[1]), held)[3] == [("claims", "0", "details", "rows", "1")]
    assert apart(word="open", n=8) == [[], [], [], ["claims.0.details.n", "claims.0.details.word"]]
    told, made = ({"sentence": words, "claims": []} for words in ("so", "otherwise"))
    assert [len(paths) for paths in results_apart(told, made)] == [0, 0, 0, 1]
