"""A bundle that a stranger sent is refused in one line where it holds what no bundle holds; nothing gets outside."""

import io
import json
import os
import random
import stat
import struct
import time
import zipfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from blindtest import steps
from blindtest.errors import BlindtestError
from blindtest.steps.bundle import opening
from blindtest.steps.bundle.limits import Limits
from blindtest.steps.bundle.names import clash_in, fault_in_name
from blindtest.steps.bundle.strict_json import depth_of

SMALL = Limits(files=20, file_bytes=200_000, total_bytes=400_000, free_bytes=100_000, ratio=20)
PLAIN = {"SHA256SUMS": b"", "record/chain.jsonl": b"{}\n", "study/study.toml": b'title = "A"\n' * 40}


def packed(files, *, attributes=0o100644 << 16, change=lambda info: None, method=zipfile.ZIP_DEFLATED):
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w") as archive:
        for name, content in files if isinstance(files, list) else files.items():
            info = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
            info.external_attr, info.compress_type = attributes, method
            change(info)
            archive.writestr(info, content)
    return held.getvalue()


@pytest.fixture
def refused(tmp_path, monkeypatch):
    """`refused(bytes, limits)`: the one line that is said; nothing is left, and nothing was written elsewhere."""
    temporary = tmp_path / "temporary"
    temporary.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(temporary))
    guard = tmp_path / "guard.txt"
    guard.write_text("as it was")

    def refuse(content, limits=SMALL):
        path = tmp_path / "sent.zip"
        path.write_bytes(content)
        with pytest.raises(BlindtestError) as caught, opening.opened(path, limits=limits):
            pass
        assert guard.read_text() == "as it was"
        assert sorted(one.name for one in tmp_path.iterdir()) == ["guard.txt", "sent.zip", "temporary"]
        assert not list(temporary.iterdir())
        said = str(caught.value)
        assert "\n" not in said
        return said

    return refuse


@pytest.mark.parametrize("method", [zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED])
def test_a_plain_zip_is_unpacked_read_and_gone_afterwards(tmp_path, method):
    path = tmp_path / "a.zip"
    path.write_bytes(packed(PLAIN, method=method))
    with opening.opened(path) as bundle:
        assert bundle.names == tuple(sorted(PLAIN))
        assert {name: bundle.path(name).read_bytes() for name in bundle.names} == PLAIN
        root = bundle.root
    assert not root.exists()


def test_a_mistyped_bundle_is_no_study_to_be_written(tmp_path):
    with pytest.raises(
        BlindtestError, match=r"evidence\.zip: there is no such folder or ZIP; name a study's folder, or"
    ):
        steps.verify(tmp_path / "evidence.zip")


def test_a_zip_of_a_folder_that_other_programs_packed_is_read_too(tmp_path):
    """Info-ZIP's way: a folder around all, entries for folders, extra fields with times (none of it is ours)."""
    path = tmp_path / "a.zip"
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.mkdir("sent")
        for name, content in PLAIN.items():
            info = zipfile.ZipInfo(f"sent/{name}", (2026, 5, 6, 7, 8, 10))
            info.external_attr = 0o100664 << 16
            info.extra = struct.pack("<2HBl", 0x5455, 5, 1, 1_700_000_000)
            archive.writestr(info, content)
    path.write_bytes(held.getvalue())
    with opening.opened(path) as bundle:
        assert bundle.names == tuple(sorted(PLAIN))


class Pipe(io.RawIOBase):
    """Takes bytes and can't go back: then a ZIP's sizes come behind its data."""

    def __init__(self):
        self.held = b""

    def writable(self):
        return True

    def write(self, content):
        self.held += bytes(content)
        return len(content)


