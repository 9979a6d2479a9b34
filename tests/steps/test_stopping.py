"""A study whose sittings end by a sealed rule, from `new` to `verify`; numbers held against counts by hand."""

import json
import runpy
import shutil
import sqlite3
from importlib.resources import files
from math import comb
from pathlib import Path

import numpy as np
import pytest
import soundfile

from blindtest import steps
from blindtest.errors import BlindtestError, WrongUse
from blindtest.session import SimulatedListener
from blindtest.stats import peeking_error
from blindtest.study import resources

H = runpy.run_path(str(Path(__file__).with_name("test_protocols.py")))
sit, analyzed, reported, recorded, edit, held, day = (
    H[name] for name in ("sit", "analyzed", "reported", "recorded", "edit", "held", "day")
)
USE = 'use = "abx"\n'


@pytest.fixture(scope="module")
def two_files(tmp_path_factory):
    """Return a rendered study of two files, as quick to make as a study can be."""
    place = tmp_path_factory.mktemp("two")
    sound = 0.1 * np.random.default_rng(1).standard_normal((24_000, 1))
    for name, frames in (("one", sound), ("two", 0.5 * sound + 0.05 * np.roll(sound, 3, axis=0))):
        soundfile.write(place / f"{name}.wav", frames, 24_000, subtype="PCM_24")
    folder = steps.pair(place / "one.wav", place / "two.wav", folder=place / "study")
    steps.render(folder)
    return folder


@pytest.fixture
def ruled(two_files, tmp_path):
    """Return the maker of a study by the protocol abx-stopping, with other numbers of its rule where some are given."""

    def make(changes="", more=()):
        folder = shutil.copytree(two_files, tmp_path / "study")
        changed = f"\n[protocol.changes]\n{changes}\n" if changes else ""
        edit(folder, (USE, f'use = "abx-stopping"\n{changed}'), *more)
        return folder

    return make


def test_a_listener_who_hears_is_done_after_eight(ruled):
    folder = ruled()
    ended = sit(folder, SimulatedListener(pseudonym="L-keen", d_prime=6.0))
    # Wald, by hand: n right of n reach ln(.95/.05) = 2.944 in steps of ln 1.5 = .405 at n = 8 (7: 2.838).
    assert (ended.state, ended.answered, ended.planned, ended.by_rule) == ("finished", 12, 64, True)
    assert "finished, 12 of at most 64 answered. Its sealed stopping rule ended it there." in ended.text()
    said, told = analyzed(folder)
    claim = told["claims"][0]
    conclusion = claim["stopped"]["conclusion"]
    assert (claim["word"], claim["heard"], conclusion["correct"], conclusion["trials"]) == ("shown", None, 8, 8)
    assert claim["p_value"] == pytest.approx(2**-8, rel=1e-9)
    # One-sided 95 % limit after 8 of 8, the first possible end: the p at which p^8 = .05.
    assert conclusion["sittings"][0]["lower_limit"] == pytest.approx(0.05 ** (1 / 8), abs=1e-7)
    assert "L-keen: 8 of 8 right, ended by the rule, with more right than by guessing." in said
    assert told["sittings"][0]["planned"] == told["sittings"][0]["answered"] == 8
    page, block, rows = reported(folder)
    page = page.replace("\N{NO-BREAK SPACE}", " ")
    assert "at most 60 trials in a sitting" in page
    assert "block test ends by a sealed sequential probability ratio test, after 60 trials" in page
    assert "No sitting has been finished yet" not in page
    assert "unanswered" not in page.replace("stayed unanswered", "").split("Every trial")[1].split("</table>")[0]
    assert "**Result: shown.**" in block
    assert len(rows) == 12
    verified = steps.verify(folder)
    assert verified.ok
    assert "holds: sitting 1: it ended where its sealed stopping rule says" in verified.text()


def test_a_guesser_ends_as_negligible_and_both_seals_hold_the_same_table(ruled):
    folder = ruled()
    sit(folder, SimulatedListener(pseudonym="L-deaf", d_prime=0.0), seed=4)
    _, told = analyzed(folder)
    conclusion = told["claims"][0]["stopped"]["conclusion"]
    assert (told["claims"][0]["word"], conclusion["sittings"][0]["how"]) == ("negligible", "low")
    assert told["claims"][0]["p_value"] == conclusion["margin_p_value"] <= 0.05
    with sqlite3.connect(folder / "study.db") as database:
        seals = [json.loads(text) for (text,) in database.execute("SELECT record FROM seals")]
    study = next(record for record in seals if record["kind"] == "study seal")
    plan = next(record for record in seals if record["kind"] == "sitting plan")
    tables = [record["protocol"]["blocks"][1]["stopping"] for record in (study, plan)]
    assert tables[0] == tables[1]
    assert (tables[0]["rule"], tables[0]["alpha"], tables[0]["margin"]) == ("sprt", 0.05, 0.5)
    assert "ratio" in study["stopping"]
    assert "stagewise" in study["analysis"]["stopped"]
    # Where the sealed numbers say, and nowhere before: by hand over the rows of the database.
    rows = [row for row in recorded(folder) if row["phase"] == "blind"]
    right = 0
    for trial, row in enumerate(rows, start=1):
        right += row["correct"] == "true"
        low, high = tables[0]["low"][trial - 1], tables[0]["high"][trial - 1]
        over = (low is not None and right <= low) or (high is not None and right >= high)
        assert over == (trial == len(rows))


