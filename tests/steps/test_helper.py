"""A sitting under a helper's passphrase: nothing to read before its end, all after it; what is lost is said."""

import json
import os
import runpy
import shutil
import sqlite3
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
from jsonschema import Draft202012Validator

from blindtest import steps
from blindtest.design import canonical
from blindtest.errors import BlindtestError
from blindtest.session import SimulatedListener, helper_lock, simulate_sitting, simulated_clock
from blindtest.session.store import Store
from blindtest.steps.bundle.verification import verify_bundle

WORDS = "four words nobody guesses"
VALIDATOR = Draft202012Validator(
    json.loads(files("blindtest.cli").joinpath("results.schema.json").read_text(encoding="utf-8"))
)


@pytest.fixture(autouse=True)
def _quick(monkeypatch):
    """A cheaper scrypt: the real one takes a good part of a second; see tests/session/test_helper_lock.py."""
    monkeypatch.setattr(helper_lock.locked, "__kwdefaults__", {"cost": 2**10})


@pytest.fixture(scope="module")
def rendered(own_template, tmp_path_factory):
    folder = tmp_path_factory.mktemp("helped") / "my-study"
    shutil.copytree(own_template, folder)
    steps.render(folder)
    return folder


@pytest.fixture
def study(rendered, tmp_path):
    return Path(shutil.copytree(rendered, tmp_path / "my-study"))


def helper(words=WORDS, asked=None):
    def ask(new):
        if asked is not None:
            asked.append(new)
        return words

    return ask


def everything(folder):
    """Return every byte of every file of a study but its sounds."""
    return b"\0".join(path.read_bytes() for path in folder.rglob("*") if path.is_file() and path.suffix != ".wav")


def test_before_the_end_no_byte_tells_and_afterwards_all_can_be_read(study, caplog, capsys, sit):
    seen = {}

    def look(prepared):
        # While the server runs: database, log beside it, shared memory.
        store = prepared._store
        number, commitment = prepared.entry.number, prepared.entry.commitment
        seen["bytes"] = everything(study)
        seen["key"] = store._keys.held(commitment)
        seen["links"] = store.chain(number)
        assert len(store.rows(number)) == 9, "who serves the sitting reads its answers"

    stopped, said, plan = sit(study, stop_after=9, passphrase=helper(), look=look)
    assert stopped.state == "open"
    assert "The plan lies under the helper's passphrase until the sitting is over." in said
    out = capsys.readouterr()
    told = (said + stopped.text() + json.dumps(stopped.to_dict()) + caplog.text + out.out + out.err).encode()
    assert len(seen["key"]) == 32
    secrets = [plan.nonce, seen["key"], WORDS.encode()]
    secrets += [link.salt for link in seen["links"]]
    rows = [canonical(link.row) for link in seen["links"]]
    assert len(rows) == 9
    for everywhere in (seen["bytes"], everything(study), told):
        for secret in secrets:
            assert secret not in everywhere
            assert secret.hex().encode() not in everywhere
        for row in rows:
            assert row not in everywhere
        assert b'"correct"' not in everywhere
    # The check can fail: without a helper they do stand there.
    bare = sit(study, stop_after=9, listener="L-bare", look=lambda p: seen.update(bytes=everything(study)))
    assert bare[2].nonce in seen["bytes"]
    assert b'"correct"' in seen["bytes"]
    steps.abandon(study, sitting=2)

    ended, _, again = sit(study, passphrase=helper())
    assert again.commitment == plan.commitment
    assert (ended.state, ended.locked, ended.nonce) == ("finished", False, plan.nonce.hex())
    verified = steps.verify(study)
    assert verified.grade == "consistent"
    assert "the listener could not have read the plan without the helper's passphrase" in verified.text()


@pytest.mark.long
def test_a_study_all_of_whose_sittings_had_a_helper_says_so(study, sit):
    sit(study, passphrase=helper())
    analysis = steps.analyze(study)
    assert analysis.answers.listeners[0].trials == 28
    shown = steps.report(study)
    assert not shown.facts.seal.listener_could_read
    page = shown.page.read_text(encoding="utf-8")
    assert "The listener could not have read the plan without the helper" in page
    assert "could have read the plan: it lay" not in page


def test_the_helper_is_asked_at_each_start_and_another_passphrase_is_one_line(study, sit):
    asked = []
    sit(study, stop_after=4, passphrase=helper(asked=asked))
    with pytest.raises(BlindtestError, match="this is not the helper's passphrase of this sitting") as wrong:
        sit(study, passphrase=helper("something else entirely"))
    assert len(str(wrong.value).splitlines()) == 1
    with pytest.raises(BlindtestError, match="lies under a helper's passphrase; have the helper type it") as nobody:
        sit(study)
    assert len(str(nobody.value).splitlines()) == 1
    ended, _, _ = sit(study, passphrase=helper(asked=asked))
    assert (ended.state, asked) == ("finished", [True, False])


def test_a_plan_sealed_without_gets_no_passphrase_later(study, sit):
    sit(study, stop_after=2)
    with pytest.raises(BlindtestError, match="was sealed without a helper's passphrase"):
        sit(study, passphrase=helper())


