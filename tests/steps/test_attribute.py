"""A claim that one has more of a named attribute, from `new` to the report; numbers are scipy's of the rows published.

Simulated listeners sit in front of the page, as in test_protocols.py, whose helpers are used.
"""

import runpy
from pathlib import Path

import pytest
from scipy import stats as scipy_stats

from blindtest.errors import BlindtestError
from blindtest.session import SimulatedListener
from blindtest.study import check_study, examine, load_study

H = runpy.run_path(str(Path(__file__).with_name("test_protocols.py")))
rendered, own = H["rendered"], H["own"]
sit, analyzed, reported, recorded, edit = (H[name] for name in ("sit", "analyzed", "reported", "recorded", "edit"))


def hearing(d_prime, **more):
    return SimulatedListener(pseudonym="L-hears", d_prime=d_prime, **more)


def counted(folder):
    rows = [row for row in recorded(folder) if row["phase"] == "blind"]
    return sum(row["correct"] == "true" for row in rows), len(rows)


@pytest.mark.parametrize(
    ("method", "guess", "rule", "word"),
    [
        ("2afc", 1 / 2, "the other way round", "refuted"),
        ("3afc", 1 / 3, "highest", "shown"),
        pytest.param("2afc", 1 / 2, "highest", "shown", marks=pytest.mark.long),
        pytest.param("3afc", 1 / 3, "the other way round", "refuted", marks=pytest.mark.long),
    ],
)
def test_who_has_more_is_tested_on_both_sides(own, method, guess, rule, word):
    """ISO 5495: two-sided where no direction was sealed. Each side by scipy, doubled; the interval is scipy's too."""
    folder = own(method)
    sit(folder, hearing(3.0, rule=rule))
    said, told = analyzed(folder)
    right, trials = counted(folder)
    claim = told["claims"][0]
    found = claim["attribute"]
    assert (claim["kind"], claim["word"], found["attribute"]) == ("attribute", word, "bass")
    tails = [scipy_stats.binomtest(right, trials, guess, alternative=side).pvalue for side in ("greater", "less")]
    assert claim["p_value"] == pytest.approx(min(1, 2 * min(tails)), rel=1e-9)
    answered = found["conclusion"]["answered"]
    assert (answered["correct"], answered["trials"]) == (right, trials)
    interval = scipy_stats.binomtest(right, trials, guess).proportion_ci(0.95, "exact")
    assert answered["interval"] == pytest.approx([interval.low, interval.high], abs=1e-9)
    assert "Claim: first has more bass than second." in said
    assert found["plan"]["can_fail"]
    page, block, rows = reported(folder)
    assert "more of the attribute named in the question" in page
    assert 'id="figure-attribute"' in page
    assert {"shown": "first was shown to have more bass", "refuted": "second has more bass than first"}[word] in block
    assert {row["correct"] for row in rows} <= {"true", "false", ""}
    assert f"{right} of {trials}" in block


def test_a_guesser_ends_as_negligible_where_both_limits_lie_inside_the_margin(rendered, tmp_path):
    words = []
    for seed in range(4):
        folder = rendered("2afc", tmp_path / str(seed))
        sit(folder, hearing(0.0, rule="guesser"), seed=seed)
        claim = analyzed(folder)[1]["claims"][0]
        right, trials = counted(folder)
        # protocols/2afc.toml: 14 to 22 of 36 are negligible, by the binomial of scipy at d' = -1 and 1
        at_margin = scipy_stats.norm.cdf(1 / 2**0.5)
        inside = (
            scipy_stats.binom.sf(right - 1, trials, 1 - at_margin) <= 0.05
            and scipy_stats.binom.cdf(right, trials, at_margin) <= 0.05
        )
        assert (claim["word"] == "negligible") == inside
        words.append(claim["word"])
    assert "negligible" in words


def test_a_sealed_direction_is_tested_on_its_side_only(own):
    folder = own("2afc")
    edit(folder, ('# direction = "two-sided"   ', 'direction = "claimed"   '))
    sit(folder, hearing(0.8))
    claim = analyzed(folder)[1]["claims"][0]
    right, trials = counted(folder)
    assert claim["attribute"]["conclusion"]["direction"] == "claimed"
    if claim["word"] != "negligible":
        one = scipy_stats.binomtest(right, trials, 0.5, alternative="greater").pvalue
        assert claim["p_value"] == pytest.approx(one, rel=1e-9)
    page, _, _ = reported(folder)
    assert "one-sided, in the direction sealed" in page


def test_what_was_never_answered_counts_against_every_word(own):
    folder = own("2afc")
    sit(folder, hearing(6.0), stop_after=30)
    _, told = analyzed(folder, on=60)
    right, trials = counted(folder)
    found = told["claims"][0]["attribute"]["conclusion"]
    assert found["unanswered"] == 36 - trials
    assert found["against"]["p_value"] == pytest.approx(scipy_stats.binomtest(right, 36, 0.5).pvalue, rel=1e-9)


def test_the_attribute_is_named_before_anybody_listens(own):
    folder = own("2afc")
    edit(folder, ('test.attribute = "bass"', '# test.attribute = "bass"'))
    (fault,) = check_study(folder)
    assert "asks which has more of an attribute: of which?" in fault.problem
    assert 'test.attribute = "bass"' in fault.remedy


@pytest.mark.parametrize(
    ("written", "problem"),
    [("margin = 0.1  ", "the claim can't fail"), ("margin = 8  ", "out of range")],
)
def test_a_margin_in_d_prime_is_one_that_the_plan_can_miss(own, written, problem):
    folder = own("2afc")
    edit(folder, ("# margin = 1.0  ", written))
    (fault,) = check_study(folder)
    assert problem in fault.problem
    with pytest.raises(BlindtestError):
        load_study(folder)


def test_check_says_what_the_plan_can_show(own):
    found = examine(own("3afc"))
    said = " ".join(str(note) for note in found.notes)
    assert "16 or more for the device show it" in said
    assert "4 or fewer refute it" in said


def test_the_question_names_the_attribute_in_practice_too(own):
    study = load_study(own("3afc"))
    assert [block.numbers["attribute"] for block in study.protocol.blocks] == ["bass", "bass"]
