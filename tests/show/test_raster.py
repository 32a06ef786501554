"""Pictures lie where the field lies, and their classes are those of the cells."""

from __future__ import annotations

import base64
import io

import numpy as np
import pyproj
import pytest
import shapely
from PIL import Image
from shapely.geometry import box

from rxmap.grid import Frame, Grid, make_grid
from rxmap.show.raster import MOST_PIXELS, MOST_VERTICES, Canvas, _to_lonlat, _to_mercator

FRAME = Frame(lon=-93.4, lat=42.1)
COLOURS = ["#ffffff", "#808080", "#000000"]


def field(width: float = 600.0, height: float = 400.0) -> shapely.Geometry:
    """A field that lies off the centre of its frame, so that a wrong turn would show."""
    return FRAME.geometry_to_lonlat(box(2000, 1000, 2000 + width, 1000 + height))


def laid_out(cell: float = 5.0) -> tuple[Grid, Canvas]:
    boundary = field()
    return make_grid(FRAME.geometry_to_metres(boundary), cell), Canvas(FRAME, boundary)


def pixels(uri: str) -> np.ndarray:
    data = base64.b64decode(uri.removeprefix("data:image/png;base64,"), validate=True)
    return np.asarray(Image.open(io.BytesIO(data)).convert("RGBA"))


def test_mercator_agrees_with_proj() -> None:
    places = np.array([[-93.4, 42.1], [17.4, 53.1], [151.0, -33.8], [0.0, 0.0]])
    proj = pyproj.Transformer.from_crs("EPSG:4326", "EPSG:3857", always_xy=True)
    wanted = np.column_stack(proj.transform(*places.T))
    np.testing.assert_allclose(_to_mercator(places), wanted, atol=1e-6)  # a micrometre: rounding alone
    np.testing.assert_allclose(_to_lonlat(wanted), places, atol=1e-12)


def test_a_hot_cell_is_drawn_where_it_lies() -> None:
    grid, canvas = laid_out()
    values = np.where(grid.inside, 0.0, np.nan)
    values[20, 70] = 10.0
    drawn = pixels(canvas.picture(canvas.warp(grid, [values])[0], [2.0, 6.0], COLOURS))
    row, column = np.argwhere((drawn[..., :3] == 0).all(axis=2) & (drawn[..., 3] == 255)).mean(axis=0) + 0.5
    (south, west), (north, east) = canvas.corners
    low, high = _to_mercator(np.array([[west, south], [east, north]]))
    share = np.array([column / drawn.shape[1], 1 - row / drawn.shape[0]])
    lonlat = _to_lonlat((low + share * (high - low))[None])[0]
    easting, northing = FRAME.to_metres(*lonlat)
    axes = grid.axes()
    assert abs(easting - axes[0][70]) < 0.7  # a pixel, 600 m / 1000
    assert abs(northing - axes[1][20]) < 0.7


def test_outside_the_field_nothing_is_drawn() -> None:
    grid, canvas = laid_out()
    drawn = pixels(canvas.picture(canvas.warp(grid, [np.where(grid.inside, 1.0, np.nan)])[0], [0.5, 2.0], COLOURS))
    assert (drawn[..., 3] == np.where(canvas.inside, 255, 0)).all()
    assert (drawn[canvas.inside][:, :3] == 128).all()
    assert canvas.inside.mean() == pytest.approx(1.0, abs=0.06)  # a box, less the turn of the two projections


def test_the_line_lies_where_the_surface_passes_the_limit() -> None:
    grid, canvas = laid_out()
    easting, _ = np.meshgrid(*grid.axes())
    lines = canvas.contour(canvas.warp(grid, [easting])[0], 2300.0)
    places = np.array([place for line in lines for place in line])
    got, _ = FRAME.to_metres(places[:, 1], places[:, 0])
    np.testing.assert_allclose(got, 2300.0, atol=1.5)  # half a pixel of stair, one of simplifying [m]
    length = sum(
        shapely.LineString(FRAME.geometry_to_metres(shapely.LineString(np.array(ln)[:, ::-1]))).length for ln in lines
    )
    assert length == pytest.approx(400.0, abs=4.0)  # across the field once, and not along its edge


def test_a_surface_of_pure_noise_does_not_make_an_endless_line() -> None:
    grid, canvas = laid_out()
    noise = np.random.default_rng(3).normal(size=grid.shape)
    lines = canvas.contour(canvas.warp(grid, [noise])[0], 0.0)
    assert 0 < sum(len(line) for line in lines) <= MOST_VERTICES


@pytest.mark.parametrize("pictures", [1, 4, 12, 40])
def test_all_pictures_of_a_page_share_one_budget(pictures: int) -> None:
    rows, columns = Canvas(FRAME, field(), pictures).shape
    assert pictures * rows * columns <= MOST_PIXELS * 1.02  # margins come on top


def test_a_sliver_of_a_field_still_has_a_picture() -> None:
    boundary = field(800.0, 2.0)
    assert min(Canvas(FRAME, boundary).shape) >= 1
    assert Canvas(FRAME, boundary).inside.any()


@pytest.mark.parametrize("level", [-1.0, 2.0])
def test_no_line_where_nothing_passes_the_limit(level: float) -> None:
    grid, canvas = laid_out()
    assert canvas.contour(canvas.warp(grid, [np.where(grid.inside, 1.0, np.nan)])[0], level) == []
