"""GeoJSON by our own strict loader: what RFC 7946 leaves unclear is refused, not guessed.

General loaders keep the last of two equal keys, read ``NaN``, and follow links in a ``crs`` member.

References
----------
Butler et al. (2016), The GeoJSON format, RFC 7946; Bray (2017), The JSON format, RFC 8259.
"""

from __future__ import annotations

import json
import math
import re
from typing import Any

import pyproj
import shapely
from shapely.geometry.base import BaseGeometry

from rxmap.errors import InputError, shown

MOST_DIGITS = 30  # our limit: no id, count or coordinate is longer, and all of them fit a float

_CRS = re.compile(r"(?:urn:ogc:def:crs:)?(?:OGC:1\.3:(CRS84)|EPSG::?(\d{4,6}))")
_DEPTH = {"Point": 0, "MultiPoint": 1, "LineString": 1, "MultiLineString": 2, "Polygon": 2, "MultiPolygon": 3}
_LEAST = {"LineString": 2, "MultiLineString": 2, "Polygon": 4, "MultiPolygon": 4}  # positions, RFC 7946 3.1.4, 3.1.6


def load(name: str, data: bytes) -> dict[str, Any]:
    """Parse JSON text strictly: UTF-8, no key twice, no number that is not one.

    Raises
    ------
    InputError
        Naming the byte, line or key at fault.
    """
    try:
        document = json.loads(
            data.decode("utf-8-sig"),
            object_pairs_hook=_no_key_twice,
            parse_constant=_no_constant,
            parse_float=_finite,
            parse_int=_whole,
        )
    except UnicodeDecodeError as error:
        raise InputError(f"{name}: byte {error.start + 1} is not UTF-8. Save the file as UTF-8.") from None
    except json.JSONDecodeError as error:
        raise InputError(f"{name}: line {error.lineno}: not JSON: {error.msg}. Is the file cut off?") from None
    except RecursionError:
        raise InputError(f"{name}: nested too deeply for GeoJSON. Export it again.") from None
    except ValueError as error:
        raise InputError(f"{name}: {error}. Export it again.") from None
    if not isinstance(document, dict):
        raise InputError(f"{name}: valid JSON, but no GeoJSON. Export the layer as GeoJSON.")
    return document


def features(name: str, document: dict[str, Any]) -> list[dict[str, Any]]:
    """List the features of a document; a bare geometry counts as one feature without properties.

    Examples
    --------
    >>> features("a.geojson", {"type": "Point", "coordinates": [10, 50]})
    [{'geometry': {'type': 'Point', 'coordinates': [10, 50]}, 'properties': {}}]
    """
    kind = str(document.get("type"))
    if kind == "FeatureCollection":
        found = document.get("features")
    elif kind == "Feature":
        found = [document]
    elif kind in _DEPTH or kind == "GeometryCollection":
        found = [{"geometry": document, "properties": {}}]
    else:
        raise InputError(f"{name}: valid JSON, but no GeoJSON: its type is {shown(kind)}. Export it as GeoJSON.")
    if not isinstance(found, list) or not all(isinstance(one, dict) for one in found):
        raise InputError(f"{name}: its features are not a list of objects. Export it again.")
    return found


def declared_crs(name: str, document: dict[str, Any]) -> pyproj.CRS | None:
    """Read the ``crs`` member of the 2008 draft: a plain code is honoured, a link never followed."""
    member = document.get("crs")
    if member is None:
        return None
    properties = member.get("properties") if isinstance(member, dict) and member.get("type") == "name" else None
    code = properties.get("name") if isinstance(properties, dict) else None
    match = _CRS.fullmatch(code) if isinstance(code, str) else None
    if match is None:
        raise InputError(f"{name}: its crs member {shown(member)} names no known code. Export it in WGS84.")
    try:
        return pyproj.CRS.from_epsg(int(match[2])) if match[2] else None
    except pyproj.exceptions.CRSError:
        raise InputError(f"{name}: there is no coordinate system {shown(code)}. Export it in WGS84.") from None


def geometry(member: Any) -> BaseGeometry:
    """Make a flat geometry of a GeoJSON one; a third coordinate is dropped.

    Raises
    ------
    InputError
        Without file and feature, which the caller adds.

    Examples
    --------
    >>> geometry({"type": "Point", "coordinates": [10, 50, 312.5]})
    <POINT (10 50)>
    """
    if not isinstance(member, dict) or not member.get("coordinates"):
        raise InputError("has no geometry. Remove it, or draw it")
    kind = str(member.get("type"))
    if kind not in _DEPTH:
        raise InputError(f"has geometry type {shown(kind)}. Use one of {', '.join(_DEPTH)}")
    coordinates = _flat(member["coordinates"], _DEPTH[kind], _LEAST.get(kind, 1))
    if "Polygon" in kind:
        _check_closed(coordinates if kind == "MultiPolygon" else [coordinates])
    return shapely.geometry.shape({"type": kind, "coordinates": coordinates})


def _flat(value: Any, depth: int, least: int) -> Any:
    if not isinstance(value, list):
        raise InputError(f"has {shown(value)} where coordinates are due. Export it again")
    if depth == 0:
        return _position(value)
    if depth == 1 and len(value) < least:
        raise InputError(f"has a line or ring of {len(value)} positions where at least {least} are due. Draw it again")
    return [_flat(one, depth - 1, least) for one in value]


def _position(value: list[Any]) -> tuple[float, float]:
    numbers = [float(one) for one in value if isinstance(one, int | float) and not isinstance(one, bool)]
    if len(numbers) < 2 or len(numbers) != len(value) or not (math.isfinite(numbers[0]) and math.isfinite(numbers[1])):
        raise InputError(f"has the position {shown(value)}, which is not two or three numbers. Export it again")
    return numbers[0], numbers[1]


def _check_closed(polygons: list[Any]) -> None:
    for ring in (ring for polygon in polygons for ring in polygon):
        if ring[0] != ring[-1]:
            raise InputError(f"has a ring that starts at {ring[0]} and does not end there. Close it")


def _no_key_twice(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    out = dict(pairs)
    if len(out) < len(pairs):
        keys = [key for key, _ in pairs]
        twice = next(key for key in keys if keys.count(key) > 1)
        raise ValueError(f"the key {shown(twice)} stands twice in one object")
    return out


def _no_constant(text: str) -> float:
    raise ValueError(f"{text} is not a number of JSON")


def _finite(text: str) -> float:
    number = float(text)
    if not math.isfinite(number):
        raise ValueError(f"the number {shown(text)} is too large")
    return number


def _whole(text: str) -> int:
    if len(text) > MOST_DIGITS:
        raise ValueError(f"the number {shown(text)} is too large")
    return int(text)
