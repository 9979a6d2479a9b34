"""A panel whose listeners are tested for what they play on: through the pages, kept, counted, erased, reported."""

import importlib.util
import json
import os
import shutil
from datetime import UTC, datetime
from hashlib import sha256
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
from jsonschema import Draft202012Validator

from blindtest import steps
from blindtest.cli.commands import main
from blindtest.design import screening_truth
from blindtest.errors import BlindtestError
from blindtest.report.panel_words import consent_words
from blindtest.report.screening_words import played_on_words
from blindtest.session.kept_record import KeptRecord
from blindtest.session.panel_devices import answers_by_device
from blindtest.session.panel_reach import reached
from blindtest.session.panelist import Panelist
from blindtest.session.record_lines import record_lines
from blindtest.session.store import Store
from blindtest.steps.answers.study import read_answers
from blindtest.steps.consent import consent_found
from blindtest.steps.screening import screening_dict, screening_found
from blindtest.study import load_study
from blindtest.web import hosts_of, make_panel_app


def run(capsys, *arguments):
    """Run a command and return its exit code and all that it said."""
    with pytest.raises(SystemExit) as ended:
        main([str(one) for one in arguments])
    said = capsys.readouterr()
    return ended.value.code, said.out + said.err


WEB = Path(__file__).parents[1] / "web"
spec = importlib.util.spec_from_file_location("panel_visitor_too", WEB / "panel_visitor.py")
panel_visitor = importlib.util.module_from_spec(spec)
spec.loader.exec_module(panel_visitor)

SCREENED = 'public = true\nchannels = true\nheadphones = "both"\n'


@pytest.fixture
def served(toy, panel_template, tmp_path):
    """`served(lines of [panel])`: a panel that is open, and `come()` for somebody with a browser."""
    opened = []

    def serve(lines=SCREENED):
        folder = Path(shutil.copytree(panel_template, tmp_path / f"study{len(opened)}"))
        path = folder / "study.toml"
        path.write_text(path.read_text(encoding="utf-8").replace("public = true\n", lines), encoding="utf-8")
        panel = steps.open_panel(folder)
        opened.append(panel)
        app = make_panel_app(panel, hosts=hosts_of(8000))
        return panel, lambda: panel_visitor.visitor_of(toy, app)

    yield serve
    for panel in opened:
        panel.__exit__(None, None, None)


def at_the_tests(panel, come):
    """Return somebody who has agreed and answered the questions, the state they are at, and their draws."""
    one = come()
    token = panel.public_token()
    state = one.agree(token, one.open(token))
    state = one.step("questions", age="30 to 44 years", equipment="headphones").json
    assert state["step"] == "output"
    return one, one.step("output", rate_hz=44_100, latency_s=0.02).json


def draws_of(panel, state):
    from blindtest.design import Draws

    with Store(panel.study.folder / "study.db", entropy=os.urandom) as store:
        return Draws(store.panel.panelist(state["pseudonym"]).seed)


def answers(one, state, draws, choose):
    """Answer sound by sound until the tests are over; `choose(test, right)`."""
    while state["step"] == "screening" and state["sound"] is not None:
        now = state["sound"]
        right = screening_truth(draws, now["test"], now["attempt"], now["trial"]).right
        place = {key: now[key] for key in ("test", "attempt", "trial")}
        state = one.step("screening", **place, choice=choose(now["test"], right), interruptions=0).json
    return state


def rightly(test, right):
    return right


def wrongly(test, right):
    return right if test == "channels" else {"1": "2", "2": "3", "3": "1"}[right]


def to_the_end(one):
    assert one.post("/panel/begin", {}).json == {"begun": True}
    one.to_the_trials()
    return one.to_the_end()


def test_sounds_are_served_under_fresh_tokens_at_the_browsers_rate_and_equally_long(served):
    panel, come = served()
    one, state = at_the_tests(panel, come)
    assert state["step"] == "screening"
    assert state["tests"] == ["channels", "antiphase", "dichotic"]
    seen, lengths, headers = [], set(), set()
    for choice in ("left", "middle", "right", "nothing"):
        token = state["sound"]["token"]
        served_now = one.get(f"/panel/sound/{token}")
        assert served_now.status == 200
        assert int.from_bytes(served_now.body[24:28], "little") == 44_100
        seen.append(token)
        lengths.add(len(served_now.body))
        headers.add(served_now.headers)
        place = {key: state["sound"][key] for key in ("test", "attempt", "trial")}
        state = one.step("screening", **place, choice=choice, interruptions=0).json
        assert one.get(f"/panel/sound/{token}").status == 404, "an earlier sound is not served again"
    assert len(set(seen)) == 4
    assert len(lengths) == len(headers) == 1
    assert one.get(f"/panel/sound/{state['level']}").status == 200


