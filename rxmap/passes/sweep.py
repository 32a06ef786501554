"""The order in which treated ground is driven, and where a load ends in it.

Ground is cut into strips one swath wide along the heading, driven to and fro. A load is a stretch of that way.
Work is counted in loads: 1 is what one filling of the tank, or one battery, can do.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

Place = tuple[float, float]  # across, along [m] in the turned frame

BISECTIONS = 40  # halves 1 km to a nanometre
ROUNDING = 1e-9  # [load] what sums of areas lose in binary


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """A stretch of one strip, in the frame that is turned into the heading: (across, along) [m].

    Parameters
    ----------
    left, right : float [m]
        Sides of the strip, across.
    start, end : float [m]
        Where driving it starts and ends, along.
    pieces : tuple of geometry
        What of each ground lies in it, in the order of the grounds.
    areas : tuple of float [m2]
        Areas of the pieces.
    """

    left: float
    right: float
    start: float
    end: float
    pieces: tuple[BaseGeometry, ...]
    areas: tuple[float, ...]

    @property
    def box(self) -> BaseGeometry:
        """The ground that it sweeps, treated or not."""
        return shapely.box(self.left, min(self.start, self.end), self.right, max(self.start, self.end))

    @property
    def middle(self) -> float:
        """Where the machine drives, across [m]."""
        return (self.left + self.right) / 2

    def work(self, weights: Sequence[float]) -> float:
        """Work in it [load], for the work on a square metre of each ground."""
        return sum(area * weight for area, weight in zip(self.areas, weights, strict=True))

    def until(self, along: float) -> Run:
        """Return the first part, up to a place along it."""
        part = replace(self, end=along)
        pieces = shapely.intersection(np.array(self.pieces, object), part.box)
        return replace(part, pieces=tuple(pieces), areas=tuple(map(float, shapely.area(pieces))))

    def after(self, first: Run) -> Run:
        """Return what is left behind a first part; their areas add up."""
        rest = replace(self, start=first.end)
        pieces = shapely.intersection(np.array(self.pieces, object), rest.box)
        areas = (max(whole - part, 0.0) for whole, part in zip(self.areas, first.areas, strict=True))
        return replace(rest, pieces=tuple(pieces), areas=tuple(areas))


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


def sweep(grounds: Sequence[BaseGeometry], swath: float, heading: float) -> list[Run]:
    """Cut grounds into strips and drive them to and fro, from the left of the heading to the right.

    Parameters
    ----------
    grounds : sequence of Polygon or MultiPolygon
        In metres, without overlap.
    swath : float [m]
        Width of a strip; strips lie in the middle of the ground, so that the outer two are alike.
    heading : float [degree]
        Of the first strip, clockwise from north.

    Returns
    -------
    list of Run
        In the order in which they are driven; strips without treated ground are left out.

    Examples
    --------
    >>> [(run.start, run.end, run.areas) for run in sweep([shapely.box(0, 0, 20, 100)], 10.0, 0.0)]
    [(0.0, 100.0, (1000.0,)), (100.0, 0.0, (1000.0,))]
    """
    lying = [turned(ground, heading) for ground in grounds]
    west, south, east, north = shapely.total_bounds(lying)
    count = max(1, math.ceil((east - west) / swath - ROUNDING))
    sides = (west + east - count * swath) / 2 + swath * np.arange(count + 1)
    strips = shapely.box(sides[:-1], south - swath, sides[1:], north + swath)
    pieces = np.array([shapely.intersection(ground, strips) for ground in lying], object)
    areas = shapely.area(pieces)
    runs: list[Run] = []
    for strip in np.flatnonzero(areas.sum(axis=0) > 0):
        _, near, _, far = shapely.total_bounds(pieces[:, strip])
        start, end = (far, near) if len(runs) % 2 else (near, far)
        runs.append(
            Run(
                left=float(sides[strip]),
                right=float(sides[strip + 1]),
                start=float(start),
                end=float(end),
                pieces=tuple(pieces[:, strip]),
                areas=tuple(map(float, areas[:, strip])),
            )
        )
    return runs


def share_out(runs: Sequence[Run], weights: Sequence[float], shares: Sequence[float]) -> list[list[Run]]:
    """Cut the way into loads of given work, inside a strip where it must be; the last takes what is left.

    Parameters
    ----------
    runs : sequence of Run
        In the order in which they are driven.
    weights : sequence of float [load/m2]
        Work on each ground.
    shares : sequence of float [load]
        Work of each load.
    """
    loads: list[list[Run]] = []
    waiting = list(reversed(runs))
    for share in shares[:-1]:
        load: list[Run] = []
        left = share
        while waiting and left > ROUNDING:
            run = waiting.pop()
            if run.work(weights) > left + ROUNDING:
                first = _first_part(run, weights, left)
                waiting.append(run.after(first))
                run = first
            left -= run.work(weights)
            load.append(run)
        loads.append(load)
    return [*loads, list(reversed(waiting))]


def _first_part(run: Run, weights: Sequence[float], wanted: float) -> Run:
    """Find by bisection where a run has done the wanted work; never more than that."""
    short, far = run.start, run.end
    for _ in range(BISECTIONS):
        along = (short + far) / 2
        if run.until(along).work(weights) > wanted:
            far = along
        else:
            short = along
    return run.until(short)


def whole_passes(runs: Sequence[Run], weights: Sequence[float]) -> list[Run]:
    """Cut strips too long for one load into equal parts, so that each run is at most one load.

    Parameters
    ----------
    runs, weights
        As in `share_out`.
    """
    parts: list[Run] = []
    for run in runs:
        work = run.work(weights)
        count = max(1, math.ceil(work - ROUNDING))
        parts += (load[0] for load in share_out([run], weights, [work / count] * count))
    return parts


def shortest_trips(runs: Sequence[Run], weights: Sequence[float], refill: Place, *, fixed_m: float) -> list[list[Run]]:
    """Group whole runs into loads so that the ways to and from the refill point are shortest.

    Exact: the best of all ways to cut the order into loads that the tank can hold, by dynamic programming over
    where a load ends.

    Parameters
    ----------
    runs : sequence of Run
        Each of at most one load, in the order in which they are driven.
    weights : sequence of float [load/m2]
        Work on each ground.
    refill : (float, float) [m]
        In the turned frame.
    fixed_m : float [m]
        What a load costs beside its ways, as a distance.

    References
    ----------
    Bellman (1957), Dynamic Programming, Princeton University Press (from memory).
    """
    works = [run.work(weights) for run in runs]
    best, first = [0.0] + [math.inf] * len(runs), [0] * (len(runs) + 1)
    for end in range(1, len(runs) + 1):
        work = 0.0
        for start in range(end - 1, -1, -1):
            work += works[start]
            if work > 1 + ROUNDING and start < end - 1:
                break
            cost = best[start] + trip_m(runs[start:end], refill) + fixed_m
            if cost < best[end]:
                best[end], first[end] = cost, start
    loads: list[list[Run]] = []
    end = len(runs)
    while end:
        loads.append(list(runs[first[end] : end]))
        end = first[end]
    return loads[::-1]


def trip_m(load: Sequence[Run], refill: Place) -> float:
    """Way from the refill point to the start of a load and back from its end [m]; straight lines."""
    across, along = refill
    out = math.hypot(load[0].middle - across, load[0].start - along)
    return out + math.hypot(load[-1].middle - across, load[-1].end - along)
