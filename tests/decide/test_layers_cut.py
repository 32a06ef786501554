"""Stepped rates and two products that share a trip: exact against trying every choice."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from rxmap.decide.cut import shared_areas, stepped_areas, treated_area
from rxmap.decide.edge import EdgePrice

CELL = 4.0
INSIDE = np.ones((3, 3), dtype=bool)
PRICES = [EdgePrice(along=0.03, across=0.02, aligned=False), EdgePrice(along=0.02, across=0.04, aligned=True)]
STEPS = ((0, 1), (-1, 0), (-1, 1), (1, 1))
MASKS = (np.arange(2**9)[:, np.newaxis] >> np.arange(9) & 1).astype(bool)


def values_of(gain: np.ndarray, price: EdgePrice) -> np.ndarray:
    """Value of every one of the 512 masks of nine cells, written without the code under test."""
    values = MASKS @ gain.ravel()
    for (down, right), weight in zip(STEPS, price.arc_weights(CELL), strict=True):
        for row, column in itertools.product(range(3), range(3)):
            if 0 <= row + down < 3 and 0 <= column + right < 3:
                here, there = 3 * row + column, 3 * (row + down) + column + right
                values = values - weight * (MASKS[:, here] != MASKS[:, there])
    return values


@pytest.mark.parametrize("seed", range(6))
def test_two_steps_are_the_best_of_all_nested_pairs(seed):
    """Three labels on nine cells: every pair of masks with the second inside the first."""
    gains = list(np.random.default_rng(seed).normal(0.1, 0.5, (2, 3, 3)))
    both = values_of(gains[0], PRICES[0])[:, np.newaxis] + values_of(gains[1], PRICES[1])
    nested = ~(MASKS[np.newaxis] & ~MASKS[:, np.newaxis]).any(axis=2)
    best = np.unravel_index(np.argmax(np.where(nested, both, -math.inf)), both.shape)
    steps = stepped_areas(gains, INSIDE, PRICES, CELL)
    for step, mask in zip(steps, best, strict=True):
        np.testing.assert_array_equal(step.ravel(), MASKS[mask])


@pytest.mark.parametrize("seed", range(6))
def test_two_products_in_one_trip_are_the_best_of_all_pairs(seed):
    """All 2**18 choices of two products on nine cells."""
    gains = list(np.random.default_rng(seed).normal(0.2, 0.5, (2, 3, 3)))
    once = 0.4
    trips = (MASKS[:, np.newaxis] | MASKS[np.newaxis]).sum(axis=2)
    both = values_of(gains[0], PRICES[0])[:, np.newaxis] + values_of(gains[1], PRICES[1]) - once * trips
    best = np.unravel_index(np.argmax(both), both.shape)
    for area, mask in zip(shared_areas(gains, INSIDE, PRICES, CELL, once=once), best, strict=True):
        np.testing.assert_array_equal(area.ravel(), MASKS[mask])


def test_a_step_never_leaves_the_one_below():
    """Also where the higher step gains and the lower one loses: together they must pay."""
    draw = np.random.default_rng(3)
    inside = draw.random((40, 50)) < 0.9
    gains = [draw.normal(0, 1, inside.shape) for _ in range(4)]
    steps = stepped_areas(gains, inside, [PRICES[0]] * 4, CELL)
    for lower, higher in itertools.pairwise(steps):
        assert not (higher & ~lower).any()


def test_one_step_is_the_plain_treated_area():
    gain = np.random.default_rng(5).normal(0, 1, (20, 20))
    inside = np.ones((20, 20), dtype=bool)
    only = stepped_areas([gain], inside, [PRICES[1]], CELL)[0]
    np.testing.assert_array_equal(only, treated_area(gain, inside, PRICES[1], CELL))


def test_without_a_shared_cost_products_decide_alone():
    draw = np.random.default_rng(8)
    gains = [draw.normal(0, 1, (20, 20)) for _ in range(2)]
    inside = np.ones((20, 20), dtype=bool)
    alone = [treated_area(gain, inside, price, CELL) for gain, price in zip(gains, PRICES, strict=True)]
    for shared, own in zip(shared_areas(gains, inside, PRICES, CELL, once=0.0), alone, strict=True):
        np.testing.assert_array_equal(shared, own)
