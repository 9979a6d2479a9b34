"""`blindtest panel` by its options: looked at, invited, closed, refused; and served by a process that is killed."""

import http.client
import importlib.util
import json
import os
import re
import shutil
import signal
import subprocess
import sys
from importlib.resources import files
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from blindtest.cli.commands import main
from blindtest.session.panelist import token_hash
from blindtest.session.store import Store

VALIDATOR = Draft202012Validator(
    json.loads(files("blindtest.cli").joinpath("results.schema.json").read_text(encoding="utf-8"))
)
spec = importlib.util.spec_from_file_location("panel_visitor", Path(__file__).parents[1] / "web" / "panel_visitor.py")
panel_visitor = importlib.util.module_from_spec(spec)
spec.loader.exec_module(panel_visitor)


@pytest.fixture
def folder(panel_template, tmp_path):
    return Path(shutil.copytree(panel_template, tmp_path / "study"))


def ran(capsys, *arguments):
    """Return exit code, stdout and stderr of a command."""
    with pytest.raises(SystemExit) as left:
        main([*map(str, arguments)])
    printed = capsys.readouterr()
    return left.value.code, printed.out, printed.err


def test_a_dry_run_says_what_listeners_meet_and_stores_nothing(folder, panel_folder, capsys):
    code, out, _ = ran(capsys, "panel", folder, "--dry-run")
    assert code == 0
    assert "Asked: How old are you? (under 18 years; 18 to 29 years; " in out
    assert "60 years or more; I would rather not say)" in out
    assert re.search(r"1\. invitation\n  2\. consent\n  3\. questions\n  4\. output", out)
    assert f"Invitation: invitation.md. Consent: consent.md, answers kept until {panel_folder.KEEP_UNTIL}." in out
    assert "Pages: in English (en), Deutsch (de), as the browser asks or the listener chooses; else in English." in out
    assert "Tested: " not in out
    assert "Sitting: 6 trials, practice and controls among them, about 1 min (an estimate)." in out
    assert f"can be finished within 7 days, at the latest on {panel_folder.KEEP_UNTIL}; then it is abandoned." in out
    assert "At most 10 listeners." in out
    assert not (folder / "study.db").exists()
    _, out, _ = ran(capsys, "panel", folder, "--dry-run", "--json")
    VALIDATOR.validate(json.loads(out))


def test_a_dry_run_names_the_tests_of_what_is_played_on_and_what_follows(folder, capsys):
    path = folder / "study.toml"
    lines = 'public = true\npublic_places = 7\nchannels = true\nheadphones = "dichotic"\nscreening_fail = "end"'
    text = path.read_text(encoding="utf-8").replace("public = true", lines)
    path.write_text(text.replace("[listeners]", '[listeners]\nlanguage = "de"'), encoding="utf-8")
    _, out, _ = ran(capsys, "panel", folder, "--dry-run")
    assert "  5. screening\n" in out
    assert "(channels): 6 sounds, 5 of them right to pass, up to 3 tries; guesses alone pass with" in out
    # By hand: (1/3)**6 = .00137.
    assert "(dichotic): 6 sounds, 6 of them right to pass; guesses alone pass with a probability of 0.0014" in out
    assert "Who fails a headphone test takes no further part." in out
    assert "On another device or in another browser what plays there and these tests come once more" in out
    assert "else in Deutsch." in out
    assert "a public one for 7 listeners" in out
    _, out, _ = ran(capsys, "panel", folder, "--dry-run", "--json")
    value = json.loads(out)
    VALIDATOR.validate(value)
    assert [one["name"] for one in value["screening"]["tests"]] == ["channels", "dichotic"]


def test_invitations_are_printed_once_and_only_their_hashes_are_kept(folder, capsys):
    code, out, err = ran(capsys, "panel", folder, "--invite", 3, "--public-url", "https://listen.example.org/")
    assert code == 0
    links = out.split()
    assert len(set(links)) == 3
    assert all(re.fullmatch(r"https://listen\.example\.org/#[\w-]{27}", link) for link in links)
    assert "no command reads" in err
    stored = b"".join(path.read_bytes() for path in folder.glob("study.db*"))
    for link in links:
        token = link.partition("#")[2]
        assert token.encode() not in stored
        assert token_hash(token).encode() in stored
    _, out, _ = ran(capsys, "panel", folder, "--invite", 1, "--public-url", "https://listen.example.org", "--json")
    VALIDATOR.validate(json.loads(out))


