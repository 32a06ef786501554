"""Where the stops are: in the field, near enough, or somewhere that betrays a mistake."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import shapely

from rxmap.errors import Caution, Faults, shown
from rxmap.grid import GEOD, FloatArray
from rxmap.records import Field, Observation
from rxmap.units import Quantity

GPS_SCATTER = 15.0  # [m] our limit where the plan gives no gps_error
FARTHEST = 1_000_000.0  # [m] our limit: farther off it is a slip of the hand, not a neighbour's stop
METRES_PER_DEGREE = 111_320.0  # of longitude at the equator (WGS84, from memory); for a first look only
IDS_SHOWN = 5

OUTSIDE, IN_HOLE = "outside the field", "in a hole of the field"

# What a place may have been before the mistake: (lon, lat) -> (lon, lat)
MISTAKES = {
    "longitude and latitude look swapped. Swap them back": (1, 0, 1, 1),
    "the minus sign of the longitude looks lost. Put it back": (0, 1, -1, 1),
    "the minus sign of the latitude looks lost. Put it back": (0, 1, 1, -1),
    "the minus signs look lost. Put them back": (0, 1, -1, -1),
}


def placed(
    observations: Sequence[Observation], field: Field, gps_error: Quantity | None, faults: Faults
) -> tuple[list[Observation], list[Caution]]:
    """Project observations to the field's metres, and say which are not in it.

    A stop within the GPS error of the field, 15 m where the plan gives none, is used; farther off,
    or in a hole, it is kept as unused.

    Parameters
    ----------
    observations : sequence of Observation
        With lon and lat.
    field : Field
        Where they should be.
    gps_error : Quantity or None
        From the plan.
    faults : Faults
        Takes stops whose place betrays a mistake, and a file that belongs to another field.
    """
    if not observations:
        return [], []
    reach = gps_error.to("m") if gps_error is not None else GPS_SCATTER
    degrees = np.array([(one.lon, one.lat) for one in observations])
    metres = np.column_stack(field.frame.to_metres(degrees[:, 0], degrees[:, 1]))
    off = _distance(field, degrees, metres)
    out = []
    for one, (easting, northing), distance in zip(observations, metres, off, strict=True):
        why = "" if distance <= reach else _side(field, one)
        mistake = _mistake(field, one, reach) if why == OUTSIDE else None
        if mistake or distance > FARTHEST:
            advice = mistake or "Check its place"
            faults.add(
                f"{one.place}, column lon: found {one.lon:.9g} with lat {one.lat:.9g}: {_far(distance)}{advice}."
            )
        out.append(replace(one, easting=float(easting), northing=float(northing), used=not why, why=why))
    if all(one.why for one in out) and not faults.lines:
        faults.add(
            f"{out[0].place}: no stop is in the field, the nearest is {off.min():,.0f} m off. "
            "Is it another field's file, or another field's boundary?"
        )
    return out, _cautions(out, off, reach)


def _distance(field: Field, degrees: FloatArray, metres: FloatArray) -> FloatArray:
    """Distance to the field [m]; the frame is for its surroundings, so far places go by the ellipsoid."""
    centre = np.broadcast_to([field.frame.lon, field.frame.lat], degrees.shape)
    _, _, geodesic = GEOD.inv(centre[:, 0], centre[:, 1], degrees[:, 0], degrees[:, 1])
    near = np.asarray(geodesic) <= FARTHEST
    flat = np.where(near[:, None], metres, 0.0)
    return np.asarray(np.where(near, shapely.distance(shapely.points(flat), field.ground), geodesic), float)


def _side(field: Field, one: Observation) -> str:
    parts = getattr(field.boundary, "geoms", [field.boundary])
    whole = shapely.union_all([shapely.Polygon(part.exterior) for part in parts])
    return IN_HOLE if whole.contains(shapely.Point(one.lon, one.lat)) else OUTSIDE


def _mistake(field: Field, one: Observation, reach: float) -> str | None:
    place, near = (one.lon, one.lat), reach / METRES_PER_DEGREE
    for words, (first, second, east, north) in MISTAKES.items():
        if field.boundary.distance(shapely.Point(east * place[first], north * place[second])) <= near:
            return words
    return None


def _far(distance: float) -> str:
    return f"{distance / 1000:,.0f} km from the field. " if distance > FARTHEST else ""


def _cautions(observations: Sequence[Observation], off: FloatArray, reach: float) -> list[Caution]:
    found = []
    for code, why in (("stops_outside", OUTSIDE), ("stops_in_hole", IN_HOLE)):
        stops = {one.stop: float(d) for one, d in zip(observations, off, strict=True) if one.why == why}
        if not stops:
            continue
        names = ", ".join(f"{shown(stop)} ({metres:.0f} m)" for stop, metres in list(stops.items())[:IDS_SHOWN])
        more = f" and {len(stops) - IDS_SHOWN} more" if len(stops) > IDS_SHOWN else ""
        found.append(
            Caution(code, f"{len(stops)} stops are {why}, more than {reach:g} m from it, and unused: {names}{more}.")
        )
    return found