def test_what_is_no_answer_is_refused_in_one_line(served):
    panel, come = served()
    one, state = at_the_tests(panel, come)
    for sent, problem in (
        ({"test": "channels", "attempt": 0, "trial": 0, "choice": "up", "interruptions": 0}, "'up' is none of left"),
        ({"test": "channels", "attempt": 0, "trial": 4, "choice": "left", "interruptions": 0}, "not the sound in hand"),
        ({"test": "channels", "attempt": 0, "trial": "0", "choice": "left", "interruptions": 0}, "not an answer: tri"),
        ({"test": "channels", "attempt": 0, "trial": True, "choice": "left", "interruptions": 0}, "not an answer: tr"),
        ({"choice": "left"}, "not an answer: test, attempt, trial, interruptions"),
    ):  # fmt: skip
        told = one.step("screening", **sent)
        assert told.status == 422
        assert problem in told.json["problem"]
    assert one.state() == state


def test_a_screening_goes_on_where_it_was_left_also_after_the_server_was_killed(served):
    panel, come = served()
    one, state = at_the_tests(panel, come)
    draws = draws_of(panel, state)
    place = {key: state["sound"][key] for key in ("test", "attempt", "trial")}
    right = screening_truth(draws, "channels", 0, 0).right
    state = one.step("screening", **place, choice=right, interruptions=2).json
    assert state["sound"]["number"] == 2
    with Store(panel.study.folder / "study.db", entropy=os.urandom) as store:
        kept = store.panel.panelist(state["pseudonym"]).kept["screening"]
    assert kept["answers"] == [{**place, "choice": right, "interruptions": 2}]
    assert one.state()["sound"]["number"] == 2


def test_who_fails_and_everybody_counts_goes_on_and_who_must_pass_is_turned_away(served):
    for lines, step in ((SCREENED, "sitting"), (SCREENED + 'screening_fail = "end"\n', "screening")):
        panel, come = served(lines)
        one, state = at_the_tests(panel, come)
        state = answers(one, state, draws_of(panel, state), wrongly)
        assert state["step"] == step
        if step == "screening":
            assert (state["turned_away"], state["sound"]) == (True, None)
            assert one.post("/panel/begin", {}).json == {"begun": False}


@pytest.fixture
def sat(served):
    """A study's folder: one who passed all tests and one who failed the headphone tests have sat; one more came."""
    panel, come = served()
    for choose in (rightly, wrongly):
        one, state = at_the_tests(panel, come)
        assert answers(one, state, draws_of(panel, state), choose)["step"] == "sitting"
        assert to_the_end(one)["step"] == "finished"
    at_the_tests(panel, come)
    panel.__exit__(None, None, None)
    return panel.study.folder


