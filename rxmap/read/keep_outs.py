"""Ground that the user draws by hand: what must not be treated, and what is decided without numbers."""

from __future__ import annotations

import math

import shapely
from shapely.geometry.base import BaseGeometry

from rxmap.errors import Faults, InputError
from rxmap.plan import KeepOutSection, Override
from rxmap.read.vector import Layer
from rxmap.records import Field, HandDrawn, KeepOutSource

NEAR = 5000.0  # [m] our limit: a layer farther off belongs to another field
METRES_PER_DEGREE = 110_574.0  # of latitude at the equator, where it is least (WGS84, from memory)


def make_keep_out(section: KeepOutSection, layer: Layer, field: Field) -> KeepOutSource:
    """Bring a keep-out layer of points, lines or polygons to the field's metres.

    What lies farther from the field than 5 km plus the setback cannot reach it and is left out, so
    a layer of a whole district may be given as it is.

    Raises
    ------
    InputError
        If a polygon is invalid, or nothing of the layer is near the field.
    """
    _check_valid(layer)
    setback = section.setback.to("m")
    return KeepOutSource(reason=section.reason, setback_m=setback, ground=_near(layer, field, setback))


def make_by_hand(section: Override, layer: Layer, field: Field) -> HandDrawn:
    """Bring a layer of polygons, treated or skipped by the adviser's own hand, to the field's metres.

    Raises
    ------
    InputError
        If it is anything but valid polygons, or none of them is in the field: it would do nothing.
    """
    faults = Faults()
    for feature in layer.features:
        kind = feature.geometry.geom_type
        if kind not in ("Polygon", "MultiPolygon"):
            faults.add(f"{layer.name}: feature {feature.number} is a {kind}; ground is a polygon. Draw its outline.")
    faults.raise_if_any()
    _check_valid(layer)
    ground = _near(layer, field, 0.0)
    if not ground.intersection(field.ground).area:
        raise InputError(f"{layer.name}: none of it is in the field, so there is nothing to {section.action}.")
    return HandDrawn(action=section.action, pass_name=section.pass_, reason=section.reason, ground=ground)


def _check_valid(layer: Layer) -> None:
    faults = Faults()
    for feature in layer.features:
        if not feature.geometry.is_valid:
            reason = shapely.is_valid_reason(feature.geometry)
            faults.add(f"{layer.name}: feature {feature.number} is not valid: {reason}. Mend it there.")
    faults.raise_if_any()


def _near(layer: Layer, field: Field, setback: float) -> BaseGeometry:
    """Ground of a layer around the field [m]; none is another field's layer."""
    around = _around(field, NEAR + setback)
    near = [shapely.intersection(feature.geometry, around) for feature in layer.features]
    pieces = [field.frame.geometry_to_metres(piece) for piece in near if not piece.is_empty]
    ground = shapely.union_all(pieces)
    if not pieces or ground.distance(field.ground) > NEAR:
        raise InputError(
            f"{layer.name}: nothing of it is within {NEAR / 1000:g} km of the field. Is it another field's, "
            "or are longitude and latitude swapped?"
        )
    return ground


def _around(field: Field, metres: float) -> BaseGeometry:
    west, south, east, north = field.boundary.bounds
    lat = metres / METRES_PER_DEGREE
    lon = lat / max(math.cos(math.radians(max(abs(south), abs(north)))), 0.01)
    return shapely.box(west - lon, south - lat, east + lon, north + lat)
