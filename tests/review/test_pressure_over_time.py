from __future__ import annotations

import datetime as dt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rxmap.review.pressure import area_range, area_under


def days(*after: int) -> list[dt.date]:
    return [dt.date(2026, 7, 1) + dt.timedelta(days=each) for each in after]


def test_pest_days_reproduce():
    # cumulative aphid-days by the trapezoid of Ruppel (1983): 7 x 100 + 7 x 275
    assert area_under(days(0, 7, 14), [50, 150, 400]) == pytest.approx(2625.0)


def test_area_under_the_disease_progress_curve_reproduces():
    # Shaner and Finney (1977): 7 x (1+5)/2 + 7 x (5+20)/2 + 7 x (20+50)/2
    assert area_under(days(0, 7, 14, 21), [1, 5, 20, 50]) == pytest.approx(353.5)


@given(st.lists(st.tuples(st.integers(1, 20), st.floats(0, 100)), min_size=2, max_size=9))
def test_the_area_is_that_of_the_trapezoid_rule(steps):
    at = np.cumsum([gap for gap, _ in steps]).tolist()
    means = [mean for _, mean in steps]
    assert area_under(days(*at), means) == pytest.approx(float(np.trapezoid(means, at)), abs=1e-6)


def test_the_range_of_the_area_is_that_of_simulated_visits():
    means, errors = [10.0, 30.0, 60.0], [2.0, 4.0, 6.0]
    told = area_range(days(0, 7, 14), means, errors)
    drawn = np.random.default_rng(1).normal(means, errors, size=(20_000, 3))
    areas = [area_under(days(0, 7, 14), row) for row in drawn]
    # 20,000 draws: Monte Carlo error of a 5 % quantile about 0.4 % of the value
    assert (told.low, told.high) == pytest.approx(np.quantile(areas, [0.05, 0.95]), rel=0.02)


def test_one_stop_alone_has_no_range():
    assert area_range(days(0, 7), [1.0, 2.0], [0.5, None]) is None
