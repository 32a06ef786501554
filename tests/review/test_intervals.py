from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from rxmap.passes.strips import detectable_difference
from rxmap.review.intervals import Interval, added, certain, paired_interval, paired_test, ratio_interval

DIFFERENCES = [3.1, 4.6, 1.2, 2.9]
MANY = st.lists(st.floats(-50, 50), min_size=3, max_size=12)


def test_a_paired_trial_worked_by_hand_reproduces():
    # mean 2.95, s 1.3916, t 4.240 at 3 degrees of freedom, p 0.024: worked with the table of t of any handbook
    t, p = paired_test(DIFFERENCES)
    assert t == pytest.approx(4.240, abs=5e-4)
    assert p == pytest.approx(0.024, abs=5e-4)
    found = paired_interval(DIFFERENCES)
    assert found.value == pytest.approx(2.95)
    # t(0.95, 3) = 2.3534, Student's table; s / 2 = 0.6958
    assert found.high - found.value == pytest.approx(2.3534 * 1.3916 / 2, abs=2e-4)


@pytest.mark.parametrize(("strips", "least"), [(3, 7.45), (4, 4.77), (6, 3.15), (8, 2.51)])
def test_what_few_strips_can_show_reproduces(strips, least):
    # half the least significant difference t s / sqrt(r) for s = 3 bu/acre, from the table of t
    assert detectable_difference(strips, 3.0) == pytest.approx(least, abs=0.005)


@given(MANY)
def test_the_paired_range_is_that_of_a_reference_library(values):
    found = paired_interval(values)
    outside = stats.ttest_rel(values, [0.0] * len(values)).confidence_interval(0.9) if len(set(values)) > 1 else None
    if outside is not None and math.isfinite(outside.low):
        assert (found.low, found.high) == pytest.approx((outside.low, outside.high), rel=1e-6, abs=1e-6)


@pytest.mark.parametrize("count", [0, 1, 2])
def test_fewer_than_three_strips_give_no_range(count):
    assert paired_interval(DIFFERENCES[:count]) is None
    assert ratio_interval(DIFFERENCES[:count], [1.0] * count) is None


@given(MANY, st.floats(0.1, 10))
def test_a_ratio_to_one_pressure_is_the_paired_range(values, pressure):
    # with the same pressure everywhere the ratio estimate is the mean over it, and its variance that of the mean
    ratio, mean = ratio_interval(values, [pressure] * len(values)), paired_interval(values).times(1 / pressure)
    assert (ratio.low, ratio.value, ratio.high) == pytest.approx((mean.low, mean.value, mean.high), abs=1e-6)


def test_nothing_below_gives_no_ratio():
    assert ratio_interval([1.0, 2.0, 3.0], [0.0, 0.0, 0.0]) is None


@given(MANY, st.floats(-5, 5))
def test_a_factor_keeps_the_ends_in_order(values, factor):
    found = paired_interval(values).times(factor)
    assert found.low <= found.value + 1e-9
    assert found.value <= found.high + 1e-9


def test_half_ranges_of_independent_estimates_add_as_standard_deviations():
    both = added([Interval(value=1.0, low=-2.0, high=4.0), Interval(value=2.0, low=-2.0, high=6.0)])
    assert (both.value, both.high - both.value) == (3.0, 5.0)  # 3-4-5
    assert added([certain(2.0), certain(3.0)]) == certain(5.0)


@pytest.mark.parametrize(("low", "high", "sign"), [(1.0, 2.0, 1), (-2.0, -1.0, -1), (-1.0, 1.0, 0), (0.0, 1.0, 0)])
def test_a_range_that_touches_zero_has_no_sign(low, high, sign):
    assert Interval(value=(low + high) / 2, low=low, high=high).sign == sign
