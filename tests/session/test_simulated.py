"""Simulated listeners: what they get right agrees with the closed forms of their decision rule."""

import runpy
from pathlib import Path

import numpy as np
import pytest
from scipy.special import ndtr

from blindtest.session import SimulatedListener, rows_of, simulate_sitting, simulated_clock

P = runpy.run_path(str(Path(__file__).parent / "plans.py"))
TRIALS = 20_000


def differencing(d):
    """ABX, differencing (Macmillan & Creelman 2005; formula as in R packages sensR and psyphy, methods.md 2.3)."""
    return ndtr(d / np.sqrt(2)) * ndtr(d / np.sqrt(6)) + ndtr(-d / np.sqrt(2)) * ndtr(-d / np.sqrt(6))


def independent(d):
    """ABX, independent observations (the same sources)."""
    return ndtr(d / np.sqrt(2)) * ndtr(d / 2) + ndtr(-d / np.sqrt(2)) * ndtr(-d / 2)


CHECK_VALUES = {  # methods.md 9.2, numbers 15 and 16
    ("differencing", 1.0): 0.58248,
    ("independent", 1.0): 0.59966,
    ("differencing", 2.0): 0.74682,
    ("independent", 2.0): 0.78765,
}


@pytest.mark.parametrize(
    ("rule", "d_prime"), [(r, d) for r in ("differencing", "independent") for d in (0.0, 1.0, 2.0, 3.5)]
)
def test_the_proportion_right_is_that_of_the_rule(rule, d_prime):
    expected = {"differencing": differencing, "independent": independent}[rule](d_prime)
    assert expected == pytest.approx(CHECK_VALUES.get((rule, d_prime), expected), abs=5e-6)
    listener, rng = SimulatedListener(pseudonym="L1", d_prime=d_prime, rule=rule), np.random.default_rng(17)
    plan = P["make"](blocks=(P["block"]("t", "abx", TRIALS),), seed=1)
    draw, setting = plan.methods["abx"].draw, plan.setting(plan.protocol.blocks[0])
    right = 0
    for number in range(TRIALS):
        # Drawn as the plan draws it, but for the order of clips, which takes long for so many trials.
        drawn = draw(plan.draws.source(f"key/{number}"), setting, ())
        places = {slot.name: float(plan.conditions.index(slot.condition)) for slot in drawn.slots}
        right += listener.answer("abx", "c", places, rng) == drawn.right
    error = np.sqrt(expected * (1 - expected) / TRIALS)
    assert right / TRIALS == pytest.approx(expected, abs=4 * error)


def test_a_guesser_is_right_half_of_the_time_whatever_the_difference():
    listener, rng = SimulatedListener(pseudonym="L1", d_prime=9.0, rule="guesser"), np.random.default_rng(3)
    said = [listener.answer("abx", "c", {"A": 0.0, "B": 1.0, "X": 0.0}, rng)["choice"] for _ in range(TRIALS)]
    assert said.count("A") / TRIALS == pytest.approx(0.5, abs=4 * np.sqrt(0.25 / TRIALS))


def test_a_clip_can_bring_the_difference_out_more():
    listener = SimulatedListener(pseudonym="L1", d_prime=0.0, d_prime_by_clip={"drums-c2": 12.0})
    rng = np.random.default_rng(5)
    places = {"A": 1.0, "B": 0.0, "X": 0.0}
    assert all(listener.answer("abx", "drums-c2", places, rng) == {"choice": "B"} for _ in range(200))
    said = [listener.answer("abx", "strings-c1", places, rng)["choice"] for _ in range(2000)]
    assert 900 < said.count("B") < 1100


def run(seed=1, **more):
    rng = np.random.default_rng(seed)
    saved = []
    sitting = simulate_sitting(
        P["make"](),
        SimulatedListener(pseudonym="L-sim", d_prime=1.5),
        rng,
        simulated_clock(P["START"], rng),
        save=saved.append,
        **more,
    )
    return sitting, saved


def test_a_simulated_sitting_goes_through_the_state_machine():
    sitting, saved = run()
    assert sitting.step == "finished"
    assert tuple(saved) == sitting.answers
    assert len(saved) == sitting.plan.length
    times = [answer.answered_at for answer in saved]
    assert times == sorted(times)
    assert all(answer.time_taken_s > 0 and answer.switches == 2 for answer in saved)
    assert {row["listener"] for answer in saved for row in rows_of(answer)} == {"L-sim"}


def test_the_same_seed_gives_the_same_sitting_and_another_one_does_not():
    assert run()[0].answers == run()[0].answers
    assert run()[0].answers != run(seed=2)[0].answers


def test_a_listener_may_leave_early():
    sitting, saved = run(stop_after=3)
    assert (len(saved), sitting.over) == (3, False)