def test_the_analysis_counts_who_passed_beside_the_published_rates(sat, capsys):
    value = json.loads(run(capsys, "analyze", sat, "--json", "--quiet")[1])
    schema = json.loads(files("blindtest.cli").joinpath("results.schema.json").read_text(encoding="utf-8"))
    Draft202012Validator(schema).validate(value)
    found = value["screening"]
    by_name = {test["test"]: test for test in found["tests"]}
    assert found["listeners"] == 2, "who answered nothing began nothing"
    assert found["passed_all"] == 1
    assert [by_name[name]["passed_first"] for name in ("channels", "antiphase", "dichotic")] == [2, 1, 1]
    assert by_name["antiphase"]["published"]["false_pass"] == pytest.approx(0.05)
    # Rogan and Gladen by hand: (1/2 + .8 - 1) / (.8 + .8 - 1), and (1/2 + .95 - 1) / .95.
    assert by_name["dichotic"]["share"]["estimate"] == pytest.approx((1 / 2 - 0.2) / 0.6)
    assert by_name["antiphase"]["share"]["estimate"] == pytest.approx((1 / 2 - 0.05) / 0.95)
    assert found["browser_rates_hz"] == [{"rate_hz": 44_100, "listeners": 3}]
    screened = found["primary_of_those_who_passed"]
    assert (screened["listeners"], screened["of"], screened["exploratory"]) == (1, 2, True)
    # One listener with five answers.
    assert " of 5 right" in screened["numbers"]
    text = run(capsys, "analyze", sat)[1].replace("\u00a0", " ")
    assert "1 of 2 passed (5 of 6 right, or more)" in text
    assert "(1 of 2 listeners) ends as" in text
    assert "Exploratory: the seal counts everybody." in text
    # From what is published alone the same is found; what listeners said of themselves is not among it.
    with Store(sat / "study.db", entropy=os.urandom) as store:
        lines = record_lines(store)
        published = KeptRecord(lines, sat)
        one, other = (screening_dict(screening_found(each, read_answers(each))) for each in (store, published))
        assert one == other
        assert one["tests"]
        seeds = [each.seed.hex() for each in store.panelists()]
        agreed = sha256((sat / "consent.md").read_bytes()).hexdigest()
        consents = [consent_found(each, read_answers(each)) for each in (store, published)]
        assert consents[0] == consents[1]
        assert consents[0].to_dict() == {
            "agreed": 3, "texts": [{"sha256": agreed, "listeners": 3, "sealed": True}], "withdrawn": 0,
            "never_began": 1, "tested": 2, "failed": 1, "turned_away": 0,
            "left_after": {"consent": 0, "questions": 0, "output": 1, "screening": 0},
        }  # fmt: skip
        assert "Where they left: 1 in the tests of what they play on." in " ".join(consent_words(consents[0]))
        # A record that was published before this was told says nothing of it.
        older = KeptRecord(lines | {"panel.jsonl": lines["panel.jsonl"].replace(b',"reached":"output"', b"")}, sat)
        assert consent_found(older, read_answers(older)).left_after is None
        assert record_lines(older)["panel.jsonl"].count(b"reached") == 0
        with pytest.raises(BlindtestError, match="reached: 'home' is none of consent, questions"):
            KeptRecord(lines | {"panel.jsonl": lines["panel.jsonl"].replace(b':"output"', b':"home"')}, sat)
        store.forget(store.panelists()[2].listener, at=datetime.now(UTC))
        after = KeptRecord(record_lines(store), sat)
        consents = [consent_found(each, read_answers(each)) for each in (store, after)]
        assert consents[0] == consents[1]
        assert (consents[0].agreed, consents[0].withdrawn, consents[0].never_began) == (2, 1, 0)
        told = " ".join(consent_words(consents[0])).replace("\u00a0", " ")
        assert "2 listeners of the panel agreed to the consent text" in told
        assert "1 more withdrew and had everything erased" in told
        assert f"To the text with the SHA-256 {agreed} (the one sealed with the study): 2 listeners." in told
        assert "2 finished the tests of what they play on; 1 of them failed one, and 0 took no further part" in told
    assert b"30 to 44 years" not in b"".join(lines.values())
    told = [json.loads(line)["seed"] for line in lines["panel.jsonl"].splitlines()]
    assert told == [*seeds[:2], None], "whose tests are not over may not learn what will sound"


@pytest.mark.parametrize(
    ("kept", "last"),
    [
        ({}, "consent"),
        ({"agreed": {"browser": "ab"}}, "consent"),
        ({"questions": {"age": None}}, "questions"),
        ({"output": {"rate_hz": None}}, "output"),
        ({"questions": {"age": "30"}, "output": {"rate_hz": 48_000}}, "output"),
        ({"questions": {"age": "30"}, "devices": {"moves": [{"sitting": 0, "links": 0, "seed": None}]},
          "output/1": {"rate_hz": 48_000}}, "output"),
        ({"reached": {"step": "screening"}}, "screening"),
        ({"reached": {}}, None),
    ],
)  # fmt: skip
def test_where_somebody_left_is_the_last_step_behind_them(kept, last):
    assert reached(Panelist(listener="L-one", seed=bytes(32), consent_sha256="0" * 64, kept=kept)) == last


@pytest.mark.long
def test_the_report_says_it_too(sat):
    made = steps.report(sat)
    page = made.page.read_text(encoding="utf-8").replace("\u00a0", " ")
    assert "3 listeners of the panel agreed to the consent text" in page
    assert steps.verify(made.archive).ok
    assert "What it was played on" in page
    assert "10 listeners, 1 sitting each" in page, "as sealed, not as came"
    assert "2 of 10 planned listeners sat: the plan is not full" in page
    assert "had everything erased" not in page
    with Store(sat / "study.db", entropy=os.urandom) as store:
        gone = store.sittings()[0].listener
    steps.forget(sat, gone)
    again = steps.report(sat)
    assert steps.verify(again.archive).ok
    after = again.page.read_text(encoding="utf-8").replace("\u00a0", " ")
    assert "1 more withdrew and had everything erased" in after
    assert "5 of these trials stood in 1 sitting whose listeners had everything erased: they count neither way" in after
    assert "1 of 10 planned listeners sat, those apart who withdrew" in after
    assert "Milne et al. 2021: 80 % of headphone users detected" in page
    assert "**Played on.**" in made.block.read_text(encoding="utf-8")


