"""The round: short, from the start, around what blocks the way."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
import shapely

from rxmap.scout.order import crossings, walk_length, walk_order

NOTHING = shapely.Point()


@pytest.mark.parametrize("seed", range(3))
def test_the_round_is_the_shortest_of_all_for_a_few_stops(seed):
    places = np.random.default_rng(seed).uniform(0, 500, (7, 2))
    ours = walk_length(places[walk_order(places, (0.0, 0.0), NOTHING, seed=1)], (0.0, 0.0))
    best = min(walk_length(places[list(order)], (0.0, 0.0)) for order in itertools.permutations(range(7)))
    assert ours == pytest.approx(best, rel=1e-9)


@pytest.mark.parametrize("count", [40])
def test_the_round_is_within_a_tenth_of_a_long_run(count):
    places = np.random.default_rng(count).uniform(0, 800, (count, 2))
    ours, long = (
        walk_length(places[walk_order(places, (0.0, 0.0), NOTHING, seed=seed, rounds=rounds)], (0.0, 0.0))
        for seed, rounds in ((1, 200), (2, 4000))
    )
    assert ours <= 1.10 * long


def test_every_stop_is_walked_once_whatever_their_number():
    for count in range(1, 8):
        places = np.random.default_rng(count).uniform(0, 100, (count, 2))
        for start in (None, (0.0, 0.0)):
            assert sorted(walk_order(places, start, NOTHING, seed=1)) == list(range(count))


def test_without_a_gate_the_round_starts_in_the_south_west():
    places = np.array([[300.0, 200.0], [10.0, 20.0], [200.0, 10.0]])
    assert walk_order(places, None, NOTHING, seed=1)[0] == 1


def test_the_round_goes_around_water_where_it_can():
    # two rows of stops with a creek between them that ends in the east
    places = np.array([[east, north] for north in (0.0, 60.0) for east in (0.0, 100.0, 200.0, 300.0)])
    creek = shapely.box(-50, 25, 310, 35)
    order = walk_order(places, None, creek, seed=1)
    assert len(crossings(places[order], None, creek)) == 2  # a round has to cross twice, and crosses no more


def test_a_leg_that_crosses_is_named_by_the_stop_it_leads_to():
    places = np.array([[0.0, 0.0], [100.0, 0.0]])
    assert crossings(places, (0.0, -10.0), shapely.box(40, -1, 60, 1)) == [1]
