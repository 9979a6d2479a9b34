"""The panel in the database: places are counted in one transaction, tokens are never stored, `forget` erases it all."""

import os
import sqlite3
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from hashlib import sha256
from itertools import count

import pytest

from blindtest.errors import BlindtestError
from blindtest.session.panel_devices import Move, answers_by_device
from blindtest.session.panelist import token_hash
from blindtest.session.store import Store

NOW = datetime(2026, 3, 2, 10, tzinfo=UTC)


@pytest.fixture
def store(place):
    with Store(place, entropy=os.urandom) as opened:
        yield opened


@pytest.fixture
def in_file(path):
    with Store(path, entropy=os.urandom) as opened:
        yield opened


def admit(store, link, *, session="s", resume="r", names=None, places=None, most=None, browser=""):
    numbers = count(1)
    return store.panel.admit(
        token_hash(link),
        names=names or (lambda: f"L-{next(numbers)}"),
        session_hash=token_hash(session),
        resume_hash=token_hash(resume),
        seed=bytes(32),
        text_sha256="ab" * 32,
        at=NOW,
        places=places,
        most=most,
        browser_hash=token_hash(browser) if browser else "",
    )


def test_a_token_is_looked_up_by_its_hash():
    # SHA-256 of a fixed prefix and the token: computed with hashlib apart from the module.
    assert token_hash("abc") == sha256(b"blindtest panel token abc").hexdigest()


def test_a_personal_link_admits_one_listener(store):
    store.panel.add_links([token_hash("one")], kind="personal", at=NOW)
    assert store.panel.link(token_hash("other")) is None
    assert admit(store, "other") == "unknown"
    assert admit(store, "one") == "L-1"
    assert admit(store, "one", session="t") == "taken"
    link = store.panel.link(token_hash("one"))
    assert (link.listener, link.used, link.withdrawn) == ("L-1", 1, False)
    assert store.panel.listener_of(token_hash("s")) == "L-1"
    store.panel.take_over("L-1", token_hash("elsewhere"))
    assert store.panel.listener_of(token_hash("s")) is None
    assert store.panel.listener_of(token_hash("elsewhere")) == "L-1"


def test_a_public_link_admits_as_many_as_it_has_places_also_at_once(store):
    store.panel.add_links([token_hash("public")], kind="public", at=NOW)
    numbers = count(1)

    def come(at):
        return admit(store, "public", session=f"s{at}", resume=f"r{at}", names=lambda: f"L-{next(numbers)}", places=5)

    with ThreadPoolExecutor(8) as pool:
        came = list(pool.map(come, range(20)))
    assert came.count("full") == 15
    assert len({name for name in came if name.startswith("L-")}) == 5
    # Each has a personal link to come back by.
    back = [at for at, name in enumerate(came) if name != "full"]
    assert {store.panel.link(token_hash(f"r{at}")).listener for at in back} == {came[at] for at in back}
    # A place of somebody who withdrew is not given to another: else a limit would let in any number.
    store.forget(came[back[0]], at=NOW)
    assert come(99) == "full"
    counts = store.panel.counts()
    assert (counts.by_public_link, counts.listeners, counts.withdrawn, counts.invited) == (5, 4, 1, 0)


def test_there_are_no_more_listeners_than_the_study_has_room_for(store):
    store.panel.add_links([token_hash(f"own{at}") for at in range(3)], kind="personal", at=NOW)
    came = [admit(store, f"own{at}", session=f"s{at}", names=lambda at=at: f"L-{at}", most=2) for at in range(3)]
    assert came == ["L-0", "L-1", "full"]


def test_nobody_gets_a_pseudonym_that_is_taken(store):
    store.panel.add_links([token_hash("one"), token_hash("two")], kind="personal", at=NOW)
    store.add_impression({"words": "bright"}, by="L-c", at=NOW)
    drawn = iter(["L-a", "L-a", "withheld", "L-c", "L-b"])
    assert admit(store, "one", names=lambda: next(drawn)) == "L-a"
    assert admit(store, "two", session="t", names=lambda: next(drawn)) == "L-b"