def elsewhere(one, come, *, rate_hz=48_000):
    """Open the link of somebody who came by the public one on another device; return them there, and where they are."""
    there = come()
    state = there.open(one.resume)
    if state["step"] == "output":
        assert state["moved"] is True
        state = there.step("output", rate_hz=rate_hz, latency_s=0.02).json
    there.resume = one.resume
    return there, state


def draws_on(panel, state):
    """The draws of the device that a listener is on."""
    from blindtest.design import Draws

    with Store(panel.study.folder / "study.db", entropy=os.urandom) as store:
        one = store.panel.panelist(state["pseudonym"])
        return Draws(one.seed_of(one.device))


def test_on_another_device_the_tests_are_taken_again_before_the_sitting_goes_on(served, capsys):
    panel, come = served()
    one, state = at_the_tests(panel, come)
    assert answers(one, state, draws_of(panel, state), rightly)["step"] == "sitting"
    assert one.post("/panel/begin", {}).json == {"begun": True}
    one.to_the_trials()
    for _ in range(3):
        one.one_trial()
    saved = one.view()["saved"]
    assert saved == 2
    there, state = elsewhere(one, come)
    assert (state["step"], state["sound"]["test"], state["sound"]["number"]) == ("screening", "channels", 1)
    assert draws_on(panel, state).seed != draws_of(panel, state).seed, "not the sounds that were answered before"
    sound = there.get(f"/panel/sound/{state['sound']['token']}")
    assert int.from_bytes(sound.body[24:28], "little") == 48_000, "at the rate of this browser"
    assert there.get("/view").status == 401
    assert there.post("/panel/begin", {}).json == {"begun": False}
    # Everybody counts: who fails there goes on all the same, and the record says so.
    assert answers(there, state, draws_on(panel, state), wrongly)["step"] == "sitting"
    assert there.post("/panel/begin", {}).json == {"begun": True}
    view = there.view()
    assert (view["step"], view["saved"], view["gain_db"]) == ("ready", saved, None), "nothing lost, the level anew"
    there.to_the_trials()
    assert there.to_the_end()["step"] == "finished"
    panel.__exit__(None, None, None)
    folder = panel.study.folder
    with Store(folder / "study.db", entropy=os.urandom) as store:
        (kept,) = store.panelists()
        (move,) = kept.moves
        links = store.sittings()[0].links
        assert (move.sitting, 0 < move.links < links) == (1, True)
        assert answers_by_device(kept.moves, {1: links}) == (move.links, links - move.links)
        lines = record_lines(store)
        published = KeptRecord(lines, folder)
        assert record_lines(published) == lines
        found = [screening_dict(screening_found(each, read_answers(each))) for each in (store, published)]
    assert found[0] == found[1]
    assert found[0]["other_devices"] == {"listeners": 1, "within": 1, "finished": 1, "passed": 0}
    assert (found[0]["listeners"], found[0]["passed_all"]) == (1, 1), "counts are of the first device"
    assert found[0]["primary_of_those_who_passed"]["why_not"] == "nobody passed every test"
    value = json.loads(run(capsys, "analyze", folder, "--json", "--quiet")[1])
    schema = json.loads(files("blindtest.cli").joinpath("results.schema.json").read_text(encoding="utf-8"))
    Draft202012Validator(schema).validate(value)
    with Store(folder / "study.db", entropy=os.urandom) as store:
        words = played_on_words(screening_found(store, read_answers(store)))
    text = " ".join(words).replace("\u00a0", " ")
    assert "1 listener went on on another device or in another browser, 1 within a sitting" in text
    steps.forget(folder, kept.listener)
    assert move.seed.hex().encode() not in (folder / "study.db").read_bytes() + _wal(folder)


def test_who_fails_on_another_device_may_not_go_on_there_and_loses_nothing(served):
    panel, come = served('public = true\nheadphones = "dichotic"\nscreening_fail = "end"\n')
    one, state = at_the_tests(panel, come)
    assert answers(one, state, draws_of(panel, state), rightly)["step"] == "sitting"
    assert one.post("/panel/begin", {}).json == {"begun": True}
    there, state = elsewhere(one, come)
    state = answers(there, state, draws_on(panel, state), wrongly)
    assert (state["step"], state["turned_away"], state.get("for_good")) == ("screening", True, None)
    assert there.get("/view").status == 401
    assert panel.counts().open == 1, "the sitting waits"
    # Back where they began: another browser for all that is known, asked again, and the sitting goes on.
    back, state = elsewhere(one, come)
    assert answers(back, state, draws_on(panel, state), rightly)["step"] == "sitting"
    assert back.post("/panel/begin", {}).json == {"begun": True}
    assert back.view()["saved"] == 0
    # Three devices on which it failed: guesses are not to pass in the end.
    for expected in (None, True):
        there, state = elsewhere(one, come)
        state = answers(there, state, draws_on(panel, state), wrongly)
        assert (state["turned_away"], state.get("for_good")) == (True, expected)
    there, state = elsewhere(one, come)
    assert (state["step"], state["for_good"], state["sound"]) == ("screening", True, None)
    place = {"test": "dichotic", "attempt": 0, "trial": 0, "choice": "1", "interruptions": 0}
    assert there.step("screening", **place).status == 422


