"""The shapefile of a pass against its GeoJSON, feature by feature; how other formats compare their outlines."""

from __future__ import annotations

import re
from collections.abc import Iterator
from decimal import Decimal
from typing import Any

import pyproj
import shapely
from shapely.geometry.base import BaseGeometry

from rxmap.errors import shown
from rxmap.verify.crew import zone_files
from rxmap.verify.folder import Folder
from rxmap.verify.geojson import DECIMALS, Feature, Layer, turn
from rxmap.verify.shapefile import Column, Points, decimal, plain, read_shapes, read_table, table_faults


def shapefiles_equal(result: Folder) -> Iterator[str]:
    """Hold each shapefile against the white paper and against its GeoJSON."""
    for files, layer in zone_files(result):
        if "shapefile" in files:
            yield from _one(result, files["shapefile"], layer)


def _one(result: Folder, name: str, layer: Layer) -> Iterator[str]:
    stem = name.removesuffix(".shp")
    yield from _side_cars(result, stem)
    if not re.fullmatch(r"[A-Za-z0-9_-]{1,8}", stem.rpartition("/")[2]):
        yield f"{name}: the name should be at most 8 ASCII characters"
    shapes = read_shapes(result.bytes(name), result.bytes(f"{stem}.shx"), name)
    table = read_table(result.bytes(f"{stem}.dbf"), f"{stem}.dbf")
    yield from table_faults(table, f"{stem}.dbf")
    if not len(shapes) == len(table.rows) == len(layer.features):
        yield (
            f"{name}: {len(shapes)} shapes and {len(table.rows)} rows; {layer.name} has {len(layer.features)} features"
        )
        return
    for number, (rings, row, feature) in enumerate(zip(shapes, table.rows, layer.features, strict=True), 1):
        yield from _ring_faults(rings, feature, f"{name}: record {number}")
        for line in _cell_faults(table.columns, row, feature.properties):
            yield f"{stem}.dbf: record {number}, {line}"


def _side_cars(result: Folder, stem: str) -> Iterator[str]:
    projection = result.bytes(f"{stem}.prj").decode("ascii", "replace")
    if not projection.startswith("GEOGCS") or "D_WGS_1984" not in projection or not _is_wgs84(projection):
        yield f"{stem}.prj: {shown(projection)}; should be geographic WGS84 (GCS_WGS_1984, D_WGS_1984)"
    page = result.bytes(f"{stem}.cpg").decode("ascii", "replace").strip()
    if page.upper() not in ("UTF-8", "65001"):
        yield f"{stem}.cpg: {shown(page)}; should be UTF-8"


def _is_wgs84(text: str) -> bool:
    try:
        crs = pyproj.CRS.from_wkt(text)
    except pyproj.exceptions.CRSError:
        return False
    return bool(crs.is_geographic and crs.ellipsoid and abs(crs.ellipsoid.semi_major_metre - 6_378_137.0) < 1e-6)


def _ring_faults(rings: list[Points], feature: Feature, where: str) -> Iterator[str]:
    wanted = [ring for polygon in feature.rings for ring in polygon]
    holes = {start_free(ring) for polygon in feature.rings for ring in polygon[1:]}
    if sorted(map(start_free, rings)) != sorted(map(start_free, wanted)):
        yield f"{where}: coordinates differ from {feature.where}; should be the same to {DECIMALS} decimals"
    for number, ring in enumerate(rings, 1):
        if len(ring) < 4 or ring[0] != ring[-1]:
            yield f"{where}: ring {number} is not closed; should end where it starts"
        elif (turn(ring) > 0) != (start_free(ring) in holes):
            yield f"{where}: ring {number} turns the wrong way; outer rings should be clockwise, holes not"


def start_free(ring: Any) -> tuple[tuple[str, str], ...]:
    """Vertices of a ring as text, whatever its first vertex and direction."""
    texts = [(f"{float(lon):.{DECIMALS}f}", f"{float(lat):.{DECIMALS}f}") for lon, lat in ring[:-1]]
    if not texts:
        return ()
    start = texts.index(min(texts))
    forward = texts[start:] + texts[:start]
    return tuple(min(forward, [forward[0], *reversed(forward[1:])]))


def outlines(rings: list[list[Any]]) -> list[list[tuple[tuple[str, str], ...]]]:
    """Rings of each polygon as text, to compare: the outer one first, holes in any order."""
    return [[start_free(outer), *sorted(map(start_free, holes))] for outer, *holes in rings]


def rings_of(geometry: BaseGeometry) -> list[list[Any]]:
    """Rings of each polygon of a geometry, outer first."""
    polygons = [part for part in shapely.get_parts(geometry) if part.geom_type == "Polygon" and not part.is_empty]
    return [[list(ring.coords) for ring in (part.exterior, *part.interiors)] for part in polygons]


def _cell_faults(columns: tuple[Column, ...], row: tuple[str, ...], properties: Any) -> Iterator[str]:
    names = {column.name for column in columns}
    for key in sorted(properties.keys() - names):
        yield f"{key}: is missing; the GeoJSON has {shown(properties[key])}"
    for column, cell in zip(columns, row, strict=True):
        if column.name not in properties:
            yield f"{column.name}: is not in the GeoJSON; should be"
        elif not _same(column, cell, properties[column.name]):
            yield f"{column.name}: found {shown(cell)}; the GeoJSON has {shown(properties[column.name])}"


def _same(column: Column, cell: str, value: Any) -> bool:
    if column.kind in "NF":
        number = decimal(cell)
        if number is None or isinstance(value, bool) or not isinstance(value, int | Decimal):
            return number is None or (value is None and number == 0)  # a .dbf cannot say null
        return abs(number - Decimal(value)) <= Decimal("0.5").scaleb(-column.decimals)
    return cell == plain(str(value))[: column.width].strip()
