"""How stops lie: the ground that each speaks for, stops that crowd where it looked bad, ground that none reaches."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from rxmap.errors import InputError
from rxmap.surface import PressureModel
from rxmap.surface.covariance import correlation, distances
from rxmap.surface.evidence_ground import (
    beyond_reach,
    crowding,
    nearest_ground,
    neighbour_ground,
    reach_of_stops,
)

FIELD = shapely.box(0.0, 0.0, 800.0, 800.0)


@given(st.integers(0, 10_000), st.integers(2, 30))
def test_the_ground_of_all_stops_is_the_field(seed: int, count: int) -> None:
    stops = np.round(np.random.default_rng(seed).uniform(-100.0, 900.0, (count, 2)), -1)  # some twice, some outside
    assert nearest_ground(stops, FIELD).sum() == pytest.approx(FIELD.area, rel=1e-9)


def test_each_stop_has_the_ground_that_is_nearest_to_it() -> None:
    stops = np.random.default_rng(4).uniform(0.0, 800.0, (25, 2))
    axis = np.arange(2.0, 800.0, 4.0)
    cells = np.stack(np.meshgrid(axis, axis), axis=-1).reshape(-1, 2)
    counted = np.bincount(distances(cells, stops).argmin(axis=0), minlength=25) * 16.0
    assert nearest_ground(stops, FIELD) == pytest.approx(counted, abs=2_000.0)  # cells along 4 edges of 100 m


def test_twins_share_their_ground() -> None:
    alone = nearest_ground(np.array([[100.0, 400.0], [700.0, 400.0]]), FIELD)
    pair = nearest_ground(np.array([[100.0, 400.0], [700.0, 400.0], [700.0, 400.0]]), FIELD)
    assert pair == pytest.approx([alone[0], alone[1] / 2.0, alone[1] / 2.0])


def test_errors_are_those_of_shuffled_stops() -> None:
    # Kendall 1948: over all orders of n values a rank correlation has mean 0 and variance 1 / (n - 1)
    random = np.random.default_rng(9)
    pressure, ground = random.exponential(3.0, 30), random.exponential(1.0, 30)
    errors = [crowding(random.permutation(pressure), ground).errors for _ in range(4_000)]
    assert np.std(errors) == pytest.approx(1.0, abs=0.04)  # 4000 shuffles know it to 0.011
    assert np.mean(errors) == pytest.approx(0.0, abs=0.06)


def test_the_even_mean_weighs_each_stop_by_its_ground() -> None:
    told = crowding(np.array([1.0, 2.0, 6.0]), np.array([3.0, 2.0, 1.0]))
    assert (told.plain, told.even) == pytest.approx((3.0, 13.0 / 6.0))
    assert told.lost == pytest.approx(3.0 * (9.0 + 4.0 + 1.0) / 36.0)


def walk(random: np.random.Generator, chosen: str, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Stops and skewed pressures: a walk without preference, or one that went back to where it was bad."""
    spare = random.uniform(0.0, 800.0, (300, 2))
    covariance = correlation(distances(spare, spare), "exponential", 400.0)
    pressure = np.exp(0.8 * np.linalg.cholesky(covariance + 1e-9 * np.eye(300)) @ random.standard_normal(300))
    first = np.arange(count if chosen == "even" else count // 2)
    if chosen == "back":
        way = distances(spare, spare[first[np.argsort(-pressure[first])[:3]]]).min(axis=0)
        way[first] = np.inf
        first = np.append(first, np.argsort(way)[: count - len(first)])
    return spare[first], pressure[first]


@pytest.mark.parametrize(("chosen", "least", "most"), [("even", 0.0, 0.1), ("back", 0.5, 1.0)])
def test_going_back_to_bad_places_is_seen_and_an_even_walk_is_not(chosen: str, least: float, most: float) -> None:
    random = np.random.default_rng(17)
    found = []
    for _ in range(60):
        stops, pressure = walk(random, chosen, 60)
        found.append(crowding(pressure, nearest_ground(stops, FIELD)).found)
    assert least <= np.mean(found) <= most


def crowded_field() -> tuple[np.ndarray, np.ndarray]:
    """16 stops evenly over the field with 2 of 20 affected, 16 more inside one hot corner with 12."""
    axis = np.arange(100.0, 800.0, 200.0)
    even = np.stack(np.meshgrid(axis, axis), axis=-1).reshape(-1, 2)
    corner = 100.0 + 8.0 * np.stack(np.meshgrid(np.arange(4), np.arange(4)), axis=-1).reshape(-1, 2) + 5.0
    return np.vstack([even, corner]), np.append(np.full(16, 2.0), np.full(16, 12.0))


def test_the_level_of_the_field_weighs_crowded_stops_by_their_ground() -> None:
    stops, found = crowded_field()
    model = PressureModel(measure="incidence", area=FIELD.area)
    model.fit(stops, found, np.full(32, 20.0), ground=nearest_ground(stops, FIELD))
    assert "crowded_stops" in dict(model.cautions_)
    # the corner's 16 stops stand for one sixteenth of the field: 15/16 x 10 % + 1/16 x 60 % but for the way between
    assert 12.0 < model.field_mean()[0] < 15.0
    assert model.predict([[400.0, 400.0]], spatial=False).mean[0] == pytest.approx(model.field_mean()[0], rel=1e-6)


def test_an_even_walk_keeps_its_plain_mean() -> None:
    stops, found = crowded_field()
    model = PressureModel(measure="incidence", area=FIELD.area)
    model.fit(stops[:16], np.arange(16.0), np.full(16, 20.0), ground=nearest_ground(stops[:16], FIELD))
    assert model.field_mean()[0] == pytest.approx(100.0 * np.arange(16.0).mean() / 20.0, rel=1e-6)
    assert found.shape == (32,)


@pytest.mark.parametrize("ground", [np.ones(3), np.full(16, -1.0), np.ones((16, 1))])
def test_ground_of_another_form_is_refused(ground: np.ndarray) -> None:
    stops, found = crowded_field()
    with pytest.raises(InputError, match="ground"):
        PressureModel(measure="incidence", area=FIELD.area).fit(
            stops[:16], found[:16], np.full(16, 20.0), ground=ground
        )


def test_ground_beyond_reach_is_the_field_less_circles() -> None:
    stops = np.array([[200.0, 400.0], [600.0, 400.0]])
    area = beyond_reach(stops, FIELD, 100.0).area
    assert area == pytest.approx(FIELD.area - 2.0 * np.pi * 100.0**2, rel=1e-3)  # circles are drawn with 64 corners
    assert beyond_reach(stops, FIELD, 800.0).is_empty


def test_stops_reach_no_farther_than_their_range() -> None:
    assert reach_of_stops(100.0, 60.0) == 60.0
    assert reach_of_stops(100.0, 900.0) == reach_of_stops(100.0, None) == 200.0


def test_without_an_outline_a_stop_in_a_crowd_speaks_for_less() -> None:
    stops, _ = crowded_field()
    ground = neighbour_ground(stops)
    assert ground[16:].max() < ground[:16].min()
