"""What machines log comes as polygons, as points and as a raster: the same ground has to come out."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import rasterio
import shapely
from rasterio.features import rasterize

from rxmap.errors import InputError
from rxmap.grid import make_grid
from rxmap.plan import ReviewApplied
from rxmap.read.applied_layer import read_applied
from rxmap.records import Field

SWATH = 9.0


@pytest.fixture
def sprayed(result) -> shapely.Polygon:
    """A block of 90 m by 60 m in the middle of the shared field, in its metres."""
    centre = result.field.ground.centroid
    return shapely.box(centre.x - 45, centre.y - 30, centre.x + 45, centre.y + 30)


def section(name: str, **changed: str) -> ReviewApplied:
    return ReviewApplied(**{"file": name, "rate": "rate", "unit": "L/ha", **changed})


def layer(folder: Path, field: Field, grounds: list, **row: object) -> str:
    features = [
        {
            "type": "Feature",
            "properties": {"rate": 18.0, **row},
            "geometry": shapely.geometry.mapping(field.frame.geometry_to_lonlat(ground)),
        }
        for ground in grounds
    ]
    (folder / "log.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    return "log.geojson"


def log_of_points(ground: shapely.Polygon) -> list[shapely.Point]:
    """One point each 5 m along passes of a swath, in their middle."""
    west, south, east, north = ground.bounds
    return [
        shapely.Point(x, y)
        for x in np.arange(west + SWATH / 2, east, SWATH)
        for y in np.arange(south + 2.5, north, 5.0)
    ]


def raster(folder: Path, field: Field, ground: shapely.Polygon) -> str:
    west, south, east, north = field.ground.bounds
    transform = rasterio.Affine(2.0, 0.0, west, 0.0, -2.0, north)
    shape = int((north - south) / 2) + 1, int((east - west) / 2) + 1
    values = rasterize([(ground, 18.0)], out_shape=shape, transform=transform, dtype="float32")
    with rasterio.open(
        folder / "log.tif", "w", driver="GTiff", height=shape[0], width=shape[1], count=1, dtype="float32",
        crs=rasterio.CRS.from_wkt(field.frame.wkt), transform=transform, nodata=-9999,
    ) as file:  # fmt: skip
        file.write(values, 1)
    return "log.tif"


def read(what: ReviewApplied, folder: Path, field: Field):
    return read_applied(what, folder, field, make_grid(field.ground, 3.0), swath_m=SWATH)[0]


def test_polygons_are_taken_as_logged(result, sprayed, tmp_path):
    told = read(section(layer(tmp_path, result.field, [sprayed])), tmp_path, result.field)
    assert told.ground.area == pytest.approx(5400, rel=1e-4)
    assert [rate for rate, _ in told.parts] == [18.0]


def test_points_become_the_ground_within_half_a_swath(result, sprayed, tmp_path):
    told = read(section(layer(tmp_path, result.field, log_of_points(sprayed))), tmp_path, result.field)
    # whole cells of 3 m, and points reach 0.6 m beyond the block at its rim of 300 m
    assert told.ground.area == pytest.approx(5400, rel=0.08)
    assert told.ground.intersection(sprayed).area > 0.98 * sprayed.area


def test_a_raster_becomes_the_cells_with_a_rate(result, sprayed, tmp_path):
    told = read(section(raster(tmp_path, result.field, sprayed), rate="1"), tmp_path, result.field)
    assert told.ground.area == pytest.approx(5400, rel=0.05)  # 300 m of rim, of which half a cell goes in or out
    amount = sum(rate * part.area for rate, part in told.parts)
    assert amount == pytest.approx(18.0 * 5400, rel=0.05)


def test_a_piece_that_crosses_itself_is_mended_and_counted(result, tmp_path):
    x, y = result.field.ground.centroid.coords[0]
    bow = shapely.Polygon([(x, y), (x + 20, y + 20), (x + 20, y), (x, y + 20)])
    told = read(section(layer(tmp_path, result.field, [bow])), tmp_path, result.field)
    assert told.how == "polygons as logged, 1 that cross themselves mended"
    assert told.ground.area == pytest.approx(200, rel=1e-3)


def test_a_log_with_no_rate_anywhere_is_refused(result, sprayed, tmp_path):
    name = layer(tmp_path, result.field, [sprayed], rate=0)
    with pytest.raises(InputError, match=r"log.geojson: holds no rate above 0 in the field"):
        read(section(name), tmp_path, result.field)


def test_a_log_of_another_field_is_refused(result, sprayed, tmp_path):
    name = layer(tmp_path, result.field, [shapely.affinity.translate(sprayed, 5000, 0)])
    with pytest.raises(InputError, match=r"log.geojson: none of it is in the field"):
        read(section(name), tmp_path, result.field)


@pytest.mark.parametrize("rate", [-1.0, "much", None, float("inf")])
def test_a_rate_that_is_none_is_refused(result, sprayed, tmp_path, rate):
    name = layer(tmp_path, result.field, [sprayed], rate=str(rate) if rate == float("inf") else rate)
    with pytest.raises(InputError, match="feature 1, rate: found"):
        read(section(name), tmp_path, result.field)


def test_lines_are_refused(result, sprayed, tmp_path):
    name = layer(tmp_path, result.field, [shapely.LineString(sprayed.exterior.coords)])
    with pytest.raises(InputError, match="holds Line"):
        read(section(name), tmp_path, result.field)


@pytest.mark.parametrize("band", ["rate", "0", "2"])
def test_a_raster_is_asked_by_the_number_of_its_band(result, sprayed, tmp_path, band):
    name = raster(tmp_path, result.field, sprayed)
    with pytest.raises(InputError, match=r"band"):
        read(section(name, rate=band), tmp_path, result.field)
