"""Features to GeoJSON and back.

The general writers leave the map projection, the ring order and the number of decimals to options
that most callers forget; this one knows a single form: WGS84, seven decimals (about 1 cm), outer
rings counter-clockwise, an id and a box for each feature, no ``crs`` member.

References
----------
RFC 7946 (2016), The GeoJSON Format: 3.1.6 rings, 3.2 features, 4 reference system, 5 boxes.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient

from rxmap.errors import CheckError, shown
from rxmap.write.files import json_text, read_json, write_bytes

DECIMALS = 7  # of a degree, about 1 cm: RFC 7946 11.2 suggests 6, which costs a small polygon 0.02 % of its area
Value = str | int | float | bool | None


@dataclass(frozen=True, slots=True)
class Feature:
    """A place and what is said about it.

    Parameters
    ----------
    geometry : Point, Polygon or MultiPolygon
        WGS84 longitude, latitude [degree].
    properties : mapping of str to str, int, float, bool or None
        In the order in which they are written.
    """

    geometry: BaseGeometry
    properties: Mapping[str, Value]


def on_file_grid(geometry: BaseGeometry) -> BaseGeometry:
    """Move every vertex to the decimals that files carry.

    Examples
    --------
    >>> on_file_grid(shapely.Point(10.12345678, 50.0)).x
    10.1234568
    """
    # + 0.0 turns -0.0 into 0.0
    return shapely.transform(geometry, lambda lonlat: np.round(lonlat, DECIMALS) + 0.0)


def one_polygon(where: str, feature: Feature) -> Polygon:
    """Place of a feature as files carry it.

    Parameters
    ----------
    where : str
        File and feature, for the message.
    feature : Feature
        A part of a prescription layer.

    Raises
    ------
    CheckError
        If it is not one valid polygon.
    """
    polygon = shapely.force_2d(on_file_grid(feature.geometry))
    if polygon.geom_type != "Polygon" or polygon.is_empty or not polygon.is_valid:
        raise CheckError(f"{where}: not one valid polygon: {shapely.is_valid_reason(polygon)}.")
    return polygon


def write_geojson(path: Path, features: Sequence[Feature]) -> None:
    """Write features in their order, one per line, and read them back.

    Raises
    ------
    CheckError
        If what stands in the file is not what was meant, or not a valid layer.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder) / "stops.geojson"
    ...     write_geojson(path, [Feature(shapely.Point(10.5, 50.25), {"stop": "007"})])
    ...     print(path.read_text(), end="")
    {"type":"FeatureCollection","bbox":[10.5,50.25,10.5,50.25],"features":[
    {"type":"Feature","id":1,...,"properties":{"stop": "007"},"geometry":{"type":"Point","coordinates":[10.5,50.25]}}
    ]}
    """
    placed = [Feature(_oriented(on_file_grid(one.geometry)), dict(one.properties)) for one in features]
    lines = ",\n".join(_feature_text(f"{path.name}: feature {n}", n, one) for n, one in enumerate(placed, start=1))
    box = _box_text(shapely.total_bounds([one.geometry for one in placed])) if placed else ""
    text = f'{{"type":"FeatureCollection",{box}"features":[\n{lines}\n]}}\n'
    write_bytes(path, text.encode("utf-8"))
    _check(path, placed)


def _oriented(geometry: BaseGeometry) -> BaseGeometry:
    if geometry.geom_type == "Polygon":
        return orient(geometry)
    if geometry.geom_type == "MultiPolygon":
        return shapely.MultiPolygon([orient(polygon) for polygon in geometry.geoms])
    return geometry


def _feature_text(where: str, number: int, feature: Feature) -> str:
    geometry = feature.geometry
    if geometry.is_empty or not np.isfinite(geometry.bounds).all():
        raise CheckError(f"{where}: it has no place.")
    try:
        properties = json_text(feature.properties)
    except ValueError as exc:
        raise CheckError(f"{where}: an attribute is not a number: {exc}.") from exc
    return (
        f'{{"type":"Feature","id":{number},{_box_text(geometry.bounds)}"properties":{properties},'
        f'"geometry":{{"type":"{geometry.geom_type}","coordinates":{_coordinates_text(geometry)}}}}}'
    )


def _box_text(bounds: Iterable[float]) -> str:
    return f'"bbox":[{",".join(_degrees(value) for value in bounds)}],'


def _coordinates_text(geometry: BaseGeometry) -> str:
    if geometry.geom_type == "Point":
        return _position(geometry.coords[0])
    if geometry.geom_type == "Polygon":
        rings = (geometry.exterior, *geometry.interiors)
        return "[" + ",".join("[" + ",".join(map(_position, ring.coords)) + "]" for ring in rings) + "]"
    return "[" + ",".join(_coordinates_text(polygon) for polygon in geometry.geoms) + "]"


def _position(lonlat: Sequence[float]) -> str:
    return f"[{_degrees(lonlat[0])},{_degrees(lonlat[1])}]"


def _degrees(value: float) -> str:
    """Write a degree as plain decimals: repr would turn 0.00001 into 1e-05."""
    return f"{value:.{DECIMALS}f}".rstrip("0").rstrip(".")


def _check(path: Path, meant: Sequence[Feature]) -> None:
    """Read the file with json and shapely's own GeoJSON constructor, and compare everything."""
    try:
        document = read_json(path)
    except ValueError as exc:
        raise CheckError(f"{path.name}: what was written is not JSON: {exc}.") from exc
    found = document["features"]
    if len(found) != len(meant) or "crs" in document:
        raise CheckError(f"{path.name}: {len(meant)} features were meant, {len(found)} stand in the file.")
    if meant and not np.array_equal(document["bbox"], shapely.total_bounds([one.geometry for one in meant])):
        raise CheckError(f"{path.name}: the box of the file is not that of its features.")
    for number, (row, feature) in enumerate(zip(found, meant, strict=True), start=1):
        _check_feature(f"{path.name}: feature {number}", row, feature)


def _check_feature(where: str, row: Mapping[str, Any], meant: Feature) -> None:
    geometry = shapely.from_geojson(json.dumps(row["geometry"]))
    if geometry.is_empty or not geometry.is_valid:
        raise CheckError(f"{where}: not a valid geometry: {shapely.is_valid_reason(geometry)}.")
    if not shapely.equals_identical(geometry, meant.geometry):
        raise CheckError(f"{where}: the coordinates are not those that were meant.")
    if not np.array_equal(row["bbox"], geometry.bounds):
        raise CheckError(f"{where}: its box is not that of its geometry.")
    if not all(_rings_right(geometry)):
        raise CheckError(f"{where}: a ring runs the wrong way round.")
    for name, value in meant.properties.items():
        if row["properties"].get(name, where) != value:
            raise CheckError(f"{where}: {name} is {shown(row['properties'].get(name))}, {shown(value)} was meant.")


def _rings_right(geometry: BaseGeometry) -> Iterable[bool]:
    for polygon in getattr(geometry, "geoms", [geometry]):
        if polygon.geom_type == "Polygon":
            yield polygon.exterior.is_ccw
            yield from (not hole.is_ccw for hole in polygon.interiors)
