"""Where the passes lie: side by side, one swath wide, in a frame that is turned into their heading."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from rxmap.grid import FloatArray
from rxmap.plan import Machine

ROUNDING = 1e-9  # [pass] what sums of lengths lose in binary
HAIR = 0.1  # [m] by which ground may reach beyond a pass: coordinates are rounded to 1e-7 degree


@dataclass(frozen=True, slots=True, kw_only=True)
class Lanes:
    """Passes over a field, as many as it takes, one swath wide.

    Parameters
    ----------
    heading : float [degree]
        Of the first pass, clockwise from north.
    left : float [m]
        Left side of one of them, across.
    swath : float [m]
        Width of a pass.
    """

    heading: float
    left: float
    swath: float

    def sides(self, grounds: Sequence[BaseGeometry]) -> FloatArray:
        """Sides of the passes that treat grounds, across the heading [m].

        Examples
        --------
        >>> lanes = Lanes(heading=0.0, left=-2.5, swath=10.0)
        >>> lanes.sides([shapely.box(40, 0, 55, 100)])
        array([37.5, 47.5, 57.5])
        """
        west, _, east, _ = shapely.total_bounds([turned(ground, self.heading) for ground in grounds])
        # Ground that a hair of rounding carries over a side needs no pass of its own.
        hair = min(HAIR, self.swath / 4, (east - west) / 4)
        first = math.floor((west + hair - self.left) / self.swath + ROUNDING)
        last = max(math.ceil((east - hair - self.left) / self.swath - ROUNDING), first + 1)
        sides: FloatArray = self.left + self.swath * np.arange(first, last + 1)
        return sides


def turned(geometry: BaseGeometry, heading: float) -> BaseGeometry:
    """Turn (easting, northing) into (across, along) a heading in degrees clockwise from north.

    ``turned(turned(ground, heading), -heading)`` is the ground again.

    Examples
    --------
    Along a heading of 90 degrees a place in the east lies ahead:

    >>> turned(shapely.Point(100, 0), 90.0).y
    100.0
    """
    angle = math.radians(round(heading, 9))  # far finer than a compass; a smaller one makes coordinates that underflow
    sine, cosine = math.sin(angle), math.cos(angle)
    return shapely.transform(geometry, lambda xy: xy @ np.array([[cosine, sine], [-sine, cosine]]))


def longest_heading(grounds: Sequence[BaseGeometry]) -> float:
    """Heading [degree] of the longest side of the smallest rectangle around the ground: the fewest turns.

    Examples
    --------
    >>> longest_heading([shapely.box(0, 0, 300, 40)])
    90.0
    """
    corners = shapely.get_coordinates(shapely.oriented_envelope(shapely.union_all(grounds)))
    sides = np.diff(corners, axis=0)
    east, north = sides[np.argmax(np.round(np.hypot(*sides.T), 3))]  # of equal sides the first
    return round(math.degrees(math.atan2(east, north)) % 180.0, 6) % 180.0


def lanes_over(grounds: Sequence[BaseGeometry], swath: float, heading: float) -> Lanes:
    """Lay passes in the middle of grounds, so that the outer two reach equally far beyond.

    Parameters
    ----------
    grounds : sequence of geometry
        In metres, at least one.
    swath : float [m]
        Width of a pass.
    heading : float [degree]
        Clockwise from north.

    Examples
    --------
    >>> lanes_over([shapely.box(0, 0, 25, 100)], 10.0, 0.0).left
    -2.5
    """
    west, _, east, _ = shapely.total_bounds([turned(ground, heading) for ground in grounds])
    count = max(1, math.ceil((east - west) / swath - ROUNDING))
    return Lanes(heading=heading, left=float(west + east - count * swath) / 2, swath=swath)


def pass_lanes(machine: Machine, field_ground: BaseGeometry, treated: Sequence[BaseGeometry]) -> Lanes:
    """Lay the passes of a machine: over the field along the plan's heading, which decisions follow too.

    Without a heading they run along the longest side of the treated ground, and lie in the middle of it.

    Parameters
    ----------
    machine : Machine
        Swath and heading.
    field_ground : geometry
        The field in metres.
    treated : sequence of geometry
        In metres.
    """
    swath = machine.swath.to("m")
    if machine.heading is not None:
        return lanes_over([field_ground], swath, machine.heading)
    return lanes_over(treated, swath, longest_heading(treated))
