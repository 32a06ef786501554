"""The order in which treated ground is driven, and where a load ends in it.

Ground is cut into strips one swath wide along the heading, driven to and fro. A load is a stretch of that way.
Work is counted in loads: 1 is what one filling of the tank, or one battery, can do.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import accumulate

import numpy as np
import shapely
from scipy import sparse
from scipy.sparse.csgraph import connected_components
from shapely.geometry.base import BaseGeometry

from rxmap.decide.lanes import Lanes, turned

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

    @property
    def entry(self) -> Place:
        """Where driving it starts."""
        return self.middle, self.start

    @property
    def exit(self) -> Place:
        """Where driving it ends."""
        return self.middle, self.end

    @property
    def idle_m(self) -> float:
        """Way in it beside what its ground takes at full width [m]."""
        return max(abs(self.end - self.start) - sum(self.areas) / (self.right - self.left), 0.0)

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


def sweep(grounds: Sequence[BaseGeometry], lanes: Lanes) -> list[Run]:
    """Cut grounds into strips and drive them to and fro, from the left of the heading to the right.

    Parameters
    ----------
    grounds : sequence of Polygon or MultiPolygon
        In metres, without overlap.
    lanes : Lanes
        The passes.

    Returns
    -------
    list of Run
        In the order in which they are driven; strips without treated ground are left out.

    Examples
    --------
    >>> lanes = Lanes(heading=0.0, left=0.0, swath=10.0)
    >>> [(run.start, run.end, run.areas) for run in sweep([shapely.box(0, 0, 20, 100)], lanes)]
    [(0.0, 100.0, (1000.0,)), (100.0, 0.0, (1000.0,))]
    """
    lying = [turned(ground, lanes.heading) for ground in grounds]
    west, south, east, north = shapely.total_bounds(lying)
    sides = lanes.sides(grounds)
    sides[0], sides[-1] = min(sides[0], west), max(sides[-1], east)  # with what rounding carries beyond
    swath = lanes.swath
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


@dataclass(frozen=True, slots=True)
class Order:
    """Runs in the order in which they are driven, and its name in words."""

    name: str
    runs: list[Run]


def driving_orders(grounds: Sequence[BaseGeometry], lanes: Lanes, start: Place | None) -> list[Order]:
    """List the ways to drive grounds that are compared: from one side to the other, and patch by patch.

    Patches that are less than a swath apart are one. After a patch the one with the nearest corner is next, from that
    corner; nearest neighbour is no shortest tour, but where it is longer it is not taken.

    Parameters
    ----------
    grounds, lanes
        As in `sweep`.
    start : (float, float) or None [m]
        Where the machine comes from, in the turned frame; None for the first pass of the first patch.
    """
    across = sweep(grounds, lanes)
    patches = _patches(grounds, lanes.swath)
    waiting = [sweep(patch, lanes) for patch in patches] if len(patches) > 1 else [across]
    driven: list[Run] = []
    place = start if start is not None else waiting[0][0].entry
    while waiting:
        ways = [(number, way) for number, runs in enumerate(waiting) for way in _four_ways(runs)]
        number, way = min(ways, key=lambda one: round(_to(place, one[1][0].entry), 3))  # of equals the first
        driven += way
        place = way[-1].exit
        del waiting[number]
    return [
        Order("from one side of the field to the other", across),
        Order("patch by patch, next the nearest" if len(patches) > 1 else "from the side that is nearer", driven),
    ]


def _patches(grounds: Sequence[BaseGeometry], swath: float) -> list[list[BaseGeometry]]:
    """Grounds of each patch, the others empty, so that runs still count the areas of all."""
    shapes = np.array(grounds, object)
    near = shapely.STRtree(shapes).query(shapes, predicate="dwithin", distance=swath)
    links = sparse.coo_array((np.ones(near.shape[1], bool), near), shape=(len(grounds), len(grounds)))
    count, patch = connected_components(links, directed=False)
    nothing = shapely.Polygon()
    return [
        [g if mine else nothing for g, mine in zip(grounds, patch == number, strict=True)] for number in range(count)
    ]


def _four_ways(runs: list[Run]) -> list[list[Run]]:
    """Drive the passes of a patch from either side, the first of them from either end."""
    backwards = [replace(run, start=run.end, end=run.start) for run in runs]
    return [runs, backwards, runs[::-1], backwards[::-1]]


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
    """Group whole runs into loads so that the ways without spraying are shortest.

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
    between = [0.0, *accumulate(map(_between, runs, runs[1:]))]  # from the first run to each
    best, first = [0.0] + [math.inf] * len(runs), [0] * (len(runs) + 1)
    for end in range(1, len(runs) + 1):
        work = 0.0
        for start in range(end - 1, -1, -1):
            work += works[start]
            if work > 1 + ROUNDING and start < end - 1:
                break
            there_and_back = _to(refill, runs[start].entry) + _to(refill, runs[end - 1].exit)
            cost = best[start] + there_and_back + between[end - 1] - between[start] + fixed_m
            if cost < best[end]:
                best[end], first[end] = cost, start
    loads: list[list[Run]] = []
    end = len(runs)
    while end:
        loads.append(list(runs[first[end] : end]))
        end = first[end]
    return loads[::-1]


def trip_m(load: Sequence[Run], refill: Place) -> float:
    """Way of a load without spraying [m]: from the refill point, between its runs and back; straight lines."""
    return _to(refill, load[0].entry) + way_m(load) + _to(refill, load[-1].exit)


def way_m(runs: Sequence[Run]) -> float:
    """Way without spraying [m]: from the end of each run to the start of the next, and over gaps within runs."""
    return math.fsum([*map(_between, runs, runs[1:]), *(run.idle_m for run in runs)])


def _between(one: Run, other: Run) -> float:
    return _to(one.exit, other.entry)


def _to(one: Place, other: Place) -> float:
    return math.hypot(one[0] - other[0], one[1] - other[1])
