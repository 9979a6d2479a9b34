"""Claims of every kind in words: each word from its numbers, nothing bare, nothing said that was not shown."""

import re
from dataclasses import replace
from math import comb

import numpy as np
import pandas as pd
import pytest

from blindtest.report import (
    ClaimFacts,
    ClaimResult,
    PreferenceFacts,
    PreferencePlanFacts,
    RatedFacts,
    RecognitionFacts,
    SurvivalPlanFacts,
    claimed,
    said_of,
    text_of_claim,
)
from blindtest.report.attribute_facts import AttributeFacts
from blindtest.report.attribute_words import attribute_sentence
from blindtest.report.rating_words import effect_words, kept_words, points
from blindtest.report.words import interval_words, p_words, percent, sentence
from blindtest.stats import (
    conclude_attribute,
    conclude_preference,
    panel_chances,
    preference_chances,
    recognition_test,
    survival,
    survival_power,
)

NAMES = {"heron": "Heron, open-back", "plover": "Plover, closed-back"}


def _preferred(wins, losses, ties=0, *, margin=0.2, unanswered=0, direction="two-sided", **more):
    concluded = conclude_preference(wins, losses, ties, margin=margin, unanswered=unanswered, direction=direction)
    trials = wins + losses + ties + unanswered
    return ClaimResult(
        claim=ClaimFacts(
            id="liked", kind="preferred", device="heron", comparator="plover", margin=margin, primary=False
        ),
        preferred=PreferenceFacts.of(concluded, device="heron", comparator="plover"),
        plan=PreferencePlanFacts.of(trials, margin=margin, direction=direction),
        **more,
    )


def test_what_several_could_conclude_together_stands_beside_the_plan():
    together = panel_chances("preferred", listeners=3, trials=20, margin=0.2)
    said = said_of(_preferred(33, 27, together=together), NAMES).beside
    (told,) = [text for text in said if "negligible must also withstand how far they differ" in text]
    assert told.startswith("Of 3\u00a0listeners negligible must")
    assert (
        f"as shown with a chance of {percent(together.chance_shown)} where the margin is the truth, as refuted with "
        f"{percent(together.chance_refuted)} where it is the truth the other way round, and as negligible with "
        f"{percent(together.chance_negligible)} where there is nothing (simulated, 10000 studies)"
    ) in told
    assert not any("withstand" in text for text in said_of(_preferred(33, 27), NAMES).beside)


def _rated(facts, plan=None, **more):
    return ClaimResult(
        claim=ClaimFacts(
            id="keeps", kind="rated", device="heron", comparator="plover", margin=facts.margin, kept=facts.kept
        ),
        rated=facts,
        plan=plan,
        **more,
    )


# --- preferred --------------------------------------------------------------------------------------------------

PREFERENCES = {
    "shown": (22, 6),
    "refuted": (6, 22),
    "negligible": (44, 46),
    "open": (16, 12),
}


@pytest.mark.parametrize("word", PREFERENCES)
def test_a_preference_never_stands_alone(word):
    """Count, share, interval, test, margin and plan beside every word; numbers are those of the statistics."""
    wins, losses = PREFERENCES[word]
    result = _preferred(wins, losses, ties=3)
    said = said_of(result, NAMES)
    tested = result.preferred.answered
    assert said.word == word
    assert f"Heron was preferred in {wins} of {wins + losses} trials, apart from 3\u00a0trials" in said.sentence
    assert percent(tested.proportion) in said.sentence
    assert interval_words(tested.interval) in said.sentence
    beside = " ".join(said.beside)
    assert f"p = {p_words(tested.p_value)}" in beside
    assert "exact two-sided sign test" in beside
    assert "30\u00a0% to 70\u00a0%" in beside
    assert "The plan: " in beside


def test_sign_test_of_fifteen_in_twenty():
    """Claims 6: two-sided, 15 of 20 has p = .041; counted: 2 sum C(20, k) / 2^20 for k from 15."""
    result = _preferred(15, 5, margin=0.25)
    p = 2 * sum(comb(20, k) for k in range(15, 21)) / 2**20
    assert result.preferred.answered.p_value == pytest.approx(p, rel=1e-12)
    assert p_words(p) == "0.041"
    assert "p = 0.041" in " ".join(said_of(result).beside)