def test_a_sitting_stopped_off_counts_against_every_word_up_to_its_last_trial(ruled):
    folder = ruled()
    sit(folder, SimulatedListener(pseudonym="L-keen", d_prime=6.0), stop_after=4 + 7)
    steps.abandon(folder, reason="had to go", clock=lambda: day(1))
    said, told = analyzed(folder)
    conclusion = told["claims"][0]["stopped"]["conclusion"]
    assert (told["claims"][0]["word"], conclusion["unanswered"], conclusion["trials"]) == ("open", 53, 7)
    assert "up to 53 trials of sittings stopped off count against it" in said
    assert steps.verify(folder).ok


def test_two_listeners_with_a_few_looks(ruled):
    changes = 'test.trials = 40\ntest.stopping = { rule = "group-sequential", looks = [20, 40] }'
    folder = ruled(changes, more=(("\n[protocol]\n", "\n[listeners]\nplanned = 2\n\n[protocol]\n"),))
    for name in ("L-1", "L-2"):
        sit(folder, SimulatedListener(pseudonym=name, d_prime=6.0))
    said, told = analyzed(folder)
    conclusion = told["claims"][0]["stopped"]["conclusion"]
    assert [(one["trials"], one["how"]) for one in conclusion["sittings"]] == [(20, "high")] * 2
    p = conclusion["sittings"][0]["p_value"]
    # At the first look no ending lies beyond but those with as many right or more.
    correct = conclusion["sittings"][0]["correct"]
    assert p == pytest.approx(sum(comb(20, k) for k in range(correct, 21)) / 2**20, rel=1e-9)
    assert "Fisher's method" in said
    assert told["claims"][0]["word"] == "shown"


def test_an_e_process_is_told_by_its_e_values(ruled):
    folder = ruled('test.stopping = { rule = "e-process" }')
    sit(folder, SimulatedListener(pseudonym="L-keen", d_prime=6.0))
    said, told = analyzed(folder)
    conclusion = told["claims"][0]["stopped"]["conclusion"]
    # E of 7 of 7 right: 2^8 B(8, 1) (1 - 2^-8) = (2^8 - 1)/8, the first above 20.
    assert conclusion["trials"] == 7
    assert conclusion["e_value"] == pytest.approx(255 / 8, rel=1e-9)
    assert "E-value against guessing 31.9" in said


def test_what_is_left_of_a_record_that_was_cut_or_gone_on_with_is_found(ruled):
    """A sitting called finished where its rule goes on: as if somebody had stopped it when it looked good."""
    from blindtest.session.store import Store

    folder = ruled()
    sit(folder, SimulatedListener(pseudonym="L-keen", d_prime=6.0), stop_after=4 + 6)
    with Store(folder / "study.db", entropy=lambda size: bytes(size), create=False) as store:
        store.set_state(1, "finished", at=day(1))
    verified = steps.verify(folder)
    assert not verified.ok
    assert (
        "FAILS: sitting 1: it ended where its sealed stopping rule says: it is called finished after 10 trials, where "
        "the rule goes on" in verified.text()
    )


CANNOT = 'test.trials = 20\ntest.margin = 0.2\ntest.stopping = { rule = "sprt" }'


def test_a_plan_that_cannot_refute_its_claim_is_refused_and_never_sealed(ruled):
    folder = ruled(CANNOT)
    checked = steps.check(folder)
    held(("check", checked))
    (fault,) = checked.faults
    text = str(fault)
    assert "the claim can't fail: a guesser ends as negligible with chance" in text
    assert "got sprt, at most 20 trials, margin 0.2" in text or "sprt, at most 20 trials, margin 0.2" in text
    assert "would do" in text
    assert fault.line is not None
    with pytest.raises(BlindtestError, match="the claim can't fail"):
        sit(folder, SimulatedListener(pseudonym="L", d_prime=0.0))
    with sqlite3.connect(folder / "study.db") as database:
        assert database.execute("SELECT count(*) FROM seals").fetchone() == (0,)


