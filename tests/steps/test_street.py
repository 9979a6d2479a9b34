"""The main job on own files, step by step, without a browser: a simulated listener sits in front of the page."""

import json
import shutil
import sqlite3
from datetime import UTC, datetime, timedelta
from math import comb

import numpy as np
import pytest

from blindtest import steps
from blindtest.cli.commands import main
from blindtest.errors import BlindtestError, Missing
from blindtest.session import SimulatedListener, simulate_sitting, simulated_clock
from blindtest.stats import conclude
from blindtest.steps.lines.heard import conclusion_lines

BEGINS = datetime(2026, 5, 6, 20, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def finished(tmp_path_factory, sit):
    """Return the maker of a study in which one listener has finished: rendered once, copied for each test."""
    made = {}

    def make(own_study, target):
        if "study" not in made:
            place = tmp_path_factory.mktemp("finished") / "my-study"
            shutil.copytree(own_study, place)
            steps.render(place)
            made["ended"], made["said"], _ = sit(place)
            made["study"] = place
        shutil.copytree(made["study"], target)
        return target, made["ended"], made["said"]

    return make


@pytest.fixture
def study(finished, own_template, tmp_path):
    return finished(own_template, tmp_path / "copy")


def test_an_untouched_template_is_told_what_to_fill_in(tmp_path, capsys):
    main(["new", str(tmp_path / "s"), "--quiet"], standalone_mode=False)
    with pytest.raises(SystemExit) as left:
        main(["check", str(tmp_path / "s")], standalone_mode=False)
    assert left.value.code == 1
    said = capsys.readouterr().err
    for wanted in ("reviewer: empty", "unit.first.rig: empty", "matches no file", "clip.one.file: empty"):
        assert wanted in said


def test_a_filled_in_study_has_no_faults(own_study):
    checked = steps.check(own_study)
    assert not checked.faults
    assert "19 or more right show a difference" in checked.text()


def test_a_finished_sitting_is_analysed_reported_and_verified(study):
    folder, ended, said = study
    assert ended.state == "finished"
    assert ended.commitment in said
    analysis = steps.analyze(folder)
    (listener,) = analysis.answers.listeners
    # The exact p, summed here from binomial coefficients.
    expected = sum(comb(28, k) for k in range(listener.correct, 29)) / 2**28
    assert analysis.answers.conclusion.difference.p_value == pytest.approx(expected, rel=1e-12)
    text = analysis.text()
    assert f"{listener.correct} of 28 right" in text
    assert "no difference" not in text
    shown = steps.report(folder)
    page = shown.page.read_text(encoding="utf-8")
    assert f"{listener.correct} of 28" in page
    assert "http://" not in page.replace("http://www.w3.org", "")
    assert len(page) < 3_000_000
    assert shown.block.read_text(encoding="utf-8").count("\n") > 10
    assert steps.verify(folder).grade == "consistent"
    published = [analysis.answers.seal.commitment, ended.commitment, ended.head]
    assert steps.verify(folder, published=published).grade == "anchored"
    assert "nothing was seen elsewhere" in steps.verify(folder).text()
    in_part = steps.verify(folder, published=published[:1])
    assert in_part.grade == "consistent"
    assert "nothing was seen elsewhere" not in in_part.text()
    assert "a part of them was seen elsewhere" in in_part.text()
    assert not steps.verify(folder, published=["ab" * 32]).ok


def test_a_report_is_made_again_in_place_but_nothing_foreign_is_overwritten(study):
    folder, _, _ = study
    first = steps.report(folder)
    (folder / "report" / "left-over.txt").write_text("old")
    assert steps.report(folder).replaced
    assert not (folder / "report" / "left-over.txt").exists()
    assert first.page.exists()
    shutil.rmtree(folder / "report")
    (folder / "report").mkdir()
    (folder / "report" / "my-own.txt").write_text("mine")
    with pytest.raises(BlindtestError, match="did not make"):
        steps.report(folder)
    assert (folder / "report" / "my-own.txt").read_text() == "mine"


def test_a_second_sitting_is_refused_or_reported_and_never_counted(study, sit):
    folder, _, _ = study
    with pytest.raises(BlindtestError, match="has had the one sitting that was planned"):
        steps.prepare_sitting(folder, listener="L-one")
    sit(folder, d_prime=9, seed=8, again=True)
    analysis = steps.analyze(folder)
    assert analysis.answers.planned_trials == 28
    assert sum(one.beyond_plan for one in analysis.answers.sittings) == 1
    assert "beyond the plan" in analysis.text()


def test_no_analysis_while_a_sitting_is_open_unless_on_record(study, sit):
    folder, _, _ = study
    sit(folder, listener="L-two", stop_after=5)
    for look in (steps.analyze, steps.report, steps.render):
        with pytest.raises(BlindtestError, match="sitting 2 is open"):
            look(folder)
    analysis = steps.analyze(folder, while_open="the organiser checks the storage")
    assert [one.listener for one in analysis.answers.listeners] == ["L-one"]
    with pytest.raises(BlindtestError, match="sitting 2 is open"):
        steps.analyze(folder)
    steps.abandon(folder, reason="ill")
    shown = steps.report(folder)
    assert any("the organiser checks the storage" in words for words in shown.facts.deviations)


def test_a_faulty_study_file_keeps_no_sitting_open(study, sit, tmp_path):
    folder, _, _ = study
    sit(folder, listener="L-two", stop_after=5)
    path = folder / "study.toml"
    path.write_text("[[[\n", encoding="utf-8")
    ended = steps.abandon(path, reason="ill")
    assert (ended.number, ended.state, ended.answered, ended.folder) == (2, "abandoned", 5, folder)
    with pytest.raises(BlindtestError, match="open: none"):
        steps.abandon(folder)
    empty = tmp_path / "empty"
    empty.mkdir()
    with pytest.raises(BlindtestError, match="there is no study file here"):
        steps.abandon(empty)
    (empty / "study.toml").write_text("format = 1\n", encoding="utf-8")
    with pytest.raises(Missing, match="nothing has been recorded yet"):
        steps.abandon(empty)
    assert not (empty / "study.db").exists()


def test_an_interrupted_sitting_goes_on_where_it_stopped(study, sit):
    folder, _, _ = study
    stopped = sit(folder, listener="L-two", stop_after=9).ended
    assert (stopped.state, stopped.answered, stopped.nonce) == ("open", 9, None)
    with steps.prepare_sitting(folder) as prepared:
        assert prepared.entry.listener == "L-two"
        assert prepared.sitting.trial == 9
        assert len(prepared.sitting.answers) == 9
        assert prepared.sitting.plan.commitment == stopped.commitment


def test_an_abandoned_sitting_counts_against_whichever_conclusion(study, sit):
    folder, _, _ = study
    sit(folder, listener="L-two", stop_after=11)
    ended = steps.abandon(folder)
    assert (ended.state, ended.answered) == ("abandoned", 11)
    analysis = steps.analyze(folder)
    concluded = analysis.answers.conclusion
    # One of the eleven was practice: 28 - 10 counted trials stay unanswered.
    assert concluded.unanswered == 18
    assert concluded.difference.trials == 56
    assert concluded.difference.correct == concluded.correct
    assert concluded.similarity.correct == concluded.correct + 18
    with pytest.raises(BlindtestError, match="open: none"):
        steps.abandon(folder)
    # Of somebody who answered nothing that counts, nothing is estimated; and the p beside an interval says its count.
    sit(folder, listener="L-none", stop_after=1)
    steps.abandon(folder)
    told = steps.analyze(folder).text()
    assert "p, unanswered as wrong" in told
    (row,) = (line for line in told.splitlines() if line.startswith("L-none"))
    assert row.split()[1:4] == ["0", "of", "0"]
    assert "%" not in row


def test_a_sitting_past_its_deadline_counts_as_abandoned(study, sit):
    folder, _, _ = study
    sit(folder, listener="L-two", stop_after=11)
    later = datetime.now(UTC) + timedelta(days=8)
    analysis = steps.analyze(folder, clock=lambda: later)
    assert analysis.answers.sittings[1].entry.state == "abandoned"
    assert analysis.answers.sittings[1].entry.reason == "deadline passed"


def test_a_listener_is_forgotten_and_the_record_still_verifies(study, sit):
    folder, _, _ = study
    sit(folder, listener="L-gone", seed=5)
    steps.report(folder)
    gone = steps.forget(folder, "L-gone")
    assert gone.sittings == (2,)
    assert gone.report_left
    for path in folder.glob("study.db*"):
        assert b"L-gone" not in path.read_bytes()
    verified = steps.verify(folder)
    assert verified.ok
    assert "rows withheld at the listener's request" in verified.text()
    analysis = steps.analyze(folder)
    assert analysis.answers.withheld == 1
    # Counted against the claim: as unanswered trials are, all of them wrong for *heard*, all of them right against it.
    (against,) = analysis.to_dict()["withheld_against"]
    assert against["trials"] == 28
    told = f"ends as {against['word']}"
    assert told in analysis.text()
    shown = steps.report(folder)
    assert any(told in words for words in shown.facts.deviations)
    assert "L-gone" not in shown.page.read_text()


def test_an_edited_answer_is_found(study):
    folder, _, _ = study
    with sqlite3.connect(folder / "study.db") as database:
        # The owner of the machine can take the triggers away, change a row, and put them back.
        triggers = database.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for name, _ in triggers:
            database.execute(f"DROP TRIGGER {name}")
        text = database.execute("SELECT row FROM content WHERE position = 7").fetchone()[0]
        other = text.replace('"response":"A"', '"response":"B"')
        other = other if other != text else text.replace('"response":"B"', '"response":"A"')
        database.execute("UPDATE content SET row = ? WHERE position = 7", (other,))
        for _, sql in triggers:
            database.execute(sql)
    verified = steps.verify(folder)
    assert verified.grade == "broken"
    assert not verified.ok


def test_a_study_changed_after_sealing_gets_another_seal_and_both_are_counted(study, sit):
    folder, _, _ = study
    path = folder / "study.toml"
    path.write_text(path.read_text().replace("test.trials = 28", "test.trials = 30"))
    ended = sit(folder, listener="L-two").ended
    assert ended.planned == 31
    analysis = steps.analyze(folder)
    assert [one.entry.number for one in analysis.answers.sittings] == [2]
    shown = steps.report(folder)
    told = "1 sitting of this folder stands under other seals: the study was changed in between"
    assert any(words.startswith(told) for words in shown.facts.deviations)
    assert told in analysis.text(), "whoever reads the statistics alone has to know it too"
    assert analysis.to_dict()["sittings_under_other_seals"] == 1
    assert shown.facts.seal.plans_sealed == 2


def test_whoever_changed_a_study_between_seal_and_sitting_is_told(study):
    folder, _, _ = study
    path = folder / "study.toml"
    text = path.read_text()
    path.write_text(text.replace("test.trials = 28", "test.trials = 30"))
    published = steps.seal(folder).study_seal.commitment
    path.write_text(text.replace("test.trials = 28", "test.trials = 32"))
    with steps.prepare_sitting(folder, listener="L-two") as prepared:
        told = prepared.announcement()
    assert f"Caution: the study was changed since it was sealed as {published[:16]}..., and nobody has sat" in told
    with steps.prepare_sitting(folder, listener="L-two") as prepared:
        assert "nobody has sat under that seal" in prepared.announcement(), "going on, too"


def test_a_comment_in_the_study_file_changes_no_seal(study):
    folder, _, _ = study
    path = folder / "study.toml"
    path.write_text(path.read_text() + "\n# a thought\n")
    assert not steps.seal(folder).study_seal.made_now


def test_a_changed_stimulus_stops_an_open_sitting(study, sit):
    folder, _, _ = study
    sit(folder, listener="L-two", stop_after=3)
    path = folder / "study.toml"
    path.write_text(path.read_text().replace("max_boost_db = 12", "max_boost_db = 3"))
    with pytest.raises(BlindtestError, match="not rendered, or something that goes in has changed"):
        steps.prepare_sitting(folder, listener="L-two")


def test_a_study_nobody_sat_in_says_so(own_study):
    with pytest.raises(Missing, match="nothing has been recorded yet"):
        steps.analyze(own_study)


def test_the_seal_exists_before_anybody_listens(own_study):
    steps.render(own_study)
    shown = steps.seal(own_study)
    assert shown.study_seal.made_now
    assert shown.line.endswith(shown.study_seal.commitment)
    assert not shown.sittings
    with steps.prepare_sitting(own_study, listener="L-x") as prepared:
        assert prepared.study_seal.commitment == shown.study_seal.commitment
        assert prepared.sitting.plan.record["study_seal"] == shown.study_seal.commitment


def test_the_same_entropy_gives_the_same_record(own_study, tmp_path):
    """Nothing but entropy and clock is drawn: two runs with the same of both agree to the last hash."""
    steps.render(own_study)
    heads = []
    for run in range(2):
        folder = tmp_path / f"run{run}"
        shutil.copytree(own_study, folder)
        drawn = iter(range(10**6))

        def entropy(count, drawn=drawn):
            return next(drawn).to_bytes(4, "big") * (count // 4)

        rng = np.random.default_rng(1)
        clock = simulated_clock(BEGINS, rng)
        with steps.prepare_sitting(folder, listener="L", clock=clock, entropy=entropy) as prepared:
            plan = prepared.sitting.plan
            simulate_sitting(plan, SimulatedListener(pseudonym="L", d_prime=1), rng, clock, save=prepared.answered)
            heads.append(prepared.result().head)
    assert heads[0] == heads[1]


def test_two_files_make_a_study_at_once(tmp_path, monkeypatch, sit):
    import soundfile

    monkeypatch.chdir(tmp_path)
    rng = np.random.default_rng(9)
    noise = rng.standard_normal((48_000 * 3, 2)) * 0.1
    soundfile.write("A.wav", noise, 48_000, subtype="PCM_24")
    soundfile.write("B.flac", noise[: 48_000 * 2 + 77] * 0.5, 48_000)
    folder = steps.pair(tmp_path / "A.wav", tmp_path / "B.flac")
    assert folder.name == "A-against-B"
    assert steps.pair(tmp_path / "A.wav", tmp_path / "B.flac").name == "A-against-B-2"
    shown = steps.render(folder)
    after = [row.heard_after for row in shown.rendered.table]
    assert max(after) - min(after) < 0.01
    assert {stimulus.frames for stimulus in shown.rendered.stimuli} == {48_000 * 2 + 77}
    ended = sit(folder).ended
    assert ended.state == "finished"


def test_a_pseudonym_is_drawn_where_none_is_given(own_study):
    with steps.prepare_sitting(own_study) as prepared:
        assert prepared.entry.listener.startswith("L-")
        assert len(prepared.entry.listener) == 7


def test_json_of_every_step_can_be_held(study):
    folder, ended, _ = study
    for shown in (
        steps.check(folder), steps.render(folder), steps.analyze(folder), steps.seal(folder), steps.verify(folder),
        steps.report(folder), ended, steps.power(trials=20), steps.doctor(folder),
    ):  # fmt: skip
        json.dumps(shown.to_dict(), allow_nan=False)


def test_printed_render_names_no_file(study):
    folder, _, _ = study
    shown = steps.render(folder)
    said = shown.text() + json.dumps(shown.to_dict())
    for path in (folder / "stimuli").glob("*.wav"):
        assert path.stem not in said


def test_json_of_a_study_keeps_to_the_schema(study):
    from importlib.resources import files

    from jsonschema import Draft202012Validator

    schema = json.loads(files("blindtest.cli").joinpath("results.schema.json").read_text(encoding="utf-8"))
    validator = Draft202012Validator(schema)
    folder, ended, _ = study
    shown = {
        "render": steps.render(folder),
        "analyze": steps.analyze(folder),
        "seal": steps.seal(folder),
        "verify": steps.verify(folder),
        "report": steps.report(folder),
        "listen": ended,
        "forget": steps.forget(folder, "L-one"),
    }
    for command, value in shown.items():
        validator.validate(json.loads(json.dumps({"schema_version": 1, "command": command, **value.to_dict()})))


def test_a_clip_with_the_id_of_a_condition_is_refused(own_study):
    """Where both are named to a listener, one would be read as the other."""
    path = own_study / "study.toml"
    path.write_text(path.read_text(encoding="utf-8").replace('id = "one"', 'id = "first"'), encoding="utf-8")
    (fault,) = [fault for fault in steps.check(own_study).faults if "first" in str(fault)]
    assert fault.line is not None
    assert "condition" in fault.problem, str(fault)


def test_where_nothing_was_answered_no_answers_are_told():
    told = conclusion_lines(conclude(0, 0, unanswered=28, method="abx", margin=0.5), many=False)
    assert told[1] == "No trial that counts was answered."
    assert told[2].startswith("Counted as wrong: 0 of 28 right")
    told = conclusion_lines(conclude(1, 1, unanswered=27, method="abx", margin=0.5), many=False)
    assert told[1].startswith("1 of 1 right")