def test_a_preference_inside_the_margin_says_both():
    said = said_of(_preferred(560, 440))
    assert said.word == "negligible"
    assert any("preferred more often than by a thrown coin, yet by less" in text for text in said.beside)


def test_nothing_but_ties():
    said = said_of(_preferred(0, 0, ties=20), NAMES)
    assert said.word == "open"
    assert "no trial ended with a preference (20\u00a0ties)" in said.sentence
    assert "Nothing could be tested against a thrown coin" in said.beside[1]


def test_unanswered_pairs_stand_against_the_conclusion():
    shown = said_of(_preferred(24, 4, unanswered=3), NAMES)
    assert "24 of 31 trials, 3 unanswered ones counted against the conclusion" in shown.sentence
    refuted = said_of(_preferred(4, 24, unanswered=3), NAMES)
    assert refuted.word == "refuted"
    assert "Heron was preferred in 7 of 31 trials" in refuted.sentence
    assert any("3\u00a0planned trials stayed unanswered" in text for text in refuted.beside)
    left = said_of(_preferred(9, 0, unanswered=11), NAMES)
    assert left.word == "open"
    told = "; 11\u00a0planned trials stayed unanswered, and count against whatever would be concluded."
    assert left.sentence.endswith(told), "nine of nine and open: the sentence says why"


def test_a_sealed_direction_is_said():
    said = said_of(_preferred(12, 4, direction="claimed"), NAMES)
    # Of the 2**16 ways to answer, 2517 have twelve or more right (methods 9.1).
    assert f"exact one-sided sign test, p = {p_words(2517 / 2**16)}" in " ".join(said.beside)
    assert "sealed in this direction" in " ".join(said.beside)


def test_plan_of_preferences_is_that_of_the_statistics():
    """Every chance by enumeration of the counts that `preference_chances` names."""
    plan = PreferencePlanFacts.of(28, margin=0.25)
    known = preference_chances(28, margin=0.25)
    assert (plan.critical_number, plan.refuting_number) == (known.critical_number, known.refuting_number)
    assert plan.negligible_numbers == known.negligible_numbers
    assert plan.chance("shown", 0.75) == pytest.approx(known.chance_shown, abs=1e-9)
    assert plan.chance("refuted", 0.25) == pytest.approx(known.chance_refuted, abs=1e-9)
    assert plan.chance("negligible", 0.5) == pytest.approx(known.chance_negligible, abs=1e-9)
    for place in range(len(plan.probabilities)):
        assert sum(curve[place] for _, curve in plan.chances) == pytest.approx(1, abs=1e-9)


def test_tallies_count_every_row_once(make_preference_facts):
    facts, _, table = make_preference_facts(listeners=4, unanswered=5)
    for tallies in (facts.by_clip, facts.by_listener, facts.by_order):
        assert sum(one.wins + one.losses + one.ties + one.unanswered for one in tallies) == len(table)
        assert sum(one.wins for one in tallies) == facts.answered.wins
        assert sum(one.losses for one in tallies) == facts.answered.losses
        assert sum(one.ties for one in tallies) == facts.answered.ties
        assert sum(one.unanswered for one in tallies) == facts.unanswered == 5
    first = {one.name: one for one in facts.by_order}
    assert set(first) == {"heron", "plover"}
    heron_first = table[(table["first"] == "heron") & (table["outcome"] == "first")]
    assert first["heron"].wins == len(heron_first)


def test_strengths_of_two_are_the_log_ratio():
    """Davidson: l1 - l2 = ln(w1 / w2) for two items without order; methods 9.3 (33): wins 12 and 5, ties 3."""
    from blindtest.report import StrengthFacts
    from blindtest.stats import fit_paired_preferences

    rows = [("a", "b", o) for o in ["first"] * 12 + ["second"] * 5 + ["tie"] * 3]
    fit = fit_paired_preferences(pd.DataFrame(rows, columns=["first", "second", "outcome"]), order=False)
    facts = StrengthFacts.of(fit, device="a", comparator="b")
    strength = {one.item: one.estimate for one in facts.strengths}
    assert strength["a"] - strength["b"] == pytest.approx(0.875469, abs=1e-6)
    assert facts.tie_parameter == pytest.approx(0.387298, abs=1e-6)
    assert facts.probability == pytest.approx(12 / 17, abs=1e-6)
    assert facts.order_effect is None


# --- several claims ---------------------------------------------------------------------------------------------


