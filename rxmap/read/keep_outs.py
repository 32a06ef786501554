"""Layers of ground that must not be treated: points, lines or polygons near the field."""

from __future__ import annotations

import math

import shapely
from shapely.geometry.base import BaseGeometry

from rxmap.errors import Faults, InputError
from rxmap.plan import KeepOutSection
from rxmap.read.vector import Layer
from rxmap.records import Field, KeepOutSource

NEAR = 5000.0  # [m] our limit: a layer farther off belongs to another field
METRES_PER_DEGREE = 110_574.0  # of latitude at the equator, where it is least (WGS84, from memory)


def make_keep_out(section: KeepOutSection, layer: Layer, field: Field) -> KeepOutSource:
    """Bring a keep-out layer to the field's metres.

    What lies farther from the field than 5 km plus the setback cannot reach it and is left out, so
    a layer of a whole district may be given as it is.

    Raises
    ------
    InputError
        If a polygon is invalid, or nothing of the layer is near the field.
    """
    _check_valid(layer)
    setback = section.setback.to("m")
    around = _around(field, NEAR + setback)
    near = [shapely.intersection(feature.geometry, around) for feature in layer.features]
    pieces = [field.frame.geometry_to_metres(piece) for piece in near if not piece.is_empty]
    ground = shapely.union_all(pieces)
    if not pieces or ground.distance(field.ground) > NEAR:
        raise InputError(
            f"{layer.name}: nothing of it is within {NEAR / 1000:g} km of the field. Is it another field's, "
            "or are longitude and latitude swapped?"
        )
    return KeepOutSource(reason=section.reason, setback_m=setback, ground=ground)


def _check_valid(layer: Layer) -> None:
    faults = Faults()
    for feature in layer.features:
        if not feature.geometry.is_valid:
            reason = shapely.is_valid_reason(feature.geometry)
            faults.add(f"{layer.name}: feature {feature.number} is not valid: {reason}. Mend it there.")
    faults.raise_if_any()


def _around(field: Field, metres: float) -> BaseGeometry:
    west, south, east, north = field.boundary.bounds
    lat = metres / METRES_PER_DEGREE
    lon = lat / max(math.cos(math.radians(max(abs(south), abs(north)))), 0.01)
    return shapely.box(west - lon, south - lat, east + lon, north + lat)
