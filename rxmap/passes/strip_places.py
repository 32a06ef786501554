"""Where check strips have room, and which of these places cost little and tell much."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from rxmap.decide.lanes import HAIR, Lanes, turned
from rxmap.grid import M2_PER_HA, BoolArray, FloatArray, Grid
from rxmap.plan import CheckStrips
from rxmap.records import CheckStrip

DEFAULT_COUNT = 4  # fewer tell little, see `detectable_difference`; common practice, no source
DEFAULT_LENGTH = 150.0  # [m] common practice, no source
LEAST_LENGTH = 40.0  # [m] of a strip in short ground: half of the least run; judgement, no source
LENGTHS_TRIED = 5  # from the length asked for down to the least
LEAST_RUN = 80.0  # [m] of treated ground along the pass
LEAST_PASSES = 5  # whole passes that treated ground must hold side by side
MOST_SHARE = 0.1  # of a treated area
LEAST_GAP = 3  # swaths between strips
WORTHY = 0.5  # share of the average benefit below which a strip says little; judgement, no source
POINTS = 30  # along each side of the ground, to measure how well strips are spread
MOST_PLACES = 3_000  # that are weighed; of more every second, third ... counts
SAMPLES = 10  # along a strip, for its benefit


@dataclass(frozen=True, slots=True, kw_only=True)
class TreatedArea:
    """Ground treated at one rate because the numbers say so.

    Parameters
    ----------
    rate : float
        As written.
    ground : Polygon
        In metres.
    worth : ndarray, shape (rows, columns)
        Benefit at this rate on the field grid [currency/ha], or its stand-in; NaN outside.
    """

    rate: float
    ground: shapely.Polygon
    worth: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class _Places:
    """Where a strip of one length could lie, in the frame of the passes; one row for each place."""

    area: FloatArray  # number of the treated area
    left: FloatArray
    start: FloatArray
    worth: FloatArray  # mean benefit on it [currency/ha]
    length: float
    swath: float

    @property
    def middles(self) -> FloatArray:
        """(places, 2) across and along [m]."""
        return np.column_stack([self.left + self.swath / 2, self.start + self.length / 2])

    def apart(self, place: int) -> BoolArray:
        """Places that keep the gap from one of them."""
        across = np.maximum(np.abs(self.left - self.left[place]) - self.swath, 0.0)
        along = np.maximum(np.abs(self.start - self.start[place]) - self.length, 0.0)
        kept: BoolArray = np.hypot(across, along) >= LEAST_GAP * self.swath * (1 - 1e-9)
        return kept


def place_strips(
    areas: Sequence[TreatedArea],
    driven: Sequence[BaseGeometry],
    grid: Grid,
    *,
    lanes: Lanes,
    asked: CheckStrips | None = None,
    money: bool = True,
) -> list[CheckStrip]:
    """Choose where strips lie: on the passes, with a treated swath on both sides and at both ends.

    They are chosen one after another. Each is the place that brings treated ground nearest to a strip for the
    benefit given up there: the mean distance that it takes off, over its benefit (judgement, no source). So strips
    spread over the ground that they speak for, and lie where that is cheap. Ground whose benefit is below half of
    the average is left out first: a strip costs least of all there, but where little is at stake little is seen.

    All strips have one length: the one asked for, or shorter if more of them then have room.

    Parameters
    ----------
    areas : sequence of TreatedArea
        Where strips may lie; those of one rate do not touch.
    driven : sequence of geometry
        All treated ground, which the passes are laid over.
    grid : Grid
        The field grid.
    lanes : Lanes
        The passes.
    asked : CheckStrips, optional
        Number and length from the plan.
    money : bool
        Whether `worth` is money.
    """
    count = DEFAULT_COUNT if asked is None or asked.count is None else asked.count
    if count == 0 or not areas:
        return []
    length = asked.length.to("m") if asked is not None and asked.length else DEFAULT_LENGTH
    swath, heading, sides = lanes.swath, lanes.heading, lanes.sides(driven)
    lying = [turned(area.ground, heading) for area in areas]
    runs = [_runs(ground, sides) for ground in lying]
    best: list[CheckStrip] = []
    for tried in np.linspace(length, min(length, LEAST_LENGTH), LENGTHS_TRIED):
        places = _places(runs, areas, grid, length=float(tried), swath=swath, heading=heading)
        chosen = _choose(places, lying, count)
        if len(chosen) > len(best):
            best = [_strip(places, place, areas, heading=heading, money=money) for place in chosen]
        if len(best) == count:
            break
    return best


def _strip(places: _Places, place: int, areas: Sequence[TreatedArea], *, heading: float, money: bool) -> CheckStrip:
    left, start = float(places.left[place]), float(places.start[place])
    area_ha = places.length * places.swath / M2_PER_HA
    return CheckStrip(
        ground=turned(shapely.box(left, start, left + places.swath, start + places.length), -heading),
        rate=areas[int(places.area[place])].rate,
        length_m=places.length,
        area_ha=area_ha,
        benefit=float(places.worth[place]) * area_ha if money else None,
    )


def _runs(ground: BaseGeometry, sides: FloatArray) -> list[tuple[float, float, float]]:
    """Left side, start and end of each stretch of a pass whose neighbours are treated too.

    None at all where the ground does not hold enough passes side by side over the least run.
    """
    shapely.prepare(ground)
    wide = clear_runs(ground, sides[:-LEAST_PASSES], sides[LEAST_PASSES:])
    if not any(end - start >= LEAST_RUN for _, start, end in wide):
        return []
    swath = sides[1] - sides[0]
    return [(left + swath, start, end) for left, start, end in clear_runs(ground, sides[:-3], sides[3:])]


def clear_runs(ground: BaseGeometry, lefts: FloatArray, rights: FloatArray) -> list[tuple[float, float, float]]:
    """Stretches along which the whole width between two sides lies in the ground: (left, start, end) [m].

    Examples
    --------
    >>> ground = shapely.box(0, 0, 30, 100).difference(shapely.box(25, 40, 30, 50))
    >>> clear_runs(ground, np.array([0.0, 10.0]), np.array([10.0, 30.0]))
    [(0.0, 0.0, 100.0), (10.0, 0.0, 40.0), (10.0, 50.0, 100.0)]
    """
    west, south, east, north = ground.bounds
    within = (lefts >= west - HAIR) & (rights <= east + HAIR)
    found = []
    for left, right in zip(lefts[within].tolist(), rights[within].tolist(), strict=True):
        band = shapely.box(left + HAIR, south - 1, right - HAIR, north + 1)
        blocked = shapely.bounds(shapely.get_parts(band.difference(ground)))[:, [1, 3]]
        free_from = south - 1
        for start, end in sorted(blocked.tolist()):
            if start > free_from:
                found.append((left, free_from, start))
            free_from = max(free_from, end)
    return found


def _places(
    runs: Sequence[Sequence[tuple[float, float, float]]],
    areas: Sequence[TreatedArea],
    grid: Grid,
    *,
    length: float,
    swath: float,
    heading: float,
) -> _Places:
    """Places a swath or a quarter of the length apart, a swath inside the ends of every run."""
    step = max(swath, length / 4)
    rows = [
        (number, left, start)
        for number, stretches in enumerate(runs)
        for left, first, last in stretches
        if (room := last - first - 2 * swath - length) >= 0
        for start in np.linspace(first + swath, last - swath - length, 1 + int(room // step))
    ]
    table = np.array(rows, dtype=float).reshape(-1, 3)[:: 1 + len(rows) // MOST_PLACES]
    area, left, start = table.T
    along = start[:, None] + length * (np.arange(SAMPLES) + 0.5) / SAMPLES
    across = np.broadcast_to(left[:, None] + swath / 2, along.shape)
    angle = math.radians(heading)
    easting = math.cos(angle) * across + math.sin(angle) * along
    northing = math.cos(angle) * along - math.sin(angle) * across
    column = ((easting - grid.west) // grid.cell).astype(int)
    row = ((grid.north - northing) // grid.cell).astype(int)
    worth = np.zeros(len(table))
    for number, treated in enumerate(areas):
        here = area == number
        worth[here] = treated.worth[row[here], column[here]].mean(axis=1)
    return _Places(area=area, left=left, start=start, worth=worth, length=length, swath=swath)


def _choose(places: _Places, lying: Sequence[BaseGeometry], count: int) -> list[int]:
    """Numbers of the chosen places, as `place_strips` says."""
    if not len(places.area):
        return []
    average = float(places.worth.mean())
    free = places.worth >= WORTHY * average if average > 0 else np.ones(len(places.worth), dtype=bool)
    cost = np.where(free, places.worth, 1.0) if average > 0 else np.ones(len(places.worth))
    strip_m2 = places.length * places.swath
    room = np.array([MOST_SHARE * ground.area for ground in lying])
    points, middles = _spread_points(lying), places.middles
    distance = np.hypot(points[:, :1] - middles[:, 0], points[:, 1:] - middles[:, 1])
    nearest = distance.max(axis=1)  # before the first strip, as if one lay as far away as it can
    chosen: list[int] = []
    while len(chosen) < count:
        free &= room[places.area.astype(int)] >= strip_m2
        if not free.any():
            break
        taken_off = np.maximum(nearest[:, np.newaxis] - distance, 0.0).mean(axis=0)
        # Rounded, so that the first of equals is the same on every machine.
        place = int(np.argmax(np.where(free, np.round(taken_off / cost, 9), -1.0)))
        chosen.append(place)
        nearest = np.minimum(nearest, distance[:, place])
        room[int(places.area[place])] -= strip_m2
        free &= places.apart(place)
    return chosen


def _spread_points(lying: Sequence[BaseGeometry]) -> FloatArray:
    """Points on a lattice over the ground; at least one."""
    west, south, east, north = shapely.total_bounds(lying)
    share = (np.arange(POINTS) + 0.5) / POINTS
    across, along = np.meshgrid(west + share * (east - west), south + share * (north - south))
    inside = np.logical_or.reduce([shapely.contains_xy(ground, across, along) for ground in lying])
    if not inside.any():
        return np.asarray(shapely.get_coordinates([shapely.point_on_surface(ground) for ground in lying]))
    points: FloatArray = np.column_stack([across[inside], along[inside]])
    return points
