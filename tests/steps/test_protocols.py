"""Each protocol on own files, step by step: from `new` to a verdict that is computed here a second time.

Simulated listeners sit in front of the page, on simulated days. Numbers are held against scipy, and against counts from
the trial table that the report publishes.
"""

import csv
import json
import re
import runpy
import shutil
import sqlite3
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from importlib.resources import files
from itertools import count
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats as scipy_stats

from blindtest import steps
from blindtest.cli.commands import main
from blindtest.errors import BlindtestError
from blindtest.session import Liking, Opinion, SimulatedListener, simulate_sitting, simulated_clock

D = runpy.run_path(str(Path(__file__).parents[1] / "drawn_intervals.py"))
apart, drawings = D["apart"], D["drawings"]

BEGINS = datetime(2026, 5, 6, 9, 0, tzinfo=UTC)
WORDS = "Well made,  and the voices sit\nwhere they should; I could not put it down."
QUALITY = {"first": 66.0, "second": 44.0, "low-anchor": 12.0, "high-anchor": 88.0}


def day(number):
    """Return a morning: day 0, 1, 2 ..."""
    return BEGINS + timedelta(days=number)


def drawn(*seed):
    """Return `entropy(n)` that follows from a seed, so that a test comes out alike on every run."""
    counted = count()
    return lambda size: sha256(f"{seed}/{next(counted)}".encode()).digest()[:size]


def sit(folder, listener, *, on=0, seed=1, stop_after=None, **options):
    """Let a simulated listener sit on a day, as `blindtest listen` lets a person."""
    rng = np.random.default_rng([seed, on, *listener.pseudonym.encode()])
    clock, entropy = simulated_clock(day(on), rng, step_s=1.0), drawn(seed, on, listener.pseudonym)
    with steps.prepare_sitting(
        folder, listener=listener.pseudonym, clock=clock, entropy=entropy, **options
    ) as prepared:
        sitting = simulate_sitting(
            prepared.sitting.plan, listener, rng, clock, study=prepared.sitting.study, save=prepared.answered,
            stop_after=stop_after,
        )  # fmt: skip
        if sitting.over:
            prepared.ended(sitting, clock())
        return prepared.result()


def analyzed(folder, on=40, **options):
    """Return what `analyze` says, as text and as JSON that keeps to its schema."""
    analysis = steps.analyze(folder, clock=lambda: day(on), **options)
    return analysis.text(), held(("analyze", analysis))


def held(shown):
    """Return a result as `--json` prints it, held against the schema that is shipped."""
    from jsonschema import Draft202012Validator

    command, value = shown
    printed = {"schema_version": 1, "command": command, **value.to_dict()}
    said = json.loads(json.dumps(printed, allow_nan=False))
    schema = json.loads(files("blindtest.cli").joinpath("results.schema.json").read_text(encoding="utf-8"))
    Draft202012Validator(schema).validate(said)
    return said


def reported(folder, on=40, **options):
    """Return the report's page, its Markdown, and the rows of its trial table."""
    with drawings() as seen:
        shown = steps.report(folder, clock=lambda: day(on), **options)
    held(("report", shown))
    for claim in evident(shown.evidence):
        assert apart(claim, seen) == "", claim["id"]
    page = shown.page.read_text(encoding="utf-8")
    assert "http://" not in page.replace("http://www.w3.org", "")
    assert not re.search(r">\s*(nan|None|inf)\s*<", page)
    with shown.table.open(encoding="utf-8", newline="") as stream:
        return page, shown.block.read_text(encoding="utf-8"), list(csv.DictReader(stream))


def evident(bundle):
    """Hold the evidence bundle's results against their schema, and all of it against the verifier that lies in it.

    Returns the claims as published.
    """
    from jsonschema import Draft202012Validator

    results, schema = (json.loads((bundle / f"results{end}").read_text("utf-8")) for end in (".json", ".schema.json"))
    Draft202012Validator(schema).validate(results)
    for claim in results["claims"]:
        numbers = (claim["estimate"], *(claim["interval"] or ()))
        assert claim["why_not"] or claim["effects"] == [] or len(numbers) == 3, claim["id"]
    ran = subprocess.run(
        [sys.executable, "-S", "-I", bundle / "verify.py"], capture_output=True, text=True, check=False, timeout=60
    )
    assert ran.returncode == 0, ran.stdout + ran.stderr
    return results["claims"]


def recorded(folder):
    """Return the rows of a study's trial table as its CSV has them, read from the database without our code."""
    with sqlite3.connect(folder / "study.db") as database:
        found = [json.loads(text) for (text,) in database.execute("SELECT row FROM content ORDER BY sitting, position")]
    words = {True: "true", False: "false", None: ""}
    return [
        {key: words[value] if value is None or isinstance(value, bool) else str(value) for key, value in row.items()}
        for row in found
    ]


def edit(folder, *changes):
    path = folder / "study.toml"
    text = path.read_text(encoding="utf-8")
    for before, after in changes:
        assert text.count(before) == 1, before
        text = text.replace(before, after)
    path.write_text(text, encoding="utf-8")


@pytest.fixture(scope="module")
def rendered(tmp_path_factory, fill_in_protocol):
    """Return the maker of rendered studies: each kind is made once, and copied for every test that changes it."""
    made = {}

    def make(protocol, target, **filled):
        key = (protocol, *sorted(filled.items()))
        if key not in made:
            place = tmp_path_factory.mktemp(protocol) / "my-study"
            main(["new", str(place), "--protocol", protocol, "--quiet"], standalone_mode=False)
            fill_in_protocol(place, **filled)
            checked = steps.check(place)
            assert not checked.faults, "\n".join(map(str, checked.faults))
            held(("check", checked))
            steps.render(place)
            made[key] = place
        return shutil.copytree(made[key], target)

    return make


@pytest.fixture
def own(rendered, tmp_path):
    return lambda protocol, **filled: rendered(protocol, tmp_path / "my-study", **filled)


# What `check` prints before anybody listens


@pytest.mark.parametrize("protocol", ["tuning", "preference", "survival", "short"])
def test_an_untouched_template_is_told_what_to_fill_in(protocol, tmp_path, capsys):
    main(["new", str(tmp_path / "s"), "--protocol", protocol, "--quiet"], standalone_mode=False)
    with pytest.raises(SystemExit) as left:
        main(["check", str(tmp_path / "s")], standalone_mode=False)
    assert left.value.code == 1
    said = capsys.readouterr().err
    assert "reviewer: empty" in said
    assert "matches no file" in said
    assert "Traceback" not in said


