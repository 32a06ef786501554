"""How stops lie on the ground: what each speaks for, whether they crowd where it looked bad, what no stop reaches."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from rxmap.surface.covariance import Array, distances

NEIGHBOURS = 3  # nearest stops that tell how much ground one speaks for; a twin alone must not
# Standard errors of the rank correlation. Pressure that drifts over the field goes with a stop's ground by chance more
# often than shuffled pressure does: of simulated even walks 1 in 50 are called crowded, of zigzags up to 7 in 100;
# of walks that went back to bad places half with 40 stops and four of five with 60. A test repeats it; policy
CROWDED = 2.8
SPACINGS = 2.0  # without a range: no place of a field walked evenly is as far from a stop as this; policy


@dataclass(frozen=True)
class Crowding:
    """Plain mean of the stops against one in which each weighs as much as the ground it speaks for.

    Parameters
    ----------
    plain, even : float
    errors : float
        Standard errors by which the pressure of a stop goes with its ground: below 0 where stops crowd on high ones.
    lost : float
        Variance of the even mean over that of the plain one, for stops that have nothing to do with each other.
    """

    plain: float
    even: float
    errors: float
    lost: float

    @property
    def found(self) -> bool:
        """Whether stops crowd where the pressure is high, or low."""
        return abs(self.errors) > CROWDED


def crowding(pressure: Array, ground: Array) -> Crowding:
    """Tell whether the ground of a stop goes with its pressure, and what that does to the mean.

    Were the ground no matter of the pressure, every order of the pressures over the stops would be as likely: the rank
    correlation has mean 0 and variance 1 / (n - 1).

    Parameters
    ----------
    pressure : array of shape (n,)
    ground : array of shape (n,)
        What each stop speaks for, in any unit of area.

    References
    ----------
    Isaaks and Srivastava 1989, An Introduction to Applied Geostatistics, chapter 10 (declustering by the polygon of
    influence); Diggle, Menezes and Su 2010, JRSS C 59:191 (what preferential sampling does); Kendall 1948, Rank
    Correlation Methods (variance over all orders).

    Examples
    --------
    Six stops crowd on a hot spot, six stand for the rest of the field:

    >>> found = crowding(np.repeat([9.0, 1.0], 6), np.repeat([1.0, 9.0], 6))
    >>> round(found.plain, 2), round(found.even, 2), round(found.errors, 2), found.found
    (5.0, 1.8, -3.32, True)
    """
    plain = float(pressure.mean())
    if np.ptp(pressure) == 0.0 or np.ptp(ground) == 0.0:
        return Crowding(plain, plain, 0.0, 1.0)
    weights = ground / ground.sum()
    together = np.corrcoef(_ranks(pressure), _ranks(ground))[0, 1]
    lost = float(len(weights) * (weights**2).sum())
    return Crowding(plain, float(weights @ pressure), float(np.sqrt(len(pressure) - 1.0) * together), lost)


def nearest_ground(stops: Array, ground: BaseGeometry) -> Array:
    """Area of the field that is nearer to each stop than to any other; stops at the same place share theirs.

    Parameters
    ----------
    stops : array of shape (n, 2) [m]
    ground : polygon [m]
        The field.

    Returns
    -------
    array of shape (n,) [m2]

    Examples
    --------
    >>> nearest_ground(np.array([[10.0, 50.0], [30.0, 50.0]]), shapely.box(0, 0, 100, 100))
    array([2000., 8000.])
    """
    places, index, count = np.unique(stops, axis=0, return_inverse=True, return_counts=True)
    if len(places) == 1:
        return np.full(len(stops), ground.area / len(stops))
    reach = ground.union(shapely.multipoints(places)).envelope
    cells = shapely.get_parts(shapely.voronoi_polygons(shapely.multipoints(places), extend_to=reach))
    at, which = shapely.STRtree(cells).query(shapely.points(places), predicate="intersects")
    areas = np.zeros(len(places))
    areas[at] = shapely.area(shapely.intersection(cells[which], ground))
    return areas[index] / count[index]


def neighbour_ground(stops: Array) -> Array:
    """Ground around each stop where the field's outline is not known: square of the way to the third neighbour.

    Parameters
    ----------
    stops : array of shape (n, 2) [m]

    Returns
    -------
    array of shape (n,) [m2]

    Examples
    --------
    >>> neighbour_ground(np.array([[0.0, 0.0], [0.0, 1.0], [0.0, 2.0], [0.0, 9.0]]))
    array([81., 64., 49., 81.])
    """
    if len(stops) <= NEIGHBOURS:
        return np.ones(len(stops))
    ground: Array = np.partition(distances(stops, stops), NEIGHBOURS, axis=0)[NEIGHBOURS] ** 2
    return ground


def reach_of_stops(spacing: float, range: float | None) -> float:
    """How far a stop tells of the ground around it [m].

    With a pattern that is its range: beyond it the correlation is below 0.05, all stops together take next to
    nothing off the doubt, and the map falls back on the level of the field. Without one every place is told alike,
    and what counts is whether anybody looked in that part of the field: two spacings.

    Parameters
    ----------
    spacing : float [m]
        Between as many stops evenly spread.
    range : float or None [m]
        Practical range; None without a pattern.

    Examples
    --------
    >>> reach_of_stops(120.0, 160.0), reach_of_stops(120.0, 500.0), reach_of_stops(120.0, None)
    (160.0, 240.0, 240.0)
    """
    return SPACINGS * spacing if range is None else min(range, SPACINGS * spacing)


def beyond_reach(stops: Array, ground: BaseGeometry, reach: float) -> BaseGeometry:
    """Ground farther than `reach` [m] from every stop.

    Examples
    --------
    >>> round(beyond_reach(np.array([[0.0, 0.0]]), shapely.box(0, 0, 100, 100), 50.0).area)
    8049
    """
    seen = shapely.buffer(shapely.multipoints(stops), reach)
    return shapely.difference(ground, seen)


def _ranks(values: Array) -> Array:
    """Ranks, the mean of them for equal values."""
    _, index, count = np.unique(values, return_inverse=True, return_counts=True)
    ranks: Array = (np.cumsum(count) - (count - 1) / 2.0)[index]
    return ranks