def test_closing_is_for_good(folder, capsys):
    ran(capsys, "panel", folder, "--invite", 1, "--public-url", "https://listen.example.org")
    code, out, _ = ran(capsys, "panel", folder, "--close", "--json")
    assert code == 0
    VALIDATOR.validate(json.loads(out))
    assert json.loads(out)["open_sittings"] == 0
    code, _, err = ran(capsys, "panel", folder, "--invite", 1, "--public-url", "https://listen.example.org")
    assert code == 3
    assert "the panel is closed: a link would lead nowhere" in err


@pytest.mark.parametrize(
    ("options", "code", "said"),
    [
        (("--invite", 1), 3, "--public-url: where the panel will be reached is not known yet"),
        (("--invite", 1, "--public-url", "https://example.org/study"), 2, "--public-url: not the address of a host"),
        (("--invite", 1, "--public-url", "example.org"), 2, "https://host or https://host:port, without a path"),
        (("--invite", 1, "--close"), 2, "--invite, --close and --dry-run stand alone"),
        (("--public-url", "ftp://example.org"), 2, "--public-url: not the address of a host"),
        (("--invite", 0), 2, "Invalid value for '--invite'"),
    ],
)
def test_each_mistake_is_said_in_one_line(folder, capsys, options, code, said):
    left, out, err = ran(capsys, "panel", folder, *options)
    assert (left, out) == (code, "")
    assert said in err
    assert len(err.strip().splitlines()) == 1


def test_a_study_without_a_panel_is_refused(folder, capsys):
    path = folder / "study.toml"
    path.write_text(path.read_text(encoding="utf-8").partition("[panel]")[0], encoding="utf-8")
    code, _, err = ran(capsys, "panel", folder, "--dry-run")
    assert code == 3
    assert "study.toml: panel: this study has no panel; write [panel] with invitation" in err


class Served:
    """`blindtest panel` as a process, and requests to it over a socket."""

    def __init__(self, folder):
        self.process = subprocess.Popen(
            [sys.executable, "-m", "blindtest", "panel", str(folder)], stdout=subprocess.PIPE, stderr=subprocess.PIPE,
            text=True,
        )  # fmt: skip
        self.said = []
        while not (self.said and self.said[-1].startswith("Ctrl-C")):
            line = self.process.stderr.readline()
            assert line, self.said
            self.said.append(line)
        self.public = re.search(r"The public link: \S+#(\S+)", "".join(self.said))[1]
        self.port = int(re.search(r"served at http://127\.0\.0\.1:(\d+)", "".join(self.said))[1])

    def kill(self):
        self.process.send_signal(signal.SIGKILL)
        self.process.communicate(timeout=60)

    def stop(self):
        self.process.send_signal(signal.SIGINT)
        return self.process.communicate(timeout=60)


def over_http(toy, port):
    """Return a visitor that speaks over a socket."""
    visitor = panel_visitor.visitor_of(toy, None, port=port)

    def ask(method, path, body=b"", headers=None, chunks=1):
        host = f"127.0.0.1:{port}"
        given = {"host": host, "cookie": visitor.cookie or None}
        if method == "POST":
            given |= {"origin": f"http://{host}", "content-type": "application/json"}
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
        connection.request(method, path, body or None, {k: v for k, v in (given | (headers or {})).items() if v})
        got = connection.getresponse()
        held = tuple((k.lower().encode(), v.encode()) for k, v in got.getheaders())
        answered = toy.Answered(asked=f"{method} {path}", status=got.status, headers=held, body=got.read())
        connection.close()
        if cookie := answered.header("set-cookie"):
            visitor.cookie = cookie.partition(";")[0]
        return answered

    visitor.ask = ask
    return visitor


@pytest.mark.long
def test_killed_again_and_again_a_panel_loses_no_answer_and_asks_none_twice(toy, folder):
    served = Served(folder)
    people = [over_http(toy, served.port) for _ in range(3)]
    for one in people:
        one.to_the_sitting(served.public)
        one.to_the_trials()
    said = {}
    for turn in range(20):
        going = [one for one in people if one.view()["step"] != "finished"]
        if not going:
            break
        for one in going:
            said[id(one)] = one.one_trial("AB"[turn % 2])["saved"]
        if turn % 2 == 0:
            served.kill()
            served = Served(folder)
            assert served.port == people[0].port, "the port is remembered, so that pages find it"
            for one in people:
                assert one.view()["saved"] == said[id(one)], "what was acknowledged is there"
    out, err = served.stop()
    assert "3 finished, 0 open, 0 abandoned" in out, err
    with Store(folder / "study.db", entropy=os.urandom) as store:
        assert store.faults() == ()
        for entry in store.sittings():
            assert sorted(row["trial"] for row in store.rows(entry.number)) == list(range(6))