def test_check_prints_how_each_plan_refutes_its_claim(own, tmp_path, rendered):
    """claims.md 2: with a stated chance; 20 pairs: 15 or more, power .80 at a true preference of .8 (claims.md 6)."""
    tuning = steps.check(own("tuning")).text()
    assert "19 or more right show a difference" in tuning
    assert "6 or fewer refute it" in tuning
    short = rendered("short", tmp_path / "short")
    said = steps.check(short).text()
    power = scipy_stats.binom.sf(14, 20, 0.8)
    assert f"15 or more for the device show a preference (chance {power:.2f} at" in said
    refuted = scipy_stats.binom.cdf(5, 20, 0.2)
    assert f"5 or fewer refute it (chance {refuted:.2f} at 0.2)" in said
    plans = steps.check(short).to_dict()["plans"]
    assert plans[0]["chance_to_fail"] == pytest.approx(refuted, rel=1e-9)


def test_a_plan_that_can_refute_nothing_is_refused_everywhere(own):
    folder = own("short")
    edit(folder, ("# test.trials = 20", "[protocol.changes]\ntest.trials = 6"))
    assert any("the claim can't fail" in fault.problem for fault in steps.check(folder).faults)
    for look in (steps.seal, steps.render, lambda place: sit(place, SimulatedListener(pseudonym="L"))):
        with pytest.raises(BlindtestError, match="the claim can't fail"):
            look(folder)
    assert not (folder / "study.db").exists()


# Tuning: heard and preferred are two questions


def tuner(**more):
    liking = Liking(utility={"corrected": 1.6, "native": 0.0}, first_bias=0.2)
    return SimulatedListener(pseudonym="L-tune", d_prime=3.0, liking=liking, **more)


@pytest.mark.usefixtures("drawn")
def test_tuning_from_own_files_to_two_conclusions(own):
    folder = own("tuning")
    sealed = held(("seal", steps.seal(folder)))
    ended = sit(folder, tuner())
    held(("listen", ended))
    text, said = analyzed(folder)
    page, block, rows = reported(folder)
    heard, liked = said["claims"]
    assert (heard["id"], heard["primary"], liked["id"], liked["primary"]) == ("heard", True, "liked", False)
    abx = [row for row in rows if row["block"] == "test"]
    right = sum(row["correct"] == "true" for row in abx)
    assert len(abx) == 28
    # scipy.stats.binomtest: exact one-sided p of that many right or more.
    assert heard["p_value"] == pytest.approx(scipy_stats.binomtest(right, 28, alternative="greater").pvalue, rel=1e-12)
    assert f"{right} of 28" in text
    assert f"{right} of 28" in page
    pairs = [row for row in rows if row["block"] == "liking"]
    wins = sum(dict(one.split("=") for one in row["order"].split("|"))[row["response"]] == "corrected" for row in pairs)
    assert len(pairs) == 24
    assert (liked["preferred"]["conclusion"]["wins"], liked["preferred"]["conclusion"]["losses"]) == (wins, 24 - wins)
    assert liked["p_value"] == pytest.approx(scipy_stats.binomtest(wins, 24).pvalue, rel=1e-12)
    assert liked["adjusted_p_value"] is None
    assert {row["block"] for row in rows if row["phase"] == "practice"} == {"practice"}
    assert "corrected" in block
    verified = held(("verify", steps.verify(folder)))
    assert verified["grade"] == "consistent"
    anchored = steps.verify(folder, published=[sealed["study_seal"], ended.commitment, ended.head])
    assert anchored.grade == "anchored"


def test_the_correction_stands_in_the_report_with_what_it_leaves(own):
    folder = own("tuning")
    sit(folder, tuner())
    shown = steps.report(folder, clock=lambda: day(1))
    (correction,) = shown.facts.corrections
    assert correction.condition == "corrected"
    page = shown.page.read_text(encoding="utf-8")
    assert "headroom" in page
    assert "the correction of A headphone of mine towards measurements/wanted.csv from 20 to 8000 Hz" in page
    # The filter never boosts above the limit that the study file states, and leaves what lies outside its band alone.
    assert correction.gain_db.max() <= 6.0 + 1e-6
    assert np.abs(correction.response_db + correction.gain_db - correction.target_db - correction.error_db).max() < 1e-6
    assert correction.rms_error_db < correction.rms_before_db
    assert any(one.by == "notch" for one in correction.held_back), "the notch at 5.6 kHz is not filled"


# Preference: exact sign tests


def chooser(utility, pseudonym="L-chooses", **more):
    return SimulatedListener(pseudonym=pseudonym, liking=Liking(utility=utility, **more))


def wins_in(rows, device="first"):
    counted = [row for row in rows if row["phase"] == "blind"]
    chosen = [dict(one.split("=") for one in row["order"].split("|")).get(row["response"], "none") for row in counted]
    return sum(one == device for one in chosen), sum(one == "none" for one in chosen), len(chosen)


@pytest.mark.usefixtures("drawn")
def test_preference_is_the_sign_test_of_scipy(own):
    folder = own("preference")
    sit(folder, chooser({"first": 1.4, "second": 0.0}))
    text, said = analyzed(folder)
    page, _, rows = reported(folder)
    wins, ties, trials = wins_in(rows)
    assert (ties, trials) == (0, 36)
    (claim,) = said["claims"]
    expected = scipy_stats.binomtest(wins, trials)
    assert claim["p_value"] == pytest.approx(expected.pvalue, rel=1e-12)
    interval = expected.proportion_ci(0.95, method="exact")
    assert claim["preferred"]["conclusion"]["answered"]["interval"] == pytest.approx(list(interval), abs=1e-9)
    assert claim["word"] == ("shown" if expected.pvalue <= 0.05 and wins > 18 else claim["word"])
    assert f"Preferred in {wins} of {trials}" in text
    assert f"{wins} of {trials}" in page


def test_each_clip_has_either_first_equally_often(own):
    """Order is balanced over each clip: 36 pairs of one clip, 18 with each first."""
    folder = own("preference")
    sit(folder, chooser({"first": 0.0, "second": 0.0}))
    rows = recorded(folder)
    firsts = [row["order"].split("|")[0].split("=")[1] for row in rows if row["phase"] == "blind"]
    assert firsts.count("first") == firsts.count("second") == 18


