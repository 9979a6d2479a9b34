"""The same plans by simulated studies, each fitted by the mixed model."""

from concurrent.futures import ThreadPoolExecutor

import pytest

from blindtest.stats import ContrastDesign, contrast_power, simulated_contrast_power


def test_for_these_clips_the_mixed_model_is_the_exact_test():
    # 100 studies: 4 Monte Carlo errors around the exact power (noncentral t, held against statsmodels beside).
    design = ContrastDesign(listeners=8, clips=2, repeats=1, clips_are_a_sample=False)
    exact = contrast_power(design, difference=12)
    counted = simulated_contrast_power(design, difference=12, studies=100, seed=5)
    assert counted.power == pytest.approx(exact.power, abs=4 * counted.std_error)
    assert counted.studies == 100


def test_the_result_does_not_hang_on_who_computes():
    design = ContrastDesign(listeners=4, clips=2)
    alone = simulated_contrast_power(design, difference=10, studies=104, seed=2)
    with ThreadPoolExecutor(2) as hands:
        many = simulated_contrast_power(design, difference=10, studies=104, seed=2, hands=hands)
    assert alone == many


@pytest.mark.long
@pytest.mark.parametrize(("listeners", "clips"), [(12, 5), (24, 8), (8, 12)])
def test_the_approximation_for_a_sample_of_clips_is_near(listeners, clips):
    design = ContrastDesign(listeners=listeners, clips=clips, repeats=2)
    near = contrast_power(design, difference=8)
    counted = simulated_contrast_power(design, difference=8, studies=1000, seed=11)
    assert counted.power == pytest.approx(near.power, abs=0.04 + 3 * counted.std_error)


def test_a_design_without_degrees_of_freedom_is_refused():
    with pytest.raises(ValueError, match="leaves no degrees of freedom"):
        simulated_contrast_power(ContrastDesign(listeners=1, clips=1), difference=5)