def test_a_zip_that_was_streamed_is_read_too(tmp_path):
    pipe = Pipe()
    with zipfile.ZipFile(pipe, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in PLAIN.items():
            archive.writestr(name, content)
    assert pipe.held[6] & 8
    path = tmp_path / "a.zip"
    path.write_bytes(pipe.held)
    with opening.opened(path) as bundle:
        assert bundle.path("study/study.toml").read_bytes() == PLAIN["study/study.toml"]


@pytest.mark.parametrize(
    ("name", "why"),
    [
        ("../guard.txt", "a path that climbs out of the bundle"),
        ("study/../../guard.txt", "a path that climbs out of the bundle"),
        ("/etc/guard.txt", "an absolute path"),
        ("C:/guard.txt", "an absolute path"),
        ("c:guard.txt", "an absolute path"),
        ("..\\guard.txt", "a backslash in a name"),
        ("study/./guard.txt", "a path with an empty part"),
        ("study//guard.txt", "a path with an empty part"),
        ("a\nb", "a control character in a name"),
        ("study/nul", "the name of a device"),
        ("study/COM1.txt", "the name of a device"),
        ("study/end.", "a name that ends in a dot or a blank"),
        ("a" * 256, "a name longer than 255 bytes"),
        ("/".join("a" * 40), "a path longer than 1024 bytes or 32 parts"),
    ],
)
def test_a_name_that_means_another_place_is_refused(refused, name, why):
    assert why in refused(packed({**PLAIN, name: b"gotcha"}))


def test_two_names_that_are_one_somewhere_are_refused(refused):
    why = "one name where case is not told apart"
    assert why in refused(packed({**PLAIN, "Study/study.TOML": b""}))
    assert why in refused(packed({**PLAIN, "a/b": b"", "A/c": b""}))
    assert why in refused(packed({**PLAIN, "study": b""}))
    assert why in refused(packed({"caf\u00e9": b"", "cafe\u0301": b""}))
    with pytest.warns(UserWarning, match="Duplicate"):
        twice = packed([*PLAIN.items(), ("SHA256SUMS", b"other")])
    assert why in refused(twice)


@pytest.mark.parametrize(
    ("mode", "why"),
    [(stat.S_IFLNK, "a link"), (stat.S_IFCHR, "a device"), (stat.S_IFIFO, "a device"), (stat.S_IFSOCK, "a device")],
)
def test_links_and_devices_are_refused(refused, mode, why):
    assert why in refused(packed({"link": b"/etc/passwd"}, attributes=(mode | 0o777) << 16))


def test_encrypted_split_and_strange_entries_are_refused(refused):
    whole = bytearray(packed(PLAIN))
    central = whole.index(b"PK\1\2")
    for place in (6, central + 8):
        whole[place] |= 1
    assert "an encrypted entry" in refused(bytes(whole))
    assert "neither stored nor deflated" in refused(packed(PLAIN, method=zipfile.ZIP_BZIP2))
    assert "in several parts" in refused(packed(PLAIN)[:-18] + b"\1\0" + packed(PLAIN)[-16:])


def test_what_can_be_read_in_two_ways_is_refused(refused):
    whole = packed(PLAIN)
    assert "bytes behind its end" in refused(whole + b"tail")
    assert "bytes behind its end" in refused(whole[:-2] + b"\2\0hi")
    assert "directory is not where" in refused(b"MZ" + whole)
    other = whole.replace(b"study/study.toml", b"study/other.toml", 1)
    assert "two headers that differ" in refused(other)
    # A second name for the same bytes, as in a bomb whose entries overlap (Fifield 2019).
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w") as archive:
        archive.writestr("one", b"a" * 1000)
        again = zipfile.ZipInfo("two")
        again.CRC, again.file_size, again.compress_size = archive.infolist()[0].CRC, 1000, 1000
        again.header_offset = 0
        archive.filelist.append(again)
        archive.NameToInfo["two"] = again
    assert "two headers that differ" in refused(held.getvalue()) or "no entry, or to two" in refused(held.getvalue())


def test_a_bomb_is_refused_by_what_is_really_unpacked(refused):
    bomb = packed({"zeros.wav": bytes(5_000_000)})
    assert "unpacks to more than a bundle holds" in refused(bomb)
    # The same with headers that claim a thousand bytes.
    claimed, said = struct.pack("<L", 5_000_000), struct.pack("<L", 1_000)
    assert bomb.count(claimed) == 2
    assert "unpacks to more than it says" in refused(bomb.replace(claimed, said), Limits())
    assert "more than a bundle holds" in refused(packed({f"{k}.wav": bytes(90_000) for k in range(10)}))
    assert "files, more than 20" in refused(packed({f"{k}": b"" for k in range(21)}))


def test_a_file_that_is_no_zip_is_refused(refused):
    assert "no ZIP: too short" in refused(b"PK")
    assert "no ZIP" in refused(b"RIFF" + bytes(1000))
    assert "not what it says" in refused(
        packed(PLAIN, method=zipfile.ZIP_STORED).replace(b'title = "A"', b'title = "B"', 1)
    )


@settings(max_examples=120, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_a_zip_with_any_bytes_changed_is_unpacked_as_it_was_or_refused(tmp_path, data):
    whole = bytearray(packed(PLAIN))
    for _ in range(data.draw(st.integers(1, 3))):
        whole[data.draw(st.integers(0, len(whole) - 1))] = data.draw(st.integers(0, 255))
    path = tmp_path / "b.zip"
    path.write_bytes(bytes(whole))
    try:
        with opening.opened(path, limits=SMALL) as bundle:
            found = {name: bundle.path(name).read_bytes() for name in bundle.names}
            # A checksum holds: whatever was changed is nothing that was packed.
            assert sorted(found.values()) == sorted(PLAIN.values())
    except BlindtestError as error:
        said = str(error)
    else:
        said = ""
    assert "\n" not in said
    assert sorted(one.name for one in tmp_path.iterdir() if one.name.startswith("blindtest-")) == []


NAMES = st.lists(st.sampled_from(["a", "A", "..", ".", "", "nul", "b ", "c:", "é", "\\", "\0", "d.txt"]), max_size=4)


@settings(max_examples=150)
@given(NAMES.map("/".join))
def test_a_name_without_a_fault_stays_inside_on_every_system(name):
    """Held against the standard library's own reading of paths on POSIX and on Windows."""
    from pathlib import PurePosixPath, PureWindowsPath

    if fault_in_name(name):
        return
    for kind in (PurePosixPath, PureWindowsPath):
        path = kind(name)
        assert not path.is_absolute()
        assert not path.drive
        assert ".." not in path.parts
        assert "/".join(path.parts) == name
        assert not (kind is PureWindowsPath and path.is_reserved())


def test_names_clash_as_on_a_file_system_that_folds_case():
    assert clash_in(["a/b", "a/c", "b"]) is None
    assert clash_in(["straße", "STRASSE"]) == ("straße", "STRASSE")
    assert clash_in(["a/b/c", "a/B"]) == ("a/b", "a/B")
    assert clash_in(["a/B", "a/b/c"]) == ("a/B", "a/b/c")


def test_a_folder_with_a_link_or_a_pipe_is_refused(tmp_path):
    place = tmp_path / "bundle"
    place.mkdir()
    (place / "SHA256SUMS").write_bytes(b"")
    with opening.opened(place) as bundle:
        assert bundle.names == ("SHA256SUMS",)
        assert bundle.root == place
    (place / "record").symlink_to(tmp_path)
    with pytest.raises(BlindtestError, match="a link: 'record'"), opening.opened(place):
        pass
    (place / "record").unlink()
    os.mkfifo(place / "pipe")
    with pytest.raises(BlindtestError, match="a device or other special file: 'pipe'"), opening.opened(place):
        pass
    (place / "pipe").unlink()
    (place / "Sha256sums").write_bytes(b"")
    with pytest.raises(BlindtestError, match="one name where case is not told apart"), opening.opened(place):
        pass
    with pytest.raises(BlindtestError, match="no such folder or ZIP"), opening.opened(tmp_path / "nothing"):
        pass


def read(tmp_path, content, limits=None):
    path = tmp_path / "a.json"
    path.write_bytes(content)
    return opening.read_json(path, name="results.json", **({"limits": limits} if limits else {}))


def test_json_is_read_strictly_or_refused_in_one_line(tmp_path):
    assert read(tmp_path, b'{"a": [1, 2.5, null, "\\u00e9"]}') == {"a": [1, 2.5, None, "é"]}
    for content, why in (
        (b'{"a": "\xff"}', "results.json: not UTF-8 at byte 7"),
        (b"\xef\xbb\xbf{}", "not JSON"),
        (b'{"a": 1, "a": 2}', "the key 'a' stands there twice"),
        (b"[NaN]", "NaN is no JSON number"),
        (b"[-Infinity]", "-Infinity is no JSON number"),
        (b"[1e999]", "beyond every finite number"),
        (b"[" + b"9" * 5000 + b"]", "not JSON: Exceeds the limit"),
        (b"[" * 100_000, "nested deeper than 64"),
        (b'{"a":' * 70 + b"1" + b"}" * 70, "nested deeper than 64"),
        (b"", "not JSON"),
        (b"{} {}", "Extra data"),
    ):
        with pytest.raises(BlindtestError) as caught:
            read(tmp_path, content)
        assert why in str(caught.value)
        assert "\n" not in str(caught.value)
    with pytest.raises(BlindtestError, match="larger than 0 MiB"):
        read(tmp_path, b"[" + b"1," * 600 + b"1]", Limits(json_bytes=1000))


def test_brackets_in_texts_do_not_count_and_no_text_costs_the_square_of_its_length():
    assert depth_of('["[[[[", "\\"[[", {"]": []}]') == 3
    began = time.process_time()
    assert depth_of('"\\"' * 200_000) == 0
    assert depth_of('\\"' * 200_000) == 0
    # The square of this length would take minutes; this takes milliseconds.
    assert time.process_time() - began < 5


def test_json_lines_are_read_one_by_one(tmp_path):
    path = tmp_path / "chain.jsonl"
    path.write_bytes(b'{"a": 1}\n{"a": 2}\n')
    assert list(opening.read_json_lines(path)) == [{"a": 1}, {"a": 2}]
    for content, why in (
        (b'{"a": 1}\n{"a"', "chain.jsonl:2: the last line is cut off"),
        (b'{"a": 1}\n[]\n', "chain.jsonl:2: a line is no JSON object"),
        (b'{"a": 1}\n\xff\n', "chain.jsonl:2: not UTF-8"),
        (b"{}\n\n", "chain.jsonl:2: not JSON"),
    ):
        path.write_bytes(content)
        with pytest.raises(BlindtestError, match=why):
            list(opening.read_json_lines(path, name="chain.jsonl"))
    path.write_bytes(b'{"a": "' + b"x" * 3000 + b'"}\n')
    with pytest.raises(BlindtestError, match="larger than"):
        list(opening.read_json_lines(path, limits=Limits(line_bytes=1000)))


@settings(max_examples=50)
@given(
    st.recursive(
        st.none() | st.booleans() | st.integers(-(2**53), 2**53) | st.text(),
        lambda of: st.lists(of, max_size=3) | st.dictionaries(st.text(), of, max_size=3),
        max_leaves=20,
    )
)
def test_what_the_library_writes_is_read_as_it_reads_it(value):
    """Against json.loads of the standard library, and the depth counted on the value itself."""

    def deep(one):
        inside = one.values() if isinstance(one, dict) else one if isinstance(one, list) else None
        return 0 if inside is None else 1 + max((deep(each) for each in inside), default=0)

    text = json.dumps(value, ensure_ascii=False)
    assert depth_of(text) == deep(value)


@pytest.mark.long
def test_ten_thousand_zips_with_random_bytes_changed_are_unpacked_as_they_were_or_refused(tmp_path):
    rng = random.Random(20261126)
    original = packed(PLAIN)
    path = tmp_path / "b.zip"
    for _ in range(10_000):
        whole = bytearray(original)
        for _ in range(rng.choice((1, 1, 2, 8))):
            whole[rng.randrange(len(whole))] = rng.randrange(256)
        path.write_bytes(bytes(whole[: rng.randrange(len(whole))] if rng.random() < 0.1 else whole))
        try:
            with opening.opened(Path(path), limits=SMALL) as bundle:
                assert sorted(bundle.path(name).read_bytes() for name in bundle.names) == sorted(PLAIN.values())
        except BlindtestError as error:
            said = str(error)
        else:
            said = ""
        assert "\n" not in said
