from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import LineString, MultiPoint, Point, Polygon, box

from rxmap.decide.options import pass_options
from rxmap.grid import make_grid
from rxmap.passes.keep_outs import keep_out_records, kept_ground, kept_share, nothing_kept, product_setback_m
from rxmap.records import KeepOutSource

SOURCES = {
    "well": Point(150, -100),
    "wells": MultiPoint([(-200, 100), (-150, -150)]),
    "ditch": LineString([(-400, 20), (-100, 60), (120, -20), (400, 40)]),
    "fence": LineString([(-320, -250), (290, -260)]),
    "garden": Polygon([(200, 60), (350, 50), (360, 180), (210, 140)]),
    "yard": box(100, -120, 160, -60),
}


def source(shape, setback):
    return KeepOutSource(reason="kept", setback_m=setback, ground=shape)


@pytest.mark.parametrize("name", SOURCES)
@pytest.mark.parametrize("setback", [5.0, 30.0, 90.0])
def test_treated_ground_keeps_its_distance_from_the_source(plan_of, prescribed, field, name, setback):
    passes = prescribed(plan_of(), lambda east, north: 30.0, sources=(source(SOURCES[name], setback),))
    treated = [part.polygon for part in passes[0].parts if part.treat]
    assert treated
    for polygon in treated:  # as written, on seven decimals, and edges straight in degrees
        ground = field.frame.geometry_to_metres(polygon.segmentize(1e-4))
        assert ground.distance(SOURCES[name]) >= setback


@pytest.mark.parametrize("name", ["ditch", "garden"])
def test_a_map_keeps_its_distance_too(plan_of, prescribed, field, name):
    passes = prescribed(
        plan_of(), lambda east, north: np.where(east + north > -80, 30.0, 0.0), sources=(source(SOURCES[name], 20.0),)
    )
    assert passes[0].decision == "map"
    for part in passes[0].parts:
        if part.treat:
            assert field.frame.geometry_to_metres(part.polygon.segmentize(1e-4)).distance(SOURCES[name]) >= 20.0


@given(seed=st.integers(0, 10_000), step=st.sampled_from([0.05, 1.0, 50.0]), setback=st.floats(0.5, 150))
@settings(max_examples=60, deadline=None)
def test_a_setback_is_a_distance_in_every_direction(seed, step, setback):
    # winding ditches and ragged ponds: a plain buffer comes out up to 3 % short beside small bends
    rng = np.random.default_rng(seed)
    walk = np.cumsum(rng.normal(0, step, (rng.integers(4, 40), 2)), axis=0)
    shape = LineString(walk) if seed % 2 else shapely.make_valid(Polygon(walk))
    ((_, kept, ground),) = kept_ground([source(shape, setback)], 0.0)
    assert kept == setback
    assert ground.boundary.distance(shape) >= setback
    # and little wider: half a percent at the corners of each circle, and once more what a buffer is short
    corners = shapely.points(shapely.get_coordinates(ground))
    assert shapely.distance(corners, shape).max() < setback * 1.05


def test_points_and_lines_together_are_kept_from_alike():
    mixed = shapely.GeometryCollection([SOURCES["wells"], SOURCES["ditch"], SOURCES["yard"]])
    ((_, _, ground),) = kept_ground([source(mixed, 7.0)], 0.0)
    for name in ("wells", "ditch", "yard"):
        assert shapely.boundary(ground).distance(SOURCES[name]) >= 7.0


@pytest.mark.parametrize(
    ("own", "product", "expected"), [(30.0, 10.0, 30.0), (10.0, 30.0, 30.0), (0.0, 30.0, 30.0), (20.0, 0.0, 20.0)]
)
def test_the_larger_of_the_two_setbacks_is_kept(own, product, expected):
    ((_, kept, ground),) = kept_ground([source(Point(0, 0), own)], product)
    assert kept == expected
    assert ground.exterior.distance(Point(0, 0)) == pytest.approx(expected, rel=2e-6)


def test_a_tank_mix_keeps_the_largest_setback_of_its_labels(plan_of):
    keys = {"product.0.label.setback": "30 ft", "product.1.name": "Elm", "product.1.label.setback": "12 m"}
    (mix,) = pass_options(plan_of(keys | {"pass": [{"name": "mix", "products": ["Rowan", "Elm"]}]}), 1.0)
    assert product_setback_m(mix) == 12.0
    (alone,) = pass_options(plan_of({"product.0.label.setback": "30 ft"}), 1.0)
    assert product_setback_m(alone) == pytest.approx(9.144)
    (free,) = pass_options(plan_of(), 1.0)
    assert product_setback_m(free) == 0.0


def test_records_are_clipped_to_the_field_and_lie_on_the_grid_of_the_files(plan_of, field):
    options = pass_options(plan_of({"product.0.label.setback": "25 m"}), 1.0)
    near, far = source(SOURCES["garden"], 10.0), source(box(2000, 0, 2100, 100), 50.0)
    (record,) = keep_out_records([near, far], options, field)
    assert record.setback_m == 25.0
    coordinates = shapely.get_coordinates(record.polygon) * 1e7
    assert np.abs(coordinates - np.rint(coordinates)).max() < 1e-5
    assert record.polygon.is_valid
    assert shapely.difference(record.polygon, field.boundary.buffer(2e-7)).is_empty


def test_a_keep_out_that_only_touches_the_field_leaves_no_record(plan_of, field):
    corner = field.ground.exterior.coords[1]
    assert keep_out_records([source(Point(corner).buffer(0.001), 0.0)], pass_options(plan_of(), 1.0), field) == []


def test_kept_share_counts_overlapping_keep_outs_once(field):
    grid = make_grid(field.ground, 3.0)
    two = kept_ground([source(SOURCES["yard"], 0.0), source(SOURCES["yard"], 0.0)], 0.0)
    assert kept_share(two, grid).sum() * 9 == pytest.approx(SOURCES["yard"].area, rel=0.01)
    assert kept_share([], grid).sum() == 0


@pytest.mark.parametrize("name", SOURCES)
@pytest.mark.parametrize(("own", "label", "warned"), [(0.0, None, True), (0.0, "20 m", False), (5.0, None, False)])
def test_points_and_lines_that_keep_nothing_are_told(plan_of, name, own, label, warned):
    plan = plan_of({"product.0.label.setback": label} if label else {})
    told = nothing_kept([source(SOURCES[name], own)], plan.product)
    is_ground = name in ("garden", "yard")
    assert [caution.code for caution in told] == ["keeps_nothing: kept"] * (warned and not is_ground)
