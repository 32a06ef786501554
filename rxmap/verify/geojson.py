"""GeoJSON as RFC 7946 wants it, and as a machine can read it.

References
----------
RFC 7946, The GeoJSON Format: 3.1.6 (rings), 3.2 (feature ids), 4 and appendix B (no crs member),
5 (bounding boxes).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

import shapely
from shapely.geometry import shape
from shapely.geometry.base import BaseGeometry

from rxmap.errors import shown
from rxmap.verify.report import Unreadable

DECIMALS = 7  # of a degree, 1.1 cm; what every file of a result carries
Ring = list[Sequence[Any]]


@dataclass(frozen=True, slots=True)
class Feature:
    """One feature of a layer: where it stands for messages, its form as written, and as a geometry."""

    where: str
    raw: Any
    geometry: BaseGeometry
    properties: Any

    @property
    def rings(self) -> list[list[Ring]]:
        """Rings of each polygon as written, outer first."""
        coordinates = self.raw["geometry"]["coordinates"]
        kind = self.raw["geometry"]["type"]
        if kind == "Polygon":
            return [coordinates]
        return list(coordinates) if kind == "MultiPolygon" else []


@dataclass(frozen=True, slots=True)
class Layer:
    """A feature collection."""

    name: str
    document: Any
    features: tuple[Feature, ...]

    @property
    def geometries(self) -> list[BaseGeometry]:
        """Geometry of each feature."""
        return [feature.geometry for feature in self.features]


def read_layer(document: Any, name: str) -> Layer:
    """Make a layer of a parsed document; a feature without a geometry makes it unreadable."""
    if not isinstance(document, dict) or document.get("type") != "FeatureCollection":
        raise Unreadable(f"{name}: is not a FeatureCollection")
    if not isinstance(document.get("features"), list):
        raise Unreadable(f"{name}: features are missing; should be a list")
    return Layer(name, document, tuple(_feature(each, name, row) for row, each in enumerate(document["features"], 1)))


def _feature(raw: Any, name: str, row: int) -> Feature:
    where = f"{name}: feature {row}"
    try:
        if raw["type"] != "Feature" or not isinstance(raw["properties"], dict):
            raise Unreadable(f"{where}: is not a Feature with properties")
        geometry = shape(_floats(raw["geometry"]))
    except Unreadable:
        raise
    except Exception as error:  # shapely and dict access fail in many ways on a broken feature
        raise Unreadable(f"{where}: has no readable geometry ({error}); should have one") from None
    return Feature(where, raw, geometry, raw["properties"])


def _floats(value: Any) -> Any:
    if isinstance(value, list):
        return [_floats(each) for each in value]
    if isinstance(value, dict):
        return {key: _floats(each) for key, each in value.items()}
    return float(value) if isinstance(value, Decimal | int) else value


def faults_of(layer: Layer) -> Iterator[str]:
    """Hold one layer against RFC 7946."""
    if "crs" in layer.document:
        yield f"{layer.name}: has a crs member; RFC 7946 knows WGS84 only and has none"
    seen: set[str] = set()
    for feature in layer.features:
        ident = feature.raw.get("id")
        if isinstance(ident, bool) or not isinstance(ident, str | int):
            yield f"{feature.where}: id {shown(ident)}; should be text or a whole number"
        elif str(ident) in seen:
            yield f"{feature.where}: id {shown(ident)} is there already; should be unique"
        seen.add(str(ident))
        yield from _positions(feature)
        yield from _rings(feature)
        yield from _valid(feature)
        if "bbox" in feature.raw:
            yield from _box(feature.raw["bbox"], [feature.geometry], feature.where)
    if layer.features:
        yield from _box(layer.document.get("bbox"), layer.geometries, layer.name)


def _positions(feature: Feature) -> Iterator[str]:
    for position in _flat(feature.raw["geometry"]["coordinates"]):
        lon, lat = position[0], position[1]
        if len(position) != 2 or abs(lon) > 180 or abs(lat) > 90:
            yield f"{feature.where}: position {_text(position)}; should be lon, lat in degrees"
            return
        if any(isinstance(each, Decimal) and -int(each.as_tuple().exponent) > DECIMALS for each in position):
            yield f"{feature.where}: position {_text(position)}; should have at most {DECIMALS} decimals"
            return


def _rings(feature: Feature) -> Iterator[str]:
    for polygon in feature.rings:
        for number, ring in enumerate(polygon):
            word = "outer ring" if number == 0 else f"hole {number}"
            if len(ring) < 4 or list(ring[0]) != list(ring[-1]):
                yield f"{feature.where}: {word} is not closed; should have 4 or more positions, the last as the first"
            elif (turn(ring) > 0) != (number == 0):
                way = "counter-clockwise" if number == 0 else "clockwise"
                yield f"{feature.where}: {word} turns the wrong way; should be {way}"


def _valid(feature: Feature) -> Iterator[str]:
    if feature.geometry.is_empty or not feature.geometry.is_valid:
        yield f"{feature.where}: geometry is not valid: {shapely.is_valid_reason(feature.geometry)}"


def _box(box: Any, geometries: list[BaseGeometry], where: str) -> Iterator[str]:
    right = [round(float(each), DECIMALS) for each in shapely.total_bounds(geometries)]
    if not isinstance(box, list) or [round(float(each), DECIMALS) for each in box] != right:
        yield f"{where}: bbox {shown(_text(box or []))}; should be {_text(right)}"


def turn(ring: Sequence[Sequence[Any]]) -> float:
    """Twice the signed area of a ring in its own units; more than 0 is counter-clockwise.

    Examples
    --------
    >>> turn([(0, 0), (1, 0), (1, 1), (0, 0)])
    1.0
    """
    # From the first vertex, because products of whole longitudes would cost half of the digits.
    east = [float(position[0]) - float(ring[0][0]) for position in ring]
    north = [float(position[1]) - float(ring[0][1]) for position in ring]
    return sum(east[i] * north[i + 1] - east[i + 1] * north[i] for i in range(len(ring) - 1))


def _flat(coordinates: Any) -> Iterator[Any]:
    if coordinates and not isinstance(coordinates[0], list):
        yield coordinates
    else:
        for each in coordinates:
            yield from _flat(each)


def _text(position: Any) -> str:
    return ", ".join(str(each) for each in position)