def test_a_sealed_direction_is_tested_on_one_side(own):
    """claims.md 6: 16 pairs with sealed direction, 12 of 16 (p = .038)."""
    folder = own(
        "short",
        changes=("test.trials = 16",),
        edits=(('# direction = "two-sided" ', 'direction = "claimed" '),),
    )
    assert "12 or more for the device show a preference" in steps.check(folder).text()
    sit(folder, chooser({"first": 1.2, "second": 0.0}))
    _, said = analyzed(folder)
    wins, _, trials = wins_in(recorded(folder))
    assert trials == 16
    (claim,) = said["claims"]
    against = claim["preferred"]["conclusion"]["against"]
    expected = scipy_stats.binomtest(wins, 16, alternative="greater").pvalue
    assert against["p_value"] == pytest.approx(expected, rel=1e-12)
    assert claim["word"] == "shown" or wins < 12


@pytest.mark.parametrize(("utility", "word"), [(50.0, "shown"), (-50.0, "refuted")])
def test_one_of_the_two_is_never_chosen(own, utility, word):
    folder = own("short")
    sit(folder, chooser({"first": utility, "second": 0.0}))
    text, said = analyzed(folder)
    (claim,) = said["claims"]
    assert claim["word"] == word
    assert claim["preferred"]["strengths"] is None or claim["preferred"]["why_no_strengths"] == ""
    # 2 x 2**-20: all or none of twenty.
    assert claim["p_value"] == pytest.approx(2 * 0.5**20, rel=1e-12)
    page, _, _ = reported(folder)
    assert word in page
    assert not re.search(r"\bnan\b", text)


def test_all_ties_decide_nothing(own):
    folder = own("preference", changes=("test.ties = true",))
    sit(folder, chooser({"first": 0.0, "second": 0.0}, tie_threshold=1e9))
    text, said = analyzed(folder)
    (claim,) = said["claims"]
    concluded = claim["preferred"]["conclusion"]
    assert (concluded["wins"], concluded["losses"], concluded["ties"]) == (0, 0, 36)
    assert claim["word"] == "open"
    assert claim["p_value"] == 1
    assert "No trial ended with a preference" in text
    page, block, rows = reported(folder)
    assert wins_in(rows) == (0, 36, 36)
    assert "open" in page
    assert "open" in block


def test_some_ties_are_counted_apart(own):
    folder = own("preference", changes=("test.ties = true",))
    sit(folder, chooser({"first": 1.5, "second": 0.0}, tie_threshold=0.8))
    _, said = analyzed(folder)
    wins, ties, trials = wins_in(recorded(folder))
    assert 0 < ties < trials
    (claim,) = said["claims"]
    assert claim["preferred"]["conclusion"]["ties"] == ties
    assert claim["p_value"] == pytest.approx(scipy_stats.binomtest(wins, trials - ties).pvalue, rel=1e-12)


# Short: twenty minutes at night


def test_short_counts_twenty_pairs_and_no_practice(own):
    folder = own("short")
    ended = sit(folder, chooser({"first": 1.5, "second": 0.0}))
    assert (ended.state, ended.answered, ended.planned) == ("finished", 24, 24)
    _, said = analyzed(folder)
    wins, _, trials = wins_in(recorded(folder))
    assert trials == 20
    (claim,) = said["claims"]
    assert claim["p_value"] == pytest.approx(scipy_stats.binomtest(wins, 20).pvalue, rel=1e-12)
    assert claim["word"] == "shown" or wins < 15


def test_a_sitting_left_in_the_middle_counts_against_the_claim(own):
    folder = own("short")
    listener = chooser({"first": 50.0, "second": 0.0})
    sit(folder, listener, stop_after=4 + 9)
    for look in (steps.analyze, steps.report):
        with pytest.raises(BlindtestError, match="sitting 1 is open"):
            look(folder, clock=lambda: day(0) + timedelta(hours=1))
    ended = steps.abandon(folder, reason="the phone rang", clock=lambda: day(0) + timedelta(hours=2))
    held(("abandon", ended))
    _, said = analyzed(folder)
    (claim,) = said["claims"]
    concluded = claim["preferred"]["conclusion"]
    assert (concluded["wins"], concluded["losses"], concluded["unanswered"]) == (9, 0, 11)
    # As losses against the claim: 9 of 20. The nine alone would show it: p = 2 x 2**-9 = .0039.
    assert concluded["against"]["p_value"] == pytest.approx(scipy_stats.binomtest(9, 20).pvalue, rel=1e-12)
    assert (claim["word"], concluded["word_if_answered_only"]) == ("open", "shown")
    page, _, rows = reported(folder)
    assert len(rows) == 13
    assert "the phone rang" in page


def test_a_sitting_past_its_deadline_is_over(own):
    folder = own("short")
    sit(folder, chooser({"first": 0.0, "second": 0.0}), stop_after=10)
    text, _ = analyzed(folder, on=2)
    assert "1 abandoned" in text
    with pytest.raises(BlindtestError, match="has had the one sitting that was planned"):
        sit(folder, chooser({"first": 0.0, "second": 0.0}), on=3)


@pytest.mark.usefixtures("drawn")
def test_a_sitting_with_no_answer_at_all_ends_in_a_defined_word(own):
    folder = own("short")
    with steps.prepare_sitting(folder, listener="L-gone", clock=lambda: day(0)):
        pass
    steps.abandon(folder, clock=lambda: day(0))
    text, said = analyzed(folder)
    assert said["claims"][0]["word"] == "open"
    assert said["claims"][0]["preferred"]["conclusion"]["unanswered"] == 20
    page, _, rows = reported(folder)
    assert rows == []
    assert "open" in page
    assert not re.search(r"\bnan\b", text)


def test_one_more_sitting_than_planned_is_reported_and_never_counted(own):
    folder = own("short")
    sit(folder, chooser({"first": 50.0, "second": 0.0}))
    sit(folder, chooser({"first": -50.0, "second": 0.0}), on=1, again=True)
    text, said = analyzed(folder)
    assert said["claims"][0]["preferred"]["conclusion"]["wins"] == 20
    assert [one["beyond_plan"] for one in said["sittings"]] == [False, True]
    assert "beyond the plan" in text


