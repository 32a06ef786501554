from __future__ import annotations

import numpy as np
import pyproj
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import MultiPolygon, Point, Polygon, box

from rxmap.errors import InputError
from rxmap.grid import MOST_CELLS, Frame, Grid, block_sum, cover, default_cell, geodesic_area_m2, make_grid

FRAME = Frame(lon=-98.9, lat=44.3)
L_SHAPE = Polygon([(0, 0), (60, 0), (60, 30), (30, 30), (30, 60), (0, 60)])
POND = Polygon([(-200, -150), (210, -160), (190, 170), (-220, 140)], [[(0, 0), (40, 0), (40, 50), (0, 50)]])


def lonlat(frame: Frame, geometry: Polygon) -> Polygon:
    return frame.geometry_to_lonlat(geometry.segmentize(20.0))


@pytest.mark.parametrize("lat", [-70.0, -33.0, 0.0, 10.0, 44.3, 65.0, 80.0])
@pytest.mark.parametrize("size", [100.0, 800.0, 3000.0])
def test_area_in_metres_is_the_area_on_the_ellipsoid(lat, size):
    # against Karney's geodesic polygon area in PROJ; a UTM zone would be off by up to 2e-3
    square = box(-size / 2, -size / 2, size / 2, size / 2)
    assert geodesic_area_m2(lonlat(Frame(lon=12.3, lat=lat), square)) == pytest.approx(size**2, rel=1e-6)


def test_distances_in_metres_are_those_on_the_ellipsoid():
    lon, lat = FRAME.to_lonlat([0.0, 700.0], [0.0, -400.0])
    _, _, distance = pyproj.Geod(ellps="WGS84").inv(lon[0], lat[0], lon[1], lat[1])
    assert distance == pytest.approx(np.hypot(700, 400), rel=1e-7)


@given(st.floats(-3000, 3000), st.floats(-3000, 3000))
def test_projecting_there_and_back_moves_nothing(easting, northing):
    lon, lat = FRAME.to_lonlat(easting, northing)
    assert np.allclose(FRAME.to_metres(lon, lat), (easting, northing), atol=1e-6)


def test_the_projection_travels_as_text_under_its_name():
    again = pyproj.CRS.from_wkt(FRAME.wkt)
    assert again.name == "rxmap field TM"
    assert again == FRAME.crs
    assert {axis.unit_name for axis in again.axis_info} == {"metre"}


def test_area_takes_holes_off_whatever_the_direction_of_the_rings():
    solid, hole = Polygon(POND.exterior), Polygon(POND.interiors[0])
    for shape in (POND, POND.reverse()):
        assert geodesic_area_m2(lonlat(FRAME, shape)) == pytest.approx(solid.area - hole.area, rel=1e-6)


def test_area_of_several_parts_is_their_sum():
    parts = [box(0, 0, 50, 50), box(80, 0, 120, 50)]
    assert geodesic_area_m2(lonlat(FRAME, MultiPolygon(parts))) == pytest.approx(4500, rel=1e-6)


@pytest.mark.parametrize("shape", [L_SHAPE, POND, POND.buffer(25)])
def test_shares_add_up_to_the_ground(shape):
    grid = make_grid(shape, 3.0)
    # sub-cells of 0.375 m along the boundary: errors of either sign, far below one cell's width of it
    assert grid.share.sum() * 9 == pytest.approx(shape.area, abs=0.1 * shape.length)
    assert (grid.share >= 0).all()
    assert (grid.share <= 1).all()


def test_a_field_on_cell_corners_is_covered_exactly():
    grid = make_grid(L_SHAPE, 3.0)
    assert grid.shape == (20, 20)
    assert set(np.unique(grid.share)) == {0.0, 1.0}
    assert grid.share.sum() * 9 == L_SHAPE.area
    assert grid.bounds == (0.0, 0.0, 60.0, 60.0)


def test_row_zero_is_in_the_north():
    grid = make_grid(L_SHAPE, 30.0)
    assert grid.inside.tolist() == [[True, False], [True, True]]
    assert grid.centres().tolist() == [[15.0, 45.0], [15.0, 15.0], [45.0, 15.0]]
    assert grid.transform == (30.0, 0.0, 0.0, 0.0, -30.0, 60.0)


def test_values_per_centre_go_back_to_their_cells():
    grid = make_grid(POND, 10.0)
    easting = grid.spread(grid.centres()[:, 0])
    assert np.array_equal(np.isnan(easting), ~grid.inside)
    assert np.nanmax(np.abs(easting - grid.axes()[0])) == 0


def test_neighbouring_fields_share_their_cell_corners():
    for shape in (POND, shapely.affinity.translate(POND, 17.3, -4.1)):
        grid = make_grid(shape, 3.0)
        assert (grid.west % 3.0, grid.north % 3.0) == (0.0, 0.0)


@given(st.integers(1, 7), st.integers(1, 20), st.integers(1, 20), st.integers(0, 9))
def test_coarse_cells_hold_the_same_ground(factor, rows, columns, seed):
    share = np.random.default_rng(seed).random((rows, columns))
    fine = Grid(west=6.0, north=9.0, cell=3.0, share=share)
    coarse = fine.coarsened(factor)
    assert coarse.share.sum() * coarse.cell_ha == pytest.approx(share.sum() * fine.cell_ha)
    assert (coarse.west, coarse.north, coarse.cell) == (6.0, 9.0, 3.0 * factor)
    assert block_sum(share, factor).shape == (-(-rows // factor), -(-columns // factor))


def test_mean_counts_ground_and_not_cells():
    grid = Grid(west=0.0, north=1.0, cell=1.0, share=np.array([[1.0, 0.25, 0.0]]))
    assert grid.mean(np.array([[1.0, 5.0, np.nan]])) == pytest.approx((1 + 0.25 * 5) / 1.25)


@given(st.floats(1e3, 1e9))
def test_default_cells_are_whole_metres_and_not_too_many(area):
    cell = default_cell(area)
    assert cell >= 3.0
    assert cell == int(cell)
    assert area / cell**2 <= MOST_CELLS
    assert cell == 3.0 or area / (cell - 1) ** 2 > MOST_CELLS


def test_a_cell_wider_than_the_field_is_refused():
    with pytest.raises(InputError, match=r"output\.cell"):
        make_grid(Point(30, 40).buffer(15), 2000.0)


@given(st.floats(0, 90), st.floats(5, 40), st.floats(5, 40))
@settings(max_examples=25, deadline=None)
def test_cover_is_the_share_of_each_cell(angle, width, height):
    shape = shapely.affinity.rotate(box(20, 20, 20 + width, 20 + height), angle)
    share = cover(shape, 0.0, 90.0, 9.0, (10, 10))
    exact = [[shapely.intersection(shape, box(9 * c, 81 - 9 * r, 9 * c + 9, 90 - 9 * r)).area / 81 for c in range(10)]
             for r in range(10)]  # fmt: skip
    # an edge across a cell of 8 x 8 sub-cells: 16 of them at most are cut, each off by half
    assert np.abs(share - exact).max() < 8 / 64


def test_nothing_covers_nothing():
    assert cover(Polygon(), 0.0, 9.0, 3.0, (3, 3)).sum() == 0
