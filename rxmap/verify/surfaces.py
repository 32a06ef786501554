"""The pressure surfaces, and what the zones say about them."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import rasterio
import shapely
from numpy.typing import NDArray
from rasterio.features import rasterize
from shapely.geometry.base import BaseGeometry

from rxmap.errors import shown
from rxmap.verify.folder import SUMMARY, Folder
from rxmap.verify.geojson import Layer
from rxmap.verify.ground import M2_PER_HA, area_m2, projected
from rxmap.verify.prescription import ZONES, coverage_faults, field_ground
from rxmap.verify.report import Unreadable
from rxmap.verify.values import near

BANDS = ("mean", "sd", "p_over", "q05", "q95")
NODATA = -9999.0
MOST_CELLS = 40_000_000  # more is not a field; nothing is read of it
FINE = 4  # a cell is cut into 4 x 4 to see which share of it is inside
SHARE_SEEN = 0.15  # more than 2 of 16 sub-cells; a sliver may have been missed by whoever laid the cells
MEAN_TOLERANCE = 1e-3  # of the surface's size: sub-cells against the exact boundary
ZONE_TOLERANCE = 0.05  # of the surface's range: cells of a zone against its drawn, simplified outline


@dataclass(frozen=True, slots=True)
class Raster:
    """Bands of a surface; NaN where there is no value."""

    bands: dict[str, NDArray[np.float64]]
    transform: tuple[float, ...]  # affine coefficients a to f
    wkt: str

    @property
    def valid(self) -> NDArray[np.bool_]:
        """Cells that carry a value."""
        return np.isfinite(self.bands["mean"])

    def share(self, ground: BaseGeometry) -> NDArray[np.float64]:
        """Share of each cell inside a lon/lat geometry, counted on sub-cells."""
        rows, columns = self.valid.shape
        a, b, c, d, e, f = self.transform
        burned = rasterize(
            [(projected(ground, self.wkt), 1)],
            out_shape=(rows * FINE, columns * FINE),
            transform=(a / FINE, b / FINE, c, d / FINE, e / FINE, f),
        )
        return np.asarray(burned.reshape(rows, FINE, columns, FINE).sum(axis=(1, 3)) / FINE**2)

    def mean(self, band: str, share: NDArray[np.float64]) -> float:
        """Area mean of a band over shares of cells."""
        weight = share[self.valid]
        return float(self.bands[band][self.valid] @ weight / weight.sum())

    def span(self, band: str) -> tuple[float, float]:
        """Least and largest value of a band."""
        return float(np.nanmin(self.bands[band])), float(np.nanmax(self.bands[band]))


def read_raster(result: Folder, name: str) -> Raster:
    """Read a surface whole; its form is proved by `surfaces_right`."""
    return result.once("raster", name, lambda: _read_raster(result, name))  # type: ignore[no-any-return]


def _read_raster(result: Folder, name: str) -> Raster:
    result.bytes(name)  # a missing file is told in our words
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            with rasterio.open(result.path / name, driver="GTiff") as source:
                if source.width * source.height > MOST_CELLS:
                    raise Unreadable(f"{name}: {source.width} x {source.height} cells; a field has fewer")
                if source.crs is None or source.count != len(BANDS):
                    raise Unreadable(f"{name}: {source.count} bands; should be {len(BANDS)}, with a projection")
                values = source.read().astype(float)
                values[values == NODATA] = np.nan
                return Raster(dict(zip(BANDS, values, strict=True)), tuple(source.transform)[:6], source.crs.to_wkt())
    except (rasterio.errors.RasterioError, rasterio.errors.NotGeoreferencedWarning) as error:
        raise Unreadable(f"{name}: cannot be read as a GeoTIFF: {error}") from None


def surfaces_right(result: Folder) -> Iterator[str]:
    """Hold each surface against the agreed form, possible values, and the field."""
    field = field_ground(result)
    for target in result.summary["targets"]:
        name = target["surface"]
        raster = read_raster(result, name)
        place = _place(raster, field, result.summary["field"]["crs"])
        for line in (*_form(result, name), *place, *_numbers(raster)):
            yield f"{name}: {line}"
        share = _share(result, raster, field, ZONES)
        for line in (*_extent(raster, field, share), *_agrees(raster, share, target)):
            yield f"{name}: {line}"


def _form(result: Folder, name: str) -> Iterator[str]:
    with rasterio.open(result.path / name, driver="GTiff") as source:
        layout = source.tags(ns="IMAGE_STRUCTURE").get("LAYOUT")
        found = {
            "layout": (layout, "COG"),
            "type": (set(source.dtypes), {"float32"}),
            "nodata": (source.nodata, NODATA),
            "band descriptions": (source.descriptions, BANDS),
        }
    for word, (is_now, wanted) in found.items():
        if is_now != wanted:
            yield f"{word} {is_now}; should be {wanted}"


def _place(raster: Raster, field: BaseGeometry, wkt: str) -> Iterator[str]:
    """Hold the raster's projection against the one of the summary: a corner of the field to a millimetre."""
    corner = shapely.Point(field.bounds[:2])
    if projected(corner, raster.wkt).distance(projected(corner, wkt)) > 1e-3:
        yield f"projection differs from field.crs of {SUMMARY}; should be the same"


