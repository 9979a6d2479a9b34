"""The binomial analysis starts fast: it loads nothing slow (conventions, start-up)."""

import subprocess
import sys

import pytest

SLOW = ("scipy.stats", "scipy.signal", "scipy.optimize", "pandas", "statsmodels", "matplotlib", "formulaic")

BINOMIAL = """
import sys
import blindtest.stats as stats
stats.discrimination_test(12, 16, interval="likelihood")
stats.conclude(19, 28, method="abx", margin=.5, unanswered=2).to_dict()
stats.plan_chances(28, method="abx", margin=.5)
stats.sample_size(proportion=.75, method="triangle")
stats.adjust_p_values([.01, .2])
print("\\n".join(sys.modules))
"""
TABLE = """
import sys
import blindtest.stats as stats
stats.listener_results(stats.trial_table([{"listener": "L1", "method": "abx", "correct": True}]))
print("\\n".join(sys.modules))
"""


def modules_loaded(program: str) -> set[str]:
    out = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True).stdout
    return set(out.split())


def slow_among(loaded: set[str]) -> list[str]:
    return [slow for slow in SLOW if any(name == slow or name.startswith(slow + ".") for name in loaded)]


def test_counts_need_no_slow_package():
    loaded = modules_loaded(BINOMIAL)
    assert "blindtest.stats.planning" in loaded
    assert slow_among(loaded) == []


def test_tables_need_pandas_and_nothing_else_slow():
    assert slow_among(modules_loaded(TABLE)) == ["pandas"]


@pytest.mark.parametrize("name", ["DiscriminationResult", "Conclusion", "PowerResult", "SampleSize", "TrialTable"])
def test_results_are_frozen(name):
    import blindtest.stats as stats

    assert getattr(stats, name).__dataclass_params__.frozen


def test_the_door_names_what_it_offers():
    import blindtest.stats as stats

    assert sorted(stats.__all__) == sorted(set(stats.__all__))
    for name in stats.__all__:
        assert getattr(stats, name) is not None
