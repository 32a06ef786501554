"""Where to stop on a first visit: all of the field covered, some pairs close together, the edge apart."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import shapely
from scipy.optimize import linear_sum_assignment
from scipy.spatial import cKDTree
from scipy.spatial.distance import cdist
from shapely.geometry.base import BaseGeometry
from threadpoolctl import threadpool_limits

from rxmap.errors import InputError
from rxmap.grid import FloatArray, Grid
from rxmap.passes.keep_outs import kept_ground
from rxmap.records import KeepOutSource

MOST_CELLS = 4000  # that places are chosen among; a finer grid moves a stop by less than a receiver's error
STARTS = 10  # of k-means; a test holds the best of them against 100
ROUNDING_M = 0.05  # a stop is written with 7 decimals of a degree, about 1 cm
EDGE_MARGIN = 30.0  # [m] stops inside keep about 100 ft off the boundary; common practice, no source
MARGIN_SHARE = 0.25  # of the spacing, at most: else a small field would lose its ground; judgement
# One stop in ten has a close neighbour: that tells the short range without costing cover (Lark and Marchant 2018,
# Geoderma 319:89-99, from memory).
PAIR_SHARE, FEWEST_FOR_PAIRS = 0.10, 20
PAIR_DISTANCE = 0.1  # of the spacing; judgement
LEAST_PAIR = 8.0  # [m] two readings of a receiver must not swap the pair; judgement
LEEWAY = 0.35  # of the spacing: how far a stop may move off the middle of its ground for the image's sake; judgement
EDGE_EVERY, FEWEST_EDGE, MOST_EDGE = 2.0, 4, 12  # edge stops: spacings between them, and their number; judgement
BEARINGS = 8


def walkable(field: BaseGeometry, keep_outs: Sequence[KeepOutSource]) -> tuple[BaseGeometry, BaseGeometry]:
    """Ground of a field that may be scouted and later treated, and the ground of its keep-outs.

    Parameters
    ----------
    field : geometry [m]
    keep_outs : sequence of KeepOutSource
        Each with its own setback.

    Raises
    ------
    InputError
        If the keep-outs cover the field.
    """
    kept = shapely.union_all([ground for _, _, ground in kept_ground(keep_outs, 0.0)]) if keep_outs else shapely.Point()
    open_ground = shapely.make_valid(field.buffer(-ROUNDING_M).difference(kept.buffer(ROUNDING_M)))
    if open_ground.area <= 0:
        raise InputError("keep_out: the keep-outs and their setbacks cover the whole field; there is nowhere to stop.")
    return open_ground, kept


def inner_ground(field: BaseGeometry, open_ground: BaseGeometry, spacing: float, edge: float = 0.0) -> BaseGeometry:
    """Ground away from the boundary, where stops speak for the field; the margin gives way where none is left.

    Parameters
    ----------
    field, open_ground : geometry [m]
        See `walkable`.
    spacing : float [m]
        Between stops.
    edge : float [m]
        Width of the strip that edge stops decide.
    """
    margin = max(min(EDGE_MARGIN, MARGIN_SHARE * spacing), edge)
    while margin > 1.0:
        inner = shapely.make_valid(open_ground.intersection(field.buffer(-margin)))
        if inner.area > 0.25 * open_ground.area:
            return inner
        margin /= 2
    return open_ground


def cells_of(grid: Grid, ground: BaseGeometry) -> tuple[FloatArray, FloatArray]:
    """Centres of coarse cells that hold ground, and how much each holds.

    Returns
    -------
    centres : array of shape (m, 2) [m]
    weights : array of shape (m,)
    """
    factor = max(1, math.ceil(math.sqrt(np.count_nonzero(grid.inside) / MOST_CELLS)))
    coarse = grid.coarsened(factor)
    share = coarse.covered(ground)
    held = share > 0
    easting, northing = coarse.axes()
    row, column = np.nonzero(held)
    return np.column_stack([easting[column], northing[row]]), share[held]


def coverage(centres: FloatArray, weights: FloatArray, count: int, *, seed: int) -> FloatArray:
    """Middles of `count` compact grounds of about equal size: k-means on the cells.

    Parameters
    ----------
    centres, weights : arrays of shape (m, 2) and (m,)
        See `cells_of`.
    count : int
    seed : int

    Returns
    -------
    array of shape (count, 2) [m]
        South to north.

    References
    ----------
    Walvoort, Brus and de Gruijter (2010), Computers and Geosciences 36:1261-1267 (from memory).
    """
    from sklearn.cluster import KMeans  # here: half a second that no other command must pay

    if len(centres) < count:
        raise InputError(
            f"the field has room for {len(centres)} stops, not {count}. Ask for fewer with --count, or set a finer "
            "output.cell."
        )
    with threadpool_limits(1):
        found = KMeans(count, n_init=STARTS, random_state=seed).fit(centres, sample_weight=weights)
    middles: FloatArray = np.asarray(found.cluster_centers_, float)
    return middles[np.lexsort((middles[:, 0].round(3), middles[:, 1].round(3)))]


def onto(places: FloatArray, ground: BaseGeometry) -> FloatArray:
    """Move places that are not on the ground to its nearest place, a little inside.

    Examples
    --------
    >>> onto(np.array([[5.0, 5.0], [12.0, 5.0]]), shapely.box(0, 0, 10, 10)).round(1)
    array([[5. , 5. ],
           [9.9, 5. ]])
    """
    inside = ground.buffer(-0.1)
    inside = ground if inside.is_empty else inside
    points = shapely.points(places)
    nearest = shapely.get_point(shapely.shortest_line(inside, points), 0)
    moved = np.where(shapely.covers(inside, points), points, nearest)
    found: FloatArray = shapely.get_coordinates(moved)
    return found


def spread_over(values: FloatArray, centres: FloatArray, stops: FloatArray, spacing: float) -> FloatArray:
    """Move stops, within the ground of each, so that together they show the whole range of an image or layer.

    The layer is cut into as many classes of equal ground as there are stops; each stop takes the class that suits
    it so that all are taken, then the place near its middle that comes closest to it.

    Parameters
    ----------
    values : array of shape (m,)
        Of the layer at the cells; nan where it has none.
    centres : array of shape (m, 2) [m]
        Cells that stops may take.
    stops : array of shape (n, 2) [m]
    spacing : float [m]

    References
    ----------
    Minasny and McBratney (2006), Computers and Geosciences 32:1378-1388 (one stop in each class of a layer, there
    without regard to place; from memory).
    """
    known = np.isfinite(values)
    if np.count_nonzero(known) < len(stops):
        return stops
    where = centres[known]
    rank = (np.argsort(np.argsort(values[known], kind="stable")) + 0.5) / len(where)
    distance, owner = cKDTree(stops).query(where)
    near = [np.flatnonzero((owner == stop) & (distance <= LEEWAY * spacing)) for stop in range(len(stops))]
    wanted = (np.arange(len(stops)) + 0.5) / len(stops)
    off = np.array([np.abs(rank[mine, None] - wanted).min(axis=0) if len(mine) else 0 * wanted for mine in near])
    taken = linear_sum_assignment(off**2)[1]
    moved = stops.copy()
    for stop, mine in enumerate(near):
        if len(mine):
            moved[stop] = where[mine[np.argmin(np.abs(rank[mine] - wanted[taken[stop]]))]]
    return moved


def pairs_in(count: int) -> int:
    """How many of `count` stops are the close neighbour of another."""
    return round(PAIR_SHARE * count) if count >= FEWEST_FOR_PAIRS else 0


def close_pairs(stops: FloatArray, count: int, ground: BaseGeometry, spacing: float, *, seed: int) -> FloatArray:
    """Places close to some of the stops, those far from each other, in a direction drawn at random.

    Returns
    -------
    array of shape (at most count, 2) [m]
    """
    random = np.random.default_rng(seed)
    distance = max(PAIR_DISTANCE * spacing, LEAST_PAIR)
    found = []
    for base in _far_apart(stops, count):
        turn = 2 * np.pi * (random.random() + np.arange(BEARINGS) / BEARINGS)
        beside = stops[base] + distance * np.column_stack([np.sin(turn), np.cos(turn)])
        free = beside[shapely.covers(ground, shapely.points(beside))]
        found += [free[0]] if len(free) else []
    return np.array(found, float).reshape(-1, 2)


def _far_apart(stops: FloatArray, count: int) -> list[int]:
    """Each the farthest from those before; the first is the nearest to the middle."""
    chosen = [int(np.argmin(np.linalg.norm(stops - stops.mean(axis=0), axis=1)))] if count else []
    while len(chosen) < min(count, len(stops)):
        chosen.append(int(np.argmax(cdist(stops, stops[chosen]).min(axis=1))))
    return chosen


def edge_places(field: BaseGeometry, open_ground: BaseGeometry, width: float, spacing: float) -> FloatArray:
    """Places at equal steps along the middle of the strip that edge stops decide, keep-outs left out.

    Parameters
    ----------
    field, open_ground : geometry [m]
        See `walkable`.
    width : float [m]
        Of the strip.
    spacing : float [m]
        Between the stops inside.
    """
    line = shapely.boundary(field.buffer(-width / 2)).intersection(open_ground)
    pieces = [piece for piece in shapely.get_parts(line) if piece.length > 0]
    if not pieces:
        return np.empty((0, 2))
    ends = np.cumsum([piece.length for piece in pieces])
    count = int(np.clip(round(ends[-1] / (EDGE_EVERY * spacing)), FEWEST_EDGE, MOST_EDGE))
    along = (np.arange(count) + 0.5) * ends[-1] / count
    piece = np.searchsorted(ends, along)
    places = [pieces[at].interpolate(far - ends[at] + pieces[at].length) for at, far in zip(piece, along, strict=True)]
    return onto(shapely.get_coordinates(places), open_ground)


def mean_distance(centres: FloatArray, weights: FloatArray, stops: FloatArray) -> float:
    """Mean distance from the ground to the nearest stop [m]."""
    return float(np.average(cKDTree(stops).query(centres)[0], weights=weights))
