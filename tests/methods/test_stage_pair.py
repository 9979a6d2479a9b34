"""Pairs in which one stage is switched: which there are, and how they are drawn."""

from collections import Counter

import numpy as np
import pytest

from blindtest.methods import METHODS, Setting
from blindtest.methods.stage_pair import switched_pairs


@pytest.mark.parametrize(("stages", "pairs"), [(2, 4), (3, 12), (4, 32), (6, 192)])
def test_the_pairs_are_the_edges_of_a_cube(stages, pairs):
    """A cube of k dimensions has k 2^(k-1) edges (counted by hand for k = 2, 3): each differs in one place."""
    found = switched_pairs(2**stages)
    assert len(found) == len(set(found)) == pairs == stages * 2 ** (stages - 1)
    assert all((first ^ second).bit_count() == 1 for first, second in found)
    assert Counter((first ^ second).bit_length() for first, second in found) == dict.fromkeys(
        range(1, stages + 1), 2 ** (stages - 1)
    )


def test_either_side_comes_first_equally_often_and_the_question_names_no_condition():
    rng = np.random.default_rng(3)
    method = METHODS["stage-pair"]
    first = Counter()
    for _ in range(2000):
        setting = Setting(conditions=("off", "a", "b", "both"), order=1)
        drawn = method.draw(lambda n: int(rng.integers(n)), setting, ())
        assert {slot.condition for slot in drawn.slots} == {"b", "both"}
        first[drawn.slots[0].condition] += 1
    assert abs(first["b"] - 1000) < 4 * np.sqrt(500)  # four standard deviations of the binomial
    question = method.question(("1", "2"), setting)
    assert [value for value, _ in question.options] == ["1", "2"]
    assert method.fault_in(question, {"choice": "3"}) == "the answer must be one of the two"
    assert method.fault_in(question, {"choice": "1"}) is None