def test_holm_takes_a_word_away_and_says_so():
    result = _preferred(15, 5, margin=0.25, p_value=0.0414, adjusted_p_value=0.083)
    assert (result.word_alone, result.word) == ("shown", "open")
    said = said_of(result, NAMES)
    assert "stays open" in said.sentence
    assert "Standing alone it would have ended as shown" in said.beside[0]
    assert "0.041" in said.beside[0]
    assert "0.083" in said.beside[0]


def test_holm_leaves_the_primary_claim_alone():
    result = _preferred(15, 5, margin=0.25, p_value=0.0414, adjusted_p_value=0.083)
    primary = replace(result, claim=replace(result.claim, primary=True))
    assert primary.word == "shown"


def test_a_coin_says_nothing_about_what_is_negligible():
    result = _preferred(44, 46)
    p = result.preferred.answered.p_value
    assert replace(result, p_value=p, adjusted_p_value=1.0).word == "negligible"
    assert replace(result, p_value=0.01, adjusted_p_value=0.2).word == "open"


def test_exploratory_claims_are_no_results():
    result = _preferred(22, 6)
    said = said_of(replace(result, claim=replace(result.claim, confirmatory=False)))
    assert said.beside[0].startswith("Exploratory")


def test_a_result_of_another_kind_is_refused():
    result = _preferred(22, 6)
    with pytest.raises(ValueError, match="claim 'liked' is of kind 'heard', its result is of another"):
        replace(result, claim=replace(result.claim, kind="heard"))


@pytest.mark.parametrize("kind", ["heard", "preferred", "rated"])
def test_without_answers_nothing_is_said(kind):
    result = ClaimResult(claim=ClaimFacts(kind=kind, device="heron", comparator="plover"))
    said = said_of(result, NAMES)
    assert said.word == ("undecided" if kind == "rated" else "open")
    assert "Nobody has finished a sitting" in said.sentence
    assert "Heron" in claimed(result.claim, NAMES)
    assert said_of(replace(result, why_not="no page holds both devices")).sentence == "No page holds both devices."


# --- rated ------------------------------------------------------------------------------------------------------

TRUE = {
    "survives": {"labelled": 26.0, "blind": 28.0},
    "vanishes": {"labelled": 24.0, "blind": 0.0},
    "reverses": {"labelled": 24.0, "blind": -24.0},
    "nothing on record": {"labelled": 0.0, "blind": 0.0},
    "shrinks": {"labelled": 42.0, "blind": 12.0, "spread": (0.5, 0.5, 13.0)},
}


@pytest.mark.parametrize("word", TRUE)
def test_a_verdict_never_stands_alone(make_rated_facts, survival_plan, word):
    """Both effects with intervals, d - rho s, the unit, recognition and the plan beside every verdict."""
    facts, _ = make_rated_facts(listeners=20, **TRUE[word])
    said = said_of(_rated(facts, survival_plan), NAMES)
    assert said.word == word == facts.verdict
    assert effect_words(facts.labelled) in said.sentence
    assert effect_words(facts.blind) in said.sentence
    assert "for listeners like these and these clips" in said.sentence
    beside = " ".join(said.beside)
    # claims 4: L(s) <= 0 is nothing on record; then no state is the verdict, though one alone may be left of them.
    assert ("alone remains" in beside) == (word != "nothing on record")
    if word == "nothing on record":
        assert facts.labelled.lower_limit <= 0
        limit = f"lower limit of the labelled effect is {points(facts.labelled.lower_limit)} points, not above 0"
        assert limit in beside
    assert effect_words(facts.kept_contrast) in beside
    assert effect_words(facts.difference) in beside
    assert "Unit of replication: the listener (20\u00a0listeners)" in beside
    assert "9 of 24 named rightly among 3" in beside
    assert "The plan (12\u00a0listeners" in beside
    tabled = " ".join(said.tabled)
    assert "a mixed model of the same ratings (REML" in tabled
    assert "One contrast per listener, about these clips:" in tabled
    assert "distance between the two anchors" in tabled
    assert "Effects of signs alone" in tabled


