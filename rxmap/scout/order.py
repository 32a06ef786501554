"""A short way round all stops, from its start and back to it."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial.distance import cdist
from shapely.geometry.base import BaseGeometry

from rxmap.grid import FloatArray

ROUNDS = 200  # of shaking and mending; a test holds the way within 10 % of a run twenty times as long
DETOUR = 3.0  # a metre through a keep-out or outside the field counts as so many more; judgement, no source

Order = NDArray[np.int64]


def walk_order(
    places: FloatArray, start: tuple[float, float] | None, blocked: BaseGeometry, *, seed: int, rounds: int = ROUNDS
) -> Order:
    """Order in which places are walked in a round.

    Parameters
    ----------
    places : array of shape (n, 2) [m]
    start : (float, float) or None
        Where the round starts and ends; without one at the place farthest to the south-west.
    blocked : geometry [m]
        Ground that is better walked around.
    seed, rounds : int

    Returns
    -------
    array of int, shape (n,)

    References
    ----------
    Croes (1958), Operations Research 6:791-812 (2-opt); Martin, Otto and Felten (1991), Complex Systems 5:299-326
    (double bridge between local searches); both from memory.
    """
    nodes = places if start is None else np.vstack([start, places])
    effort = cdist(nodes, nodes) + DETOUR * _across(nodes, blocked)
    first = int(np.argmin(nodes.sum(axis=1))) if start is None else 0
    tour = _round_trip(effort, first, np.random.default_rng(seed), rounds)
    return tour if start is None else tour[1:] - 1


def walk_length(places: FloatArray, start: tuple[float, float] | None) -> float:
    """Length of a round through places in their order, in straight lines [m].

    Examples
    --------
    >>> walk_length(np.array([[0.0, 3.0], [4.0, 3.0]]), (0.0, 0.0))
    12.0
    """
    nodes = places if start is None else np.vstack([start, places])
    return float(np.linalg.norm(nodes - np.roll(nodes, 1, axis=0), axis=1).sum())


def crossings(places: FloatArray, start: tuple[float, float] | None, blocked: BaseGeometry) -> list[int]:
    """Legs of a round that meet blocked ground: the number of the place, from 0, at which each ends."""
    nodes = places if start is None else np.vstack([start, places])
    legs = shapely.linestrings(np.stack([np.roll(nodes, 1, axis=0), nodes], axis=1))
    met = np.flatnonzero(shapely.length(shapely.intersection(legs, blocked)) > 1.0)
    first = 0 if start is None else 1
    return [int(at) - first for at in met if at >= first]


def _across(nodes: FloatArray, blocked: BaseGeometry) -> FloatArray:
    """Metres of the straight line between any two nodes that lie on blocked ground."""
    ones, others = np.triu_indices(len(nodes), 1)
    metres = np.zeros((len(nodes), len(nodes)))
    if not blocked.is_empty and len(ones):
        lines = shapely.linestrings(np.stack([nodes[ones], nodes[others]], axis=1))
        shapely.prepare(blocked)
        met = shapely.intersects(blocked, lines)
        metres[ones[met], others[met]] = shapely.length(shapely.intersection(lines[met], blocked))
    return metres + metres.T


def _round_trip(effort: FloatArray, first: int, random: np.random.Generator, rounds: int) -> Order:
    """Nearest neighbours, mended; then shaken and mended again, the best kept."""
    best = _mended(_nearest(effort, first), effort)
    if len(best) > 4:
        for _ in range(rounds):
            cut = np.sort(random.choice(np.arange(1, len(best)), 3, replace=False))
            one, two, three, four = np.split(best, cut)
            tried = _mended(np.concatenate([one, three, two, four]), effort)
            if _length(tried, effort) < _length(best, effort) - 1e-9:
                best = tried
    backwards = np.concatenate([best[:1], best[:0:-1]])  # of the two directions the one that starts with less
    return min(best, backwards, key=tuple)


def _nearest(effort: FloatArray, first: int) -> Order:
    tour, left = [first], set(range(len(effort))) - {first}
    while left:
        tour.append(min(left, key=lambda node: (effort[tour[-1], node], node)))
        left.remove(tour[-1])
    return np.array(tour)


def _mended(tour: Order, effort: FloatArray) -> Order:
    """Turn stretches of the round, the best first, until none makes it shorter (2-opt)."""
    tour = tour.copy()
    above = np.triu(np.ones((len(tour), len(tour)), bool), 1)
    while True:
        after = np.roll(tour, -1)
        here = effort[tour, after]
        saved = here[:, None] + here[None, :] - effort[np.ix_(tour, tour)] - effort[np.ix_(after, after)]
        at = int(np.argmax(np.where(above, saved, -np.inf)))
        start, stop = divmod(at, len(tour))
        if saved[start, stop] <= 1e-9 or len(tour) < 4:
            return tour
        tour[start + 1 : stop + 1] = tour[start + 1 : stop + 1][::-1]


def _length(tour: Order, effort: FloatArray) -> float:
    return float(effort[tour, np.roll(tour, -1)].sum())