# Survival: what is left without names


def rater(pseudonym, seed, *, name=0.0, quality=QUALITY, recognises=0.0, residual=5.0):
    """Return a listener whose taste and scale are their own; `name`: points that first's name is worth."""
    rng = np.random.default_rng(seed)
    own_scale = {("listener",): 6 * rng.standard_normal()}
    taste = {("listener_device", one): 2 * rng.standard_normal() for one in quality}
    opinion = Opinion(
        quality=quality, name_bias={"first": name}, deviations=own_scale | taste, sitting_device=1.5, residual=residual
    )
    return SimulatedListener(pseudonym=pseudonym, opinion=opinion, recognises=recognises)


PANEL = {"planned": 10, "changes": ("recognition.trials = 4",)}
CROSSED = (('# order = "blind-first"', 'order = "crossed"'), ("# margin = 8 ", "margin = 12 "))


@pytest.fixture(scope="module")
def panel(rendered, tmp_path_factory):
    """A panel of ten on five days each; the impression is on record, quoted and sealed. Not to be changed."""
    folder = rendered("survival", tmp_path_factory.mktemp("panel") / "my-study", edits=CROSSED, **PANEL)
    said = steps.impression(
        folder, words=WORDS, unit="first", against="second", knew=("price", "maker"), worn="two hours",
        clock=lambda: day(-3),
    )  # fmt: skip
    quoted = f'quote = "the voices sit where they should"\nimpression = "{said.hash[:10]}"'
    edit(folder, ('# quote = "could not put it down" ', quoted + "\n#"))
    assert not steps.check(folder).faults
    sealed = steps.seal(folder, entropy=drawn("panel"))
    listeners = [rater(f"P-{number}", number) for number in range(10)]
    ended = [sit(folder, one, on=2 * round_) for round_ in range(5) for one in listeners]
    text, analysis = analyzed(folder)
    return SimpleNamespace(
        folder=folder, said=said, sealed=sealed, ended=ended, text=text, claim=analysis["claims"][0],
        sittings=analysis["sittings"], report=reported(folder),
    )  # fmt: skip


def effects(rows, device="first", comparator="second"):
    """Return labelled and blind effects per listener from a trial table: means over pages, clips counting alike."""
    rated = [row for row in rows if row["method"] == "rating" and row["phase"] in ("labelled", "blind")]
    found = {}
    for mode in ("labelled", "blind"):
        for name in sorted({row["listener"] for row in rated}):
            own = [row for row in rated if (row["phase"], row["listener"]) == (mode, name)]
            by_clip = [
                np.mean([float(r["response"]) for r in own if (r["clip"], r["condition"]) == (clip, device)])
                - np.mean([float(r["response"]) for r in own if (r["clip"], r["condition"]) == (clip, comparator)])
                for clip in sorted({row["clip"] for row in own})
            ]
            found.setdefault(mode, []).append(float(np.mean(by_clip)))
    return np.array(found["labelled"]), np.array(found["blind"])


def blind_first(rows):
    """Return, per listener in the order of their names, +1 where the blind phase came first, else -1."""
    first = {}
    for row in sorted(rows, key=lambda row: row["shown_at"]):
        if row["method"] == "rating" and row["phase"] in ("labelled", "blind"):
            first.setdefault(row["listener"], row["phase"])
    return np.array([1.0 if first[name] == "blind" else -1.0 for name in sorted(first)])


def limits(values, order):
    """Return `between(level)` of the mean over both orders: effects on the order, least squares by statsmodels."""
    from statsmodels.api import OLS

    fitted = OLS(values, np.column_stack([np.ones_like(values), order])).fit()
    return lambda level: tuple(fitted.conf_int(1 - level)[0])


def test_a_panel_has_the_limits_of_least_squares_with_the_order_in_it(panel):
    page, block, rows = panel.report
    result = panel.claim["rated"]["result"]
    labelled, blind = effects(rows)
    order = blind_first(rows)
    assert result["unit"] == "listener"
    assert len(blind) == 10
    assert sum(order) == 0
    for name, values in (("labelled", labelled), ("blind", blind), ("difference", blind - labelled)):
        # Two-sided 95 %, and the one-sided limits as ends of the 90 % interval; both orders weigh alike.
        between = limits(values, order)
        assert result[name]["estimate"] == pytest.approx(values.mean(), abs=1e-9)
        assert result[name]["interval"] == pytest.approx(between(0.95), abs=1e-7)
        assert (result[name]["lower_limit"], result[name]["upper_limit"]) == pytest.approx(between(0.90), abs=1e-7)
    # The partition, claims.md 4, written out a second time with those limits.
    kept_low, kept_high = limits(blind - 0.667 * labelled, order)(0.95)
    lower_d = limits(blind, order)(0.90)[0]
    upper_d = limits(blind, order)(0.95)[1]
    rejected = {
        "reverses": lower_d > -12,
        "vanishes": lower_d >= 12,
        "survives": upper_d < 12 or kept_high < 0,
        "shrinks": upper_d < 12 or kept_low >= 0,
    }
    left = [state for state, out in rejected.items() if not out]
    assert sorted(result["remaining"]) == sorted(left)
    assert panel.claim["word"] == (left[0] if len(left) == 1 else "undecided")
    assert f"Verdict: {result['verdict']}" in panel.text
    assert result["verdict"] in page
    assert result["verdict"] in block
    assert "a low-pass at 3500 Hz" in page


def test_a_true_effect_without_any_help_of_the_name_survives(panel):
    """Truth: 22 points for everybody, labelled and blind alike, margin 12: *survives* is what is true."""
    assert panel.claim["word"] == "survives"
    assert 0 < panel.claim["p_value"] <= 0.05


def test_a_panel_is_crossed_and_its_phases_keep_apart(panel):
    """Half of the panel has the labelled phase first; every listener wears first, each phase on days of its own."""
    by_listener = {}
    for one in panel.sittings:
        by_listener.setdefault(one["listener"], []).append(one["scheduled"])
    blind, labelled = ["blind 1 of 2", "blind 2 of 2"], ["labelled 1 of 2", "labelled 2 of 2"]
    assert len(by_listener) == 10
    orders = [tuple(names) for names in by_listener.values()]
    assert orders.count(("worn", *blind, *labelled)) == 5
    assert orders.count(("worn", *labelled, *blind)) == 5