def test_numbers_are_those_of_the_statistics(make_rated_facts):
    facts, table = make_rated_facts(listeners=9, sittings=1, seed=3)
    result = survival(
        table.drop(columns="repeat"), device="heron", comparator="plover", anchor_low="low", anchor_high="high"
    )
    for name in ("labelled", "blind", "difference", "kept_contrast"):
        ours, theirs = getattr(facts, name), getattr(result, name)
        assert (ours.estimate, ours.interval, ours.lower_limit, ours.upper_limit) == (
            theirs.estimate, theirs.interval, theirs.lower_limit, theirs.upper_limit,
        )  # fmt: skip
    assert [(one.state, one.rejected) for one in facts.rejections] == [
        (one.state, one.rejected) for one in result.rejections
    ]
    # What is drawn for single listeners averages to what the verdict rests on.
    assert np.mean([one.labelled for one in facts.units]) == pytest.approx(facts.labelled.estimate, abs=1e-9)
    assert np.mean([one.blind for one in facts.units]) == pytest.approx(facts.blind.estimate, abs=1e-9)
    heron = table[(table.device == "heron") & (table.listener == "L-7001") & (table["mode"] == "blind")].rating.mean()
    plover = table[(table.device == "plover") & (table.listener == "L-7001") & (table["mode"] == "blind")].rating.mean()
    assert facts.units[0].blind == pytest.approx(heron - plover, abs=1e-9)


def test_a_single_listener_is_said_to_be_one(make_rated_facts):
    facts, table = make_rated_facts(listeners=1, sittings=4, seed=11)
    said = said_of(_rated(facts), NAMES)
    assert "for this listener and these clips" in said.sentence
    assert "the sitting (4 labelled, 4 blind" in " ".join(said.beside)
    assert "Welch" in " ".join(said.beside)
    assert sorted(one.name for one in facts.units) == sorted(f"sitting {n}" for n in table["sitting"].unique())
    assert all((one.labelled is None) != (one.blind is None) for one in facts.units)


def test_too_few_sittings_end_undecided_with_the_reason(make_rated_facts):
    facts, _ = make_rated_facts(listeners=1, sittings=2)
    said = said_of(_rated(facts), NAMES)
    assert said.word == "undecided"
    assert "2 labelled and 2 blind sittings of one listener can reach nothing" in said.sentence


def test_a_missing_mode_is_undecided_not_negligible(make_rated_facts):
    """Claims 3: without a labelled phase the verdict reads 'undecided: medium and blinding not separated'."""
    _, table = make_rated_facts(listeners=6)
    blind = table[table["mode"] == "blind"].drop(columns="repeat")
    facts = RatedFacts.of(survival(blind, device="heron", comparator="plover"), table=blind)
    said = said_of(_rated(facts), NAMES)
    assert said.word == "undecided"
    assert "medium and blinding not separated" in said.sentence
    assert "not at all with names shown" in said.sentence


def test_several_states_left_are_named():
    effect = {"lower_limit": 2.0, "upper_limit": 20.0}
    from blindtest.report import Effect

    facts = RatedFacts(
        verdict="undecided",
        remaining=("survives", "shrinks"),
        margin=8.0,
        kept=2 / 3,
        unit="listener",
        labelled=Effect(estimate=20.0, interval=(14.0, 26.0), **effect),
        blind=Effect(estimate=13.0, interval=(8.5, 17.5), **effect),
        labelled_units=12,
        blind_units=12,
    )
    said = said_of(_rated(facts))
    assert "Undecided, for listeners like these and these clips: survives or shrinks." in said.sentence
    assert "survives or shrinks remain" in said.beside[0]


def test_a_contradicting_repeat_stands_beside_the_verdict():
    """Ratings whose sizes and signs disagree: a few huge differences blind, most small ones the other way."""
    rows = []
    for who in range(12):
        for mode in ("labelled", "blind"):
            for place, clip in enumerate("abcdefgh"):
                if mode == "labelled":
                    gap = 30 + who % 3
                else:
                    gap = 95 + who % 3 if place < 3 else -2 - who % 2
                rows.append((f"L{who}", clip, "heron", mode, mode, max(gap, 0) + 1.0))
                rows.append((f"L{who}", clip, "plover", mode, mode, max(-gap, 0) + 1.0))
    table = pd.DataFrame(rows, columns=["listener", "clip", "device", "mode", "sitting", "rating"])
    result = survival(table, device="heron", comparator="plover", only_these_clips=True)
    facts = RatedFacts.of(result, table=table)
    assert facts.verdict == "undecided"
    assert [one.what for one in facts.contradicted] == ["signs"]
    said = said_of(_rated(facts), NAMES)
    assert "depends on the use of the scale" in said.sentence
    assert any("another state: the verdict depends on the use of the scale" in text for text in said.beside)