def test_the_same_consent_sent_again_is_the_same_listener_whatever_has_filled_up_meanwhile(store):
    """A public link is known by the link to come back by, which then follows from the browser; a personal one by it."""
    store.panel.add_links([token_hash("public")], kind="public", at=NOW)
    store.panel.add_links([token_hash("one")], kind="personal", at=NOW)
    by_public = [admit(store, "public", session=f"p{n}", resume="r", places=1, browser="b") for n in range(2)]
    by_own = [admit(store, "one", session=f"o{n}", names=lambda: "L-own", browser="b") for n in range(2)]
    assert by_public == ["L-1", "L-1"]
    assert by_own == ["L-own", "L-own"]
    assert admit(store, "public", session="q", resume="other", places=1, browser="c") == "full"
    assert admit(store, "one", session="q", browser="c") == "taken"
    assert store.panel.listener_of(token_hash("p0")) is None, "the cookie that never arrived"
    assert store.panel.listener_of(token_hash("p1")) == "L-1"
    assert store.panel.counts().listeners == 2
    store.forget("L-1", at=NOW)
    assert admit(store, "public", session="q", resume="r", browser="b") == "withdrawn"
    assert store.withdrawn() == 1


def test_a_move_is_noted_with_where_the_record_stood_once_something_was_found_out(store):
    store.panel.add_links([token_hash("one")], kind="personal", at=NOW)
    name = admit(store, "one")
    store.panel.take_over(name, token_hash("a"), seed=b"1" * 32, at=NOW)
    assert store.panel.panelist(name).moves == ()
    store.panel.keep(name, "output", {"rate_hz": None}, at=NOW)
    store.panel.take_over(name, token_hash("b"), seed=b"2" * 32, at=NOW)
    store.panel.take_over(name, token_hash("c"), seed=b"3" * 32, at=NOW)
    one = store.panel.panelist(name)
    assert [(move.sitting, move.links, move.seed) for move in one.moves] == [(0, 0, b"2" * 32)]
    assert (one.device, one.on("output"), one.on("output", 0)) == (1, {}, {"rate_hz": None})
    assert (one.seed_of(0), one.seed_of(1)) == (bytes(32), b"2" * 32)


def test_answers_are_counted_by_the_device_they_were_given_on():
    """By hand: sittings of 6, 8 and 2 links; moved after 4 of the first, after the second, within the third."""
    moves = [Move(sitting=s, links=n, seed=None) for s, n in ((3, 4), (5, 8), (9, 1))]
    assert answers_by_device(moves, {3: 6, 5: 8, 9: 2}) == (4, 10, 1, 1)
    assert answers_by_device([], {3: 6}) == (6,)
    assert answers_by_device([Move(sitting=0, links=0, seed=None)], {1: 5}) == (0, 5)


def test_what_is_kept_of_a_step_replaces_what_was_kept_of_it(store):
    store.panel.add_links([token_hash("one")], kind="personal", at=NOW)
    name = admit(store, "one")
    store.panel.keep(name, "questions", {"age": "18 to 29"}, at=NOW)
    store.panel.keep(name, "headphones", {"right": 5}, at=NOW)
    store.panel.keep(name, "questions", {"age": "30 to 44"}, at=NOW)
    one = store.panel.panelist(name)
    assert one.kept == {"questions": {"age": "30 to 44"}, "headphones": {"right": 5}}
    assert one.consent_sha256 == "ab" * 32
    assert store.panel.replies() == (one,)


def test_forget_erases_what_a_listener_said_and_closes_the_link(in_file, tmp_path):
    store = in_file
    store.panel.add_links([token_hash("one")], kind="personal", at=NOW)
    name = admit(store, "one", names=lambda: "L-marked")
    store.panel.keep(name, "questions", {"age": "a marked answer"}, at=NOW)
    store.forget(name, at=NOW, clean=False)
    assert store.panel.panelist(name) is None
    assert admit(store, "one", session="t") == "withdrawn"
    store.clean()
    with pytest.raises(BlindtestError, match="no such listener"):
        store.forget(name, at=NOW)
    store.close()
    left = b"".join(path.read_bytes() for path in tmp_path.glob("study.db*"))
    assert b"a marked answer" not in left
    assert b"L-marked" not in left


def test_no_token_lies_in_the_database(in_file, tmp_path):
    store = in_file
    store.panel.add_links([token_hash("the-token-itself")], kind="personal", at=NOW)
    admit(store, "the-token-itself", session="the-session-itself", resume="the-resume-itself")
    store.close()
    with sqlite3.connect(tmp_path / "study.db") as database:
        dump = "\n".join(database.iterdump())
    assert token_hash("the-token-itself") in dump
    assert "itself" not in dump


def test_who_serves_the_panel_keeps_all_sittings(place):
    with Store(place, entropy=os.urandom) as one, Store(place, entropy=os.urandom) as other:
        one.hold(7)
        with pytest.raises(BlindtestError, match="sitting 7 is open in another program"):
            other.refuse_held(7)
        other.refuse_held(8)
        other.hold_panel()
        for refused in (one.hold_panel, lambda: one.hold(8)):
            with pytest.raises(BlindtestError, match="the panel of this study is served by another program"):
                refused()
        other.close()
        one.hold(8)