def test_recognition_is_tested_exactly_against_chance(panel):
    rows = [row for row in panel.report[2] if row["method"] == "recognition"]
    assert len(rows) == 10 * 2 * 4
    right = sum(row["correct"] == "true" for row in rows)
    everybody = panel.claim["rated"]["recognition"][-1]
    assert everybody["who"] == "all answers"
    assert everybody["result"]["correct"] == right
    # Two names to choose from: anchors are never asked for.
    expected = scipy_stats.binomtest(right, len(rows), 0.5, alternative="greater").pvalue
    assert everybody["result"]["p_value"] == pytest.approx(expected, rel=1e-9)


def test_worn_ratings_are_published_and_never_compared(panel):
    rows = [row for row in panel.report[2] if row["phase"] == "worn"]
    assert {row["condition"] for row in rows} == {"first", "second"}
    assert len(rows) == 10 * 3 * 2
    assert panel.claim["rated"]["result"]["other_phases"] == len(rows)


def test_the_impression_stands_in_the_report_before_the_seals(panel):
    page = panel.report[0]
    assert panel.said.hash[:10] in page
    assert "the voices sit where they should" in page
    # The study seal commits to the salted hash of what was said before.
    with sqlite3.connect(panel.folder / "study.db") as database:
        ((record, created),) = database.execute("SELECT record, created FROM seals WHERE kind = 'study'").fetchall()
        ((said_at,),) = database.execute("SELECT created FROM impressions").fetchall()
    assert {"impression": panel.said.hash} in json.loads(record)["earlier"]
    assert said_at < created


def test_a_panels_record_is_anchored_by_what_was_published(panel):
    assert steps.verify(panel.folder).grade == "consistent"
    published = [panel.sealed.study_seal.commitment]
    published += [one.commitment for one in panel.ended] + [one.head for one in panel.ended]
    verified = steps.verify(panel.folder, published=published)
    held(("verify", verified))
    assert verified.grade == "anchored"
    assert steps.verify(panel.folder, published=published[1:]).grade == "consistent"
    assert not steps.verify(panel.folder, published=["ab" * 32]).ok


def test_a_rating_that_was_changed_breaks_the_record(panel, tmp_path):
    folder = shutil.copytree(panel.folder, tmp_path / "changed")
    with sqlite3.connect(folder / "study.db") as database:
        # The owner of the machine can take the triggers away, change a row, and put them back.
        triggers = database.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for name, _ in triggers:
            database.execute(f"DROP TRIGGER {name}")
        for sitting, position, text in database.execute("SELECT sitting, position, row FROM content").fetchall():
            row = json.loads(text)
            if row["phase"] == "labelled" and row["condition"] == "first":
                row["response"] = 99.0 if row["response"] != 99.0 else 98.0
                database.execute(
                    "UPDATE content SET row = ? WHERE sitting = ? AND position = ?",
                    (json.dumps(row, separators=(",", ":"), sort_keys=True), sitting, position),
                )
                break
        for _, sql in triggers:
            database.execute(sql)
    verified = steps.verify(folder)
    assert verified.grade == "broken"
    assert not verified.ok


def test_a_forgotten_listener_is_counted_and_never_named(panel, tmp_path):
    folder = shutil.copytree(panel.folder, tmp_path / "forgetting")
    gone = steps.forget(folder, "P-3")
    held(("forget", gone))
    assert len(gone.sittings) == 5
    assert steps.verify(folder).ok
    _, said = analyzed(folder)
    assert len(said["claims"][0]["rated"]["result"]["listeners"]) == 9
    assert said["withheld_sittings"] == 5
    page, block, rows = reported(folder)
    assert "P-3" not in page + block
    assert {row["listener"] for row in rows} == {f"P-{n}" for n in range(10)} - {"P-3"}
    assert len(rows) == len(recorded(folder))
    for path in folder.glob("study.db*"):
        assert b"P-3" not in path.read_bytes()


def test_erasing_some_listeners_moves_nobody_elses_phases(own):
    """Half of a panel has each order; who is erased leaves a place behind, so that no series changes in its middle."""
    folder = own("survival", edits=CROSSED, **PANEL)
    listeners = [rater(f"P-{number}", number) for number in range(6)]
    for round_ in range(2):
        for one in listeners:
            sit(folder, one, on=2 * round_)
    for gone in (0, 2):
        steps.forget(folder, f"P-{gone}")
    for round_ in range(2, 5):
        for number in (1, 3, 5):
            sit(folder, listeners[number], on=2 * round_)
    sit(folder, rater("P-new", 9), on=20)
    by_listener = {}
    for one in analyzed(folder)[1]["sittings"]:
        by_listener.setdefault(one["listener"], []).append(one["scheduled"])
    blind, labelled = ["blind 1 of 2", "blind 2 of 2"], ["labelled 1 of 2", "labelled 2 of 2"]
    orders = [by_listener[f"P-{number}"] for number in (1, 3, 5)]
    assert all(order in (["worn", *blind, *labelled], ["worn", *labelled, *blind]) for order in orders)


def test_two_of_a_panel_are_too_few(own):
    folder = own("survival", edits=CROSSED, **PANEL)
    for round_ in range(5):
        for number in range(2):
            sit(folder, rater(f"P-{number}", number), on=2 * round_)
    text, said = analyzed(folder)
    assert said["claims"][0]["word"] == "undecided"
    assert "2 listeners are too few, it takes 3 or more" in text
    reported(folder)


def test_a_labelled_phase_alone_was_not_rated_blind(own):
    folder = own("survival", edits=(('# order = "blind-first"', 'order = "labelled-first"'), CROSSED[1]), **PANEL)
    for on in (0, 1):
        sit(folder, rater("P-0", 0), on=on)
    text, said = analyzed(folder)
    assert said["sittings"][1]["scheduled"] == "labelled 1 of 2"
    assert said["claims"][0]["word"] == "undecided"
    assert "nothing was rated blind" in text
    reported(folder)