def test_worn_minus_labelled_is_never_an_effect_of_blinding(make_rated_facts):
    facts, _ = make_rated_facts(worn=31.0)
    text = " ".join(said_of(_rated(facts), NAMES).further)
    assert "is what rendering loses" in text
    assert "never an effect of blinding" in text


def test_recognition_is_tested_exactly():
    """By chance among 3, 9 or more of 24: sum of C(24, k) 2^(24-k) / 3^24."""
    one = RecognitionFacts.of("all answers", recognition_test(9, 24, 3))
    p = sum(comb(24, k) * 2 ** (24 - k) for k in range(9, 25)) / 3**24
    assert one.p_value == pytest.approx(p, rel=1e-12)
    assert (one.correct, one.trials, one.choices) == (9, 24, 3)


def test_plan_of_ratings_is_that_of_the_statistics():
    power = survival_power(
        listeners=12, sittings=2, clips=3, blind=(20.0, 0.0, -15.0), rng=np.random.default_rng(5), studies=300
    )
    plan = SurvivalPlanFacts.of(power)
    assert plan.blind_effects == (-15.0, 0.0, 20.0)
    chances = dict(plan.chances)
    for row in power.chances:
        place = plan.blind_effects.index(row.blind)
        assert chances["survives"][place] == row.survives
        assert chances["nothing on record"][place] == row.nothing_on_record
        assert sum(curve[place] for curve in chances.values()) == pytest.approx(1, abs=1e-12)


def test_shares_as_a_reader_says_them():
    assert kept_words(2 / 3) == kept_words(0.667) == "two thirds"
    assert kept_words(0.5) == "one half"
    assert kept_words(0.8) == "80\u00a0%"
    assert sentence("not every sitting holds the same clips") == "Not every sitting holds the same clips."


# --- for the terminal -------------------------------------------------------------------------------------------


def test_lines_for_the_terminal(make_tuning_report, make_survival_report):
    report = make_tuning_report()
    lines = [line for one in report.answers for line in text_of_claim(one, report.names)]
    assert lines[0] == "Claim apart (primary): Heron and Plover can be told apart by ear."
    assert any(line.startswith("Claim liked (confirmatory): Heron is preferred to Plover.") for line in lines)
    lines += text_of_claim(make_survival_report().answers[0], report.names)
    assert any(line.startswith("Result: survives. The impression survives blinding") for line in lines)
    assert all("\n" not in line for line in lines)
    assert not [line for line in lines if re.search(r"\bNone\b|nan", line)]


def test_worn_ratings_are_estimated_by_the_same_means(make_rated_facts):
    """Every worn rating of the heron lies 9 above the plover's: the effect is 9, and the verdict is what it was."""
    facts, table = make_rated_facts(listeners=5, seed=2, worn=None)
    assert facts.worn is None
    blind = table[(table["mode"] == "blind") & table["device"].isin(["heron", "plover"])]
    worn = blind.assign(mode="worn", rating=np.where(blind["device"] == "heron", 60.0, 51.0))
    whole = pd.concat([table, worn]).drop(columns="repeat")
    names = {"anchor_low": "low", "anchor_high": "high"}
    again = RatedFacts.of(survival(whole, device="heron", comparator="plover", **names), table=whole)
    assert again.worn.estimate == pytest.approx(9.0, abs=1e-9)
    assert (again.verdict, again.labelled, again.blind) == (facts.verdict, facts.labelled, facts.blind)


def test_an_attribute_that_stays_open_says_what_was_not_answered():
    def sentence(correct, answered, unanswered):
        found = conclude_attribute(correct, answered, method="2afc", margin=1.0, unanswered=unanswered)
        assert found.word == "open"
        return attribute_sentence(AttributeFacts(conclusion=found), "open", "Heron", "Plover", "bass")

    assert sentence(9, 9, 19).endswith(
        "; 19\u00a0planned trials stayed unanswered, and count against whatever would be concluded."
    )
    assert "unanswered" not in sentence(18, 28, 0)
    nothing = "Whether Heron has more bass than Plover stays open: no planned trial was answered."
    assert sentence(0, 0, 28) == nothing, 'not "chosen in 0 of 28 trials"'
