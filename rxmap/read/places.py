"""Where the stops are: in the field, near enough, or somewhere that betrays a mistake."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import shapely

from rxmap.errors import Caution, Faults, shown
from rxmap.grid import GEOD, BoolArray, FloatArray
from rxmap.records import Field, Observation
from rxmap.units import Quantity

GPS_SCATTER = 15.0  # [m] our limit where the plan gives no gps_error
CLEARLY_OFF = 1000.0  # [m] our limit: nearer, a mirrored place may be the neighbour's as well as a mistake
FARTHEST = 1_000_000.0  # [m] our limit: farther off it is a slip of the hand, not a neighbour's stop
METRES_PER_DEGREE = 111_320.0  # of longitude at the equator (WGS84, from memory); for a first look only
IDS_SHOWN = 5

OUTSIDE, IN_HOLE = "outside the field", "in a hole of the field"

# What a place would be without the mistake: columns of (lon, lat), and their signs
MISTAKES = {
    "longitude and latitude look swapped. Swap them back": ((1, 0), (1, 1)),
    "the minus sign of the longitude looks lost. Put it back": ((0, 1), (-1, 1)),
    "the minus sign of the latitude looks lost. Put it back": ((0, 1), (1, -1)),
    "the minus signs look lost. Put them back": ((0, 1), (-1, -1)),
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
    off = _distance(field, degrees, metres, reach)
    why = _why(field, degrees, off > reach)
    mistakes = _mistakes(field, degrees, off > max(reach, CLEARLY_OFF), reach)
    if len(observations) > 1 and mistakes[0] and len(set(mistakes)) == 1:  # one slip, in this file or the other
        first, looks = observations[0], mistakes[0].partition(". ")[0]
        faults.add(
            f"{first.place}, column lon: found {first.lon:.9g} with lat {first.lat:.9g}, and all {len(observations):,} "
            f"rows alike: {looks}, here or in the boundary. Check which of the two is where the field is."
        )
        mistakes, off = [""] * len(observations), np.zeros(len(off))
    for one, distance, mistake in zip(observations, off, mistakes, strict=True):
        if mistake or distance > FARTHEST:
            advice = mistake or f"{distance / 1000:,.0f} km from the field. Check it"
            faults.add(f"{one.place}, column lon: found {one.lon:.9g} with lat {one.lat:.9g}: {advice}.")
    if np.all(off > reach) and not faults.lines:
        faults.add(
            f"{observations[0].place}: no stop is in the field, the nearest is {off.min():,.0f} m off. "
            "Is it another field's file, or another field's boundary?"
        )
    out = [
        replace(one, easting=float(easting), northing=float(northing), used=not reason, why=reason)
        for one, (easting, northing), reason in zip(observations, metres, why, strict=True)
    ]
    return out, _cautions(out, off, reach)


def _distance(field: Field, degrees: FloatArray, metres: FloatArray, reach: float) -> FloatArray:
    """Distance to the field [m], 0 within reach; far places go by the ellipsoid, not the field's frame."""
    centre = np.broadcast_to([field.frame.lon, field.frame.lat], degrees.shape)
    _, _, geodesic = GEOD.inv(centre[:, 0], centre[:, 1], degrees[:, 0], degrees[:, 1])
    off = np.asarray(geodesic, float)
    near = off <= FARTHEST
    shapely.prepare(field.ground)  # a hundred times faster for most stops, which are inside
    within = np.zeros(len(off), bool)
    within[near] = shapely.dwithin(field.ground, shapely.points(metres[near]), reach)
    beside = near & ~within
    off[within] = 0.0
    off[beside] = shapely.distance(field.ground, shapely.points(metres[beside]))
    return off


def _why(field: Field, degrees: FloatArray, off: BoolArray) -> list[str]:
    parts = shapely.get_parts(field.boundary)
    filled = shapely.union_all(shapely.polygons(shapely.get_exterior_ring(parts)))
    shapely.prepare(filled)
    inside = shapely.contains_xy(filled, degrees)
    return [(IN_HOLE if hole else OUTSIDE) if out else "" for hole, out in zip(inside, off, strict=True)]


def _mistakes(field: Field, degrees: FloatArray, off: BoolArray, reach: float) -> list[str]:
    """Mistake that would put a stop that is off into the field, if one would."""
    shapely.prepare(field.boundary)
    out = np.full(len(degrees), "", object)
    for words, (columns, signs) in MISTAKES.items():
        meant = shapely.points(degrees[:, columns] * signs)
        fits = off & (out == "") & shapely.dwithin(field.boundary, meant, reach / METRES_PER_DEGREE)
        out[fits] = words
    return list(out)


def _cautions(observations: Sequence[Observation], off: FloatArray, reach: float) -> list[Caution]:
    found = []
    for code, why in (("stops_outside", OUTSIDE), ("stops_in_hole", IN_HOLE)):
        stops = {one.stop: float(d) for one, d in zip(observations, off, strict=True) if one.why == why}
        if not stops:
            continue
        names = ", ".join(f"{shown(stop)} ({metres:.0f} m)" for stop, metres in list(stops.items())[:IDS_SHOWN])
        more = f" and {len(stops) - IDS_SHOWN} more" if len(stops) > IDS_SHOWN else ""
        found.append(Caution(code, f"Unused stops, {why} and more than {reach:g} m from it: {names}{more}."))
    return found
