"""A bundle's files against the list of their hashes: each way in which a list can be wrong is told by name."""

from hashlib import sha256

import pytest

from blindtest.steps.bundle.checks import check_files
from blindtest.steps.bundle.opening import opened

FILES = {"a.txt": b"a", "b/c.txt": b"c", "d.txt": b""}
LINES = [f"{sha256(content).hexdigest()}  {name}" for name, content in FILES.items()]


def checked(folder, text, *, files=FILES):
    for name, content in files.items():
        (folder / name).parent.mkdir(exist_ok=True, parents=True)
        (folder / name).write_bytes(content)
    if text is not None:
        (folder / "SHA256SUMS").write_bytes(text)
    with opened(folder) as bundle:
        return check_files(bundle)


def listed(lines):
    return "".join(f"{line}\n" for line in lines).encode()


def test_a_list_that_fits_is_one_finding_that_holds(tmp_path):
    found = checked(tmp_path, listed(LINES))
    assert [one.ok for one in found.findings] == [True]
    assert found.findings[0].what.startswith("3 files, 0.0 MB, against their SHA-256 in SHA256SUMS")
    # The bundle's hash is that of its list: what sha256sum SHA256SUMS prints.
    assert found.bundle_hash == sha256(listed(LINES)).hexdigest()
    assert found.hashes == {name: sha256(content).hexdigest() for name, content in FILES.items()}


@pytest.mark.parametrize(
    ("text", "details"),
    [
        (None, ["there is no SHA256SUMS", *(f"{name}: there, and not listed" for name in FILES)]),
        (listed(LINES)[:-1], ["SHA256SUMS is cut off", "d.txt: there, and not listed"]),
        (listed([LINES[0], "a hash", *LINES[1:]]), ["SHA256SUMS:2: not a hash and a name"]),
        (listed([LINES[0], LINES[0].upper(), *LINES[1:]]), ["SHA256SUMS:2: not a hash and a name"]),
        (listed([*LINES, LINES[2]]), ["SHA256SUMS:4: 'd.txt' stands there twice"]),
        (listed(["0" * 64 + LINES[0][64:], *LINES[1:]]), ["a.txt: its bytes are not those that were listed"]),
        (listed([*LINES, f"{'0' * 64}  e.txt"]), ["e.txt: listed, and not there"]),
        (listed(LINES[:1] + LINES[2:]), ["b/c.txt: there, and not listed"]),
        (listed(LINES[::-1]), ["SHA256SUMS: names are not in their order"]),
    ],
    ids=["none", "cut", "no hash", "capitals", "twice", "other bytes", "missing", "besides", "order"],
)
def test_what_is_wrong_with_a_list_is_said(tmp_path, text, details):
    found = checked(tmp_path, text)
    assert [(one.ok, one.detail) for one in found.findings] == [(False, detail) for detail in details]


@pytest.mark.parametrize(("count", "told"), [(12, 12), (13, 13), (40, 13)])
def test_many_faults_are_counted(tmp_path, count, told):
    found = checked(tmp_path, listed(LINES), files=FILES | {f"x{n:02}": b"x" for n in range(count)})
    assert not any(one.ok for one in found.findings)
    assert len(found.findings) == told
    assert (found.findings[-1].detail == f"{count - 12} more") is (count > 12)
