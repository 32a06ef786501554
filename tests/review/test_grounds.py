from __future__ import annotations

import numpy as np
import pytest
import shapely
import shapely.affinity
from hypothesis import given, settings
from hypothesis import strategies as st

from rxmap.review.grounds import compare_places, strip_ground

STRIP = shapely.box(90, 50, 110, 200)
TREATED = shapely.box(0, 0, 200, 250).difference(STRIP)


def lattice(step: float = 4.0) -> np.ndarray:
    easting, northing = np.meshgrid(np.arange(1, 200, step), np.arange(1, 250, step))
    return np.column_stack([easting.ravel(), northing.ravel()])


def untreated(places: np.ndarray) -> np.ndarray:
    return shapely.contains_xy(STRIP, places[:, 0], places[:, 1])


def test_a_constant_gain_is_found_exactly():
    places = lattice()
    pairs, unused = compare_places([strip_ground(1, STRIP, TREATED)], places, 50.0 - 3.0 * untreated(places))
    assert unused == []
    assert pairs[0].gain == pytest.approx(3.0)


@settings(max_examples=12, deadline=None)
@given(st.floats(-0.5, 0.5), st.floats(0, 179))
def test_a_slope_across_the_strip_cancels(slope, heading):
    places = lattice(2.0)
    values = 50.0 - 3.0 * untreated(places) + slope * places[:, 0]
    turned = [shapely.affinity.rotate(ground, heading, origin=(0, 0)) for ground in (STRIP, TREATED)]
    moved = shapely.get_coordinates(shapely.affinity.rotate(shapely.MultiPoint(places), heading, origin=(0, 0)))
    (pair,), _ = compare_places([strip_ground(1, *turned)], moved, values)
    # both sides have the same columns of places but for one that rounding puts in or out: a column is 2 m of slope
    assert pair.gain == pytest.approx(3.0, abs=0.02 + 2.0 * abs(slope))


def test_ground_that_was_not_treated_is_never_a_neighbour():
    half = shapely.box(0, 0, 90, 250)  # untreated ground begins at the strip's right side
    pairs, unused = compare_places([strip_ground(1, STRIP, half)], lattice(), np.ones(len(lattice())))
    assert pairs == []
    assert "0 points on one side" in unused[0].why


def test_another_strip_is_never_a_neighbour():
    other = shapely.box(120, 50, 140, 200)
    ground = strip_ground(1, STRIP, TREATED.difference(other))
    assert all(side.distance(other) >= 2.0 - 1e-9 for side in ground.sides if not side.is_empty)


def test_a_strip_that_was_sprayed_is_not_used():
    ground = strip_ground(1, STRIP, TREATED, sprayed=shapely.box(0, 0, 200, 120))
    pairs, unused = compare_places([ground], lattice(), np.ones(len(lattice())))
    assert pairs == []
    assert "% of it was sprayed" in unused[0].why


def test_a_sprayed_edge_of_a_strip_is_left_out_not_the_strip():
    ground = strip_ground(1, STRIP, TREATED, sprayed=TREATED.union(shapely.box(90, 50, 91.5, 200)))
    assert ground.why == ""
    assert ground.on.bounds[0] == pytest.approx(92.0)


def test_a_wide_harvest_keeps_only_points_whose_whole_width_is_on_the_strip():
    assert strip_ground(1, STRIP, TREATED, header_m=9.0).on.bounds[::2] == pytest.approx((94.5, 105.5))


def test_a_harvest_as_wide_as_the_strip_keeps_its_middle():
    assert strip_ground(1, STRIP, TREATED, header_m=20.0).on.bounds[::2] == pytest.approx((99.5, 100.5))


def test_few_points_leave_a_strip_unused():
    places = np.array([(100.0, 100.0), (100.0, 110.0)])
    pairs, unused = compare_places([strip_ground(7, STRIP, TREATED)], places, np.ones(2))
    assert pairs == []
    assert (unused[0].number, unused[0].why) == (7, "2 points on it, fewer than 5")


def test_ground_beside_that_another_pass_treats_otherwise_is_left_out():
    other = shapely.box(0, 0, 80, 250)  # 10 m from the strip's left side; its sides reach 42 m
    ground = strip_ground(1, STRIP, TREATED, others=[other])
    assert ground.sides[0].bounds[0] == pytest.approx(82.0)  # less the margin along every edge
    assert ground.why == ""


def test_a_strip_that_another_pass_treats_in_part_is_not_used():
    assert strip_ground(1, STRIP, TREATED, others=[shapely.box(0, 0, 200, 120)]).why.startswith("another pass treats")


def test_a_strip_inside_another_pass_is_compared_within_it():
    other = shapely.box(70, 0, 130, 250)
    ground = strip_ground(1, STRIP, TREATED, others=[other])
    assert (ground.sides[0].bounds[0], ground.sides[1].bounds[2]) == pytest.approx((72.0, 128.0))
