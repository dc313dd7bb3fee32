"""The statistics of a review against statsmodels."""

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import stdtrit
from statsmodels.stats.proportion import proportion_confint

from voicecoach.debrief.review.curves import learning_curve, students_t, wilson


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(1.0, 3600.0), min_size=3, max_size=30))
def test_the_curve_and_its_band_are_those_of_ordinary_least_squares(times_s: list[float]) -> None:
    attempts = list(range(1, len(times_s) + 1))
    fitted = learning_curve(attempts, times_s)
    assert fitted is not None
    model = sm.OLS(np.log(times_s), sm.add_constant(np.log(attempts))).fit()
    assert (np.log(fitted.a), fitted.b) == pytest.approx(tuple(model.params), abs=1e-6)
    band = model.get_prediction(sm.add_constant(np.log(np.asarray(fitted.xs)))).conf_int(alpha=0.05)
    assert np.log(fitted.low) == pytest.approx(band[:, 0], abs=1e-5)
    assert np.log(fitted.high) == pytest.approx(band[:, 1], abs=1e-5)
    low, high = model.conf_int(alpha=0.05)[1]
    assert (fitted.change_low, fitted.change_high) == pytest.approx((2**low - 1, 2**high - 1), rel=1e-5, abs=1e-6)


def test_the_band_s_reach_is_student_s_t() -> None:
    for freedom in (*range(1, 60), 199, 200, 1001):
        assert students_t(freedom) == pytest.approx(float(stdtrit(freedom, 0.975)), rel=1e-9)
    # from printed tables (Fisher and Yates, second-hand): 12.706, 2.571, 2.228
    assert [round(students_t(n), 3) for n in (1, 5, 10)] == [12.706, 2.571, 2.228]


def test_a_power_law_without_noise_is_found_again() -> None:
    fitted = learning_curve([1, 2, 3, 4, 8], [600 * n**-0.3 for n in (1, 2, 3, 4, 8)])
    assert fitted is not None
    assert (fitted.a, fitted.b) == pytest.approx((600, -0.3))
    assert fitted.change == pytest.approx(2**-0.3 - 1)


@pytest.mark.parametrize(("attempts", "times"), [([], []), ([1, 2], [10, 9]), ([2, 2, 2], [10, 9, 8])])
def test_too_little_to_go_by_gives_no_curve(attempts: list[float], times: list[float]) -> None:
    assert learning_curve(attempts, times) is None


@given(st.integers(0, 400), st.integers(1, 400))
def test_the_interval_of_a_share_is_wilson_s(count: int, total: int) -> None:
    count = min(count, total)
    assert wilson(count, total) == pytest.approx(proportion_confint(count, total, method="wilson"), abs=1e-9)


def test_of_nothing_anything_may_be_so() -> None:
    assert wilson(0, 0) == (0.0, 1.0)
