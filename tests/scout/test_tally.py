"""Sequential tallies against Wald's formulas evaluated, a published plan, and simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest

from rxmap.scout.tally import Tally, binomial_tally, negative_binomial_tally, poisson_tally


@pytest.mark.parametrize(
    ("tally", "slope", "start"),
    [
        # Wald (1947) chapter 5; Oakland (1950), Waters (1955): their formulas at alpha = beta = 0.1
        (binomial_tally(0.15, 0.35), 0.24047, 1.96961),
        (negative_binomial_tally(0.5, 1.0, 1.0), 0.70951, 5.41902),
        (negative_binomial_tally(1.0, 2.0, 2.0), 1.41902, 5.41902),
        (poisson_tally(0.5, 1.0), 0.72135, 3.16993),
    ],
)
def test_lines_of_published_formulas(tally, slope, start):
    assert tally.slope == pytest.approx(slope, abs=5e-6)
    assert (tally.low, tally.high) == pytest.approx((-start, start), abs=5e-6)


# McAuslane, Ellis and Allen (1987), Canadian Entomologist: lines for corn rootworm beetles in first-year and in older
# maize, as printed; the levels and k behind them are a back-fit, the paper's own were not read.
PRINTED = {"first year": (0.98, -17.75, 13.82), "older": (0.99, -13.42, 10.45)}
BACK_FIT = {"first year": (0.8, 1.2, 0.66), "older": (0.85, 1.15, 2.46)}


@pytest.mark.parametrize("field", PRINTED)
def test_lines_of_a_published_plan(field):
    slope, low, high = PRINTED[field]
    tally = negative_binomial_tally(*BACK_FIT[field], wrongly_high=0.10, wrongly_low=0.05)
    assert tally.slope == pytest.approx(slope, abs=0.005)  # printed with two decimals
    assert (tally.low, tally.high) == pytest.approx((low, high), abs=0.06)  # levels of the back-fit have two digits


@pytest.mark.parametrize(("field", "first"), [("first year", 19), ("older", 14)])
def test_no_beetle_at_all_first_says_below_where_the_published_lines_do(field, first):
    slope, low, high = PRINTED[field]
    tally = Tally(slope=slope, low=low, high=high)
    assert [tally.below(n) for n in (first - 1, first)] == [None, 0]


def test_limits_are_whole_and_never_both_reached():
    tally = Tally(slope=0.98, low=-17.75, high=13.82)  # at 50 samples the lines are at 31.25 and 62.82
    assert (tally.below(50), tally.above(50)) == (31, 63)


@pytest.mark.parametrize("high", [False, True])
def test_a_tally_is_wrong_no_more_often_than_it_says(high):
    random = np.random.default_rng(3)
    tally = negative_binomial_tally(1.5, 2.5, 1.0)
    mean = 2.5 if high else 1.5
    totals = np.cumsum(random.negative_binomial(1.0, 1.0 / (1.0 + mean), (4000, 600)), axis=1)
    n = np.arange(1, 601)
    above, below = totals >= tally.high + tally.slope * n, totals <= tally.low + tally.slope * n
    first = [np.where(hit.any(axis=1), hit.argmax(axis=1), 600) for hit in (above, below)]
    wrong = np.mean(first[1] < first[0]) if high else np.mean(first[0] < first[1])
    # Wald's bound is alpha / (1 - beta); with 4000 walks three standard errors are 1.5 %
    assert wrong <= 0.1 / 0.9 + 0.015


def test_clumped_samples_need_lines_farther_apart():
    tally = binomial_tally(0.06, 0.10)
    wide = tally.widened(1.5)
    assert (wide.slope, wide.high) == (tally.slope, pytest.approx(1.5 * tally.high))
    assert math.isclose(wide.low, 1.5 * tally.low)
