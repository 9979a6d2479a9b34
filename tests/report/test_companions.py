"""What was looked at beside a result, on the page and in the Markdown block."""

from dataclasses import replace

import pandas as pd
import pytest

from blindtest.report import html, markdown
from blindtest.stats import choice_companions, preference_companions, rating_companions

FORBIDDEN = ("no difference", "significan", "prove", "inaudible", "identical")


def trials(*right):
    """Return a trial table: the answers of each listener, right as often as said, the right ones first."""
    return pd.DataFrame(
        [
            {"listener": f"L{place}", "trial": n, "method": "abx", "phase": "blind", "correct": n < count,
             "response": "A" if n % 2 else "B"}
            for place, count in enumerate(right) for n in range(20)
        ]
    )  # fmt: skip


@pytest.fixture
def report_with(make_report):
    def made(companions):
        report = make_report()
        (claim,) = report.answers
        return replace(report, claims=(replace(claim, companions=companions),))

    return made


def test_what_makes_one_think_twice_stands_open_and_the_rest_is_folded(report_with):
    # Right answers first: as strong a trend as there is. Three listeners who hear the same: no overdispersion.
    companions = choice_companions(trials(15, 15, 15), method="abx")
    looks = {one.name: one for one in companions}
    assert looks["trend"].notable
    assert not looks["listeners differ"].notable
    page = " ".join(html(report_with(companions)).split())
    opened, folded = page.split("To think twice about")[1].split("<details>")[:2]
    assert "in the first half" in opened
    assert "Overdispersion" not in opened
    assert folded.startswith("<summary>Looked at beside it, without cause to think twice:")
    assert "Overdispersion" in folded.split("</details>")[0]


def test_single_listeners_are_drawn_towards_the_panel():
    """As the model itself has them; a listener of 10 of 20 is not at 0, one of 20 of 20 not without end."""
    from blindtest.stats import fit_binary_mixed

    table = trials(20, 17, 15, 14, 12, 10)
    looks = {one.name: one for one in choice_companions(table, method="abx")}
    look = looks["d' of listeners"]
    rows = table.assign(correct=table["correct"].astype(int))
    alone = fit_binary_mixed("correct ~ 1", rows, random={"listener": "1"}, link="probit", guess=0.5)
    single = alone.sensitivity(method="abx", group="listener")["d_prime"]
    assert f"between d' {single.min():.2f} and {single.max():.2f}" in look.sentence
    assert 0 < single.min() < single.max() < 10
    assert not look.notable
    assert "d' of listeners" not in {one.name for one in choice_companions(trials(20, 17, 15, 14), method="abx")}


def test_the_markdown_block_names_the_rest_in_one_line(report_with):
    block = markdown(report_with(choice_companions(trials(15, 15, 15), method="abx")))
    assert block.count("Looked at beside it") == 1
    assert "Beside it (trend)" in block.replace("\\", "")
    assert "Overdispersion between" not in block


def test_without_looks_nothing_is_said(report_with):
    page = html(report_with(()))
    assert "To think twice about" not in page
    assert "Looked at beside it" not in page


def test_no_look_says_what_a_report_must_not(make_preference_facts):
    _, _, table = make_preference_facts()
    rows = [
        {"listener": f"L{who}", "clip": clip, "device": device,
         "rating": 50 + 5 * who + 9 * (device == "a") + (7 * who * clip) % 5}
        for who in range(6) for clip in range(4) for device in "ab"
    ]  # fmt: skip
    from blindtest.stats import fit_linear_mixed

    ratings = pd.DataFrame(rows)
    fit = fit_linear_mixed("rating ~ device", ratings, random={"listener": "1", "clip": "1"})
    companions = (
        *choice_companions(trials(20, 5, 12, 18), method="abx", margin=0.3),
        *preference_companions(table, wins=12, losses=5, margin=0.2),
        *rating_companions(fit, ratings),
    )
    assert len(companions) >= 6
    for one in companions:
        for text in (one.sentence, one.short):
            assert not [word for word in FORBIDDEN if word in text.casefold()], text


def test_a_table_too_small_for_a_look_goes_without_it():
    names = [one.name for one in choice_companions(trials(20)[:3], method="abx")]
    assert "trend" not in names
    assert "listeners differ" not in names
    assert names[-1] == "Bayesian"


def test_fewer_right_than_by_guessing_makes_one_think_twice():
    """3 of 20: P(X <= 3) = 1351 / 2**20 at one half, counted by hand; exchanged answers would look like that."""
    (found,) = (one for one in choice_companions(trials(3), method="abx") if one.name == "fewer right than by guessing")
    assert found.notable
    assert found.result.correct == 3
    assert "3 of 20 right are fewer than by guessing" in found.sentence
    assert "with p = .001" in found.sentence
    assert not [word for word in FORBIDDEN if word in found.sentence]
    # 6 of 20: 60460 / 2**20 = .058
    assert "fewer right than by guessing" not in {one.name for one in choice_companions(trials(6), method="abx")}