@pytest.mark.long
def test_a_name_that_was_all_there_was_to_it_vanishes(own):
    """Truth: 20 labelled points that come from the name, none blind: with these spreads, *vanishes*."""
    folder = own("survival", edits=CROSSED, **PANEL)
    alike = {**QUALITY, "first": 50.0, "second": 50.0}
    listeners = [rater(f"P-{n}", 100 + n, name=20.0, quality=alike) for n in range(10)]
    for round_ in range(5):
        for one in listeners:
            sit(folder, one, on=2 * round_)
    _, said = analyzed(folder)
    (claim,) = said["claims"]
    assert claim["word"] == "vanishes"
    assert claim["rated"]["result"]["labelled"]["estimate"] == pytest.approx(20, abs=6)


# Survival: one reviewer

ALONE = {
    "planned": 1,
    "changes": ("blind.sittings = 3", "labelled.sittings = 3", "recognition.sittings = 3", "recognition.trials = 4"),
    "edits": (("# margin = 8 ", "margin = 40 "),),
}


def test_a_single_reviewer_with_too_few_days_is_told_before(tmp_path, fill_in_protocol):
    """claims.md 4: a plan of 2 + 2 days is told beforehand that it can reach nothing."""
    main(["new", str(tmp_path / "s"), "--protocol", "survival", "--quiet"], standalone_mode=False)
    fill_in_protocol(tmp_path / "s", planned=1)
    (fault,) = steps.check(tmp_path / "s").faults
    assert "can reach no verdict at all" in fault.problem
    assert "sittings = " in fault.remedy


def test_a_single_reviewer_is_judged_by_days_with_welchs_df(own):
    folder = own("survival", **ALONE)
    reviewer = rater("R-alone", 7)
    for on in range(7):
        sit(folder, reviewer, on=on)
    _, said = analyzed(folder)
    assert [one["scheduled"] for one in said["sittings"]] == [
        "worn", *(f"blind {n} of 3" for n in (1, 2, 3)), *(f"labelled {n} of 3" for n in (1, 2, 3))
    ]  # fmt: skip
    result = said["claims"][0]["rated"]["result"]
    assert (result["unit"], result["units"]) == ("sitting", [3, 3])
    rows = [row for row in recorded(folder) if row["method"] == "rating"]
    by_mode = {}
    for mode in ("labelled", "blind"):
        for sitting in sorted({row["sitting"] for row in rows if row["phase"] == mode}):
            own_rows = [row for row in rows if (row["sitting"], row["phase"]) == (sitting, mode)]
            means = [
                np.mean([float(row["response"]) for row in own_rows if row["condition"] == one])
                for one in ("first", "second")
            ]
            by_mode.setdefault(mode, []).append(means[0] - means[1])
    d, s = np.array(by_mode["blind"]), np.array(by_mode["labelled"])
    # scipy.stats.ttest_ind without equal variances (Welch 1947).
    for name, share in (("difference", 1.0), ("kept_contrast", result["kept"])):
        expected = scipy_stats.ttest_ind(d, share * s, equal_var=False)
        assert result[name]["df"] == pytest.approx(expected.df, rel=1e-7)
        assert result[name]["interval"] == pytest.approx(list(expected.confidence_interval(0.95)), abs=1e-6)
    assert "for this listener and these clips" in steps.analyze(folder, clock=lambda: day(40)).text()


def test_only_the_blind_phase_reads_medium_and_blinding_not_separated(own):
    """claims.md 3, to the word."""
    folder = own("survival", **ALONE)
    for on in range(4):
        sit(folder, rater("R-alone", 7), on=on)
    text, said = analyzed(folder)
    assert said["claims"][0]["word"] == "undecided"
    assert "undecided: medium and blinding not separated" in text
    page, _, _ = reported(folder)
    assert "medium and blinding not separated" in page


@pytest.mark.usefixtures("drawn")
def test_only_the_worn_phase_has_no_result_and_says_why(own):
    folder = own("survival", **ALONE)
    sit(folder, rater("R-alone", 7))
    text, said = analyzed(folder)
    assert said["claims"][0]["word"] == "undecided"
    assert "No result" in text
    page, block, _ = reported(folder)
    assert "undecided" in page + block


def test_three_blind_and_two_labelled_days_reach_nothing(own):
    folder = own("survival", **ALONE)
    for on in range(6):
        sit(folder, rater("R-alone", 7), on=on)
    text, said = analyzed(folder)
    assert said["claims"][0]["word"] == "undecided"
    assert "2 labelled and 3 blind sittings of one listener can reach nothing" in text
    reported(folder)


@pytest.mark.usefixtures("drawn")
def test_ratings_all_alike_end_with_nothing_on_record(own):
    folder = own("survival", **ALONE)
    flat = SimulatedListener(pseudonym="R-flat", opinion=Opinion(quality=dict.fromkeys(QUALITY, 50.0)))
    for on in range(7):
        sit(folder, flat, on=on)
    text, said = analyzed(folder)
    assert said["claims"][0]["word"] == "nothing on record"
    assert said["claims"][0]["p_value"] is None
    assert not re.search(r"\bnan\b", text)
    page, _, _ = reported(folder)
    assert "nothing on record" in page


def test_a_rating_sitting_left_in_the_middle_keeps_its_pages(own):
    folder = own("survival", **ALONE)
    reviewer = rater("R-alone", 7)
    sit(folder, reviewer)
    sit(folder, reviewer, on=1, stop_after=3)
    steps.abandon(folder, clock=lambda: day(1))
    for on in range(2, 7):
        sit(folder, reviewer, on=on)
    _, said = analyzed(folder)
    assert [one["state"] for one in said["sittings"]].count("abandoned") == 1
    left = said["sittings"][1]
    assert left["answered"] < left["planned"]
    assert said["claims"][0]["rated"] is not None
    reported(folder)


def test_a_phases_second_sitting_is_refused_on_the_same_day(own):
    folder = own("survival", **ALONE)
    reviewer = rater("R-alone", 7)
    sit(folder, reviewer)
    sit(folder, reviewer)  # worn and blind may share a day
    with pytest.raises(BlindtestError, match="blind 2 of 3, and it is to be on another day than sitting 2"):
        sit(folder, reviewer)
    sit(folder, reviewer, same_day="the unit goes back tomorrow")
    steps.analyze(folder, clock=lambda: day(40))
    page, _, _ = reported(folder)
    assert "the unit goes back tomorrow" in page
    assert "on the day of sitting 2" in page


# Impressions and what claims quote of them