def test_what_check_says_of_a_rule_is_what_power_says(ruled):
    told = held(("check", steps.check(ruled())))
    asked = {"method": "abx", "stopping": "sprt", "trials": 60, "margin": 0.5}
    planned = held(("power", steps.planned(**asked)))
    assert told["plans"][0]["sentence"] == planned["stopping"]["plan"]["sentence"]
    assert told["plans"][0]["chance_to_fail"] == planned["stopping"]["plan"]["chance_negligible"]
    assert (told["plans"][0]["trials"], told["plans"][0]["rule"]) == (60, "sprt")


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ('{ rule = "sprint" }', "did you mean 'sprt'?"),
        ('{ rule = "sprt", looks = 4 }', "the rule sprt doesn't read it"),
        ('{ rule = "e-process", beta = 0.1 }', "the rule e-process doesn't read it"),
        ('{ rule = "group-sequential" }', "write looks = 4, or numbers of trials in [ ]"),
        ('{ rule = "group-sequential", looks = [20, 40] }', "the last look is at the last trial"),
        ('{ rule = "group-sequential", looks = [40, 20, 60] }', "neither a number of looks nor a list of numbers"),
        ('{ rule = "sprt", beta = 0.5 }', "out of range"),
        ('{ rule = "sprt", alpha = 0.01 }', "unknown key"),
    ],
)
def test_a_rule_that_is_written_wrongly_gets_one_line(ruled, written, said):
    faults = [str(fault) for fault in steps.check(ruled(f"test.stopping = {written}")).faults]
    assert len(faults) == 1, faults
    assert said in faults[0]


def test_a_claim_on_some_of_the_clips_goes_with_no_rule(ruled):
    """Of two claims one is about a clip alone, and the rule counts the answers on both."""
    clips = '\n[[clip]]\nid = "other"\nfile = "clips/b.wav"\n\n[[clip]]\n'
    stage = 'files = { pair = "clips/a.wav" }', 'files = { pair = "clips/a.wav", other = "clips/a.wav" }'
    other = 'files = { pair = "clips/b.wav" }', 'files = { pair = "clips/b.wav", other = "clips/b.wav" }'
    pair = 'device = "a"\ncomparator = "b"\n'
    claims = f'\n[[claim]]\nid = "c"\nkind = "heard"\n{pair}clips = ["other"]\n\n[protocol]\n'
    folder = ruled(more=(("\n[[clip]]\n", clips), stage, other, ("\n[protocol]\n", claims)))
    # Only the clip that the claim is about is tested: then the rule counts nothing else.
    assert not steps.check(folder).faults
    preferred = f'\n[[claim]]\nid = "p"\nkind = "preferred"\n{pair}margin = 0.3\n\n[protocol]\n'
    edit(folder, ("\n[protocol]\n", preferred), ('use = "abx-stopping"', 'use = "own.toml"'))
    own = (resources("protocols") / "abx-stopping.toml").read_text()
    own = own.replace('decides = ["heard"]', 'decides = ["heard", "preferred"]')
    liking = '[[block]]\nid = "liking"\nphase = "blind"\nmethod = "preference"\ntrials = 24\n\n'
    (folder / "own.toml").write_text(
        own.replace("[[block]]                                # a", f"{liking}[[block]]  # a")
    )
    (fault,) = [str(fault) for fault in steps.check(folder).faults]
    assert "block test ends by a rule that counts the answers on every clip" in fault
    # And a block behind it would be answered by somebody who knows that the first has ended.
    (folder / "own.toml").write_text(own + "\n" + liking)
    assert any("a block that may end early stands last" in str(fault) for fault in steps.check(folder).faults)


def test_the_figures_of_the_guide_are_those_of_the_plans():
    page = (files("blindtest") / "guide" / "stopping.md").read_text(encoding="utf-8")
    for rule in ("sprt", "group-sequential", "e-process"):
        found = steps.planned("abx", stopping=rule).chances
        name = f"`{rule}`, 4 looks" if rule == "group-sequential" else f"`{rule}`"
        shown, negligible, wrong = (
            f"{one:.{digits}f}"[1:]
            for one, digits in (
                (found.chance_shown, 2),
                (found.chance_negligible, 2),
                (found.chance_shown_by_guessing, 3),
            )
        )
        trials = f"{found.expected_if_heard:.0f} and {found.expected_if_guessing:.0f}"
        assert f"| {name} | {shown} | {negligible} | {trials} | {wrong} |" in page
    assert peeking_error(50) == pytest.approx(1 / 6, abs=0.01)
    assert "one of six" in page


def test_numbers_that_a_rule_of_power_has_no_use_for_are_refused():
    for asked, said in (
        ({"stopping": "sprt", "looks": (4,)}, "--looks: a plan with the stopping rule sprt has no use for this"),
        ({"stopping": "e-process", "beta": 0.1}, "--beta: a plan with the stopping rule e-process has no use"),
        ({"stopping": "sprt", "minutes": 20.0}, "--minutes: a plan with the stopping rule sprt has no use"),
        ({"stopping": "peek"}, "--stopping: no such stopping rule, got 'peek'"),
        ({"stopping": "group-sequential", "spending": "late"}, "--spending: no such way to spend alpha"),
        ({"stopping": "group-sequential", "looks": (10.0, 20.0)}, "the last look is after the last trial"),
    ):
        with pytest.raises(WrongUse, match=said):
            steps.planned("abx", **asked)
    with pytest.raises(WrongUse, match="a rule counts answers that are right or wrong"):
        steps.planned("preference", stopping="sprt")
