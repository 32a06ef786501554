"""The boundary of the field: polygons as drawn, refused where they are faulty, never repaired."""

from __future__ import annotations

import numpy as np
import shapely
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from rxmap.errors import Faults, InputError, shown
from rxmap.grid import M2_PER_HA, Frame, geodesic_area_m2
from rxmap.read.vector import Feature, Layer
from rxmap.records import Field

DECIMALS = 7  # 1e-7 degree is about 1 cm, the grid in which files carry coordinates
SMALLEST_M2 = 100.0  # our limit: less is a garden, or a unit mixed up
LARGEST_HA = 20_000.0  # our limit: more is a county, or a unit mixed up
MOST_VERTICES = 100_000  # our limit: a receiver logging each second walks more than a day for as many
LONGEST_M = 50_000.0  # our limit on either side of the box around it; farther off the frame's metres are no metres
SAME_GROUND = 1e-4  # share of the area: what rounded coordinates along a shared edge can overlap; more is another field


def make_field(name: str, layer: Layer) -> Field:
    """Make the field of its boundary layer.

    Every polygon of the layer is a part of the field, ponds are holes. Several features are one
    field unless they overlap or carry different names; then the choice is the user's.

    Parameters
    ----------
    name : str
        The field's name in the plan.
    layer : Layer
        In WGS84.

    Raises
    ------
    InputError
        For anything but valid polygons of a plausible area.

    Examples
    --------
    >>> square = Feature(number=1, geometry=shapely.box(10.0, 50.0, 10.01, 50.01), properties={})
    >>> field = make_field("Long acre", Layer(name="field.geojson", features=(square,), cautions=()))
    >>> round(field.area_ha, 2), field.frame
    (79.73, Frame(lon=10.005, lat=50.005))
    """
    _check_shapes(layer)
    _check_one_field(layer)
    ground = shapely.union_all([feature.geometry for feature in layer.features])
    _check_place(layer.name, ground)
    _check_area(layer.name, ground)
    boundary = _on_grid(layer.name, ground)
    frame = _frame(boundary)
    metres = frame.geometry_to_metres(boundary)
    _check_reach(layer.name, metres)
    _check_open(layer.name, metres)
    return Field(
        name=name,
        boundary=boundary,
        ground=metres,
        frame=frame,
        area_ha=geodesic_area_m2(boundary) / M2_PER_HA,
    )


def _check_shapes(layer: Layer) -> None:
    faults = Faults()
    for feature in layer.features:
        where, kind = f"{layer.name}: feature {feature.number}", feature.geometry.geom_type
        if kind not in ("Polygon", "MultiPolygon"):
            faults.add(f"{where} is a {kind}; a boundary is a polygon. Draw the field's edge as a polygon.")
        elif not feature.geometry.is_valid:
            faults.add(f"{where} is not a valid polygon: {shapely.is_valid_reason(feature.geometry)}. Mend it there.")
        elif feature.geometry.is_empty:
            faults.add(f"{where} has no area. Remove it, or draw it.")
    faults.raise_if_any()
    vertices = sum(int(shapely.get_num_coordinates(feature.geometry)) for feature in layer.features)
    if vertices > MOST_VERTICES:
        raise InputError(f"{layer.name}: {vertices} vertices are more than {MOST_VERTICES}. Simplify the boundary.")


def _check_one_field(layer: Layer) -> None:
    names = sorted({name for feature in layer.features if (name := _field_name(feature))})
    choice = ", ".join(shown(name) for name in names) or f"features 1 to {len(layer.features)}"
    if len(names) > 1:
        raise InputError(f"{layer.name}: holds several fields ({choice}). Leave the one of this plan in the file.")
    shapes = [feature.geometry for feature in layer.features]
    total = sum(shape.area for shape in shapes)
    if total - shapely.union_all(shapes).area > SAME_GROUND * total:
        raise InputError(f"{layer.name}: its {len(shapes)} features overlap ({choice}). Leave one of them in the file.")


def _field_name(feature: Feature) -> str:
    return next((text.strip() for key, text in feature.properties.items() if key.strip().lower() == "name"), "")


def _check_place(name: str, ground: BaseGeometry) -> None:
    west, _, east, _ = ground.bounds
    if east - west > 180:
        raise InputError(f"{name}: reaches across the 180th meridian, which is not supported. Split the field there.")


def _on_grid(name: str, ground: BaseGeometry) -> Polygon | MultiPolygon:
    """Round to the grid of the files; one form whatever the ring's start, direction and repeated vertices."""
    rounded = shapely.transform(ground, lambda xy: np.round(xy, DECIMALS) + 0.0)
    _check_open(name, rounded)
    boundary = shapely.orient_polygons(shapely.normalize(shapely.remove_repeated_points(rounded)))
    return boundary.geoms[0] if isinstance(boundary, MultiPolygon) and len(boundary.geoms) == 1 else boundary


def _check_open(name: str, ground: BaseGeometry) -> None:
    """Refuse what the grid of the files, or the way to metres, closes up: both move a vertex by less than 1 cm."""
    if not ground.is_valid:
        reason = shapely.is_valid_reason(ground)
        raise InputError(f"{name}: a part narrower than 1 cm closes up: {reason}. Remove it from the boundary.")


def _check_area(name: str, ground: BaseGeometry) -> None:
    area_m2 = geodesic_area_m2(ground)
    if not SMALLEST_M2 <= area_m2 <= LARGEST_HA * M2_PER_HA:
        raise InputError(
            f"{name}: its area is {area_m2 / M2_PER_HA:.4g} ha; a field has {SMALLEST_M2:g} m2 to {LARGEST_HA:g} ha. "
            "Check the file and its coordinate system."
        )


def _frame(boundary: BaseGeometry) -> Frame:
    west, south, east, north = boundary.bounds
    return Frame(lon=round((west + east) / 2, 6), lat=round((south + north) / 2, 6))


def _check_reach(name: str, metres: BaseGeometry) -> None:
    west, south, east, north = metres.bounds
    if max(east - west, north - south) > LONGEST_M:
        raise InputError(
            f"{name}: its corners reach over {(east - west) / 1000:.3g} km by {(north - south) / 1000:.3g} km, farther "
            "than a field does. Is one of them misplaced?"
        )