def test_a_quote_that_nobody_said_is_refused(own):
    folder = own("preference")
    said = steps.impression(folder, words=WORDS, unit="first", against="second")
    held(("impression", said))
    line = '# quote = "more of it, please" '

    def quoting(quote, named):
        path = folder / "study.toml"
        text = path.read_text(encoding="utf-8")
        text = (
            text.split("quote = ")[0].removesuffix("# ")
            + f'quote = "{quote}"\nimpression = "{named}"\n# quote = '
            + (text.split("# quote = ")[-1] if "# quote = " in text else "")
        )
        path.write_text(text, encoding="utf-8")

    assert line in (folder / "study.toml").read_text()
    quoting("best I ever heard", said.hash[:8])
    (fault,) = steps.check(folder).faults
    assert fault.problem == "these words don't stand in the impression"
    assert fault.key == "claim.preferred.quote"
    assert fault.line
    for look in (steps.seal, lambda place: sit(place, chooser({"first": 0.0, "second": 0.0}))):
        with pytest.raises(BlindtestError, match="these words don't stand in the impression, got 'best I ever heard'"):
            look(folder)
    quoting("I could not put it down", "0123abcd")
    (fault,) = steps.check(folder).faults
    assert fault.problem == "no such impression is on record"
    assert said.hash[:8] in fault.allowed
    with pytest.raises(BlindtestError, match="no such impression is on record"):
        steps.seal(folder)
    # White space apart: the words were typed over two lines.
    quoting("the voices sit where they should", said.hash[:8])
    assert not steps.check(folder).faults
    assert steps.seal(folder).study_seal.made_now


def test_a_claim_that_names_an_impression_where_nothing_is_on_record(own):
    folder = own("short")
    edit(folder, ('# quote = "more of it, please" ', 'quote = "fine"\nimpression = "0123abcd"\n#'))
    (fault,) = steps.check(folder).faults
    assert "none: nothing was recorded" in fault.allowed
    assert not (folder / "study.db").exists()


def test_words_that_were_erased_can_not_be_sealed_anew(own):
    folder = own("short")
    said = steps.impression(folder, words=WORDS, unit="first", by="L-guest")
    edit(
        folder,
        ('# quote = "more of it, please" ', f'quote = "put it down"\nimpression = "{said.hash[:8]}"\n#'),
    )
    steps.seal(folder)
    sit(folder, chooser({"first": 1.0, "second": 0.0}))
    steps.forget(folder, "L-guest")
    assert b"where they should" not in (folder / "study.db").read_bytes()
    assert not steps.check(folder).faults
    assert steps.verify(folder).ok
    assert not steps.seal(folder).study_seal.made_now
    reported(folder)
    edit(folder, ("# practice.trials = 4", "[protocol.changes]\npractice.trials = 2"))
    with pytest.raises(BlindtestError, match="the words of this impression were erased"):
        steps.seal(folder)


def test_an_impression_about_nothing_that_is_there_is_refused(own, capsys):
    folder = own("short")
    with pytest.raises(SystemExit) as left:
        main(["impression", str(folder), "--quote", "fine", "--unit", "frist", "--knew", "prise"])
    assert left.value.code == 2
    said = capsys.readouterr().err
    assert "did you mean 'first'" in said
    assert "did you mean 'price'" in said


# Several claims


THREE = (
    (
        "# A decoy makes",
        '[[condition]]\nid = "third"\nstages = [{ response = "second" }, { tilt_db_per_octave = 0.8 }]\n\n'
        "# A decoy makes",
    ),
    (
        "\n\n[protocol]",
        '\n[[claim]]\nid = "also"\nkind = "rated"\ndevice = "first"\ncomparator = "third"\nmargin = 12\n'
        '\n[[claim]]\nid = "last"\nkind = "rated"\ndevice = "second"\ncomparator = "third"\nmargin = 12\n\n[protocol]',
    ),
    *CROSSED,
)


@pytest.mark.long
def test_further_claims_are_adjusted_by_holm(own):
    """Holm 1979 by hand: the smallest of two p is doubled, the larger one is at least that."""
    folder = own("survival", edits=THREE, **PANEL)
    quality = {**QUALITY, "first": 80.0, "second": 55.0, "third": 30.0}
    listeners = [rater(f"P-{n}", 40 + n, quality=quality) for n in range(10)]
    for round_ in range(5):
        for one in listeners:
            sit(folder, one, on=2 * round_)
    text, said = analyzed(folder)
    primary, *further = said["claims"]
    assert (primary["id"], primary["adjusted_p_value"]) == ("better", None)
    assert {one["word"] for one in said["claims"]} == {"survives"}
    low, high = sorted(further, key=lambda one: one["p_value"])
    assert low["adjusted_p_value"] == pytest.approx(2 * low["p_value"])
    assert high["adjusted_p_value"] == pytest.approx(max(2 * low["p_value"], high["p_value"]))
    assert text.count("p by Holm") == 2
    page, _, _ = reported(folder)
    assert "Holm" in page
    # Every claim has its own effect: recomputed from the published rows.
    rows = recorded(folder)
    for claim in said["claims"]:
        labelled, blind = effects(rows, claim["device"], claim["comparator"])
        assert claim["rated"]["result"]["blind"]["estimate"] == pytest.approx(blind.mean(), abs=1e-9)
        assert claim["rated"]["result"]["labelled"]["estimate"] == pytest.approx(labelled.mean(), abs=1e-9)


def test_a_claim_counts_its_own_clips_only(own):
    """A preference claimed on one clip of two; what was heard on the other one does not answer it."""
    second = '[[clip]]\nid = "beat"\nfile = "clips/beat.mp3"\ntitle = "A beat"\n\n\n# What is claimed.'
    folder = own(
        "tuning",
        changes=("liking.trials = 48",),
        edits=(
            ("# What is claimed.", second),
            (
                "# margin = 0.3                           # probability",
                'clips = ["beat"]\n# margin = 0.3  # probability',
            ),
        ),
    )
    sit(folder, tuner())
    _, said = analyzed(folder)
    heard, liked = said["claims"]
    rows = [row for row in recorded(folder) if row["block"] == "liking"]
    own_rows = [row for row in rows if row["clip"] == "beat"]
    assert (len(rows), len(own_rows)) == (48, 24)
    assert heard["heard"]["conclusion"]["trials"] == 28
    concluded = liked["preferred"]["conclusion"]
    assert concluded["wins"] + concluded["losses"] == 24
    wins = sum(
        dict(one.split("=") for one in row["order"].split("|"))[row["response"]] == "corrected" for row in own_rows
    )
    assert concluded["wins"] == wins


