"""Coordinate systems of inputs, on the way to WGS84 longitude and latitude.

Systems pass between libraries as text only: each library carries its own database.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyproj
import shapely
from shapely.geometry.base import BaseGeometry

from rxmap.errors import Caution, InputError

COARSE_SHIFT = 1.5  # [m] our limit: more than a row's width is worth saying
COARSEST_SHIFT = 5.0  # [m] our limit: setbacks cannot be kept on ground that is off by more
WGS84 = pyproj.CRS.from_epsg(4326)


@dataclass(frozen=True, slots=True)
class Shift:
    """How a layer came to WGS84: the operation and how well it is known [m]."""

    description: str
    accuracy: float

    def caution(self, name: str) -> Caution | None:
        """Say that the datum shift is coarse, if it is."""
        if self.accuracy <= COARSE_SHIFT:
            return None
        return Caution(
            f"datum_shift: {name}",
            f"{name} was brought to WGS84 by '{self.description}', known to {self.accuracy:g} m. Stops and machine use "
            "WGS84; keep a margin of that size.",
        )


def crs_of_wkt(name: str, wkt: str) -> pyproj.CRS:
    """Read a coordinate system given as WKT; anything else, an address included, is refused."""
    try:
        return pyproj.CRS.from_wkt(wkt)
    except pyproj.exceptions.CRSError:
        raise InputError(f"{name}: its coordinate system cannot be read. Export the layer in WGS84.") from None


def to_wgs84(
    name: str, geometries: list[BaseGeometry], crs: pyproj.CRS | None
) -> tuple[list[BaseGeometry], Shift | None]:
    """Bring geometries to WGS84 longitude and latitude, vertex by vertex.

    Parameters
    ----------
    name : str
        File, for messages.
    geometries : list of geometry
        In `crs`, easting or longitude first.
    crs : pyproj.CRS or None
        None where they are in WGS84 already.

    Raises
    ------
    InputError
        If the system is no map's, the way to WGS84 is unknown or known to worse than 5 m, or the
        coordinates contradict the system.
    """
    shift = None
    if crs is not None:
        geometries, shift = _transformed(name, geometries, crs)
    _check_degrees(name, geometries, crs)
    return geometries, shift


def _transformed(name: str, geometries: list[BaseGeometry], crs: pyproj.CRS) -> tuple[list[BaseGeometry], Shift]:
    if not (crs.is_geographic or crs.is_projected):
        raise InputError(f"{name}: '{crs.name}' is not a coordinate system of the earth. Export the layer in WGS84.")
    if crs.is_geographic:
        _check_degrees(name, geometries, crs)
    # nothing is fetched, whatever the environment says
    pyproj.network.set_network_enabled(False)  # type: ignore[attr-defined]
    try:
        transformer = pyproj.Transformer.from_crs(crs, WGS84, always_xy=True, allow_ballpark=False)
        out = [
            shapely.transform(g, lambda xy: np.column_stack(transformer.transform(xy[:, 0], xy[:, 1], errcheck=True)))
            for g in geometries
        ]
    except pyproj.exceptions.ProjError:
        raise InputError(
            f"{name}: no way from '{crs.name}' to WGS84 is known for its coordinates. Export the layer in WGS84."
        ) from None
    shift = _shift(transformer)
    if not 0 <= shift.accuracy <= COARSEST_SHIFT:
        known = f"known to {shift.accuracy:g} m only" if shift.accuracy >= 0 else "of unknown accuracy"
        raise InputError(
            f"{name}: the way from '{crs.name}' to WGS84 ('{shift.description}') is {known}. Export the layer in WGS84."
        )
    return out, shift


def _shift(transformer: pyproj.Transformer) -> Shift:
    try:
        used = transformer.get_last_used_operation()
    except pyproj.exceptions.ProjError:  # there was only one operation to choose from
        used = transformer
    steps = [step for step in used.description.split(" + ") if not step.startswith("axis order change")]
    return Shift(" + ".join(steps), used.accuracy)


def _check_degrees(name: str, geometries: list[BaseGeometry], crs: pyproj.CRS | None) -> None:
    west, south, east, north = shapely.total_bounds(geometries)
    if west >= -180 and east <= 180 and south >= -90 and north <= 90:
        return
    found = f"{name}: coordinates reach from ({west:.9g}, {south:.9g}) to ({east:.9g}, {north:.9g})"
    if max(abs(west), abs(east)) <= 90 and max(abs(south), abs(north)) <= 180:
        raise InputError(f"{found}: longitude and latitude look swapped. Longitude comes first.")
    if max(abs(west), abs(east), abs(south), abs(north)) <= 360:
        raise InputError(f"{found}: not longitude and latitude. Longitude runs from -180 to 180.")
    system = f"in '{crs.name}'" if crs is not None else "without a coordinate system"
    raise InputError(f"{found} {system}: they look like metres or feet. Export the layer in WGS84.")