def _numbers(raster: Raster) -> Iterator[str]:
    valid, bands = raster.valid, raster.bands
    for name, values in bands.items():
        if (np.isfinite(values) != valid).any():
            yield f"band {name} has values in other cells than band mean; should be the same cells"
    with np.errstate(invalid="ignore"):
        wrong = {
            "sd below 0": bands["sd"] < 0,
            "p_over outside 0 to 1": (bands["p_over"] < 0) | (bands["p_over"] > 1),
            "q05 above q95": bands["q05"] > bands["q95"],
        }
    for word, cells in wrong.items():
        if cells.any():
            row, column = np.argwhere(cells)[0]
            yield f"{word} in {int(cells.sum())} cells, the first at row {row}, column {column}; should be nowhere"


def _extent(raster: Raster, field: BaseGeometry, share: NDArray[np.float64]) -> Iterator[str]:
    missing = (share > SHARE_SEEN) & ~raster.valid
    ground = projected(field, raster.wkt)
    margin = 0.1  # [m] coordinates of seven decimals are off by a centimetre
    touched = rasterize(
        [(shapely.buffer(ground, margin), 1)],
        out_shape=raster.valid.shape,
        transform=raster.transform,
        all_touched=True,
    )
    beyond = raster.valid & (touched == 0)
    if missing.any():
        yield f"{int(missing.sum())} cells of the field have no value; should be none"
    if beyond.any():
        yield f"{int(beyond.sum())} cells outside the field have a value; should be none"


def _agrees(raster: Raster, share: NDArray[np.float64], target: Any) -> Iterator[str]:
    low, high = raster.span("mean")
    mean = raster.mean("mean", share)
    if not near(target["mean"], mean, 4, absolute=MEAN_TOLERANCE * (high - low) + 1e-6 * abs(mean)):
        yield f"area mean {mean:.6g}; {SUMMARY} says {target['mean']}"
    if target["verdict"] == "uniform" and high - low > 1e-6 * abs(mean):
        yield f"values from {low:.6g} to {high:.6g} with verdict uniform; should be constant"


def zones_right(result: Folder) -> Iterator[str]:
    """Hold the zones against the field, and their figures against the surfaces."""
    layer, summary = result.layer(ZONES), result.summary
    numbers = [feature.properties["zone"] for feature in layer.features]
    if sorted(numbers) != list(range(1, len(numbers) + 1)):
        yield f"{ZONES}: zones {numbers}; should be numbered 1 to {len(numbers)}, each once"
    yield from coverage_faults(layer, field_ground(result), float(summary["field"]["area_ha"]))
    for feature in layer.features:
        hectares = area_m2(feature.geometry) / M2_PER_HA
        if not near(feature.properties["area_ha"], hectares, 4, relative=1e-6):
            yield f"{feature.where}: area_ha {feature.properties['area_ha']}; should be {hectares:.4f}"
    for target in summary["targets"]:
        yield from _zone_means(result, layer, target, read_raster(result, target["surface"]))


def _share(result: Folder, raster: Raster, ground: BaseGeometry, where: str) -> NDArray[np.float64]:
    """Share of each cell inside some ground; counted once for all surfaces with the same cells."""
    cells = f"share of {raster.valid.shape} {raster.transform} {raster.wkt}"
    return result.once(cells, where, lambda: raster.share(ground))  # type: ignore[no-any-return]


def _zone_means(result: Folder, layer: Layer, target: Any, raster: Raster) -> Iterator[str]:
    low, high = raster.span("mean")
    total = area = 0.0
    for feature in layer.features:
        share = _share(result, raster, feature.geometry, feature.where)
        for key, band in (("pressure", "mean"), ("p_over", "p_over")):
            found, wanted = feature.properties[f"{key}_{target['slug']}"], raster.mean(band, share)
            slack = ZONE_TOLERANCE * (raster.span(band)[1] - raster.span(band)[0])
            if not near(found, wanted, 4, absolute=slack, relative=1e-6):
                yield f"{feature.where}: {key} of {shown(target['name'])} {found}; the surface has {wanted:.6g} there"
        hectares = float(feature.properties["area_ha"])
        total, area = total + float(feature.properties[f"pressure_{target['slug']}"]) * hectares, area + hectares
    average = total / area
    if not near(target["mean"], average, 4, absolute=0.5 * ZONE_TOLERANCE * (high - low), relative=1e-4):
        yield f"{layer.name}: zone means of {shown(target['name'])} average {average:.6g}; should be {target['mean']}"


def parts_on_surface(result: Folder) -> Iterator[str]:
    """Hold pressure and p_over of each part against the surface of its target."""
    targets = {target["name"]: target for target in result.summary["targets"]}
    rasters = {name: read_raster(result, target["surface"]) for name, target in targets.items()}
    for _, layer in result.layers:
        for feature in layer.features:
            raster = rasters.get(feature.properties["target"])
            for key, band in (("pressure", "mean"), ("p_over", "p_over")):
                low, high = raster.span(band) if raster else (-np.inf, np.inf)
                edge = targets.get(feature.properties["target"], {}).get("edge")
                if edge is not None:  # edge stops decide a strip that the surface does not show
                    low, high = min(low, float(edge[key])), max(high, float(edge[key]))
                found = feature.properties[key]
                if not low - 1e-3 * (1 + abs(low)) <= found <= high + 1e-3 * (1 + abs(high)):
                    yield f"{feature.where}: {key} {found}; the surface runs from {low:.4g} to {high:.4g}"