def test_a_lost_passphrase_makes_the_sitting_count_as_abandoned_and_it_is_said(study, capsys, sit):
    sit(study, stop_after=9, passphrase=helper())
    waiting = steps.verify(study)
    assert waiting.ok
    assert "9 rows under the helper's passphrase" in waiting.text()
    # A line end that only Unicode knows ends no line of a record.
    ended = steps.abandon(study, reason="the passphrase\u2028is lost")
    assert (ended.state, ended.locked, ended.nonce) == ("abandoned", True, None)
    assert "all its trials count as unanswered" in ended.text()
    VALIDATOR.validate({"schema_version": 1, "command": "abandon", **ended.to_dict()})
    sit(study, listener="L-two", passphrase=helper())
    answers = steps.analyze(study).answers
    lost = next(one for one in answers.sittings if one.entry.number == 1)
    assert (lost.locked, lost.counted_planned, lost.counted_answered) == (True, 28, 0)
    assert answers.conclusion.unanswered == 28
    verified = steps.verify(study)
    assert verified.ok
    assert "the sitting counts as abandoned, its trials as unanswered" in verified.text()
    shown = steps.report(study)
    assert "passphrase that was not given" in shown.page.read_text(encoding="utf-8")
    assert not [trial for trial in shown.facts.trials if trial.sitting == 1], "no draw is made up"
    assert next(one for one in shown.facts.sittings if one.number == 1).nonce is None
    both_verifiers_say_what_lies_locked(study, shown, capsys)
    # Found again: opened, and its nine answers are there.
    with pytest.raises(BlindtestError, match="not the helper's passphrase"):
        steps.abandon(study, sitting=1, passphrase=helper("wrong but long enough"))
    opened = steps.abandon(study, sitting=1, passphrase=helper())
    assert (opened.state, opened.locked, opened.answered) == ("abandoned", False, 9)
    assert steps.verify(study).ok
    assert not next(one for one in steps.analyze(study).answers.sittings if one.entry.number == 1).locked


def both_verifiers_say_what_lies_locked(study, shown, capsys):
    """Both let the honest bundle pass, and say what nobody can look at; with all that was published too."""
    line = steps.seal(study).line
    found = verify_bundle(shown.archive, published=[line], sound=False)
    assert (found.ok, found.grade, found.record.unread) == (True, "anchored", (1,)), found.text()
    assert "What nobody can read yet: plan and answers of sitting 1, which are said to lie under" in found.text()
    short = runpy.run_path(str(shown.evidence / "verify.py"))["main"]
    hashes = [word for word in line.split() if len(word) == 64]
    capsys.readouterr()
    assert short([str(shown.archive), *(part for one in hashes for part in ("--published", one))]) == 0
    said = capsys.readouterr().out
    assert "; 1 without a nonce could not be looked at" in said
    assert "; 9 withheld" in said
    assert "is how sitting 1 ended" in said
    assert "What none of those hashes holds" not in said


def test_a_deadline_that_passes_opens_nothing(study, sit):
    sit(study, stop_after=3, passphrase=helper())
    with Store(study / "study.db", entropy=os.urandom, create=False) as store:
        assert store.abandon_overdue(datetime.now(UTC) + timedelta(days=60)) == (1,)
        assert store.locked(store.sitting(1).commitment)
        with pytest.raises(BlindtestError, match="lies under a helper's passphrase that was not given"):
            store.rows(1)


def test_a_changed_byte_is_found(study, sit):
    sit(study, passphrase=helper())
    assert steps.verify(study).ok
    with sqlite3.connect(study / "study.db") as plain:
        (trigger,) = plain.execute("SELECT sql FROM sqlite_master WHERE name = 'content_no_update'").fetchone()
        plain.execute("DROP TRIGGER content_no_update")
        (row,) = plain.execute("SELECT row FROM content WHERE sitting = 1 AND position = 5").fetchone()
        changed = row[:-1] + ("0" if row[-1] != "0" else "1")
        plain.execute("UPDATE content SET row = ? WHERE sitting = 1 AND position = 5", (changed,))
        plain.execute(trigger)
    assert not steps.verify(study).ok


def test_forgetting_works_as_ever(study, sit):
    sit(study, passphrase=helper())
    steps.forget(study, "L-one")
    verified = steps.verify(study)
    assert verified.ok
    assert "withheld at the listener's request" in verified.text()


def test_an_answer_that_is_sent_again_is_taken_once_behind_the_passphrase_too(study):
    """Where the reply was lost on the way: what lies there encrypted is compared with what comes."""
    rng = np.random.default_rng(3)
    clock = simulated_clock(datetime.now(UTC), rng, step_s=0.001)
    with steps.prepare_sitting(study, listener="L-one", passphrase=helper()) as prepared:
        listener = SimulatedListener(pseudonym="L-one", d_prime=2.5)
        own = prepared.sitting
        answers = simulate_sitting(own.plan, listener, rng, clock, study=own.study, stop_after=3).answers
        for answer in (*answers, *answers[::-1]):
            prepared.answered(answer)
        turned = {"choice": "B" if answers[-1].values["choice"] == "A" else "A"}
        with pytest.raises(BlindtestError, match="recorded already with another answer"):
            prepared.answered(replace(answers[-1], values=turned))
    with sqlite3.connect(study / "study.db") as database:
        assert database.execute("SELECT count(*), max(position) FROM chain").fetchone() == (3, 3)


@pytest.mark.long
def test_by_the_command_line(study):
    """The environment stands in for the helper's typing; it is taken out of it at once."""

    def listen(words, *arguments):
        return subprocess.run(
            [sys.executable, "-m", "blindtest", "listen", str(study), "--listener", "L-x", "--helper", *arguments],
            env={**os.environ, "BLINDTEST_HELPER_PASSPHRASE": words}, capture_output=True, text=True, check=False,
            timeout=60,
        )  # fmt: skip

    with steps.prepare_sitting(study, listener="L-x", passphrase=helper()):
        pass
    wrong = listen("wrong but long enough", "--no-browser")
    assert wrong.returncode == 3
    assert [line for line in wrong.stderr.splitlines() if "helper's passphrase of this sitting" in line]
    assert "Traceback" not in wrong.stderr