def test_who_failed_before_they_began_is_not_let_in_by_another_device(served):
    panel, come = served('public = true\nheadphones = "dichotic"\nscreening_fail = "end"\n')
    one, state = at_the_tests(panel, come)
    assert answers(one, state, draws_of(panel, state), wrongly)["for_good"] is True
    there, state = elsewhere(one, come)
    assert (state["step"], state["turned_away"], state["sound"]) == ("screening", True, None)
    assert there.post("/panel/begin", {}).json == {"begun": False}


def test_a_device_on_which_nothing_was_found_out_is_none(served):
    panel, come = served()
    one = come()
    token = panel.public_token()
    one.agree(token, one.open(token))
    name = one.state()["pseudonym"]
    there = come()
    assert there.open(one.resume)["step"] == "questions"
    with Store(panel.study.folder / "study.db", entropy=os.urandom) as store:
        assert store.panel.panelist(name).device == 0


def test_a_screening_is_erased_with_its_listener(served):
    panel, come = served()
    one, state = at_the_tests(panel, come)
    draws = draws_of(panel, state)
    answers(one, state, draws, rightly)
    folder = panel.study.folder
    assert draws.seed in (folder / "study.db").read_bytes() + _wal(folder)
    panel.__exit__(None, None, None)
    steps.forget(folder, state["pseudonym"])
    left = (folder / "study.db").read_bytes() + _wal(folder)
    assert draws.seed not in left
    assert b"dichotic" not in left.replace(_sealed(folder), b"")


def _wal(folder):
    path = folder / "study.db-wal"
    return path.read_bytes() if path.exists() else b""


def _sealed(folder):
    """Where the name of a test may stand: in the rules of the seal."""
    return b'"dichotic","pass_mark":6'


def test_the_rules_stand_in_the_seal_only_where_there_are_tests(served):
    panel, _ = served('public = true\nheadphones = "dichotic"\nscreening_fail = "end"\n')
    with Store(panel.study.folder / "study.db", entropy=os.urandom) as store:
        sealed = store.seals()[0].record["panel"]["screening"]
    assert sealed == {
        "tests": [{"name": "dichotic", "trials": 6, "pass_mark": 6, "tries": 1}],
        "on_fail": "end",
        "counted": "those who passed",
    }
    plain, _ = served("public = true\n")
    with Store(plain.study.folder / "study.db", entropy=os.urandom) as store:
        assert "screening" not in store.seals()[0].record["panel"]


def test_keys_that_do_not_go_together_are_said_with_their_line(panel_folder, tmp_path, capsys):
    lines = "channels_pass = 5\nantiphase_pass = 3\nheadphone_tries = 2\n"
    folder = panel_folder.write_panel(tmp_path / "study", panel=lines)
    code, said = run(capsys, "check", folder)
    assert code == 1
    assert "panel.channels_pass: a pass mark of a test that is not taken, got 5" in said
    assert "panel.antiphase_pass: " in said
    assert "(allowed: " in said
    assert "panel.headphone_tries: no headphone test is taken, got 2" in said


def test_check_tells_what_guessing_passes_and_where_published_rates_do_not_hold(panel_folder, tmp_path, capsys):
    lines = 'headphones = "both"\nantiphase_pass = 6\nheadphone_tries = 3\nscreening_fail = "end"\n'
    folder = panel_folder.write_panel(tmp_path / "study", panel=lines)
    code, said = run(capsys, "check", folder)
    assert code == 0
    # 1 - (1 - 1/729)**3.
    assert "dichotic: guesses alone pass it with a probability of 0.0041" in said
    assert "the published error rates don't hold for another pass mark" in said
    assert "dichotic: turns away 20 % of those on headphones" in said
    rules = load_study(folder).panel.screening
    assert [(one.name, one.pass_mark, one.tries) for one in rules.tests] == [("antiphase", 6, 3), ("dichotic", 6, 3)]
    assert np.isclose(rules.tests[0].by_guessing, 1 - (728 / 729) ** 3)
