from __future__ import annotations

import csv
import io
import shutil
import subprocess

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import ndimage
from shapely.geometry import box

from rxmap.grid import Frame, Grid
from rxmap.zones.polygons import coverage, label_polygons


def flat(labels: np.ndarray, cell: float = 4.0) -> Grid:
    return Grid(west=-20.0, north=100.0, cell=cell, share=np.ones(labels.shape))


@settings(max_examples=60, deadline=None)
@given(arrays(int, (7, 9), elements=st.integers(0, 3)), st.sampled_from([0.0, 2.0, 4.0, 8.0]))
def test_any_map_becomes_a_coverage_that_reaches_one_cell_beyond(labels, tolerance):
    grid = flat(labels)
    drawn = label_polygons(labels, grid, tolerance=tolerance)
    if not labels.any():
        assert drawn == []
        return
    polygons = [polygon for _, polygon in drawn]
    assert shapely.coverage_is_valid(polygons)
    west, south, east, north = grid.bounds
    whole = box(west - 4, south - 4, east + 4, north + 4)
    assert shapely.coverage_union_all(polygons).symmetric_difference(whole).area == pytest.approx(0, abs=1e-9)
    assert {label for label, _ in drawn} == set(np.unique(labels)) - {0}


@given(arrays(int, (6, 6), elements=st.integers(1, 3)))
def test_without_tolerance_cells_keep_their_area(labels):
    grid = flat(labels)
    for label in np.unique(labels):
        ground = shapely.union_all([p for k, p in label_polygons(labels, grid, tolerance=0.0) if k == label])
        assert ground.intersection(box(*grid.bounds)).area == pytest.approx(16.0 * np.sum(labels == label))


def test_cells_that_touch_in_a_corner_stay_apart():
    assert len(label_polygons(np.array([[1, 2], [2, 1]]), flat(np.ones((2, 2))), tolerance=0.0)) == 4


def test_ground_without_label_takes_the_nearest():
    drawn = label_polygons(np.array([[1, 0, 0, 0, 2]]), flat(np.ones((1, 5))), tolerance=0.0)
    areas = {label: polygon.area / 16 for label, polygon in drawn}
    assert sum(areas.values()) == pytest.approx(3 * 7)
    assert areas[1] in (9, 12)  # the cell in the middle is as near to either


def test_simplified_edges_stay_near_the_cells():
    noise = ndimage.gaussian_filter(np.random.default_rng(2).standard_normal((120, 120)), 6)
    labels = 1 + (noise > 0) + (noise > 0.03)
    exact, smooth = (label_polygons(labels, flat(labels), tolerance=t) for t in (0.0, 4.0))
    assert len(shapely.get_coordinates([p for _, p in smooth])) < 0.6 * len(
        shapely.get_coordinates([p for _, p in exact])
    )
    for (label, before), (same, after) in zip(exact, smooth, strict=True):
        assert label == same
        # Visvalingam-Whyatt bounds the area of a corner, not the distance: 1.8 x tolerance was measured, 2.5 is safe.
        assert shapely.hausdorff_distance(before.boundary, after.boundary) < 2.5 * 4.0


@pytest.fixture(scope="module")
def meuse() -> tuple[np.ndarray, np.ndarray]:
    """Easting, northing [m] and soil class of the 40 m cells of `meuse.grid` in the R package sp."""
    if shutil.which("Rscript") is None:
        pytest.skip("Rscript is not installed")
    script = (
        'suppressMessages(library(sp)); data(meuse.grid); write.csv(meuse.grid[c("x","y","soil")], row.names=FALSE)'
    )
    run = subprocess.run(["Rscript", "-e", script], capture_output=True, text=True, check=False)
    if run.returncode:
        pytest.skip("R package sp is not installed")
    rows = list(csv.DictReader(io.StringIO(run.stdout)))
    return np.array([[float(row["x"]), float(row["y"])] for row in rows]), np.array([int(row["soil"]) for row in rows])


def _on_grid(places: np.ndarray, values: np.ndarray) -> tuple[np.ndarray, Grid]:
    (west, south), (east, north) = places.min(axis=0) - 20, places.max(axis=0) + 20
    labels = np.zeros((round((north - south) / 40), round((east - west) / 40)), int)
    labels[((north - places[:, 1]) // 40).astype(int), ((places[:, 0] - west) // 40).astype(int)] = values
    return labels, Grid(west=west, north=north, cell=40.0, share=(labels > 0).astype(float))


def test_meuse_flood_plain_has_its_published_area(meuse):
    """Pebesma & Bivand (2005), R News 5(2): meuse.grid, 3103 cells of 40 m x 40 m = 4 964 800 m2."""
    places, _ = meuse
    labels, grid = _on_grid(places, np.ones(len(places), int))
    drawn = label_polygons(labels + 1, grid, tolerance=0.0)  # 2 inside, 1 outside
    inside = [
        polygon.intersection(box(*grid.bounds)) for label, polygon in drawn if label == 2
    ]  # drawn one cell beyond
    assert sum(polygon.area for polygon in inside) == 4_964_800


def test_meuse_soils_keep_their_areas_through_the_coverage(meuse):
    places, soil = meuse
    middle = places.mean(axis=0).round()
    labels, grid = _on_grid(places - middle, soil)
    frame = Frame(lon=5.74, lat=50.97)  # about where it lies; the planar shape is laid down there
    outline = shapely.union_all([box(e - 20, n - 20, e + 20, n + 20) for e, n in places - middle])
    boundary = frame.geometry_to_lonlat(shapely.segmentize(outline, 200))
    faces = coverage(boundary, label_polygons(labels, grid, tolerance=0.0), frame, rest=0)
    for kind in (1, 2, 3):
        area = sum(face.area_m2 for face in faces if face.label == kind)
        assert area == pytest.approx(1600 * np.sum(soil == kind), rel=1e-5)
    assert sum(face.area_m2 for face in faces) == pytest.approx(4_964_800, rel=1e-6)
