"""Where stops stand: covering the field, out of keep-outs, some close together."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.cluster.vq import kmeans2

from rxmap.errors import InputError
from rxmap.grid import Frame, make_grid
from rxmap.records import Field, Inputs, KeepOutSource
from rxmap.scout.first import first_visit
from rxmap.scout.places import (
    cells_of,
    close_pairs,
    coverage,
    edge_places,
    inner_ground,
    mean_distance,
    onto,
    spread_over,
)

FRAME = Frame(lon=10.1, lat=50.1)
ELBOW = shapely.Polygon([(0, 0), (900, 0), (900, 400), (500, 420), (500, 750), (0, 700)])


@pytest.mark.parametrize("count", [9, 40])
def test_stops_cover_a_field_as_well_as_the_best_of_100_random_starts(count):
    centres, weights = cells_of(make_grid(ELBOW, 5.0), ELBOW)
    ground = inner_ground(ELBOW, ELBOW.buffer(-0.05), np.sqrt(ELBOW.area / count))  # off the boundary, as planned
    ours = mean_distance(centres, weights, onto(coverage(centres, weights, count, seed=1), ground))
    random = np.random.default_rng(2)
    starts = (centres[random.choice(len(centres), count, replace=False)] for _ in range(100))
    # scipy's k-means, another implementation; cells on the boundary weigh less, which it does not know
    best = min(mean_distance(centres, weights, kmeans2(centres, start, minit="matrix")[0]) for start in starts)
    assert ours <= 1.05 * best


def test_a_stop_that_would_stand_off_the_ground_moves_onto_it():
    ring = shapely.box(0, 0, 90, 90).difference(shapely.box(20, 20, 70, 70))
    assert shapely.covers(ring, shapely.points(onto(np.array([[45.0, 44.0]]), ring))).all()


@st.composite
def grounds(draw):
    """An invented field of one to five boxes that hang together, and keep-outs that leave some of it."""
    side = st.integers(60, 500)
    boxes, east, north = [], 0, 0
    for _ in range(draw(st.integers(1, 5))):
        wide, tall = draw(side), draw(side)
        boxes.append(shapely.box(east, north, east + wide, north + tall))
        east, north = east + draw(st.integers(0, wide - 30)), north + draw(st.integers(0, tall - 30))
    field = shapely.union_all(boxes)
    place = st.tuples(st.integers(0, 600), st.integers(0, 600))
    shapes = draw(
        st.lists(st.one_of(place.map(shapely.Point), st.tuples(place, place).map(shapely.LineString)), max_size=3)
    )
    kept = [
        KeepOutSource(reason="invented", setback_m=float(draw(st.integers(1, 40))), ground=shape) for shape in shapes
    ]
    return field, kept


@settings(max_examples=25)
@given(grounds(), st.integers(1, 30), st.booleans())
def test_no_stop_of_a_first_visit_stands_in_a_keep_out_or_outside_the_field(plan_of, ground, count, edged):
    drawn, keep_outs = ground
    boundary = FRAME.geometry_to_lonlat(drawn)
    field = Field(name="invented", boundary=boundary, ground=drawn, frame=FRAME, area_ha=drawn.area / 1e4)
    grid = make_grid(drawn, 10.0)
    inputs = Inputs(field=field, grid=grid, observations=(), keep_outs=tuple(keep_outs), files=(), cautions=())
    plan = plan_of({"target.0.edge": "12 m"} if edged else {})
    try:
        walk = first_visit(plan, inputs, count=count)
    except InputError as error:  # no ground left, or not enough of it
        said = str(error)
        assert "nowhere to stop" in said or "has room for" in said
        return
    places = np.column_stack(FRAME.to_metres([s.lon for s in walk.stops], [s.lat for s in walk.stops]))
    assert shapely.covers(drawn, shapely.points(places)).all()
    for source in keep_outs:
        assert (shapely.distance(source.ground, shapely.points(places)) >= source.setback_m).all()
    assert sum(stop.kind != "edge" for stop in walk.stops) in range(count - 3, count + 1)  # a pair may find no room


def test_edge_stops_stand_in_their_strip_at_equal_steps():
    places = edge_places(ELBOW, ELBOW.buffer(-0.05), 24.0, 120.0)
    off = ELBOW.exterior.distance(shapely.points(places))
    assert len(places) >= 4
    assert off == pytest.approx(12.0, abs=0.2)  # a mitred corner lies a little farther in


def test_close_pairs_are_close_and_far_from_each_other():
    random = np.random.default_rng(1)
    stops = random.uniform(50, 450, (30, 2))
    pairs = close_pairs(stops, 3, shapely.box(0, 0, 500, 500), 90.0, seed=1)
    gaps = np.linalg.norm(pairs[:, None] - stops[None], axis=2).min(axis=1)
    assert gaps == pytest.approx(9.0, abs=1e-9)
    assert np.linalg.norm(pairs[0] - pairs[1]) > 90.0


def test_with_an_image_stops_show_its_range_better_and_cover_the_field_nearly_as_well():
    grid = make_grid(ELBOW, 10.0)
    centres, weights = cells_of(grid, ELBOW)
    plain = coverage(centres, weights, 24, seed=1)
    layer = np.exp(np.sin(centres[:, 0] / 70) + np.cos(centres[:, 1] / 90))
    spacing = np.sqrt(ELBOW.area / 24)
    moved = spread_over(layer, centres, plain, spacing)

    def off(stops):
        at = layer[np.linalg.norm(centres[:, None] - stops[None], axis=2).argmin(axis=0)]
        return stats.ks_2samp(at, layer).statistic  # greatest distance between the distributions

    assert off(moved) < 0.08  # the best that 24 stops can do is 1 / 48
    assert off(moved) <= off(plain)
    assert mean_distance(centres, weights, moved) < 1.15 * mean_distance(centres, weights, plain)