# Studies that come from older ones, power, what is kept unseen


def test_the_register_goes_on_counting_in_a_study_that_comes_from_another(own, tmp_path):
    old = own("short")
    sit(old, chooser({"first": 0.5, "second": 0.0}))
    sit(old, chooser({"first": 0.5, "second": 0.0}), on=1, again=True)
    new = tmp_path / "next"
    main(["new", str(new), "--from", str(old), "--quiet"], standalone_mode=False)
    text = (new / "study.toml").read_text(encoding="utf-8")
    text = re.sub(r'\btitle = "" ', 'title = "A later one" ', text)
    text = re.sub(r'\bname = "" ', 'name = "A later headphone" ', text)
    (new / "study.toml").write_text(text, encoding="utf-8")
    later = new / "measurements" / "later"
    later.mkdir(exist_ok=True)
    shutil.copy(next((old / "measurements" / "first").iterdir()), later / "one.txt")
    shutil.copy(next((old / "measurements" / "worn").iterdir()), later / "two.csv")
    checked = steps.check(new)
    assert not checked.faults, "\n".join(map(str, checked.faults))
    steps.render(new)
    sit(new, chooser({"later": 1.0, "first": 0.0, "second": 0.0}))
    shown = steps.report(new, clock=lambda: day(40))
    assert (shown.facts.seal.plans_sealed, shown.facts.seal.plans_before) == (1, 2)
    page = shown.page.read_text(encoding="utf-8")
    assert "Plans ever sealed in this folder: 1; in folders it came from: 2." in page


@pytest.mark.parametrize(
    ("arguments", "wanted"),
    [
        (["--method", "abx", "--trials", "28"], "19"),
        (["--method", "abx", "--minutes", "20"], "20 minutes"),
        (["--method", "preference", "--trials", "20"], "15 or more"),
        (["--method", "preference", "--minutes", "20"], "20 minutes hold"),
        (["--method", "preference", "--trials", "16", "--one-sided"], "12 or more"),
        (["--method", "rating", "--listeners", "24"], "survives"),
        (["--method", "rating", "--listeners", "1", "--sittings", "2"], "undecided"),
    ],
)
def test_power_answers_for_each_method(arguments, wanted, capsys):
    from jsonschema import Draft202012Validator

    main(["power", *arguments], standalone_mode=False)
    said = capsys.readouterr().out
    assert wanted in said
    main(["power", *arguments, "--json"], standalone_mode=False)
    schema = json.loads(files("blindtest.cli").joinpath("results.schema.json").read_text(encoding="utf-8"))
    Draft202012Validator(schema).validate(json.loads(capsys.readouterr().out))


def test_power_for_a_preference_is_the_binomial_of_scipy():
    shown = steps.preference_power(trials=20, preference=0.8)
    assert shown.to_dict()["preference"]["chance_shown"] == pytest.approx(scipy_stats.binom.sf(14, 20, 0.8), rel=1e-9)


def test_figures_are_kept_unseen_until_the_blind_phase_is_over(own, capsys, monkeypatch):
    folder = own("survival", **ALONE)
    monkeypatch.chdir(folder)
    for number, command in enumerate((["check", "."], ["render", "."], ["measure", "clips/tune.flac"])):
        main([*command, "--unseen"], standalone_mode=False)
        said = capsys.readouterr().out
        assert "Kept unseen" in said
        assert not re.search(r"-?\d+\.\d+", said), "no figure is shown"
        assert number + 1 == len(list((folder / "unseen").iterdir()))
    kept = json.loads((folder / "unseen" / "render-1.json").read_text(encoding="utf-8"))
    assert len(kept["match_table"]) == 12


# Triangle, duo-trio, tetrad


@pytest.mark.parametrize(
    ("method", "guess"), [("triangle", 1 / 3), ("duo-trio", 1 / 2), ("tetrad", 1 / 3), ("same-different", 1 / 2)]
)
def test_a_difference_is_tested_against_the_methods_own_guess_rate(own, method, guess):
    """From own files to the report; the p value and the interval are scipy's of the rows it publishes."""
    folder = own(method)
    sit(folder, SimulatedListener(pseudonym="L-hears", d_prime=4.0))
    said, told = analyzed(folder)
    page, block, rows = reported(folder)
    counted = [row for row in rows if row["phase"] == "blind"]
    right = sum(row["correct"] == "true" for row in counted)
    conclusion = told["claims"][0]["heard"]["conclusion"]
    test = scipy_stats.binomtest(right, len(counted), guess, alternative="greater")
    assert (conclusion["method"], conclusion["correct"], conclusion["trials"]) == (method, right, len(counted))
    assert conclusion["difference"]["p_value"] == pytest.approx(test.pvalue, rel=1e-9)
    assert conclusion["word"] == "shown"
    assert f"{right} of {len(counted)}" in said
    assert {
        "triangle": "which one was different",
        "duo-trio": "reference again",
        "tetrad": "belong together",
        "same-different": "whether they were the same",
    }[method] in page
    assert block


def test_pairs_are_also_judged_by_what_they_were_called(own):
    """Of a listener who hardly ever says "different": Fisher's test of both rates (scipy), beside the number right."""
    folder = own("same-different")
    sit(folder, SimulatedListener(pseudonym="L-strict", d_prime=2.5, criterion=4.0))
    said, told = analyzed(folder)
    rows = [row for row in recorded(folder) if row["phase"] == "blind"]
    called = {(row["response"], row["correct"]): 0 for row in rows}
    for row in rows:
        called[row["response"], row["correct"]] += 1
    different, same = called.get(("different", "true"), 0), called.get(("different", "false"), 0)
    table = [[different, same], [called.get(("same", "false"), 0), called.get(("same", "true"), 0)]]
    (look,) = (one for one in told["claims"][0]["companions"] if one["name"] == "same and different")
    assert look["result"]["p_value"] == pytest.approx(scipy_stats.fisher_exact(table, "greater").pvalue, rel=1e-9)
    assert (look["result"]["different_different"], look["result"]["different_same"]) == (different, same)
    assert "pairs by what they were called" in said or '"Different" for' in said
