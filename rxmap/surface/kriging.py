"""Kriging with given covariance: the one linear predictor behind every surface."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from functools import cache, cached_property
from typing import TypeVar

import numpy as np
from scipy import linalg
from threadpoolctl import ThreadpoolController

from rxmap.errors import InputError
from rxmap.surface.covariance import Array, Kernel, Shape
from rxmap.surface.tiles import FEWEST_PLACES, FEWEST_STOPS, Index, Tile, tiles

Part = TypeVar("Part")
Result = TypeVar("Result")

CHUNK = 1600  # places at a time: with 80 stops about 1 MB, which stays in the cache of one core
BLOCK = 24  # rows of the triangle at a time
MOST_NEAR = 0.6  # of the stops near a tile: with more, summing over all of them costs less
LEAST_SHARED = 16_000_000  # correlations from which on threads gain more than they wait for each other; measured
WORKERS = min(os.cpu_count() or 1, 4)  # the sums inside a chunk do not depend on it


@dataclass(frozen=True)
class Kriging:
    """Kriging of the pressure with an unknown mean, all stops, given covariance.

    The variance is that of the pressure itself at a place: the nugget is noise of the stops and no
    part of it. Nothing is exact at a stop: the surface is continuous there.

    Parameters
    ----------
    coordinates : array of shape (n, 2) [m]
        Easting and northing of the stops.
    values : array of shape (n,)
    kernel : {"exponential", "matern32", "spherical"}
    range : float [m]
        Practical range; for "spherical" the range. With a ratio, that of a circle of equal area.
    sill : float
        Variance of the spatial part (partial sill).
    nugget : float or array of shape (n,)
        Variance of the noise, one for all stops or one for each.
    drift : array of shape (n, q), optional
        Layers at the stops on which the mean depends linearly (universal kriging).
    slope_precision : float, default 0
        One over the prior variance of a layer's slope around 0; 0 leaves it free.
    ratio, heading : float, default 1 and 0 [1, degrees clockwise from north]
        How many times farther the pressure is alike along the heading than across it.

    References
    ----------
    Chiles and Delfiner 2012, Geostatistics, 2nd ed., sections 3.4 (ordinary kriging, universal kriging);
    Dubrule 1983, Mathematical Geology 15:687 (leave-one-out without refitting);
    Omre 1987, Mathematical Geology 19:25 (prior on the drift).

    Examples
    --------
    Two stops; halfway between them the mean is their average:

    >>> stops = np.array([[0.0, 0.0], [100.0, 0.0]])
    >>> kriging = Kriging(stops, np.array([2.0, 6.0]), "exponential", 200.0, 1.0, 0.2)
    >>> mean, variance = kriging.predict(np.array([[50.0, 0.0]]))
    >>> round(float(mean[0]), 6), round(float(variance[0]), 3)
    (4.0, 0.767)
    """

    coordinates: Array
    values: Array
    kernel: Kernel
    range: float
    sill: float
    nugget: float | Array
    drift: Array | None = None
    slope_precision: float = 0.0
    ratio: float = 1.0
    heading: float = 0.0
    # Learned at construction, with F the drift and a column of ones before it, and M M' = F' K^-1 F + prior;
    # rows: L^-1, then (K^-1 (y - F beta))', then M^-1 F' K^-1
    rows: Array = field(init=False, repr=False)
    beta: Array = field(init=False)
    spread: Array = field(init=False, repr=False)  # M^-1

    def __post_init__(self) -> None:
        with one_blas_thread():
            self._factor()

    def _factor(self) -> None:
        covariance = self.sill * self.shape.correlations(self.coordinates, self.coordinates)
        covariance[np.diag_indices_from(covariance)] += self.nugget
        inverse = inverse_factor(covariance)
        whitened = inverse @ columns(self.drift, len(self.values))
        spread = inverse_factor(normal_matrix(whitened, self.slope_precision))
        z = inverse @ self.values
        beta = spread.T @ (spread @ (whitened.T @ z))
        rows = np.vstack([inverse, (z - whitened @ beta) @ inverse, spread @ whitened.T @ inverse])
        for name, value in (("rows", rows), ("beta", beta), ("spread", spread)):
            object.__setattr__(self, name, value)

    @property
    def shape(self) -> Shape:
        """Correlation as a function of two places."""
        return Shape(self.kernel, self.range, self.ratio, self.heading)

    @property
    def inverse(self) -> Array:
        """L^-1, inverse of the lower Cholesky factor of the covariance of the values."""
        inverse: Array = self.rows[: len(self.values)]
        return inverse

    def predict(self, places: Array, drift: Array | None = None) -> tuple[Array, Array]:
        """Mean and variance of the pressure at places.

        Parameters
        ----------
        places : array of shape (m, 2) [m]
        drift : array of shape (m, q), optional
            Layers there, as many as the stops have.

        Returns
        -------
        mean, variance : arrays of shape (m,)
        """
        mean, variance = krige([self], places, drift)
        return mean[0], variance[0]

    def leave_one_out(self) -> tuple[Array, Array]:
        """Prediction of each stop from all others, and the variance of a new observation there.

        Returns
        -------
        prediction, variance : arrays of shape (n,)
        """
        count = len(self.values)
        precision = (self.inverse**2).sum(axis=0) - (self.rows[count + 1 :] ** 2).sum(axis=0)
        return self.values - self.rows[count] / precision, 1.0 / precision

    @cached_property
    def products(self) -> Array:
        """K^-1 over the last rows of `rows`: what the sums over far stops need."""
        return np.vstack([self.inverse.T @ self.inverse, self.rows[len(self.values) :]])

    def at_nodes(self, near: Index, far: Array) -> Array:
        """Sum over far stops at the nodes of a tile, where that is smooth: rows for `combine_near`.

        With c = s + f of near and far stops, c' K^-1 c = s' K^-1 s + 2 s' K^-1 f + f' K^-1 f; the last two
        factors with f are smooth. `far` has a column for each node, and zeros for near stops.
        """
        sums = self.products @ far
        alone = np.einsum("ij,ij->j", far, sums[: len(far)])
        return np.vstack([alone, sums[len(far) :], 2.0 * sums[near]])

    def combine_near(self, near: Index, shared: Array, smooth: Array, drift: Array) -> tuple[Array, Array]:
        """Mean and variance at places (columns) from correlations of near stops (rows) and what `at_nodes` says."""
        count = len(self.values)
        last = len(smooth) - len(near)
        crossed = self.products[np.ix_(near, near)] @ shared
        crossed += smooth[last:]
        explained = smooth[0] + np.einsum("ij,ij->j", shared, crossed)
        return self._finish(explained, smooth[1:last] + self.products[count:, near] @ shared, drift)

    def combine(self, shared: Array, drift: Array) -> tuple[Array, Array]:
        """Mean and variance from correlations, stops (rows) by places (columns), and the drift (columns by places)."""
        count = len(self.values)
        explained = np.zeros(shared.shape[1])
        for start in range(0, count, BLOCK):  # L^-1 is triangular: a third of the product is zeros
            stop = min(start + BLOCK, count)
            part = self.rows[start:stop, :stop] @ shared[:stop]
            explained += np.einsum("ij,ij->j", part, part)
        return self._finish(explained, self.rows[count:] @ shared, drift)

    def _finish(self, explained: Array, tail: Array, drift: Array) -> tuple[Array, Array]:
        """Mean and variance from c' K^-1 c and the products of the last rows with c, correlations in c."""
        tail = self.sill * tail
        missing = self.spread @ drift - tail[1:]
        variance = self.sill - self.sill**2 * explained + np.einsum("ij,ij->j", missing, missing)
        return self.beta @ drift + tail[0], np.maximum(variance, 0.0)


def columns(drift: Array | None, count: int) -> Array:
    """Put the column of ones, for the mean, before the drift."""
    ones = np.ones((count, 1))
    return ones if drift is None else np.hstack([ones, drift])


def normal_matrix(whitened: Array, slope_precision: float) -> Array:
    """F' K^-1 F of the drift, with the prior of its slopes; `whitened` is L^-1 F."""
    normal: Array = whitened.T @ whitened
    normal[np.diag_indices_from(normal)] += np.where(np.arange(len(normal)) > 0, slope_precision, 0.0)
    return normal


def inverse_factor(covariance: Array) -> Array:
    """Inverse of the lower Cholesky factor.

    Raises
    ------
    InputError
        Two stops at one place without a nugget, or the like.
    """
    lower, failed = linalg.lapack.dpotrf(covariance, lower=1, clean=1)
    if failed:
        raise InputError("kriging: found a singular covariance; give a nugget, or pool stops at the same place")
    inverse: Array = linalg.lapack.dtrtri(lower, lower=1)[0]  # leaves the zeros above the diagonal
    return inverse


def krige(systems: Sequence[Kriging], places: Array, drift: Array | None = None) -> tuple[Array, Array]:
    """Predict with several systems over the same stops, sharing distances and correlations.

    Parameters
    ----------
    systems : sequence of k Kriging
    places : array of shape (m, 2) [m]
    drift : array of shape (m, q), optional

    Returns
    -------
    mean, variance : arrays of shape (k, m)
    """
    job = _Job(systems, places, columns(drift, len(places)).T)
    stops = len(systems[0].coordinates)
    with one_blas_thread():
        if min(stops - FEWEST_STOPS, len(places) - FEWEST_PLACES) < 0:
            in_chunks(job.all_directly, len(places))
        else:
            work = len(places) * stops * len(systems)
            on_threads(job.tile, list(tiles(places, stops)), threads=WORKERS if work >= LEAST_SHARED else 1)
    return job.mean, job.variance


class _Job:
    """Several systems at many places, some of them at a time."""

    def __init__(self, systems: Sequence[Kriging], places: Array, level: Array) -> None:
        self.places, self.level = places, level
        self.stops = systems[0].coordinates
        self.rows: dict[Shape, list[tuple[int, Kriging]]] = {}
        for row, system in enumerate(systems):
            self.rows.setdefault(system.shape, []).append((row, system))
        self.mean = np.empty((len(systems), len(places)))
        self.variance = np.empty_like(self.mean)

    def all_directly(self, part: slice) -> None:
        """Sum over all stops at every place, whatever the shape."""
        for shape in self.rows:
            self.directly(part, shape)

    def directly(self, part: slice | Index, shape: Shape) -> None:
        """Sum over all stops at every place: the plain way, and what tiles are held against."""
        shared = shape.correlations(self.places[part], self.stops)
        for row, system in self.rows[shape]:
            self.mean[row, part], self.variance[row, part] = system.combine(shared, self.level[:, part])

    def tile(self, tile: Tile) -> None:
        """Sum over near stops at every place, over far ones at the nodes of the tile."""
        places = self.places[tile.index]
        pieces = [(part, tile.lattice(places[part])) for part in tile.pieces(places, len(self.stops))]
        for shape, same in self.rows.items():
            compact = shape.kernel == "spherical"  # 0 beyond its range, and not smooth there
            reach = shape.range * math.sqrt(shape.ratio) if compact else tile.halo(shape.ratio)  # along the heading
            near = np.flatnonzero(tile.beyond(self.stops) < reach)
            crowded = len(tile.index) < FEWEST_PLACES or len(near) > MOST_NEAR * len(self.stops)
            far = shape.on_lattice(tile.nodes, self.stops) * (not compact)
            far[near] = 0.0
            sums = [] if crowded else [system.at_nodes(near, far) for _, system in same]
            for part, lattice in pieces:
                index = tile.index[part]
                if crowded or lattice is None:
                    self.directly(index, shape)
                    continue
                shared = shape.on_lattice(lattice, self.stops[near])
                for (row, system), at_nodes in zip(same, sums, strict=True):
                    told = system.combine_near(near, shared, lattice.carry(at_nodes), self.level[:, index])
                    self.mean[row, index], self.variance[row, index] = told


@cache
def _threads() -> ThreadpoolController:
    """Find the thread pools once: looking for them takes longer than many a fit."""
    return ThreadpoolController()


def one_blas_thread() -> AbstractContextManager[object]:
    """Keep BLAS to one thread: its threads and ours would wait for each other, and small matrices need none."""
    limited: AbstractContextManager[object] = _threads().limit(limits=1, user_api="blas")
    return limited


def in_chunks(work: Callable[[slice], Result], size: int) -> list[Result]:
    """Run `work` over slices of `size` places."""
    return on_threads(work, [slice(start, min(start + CHUNK, size)) for start in range(0, max(size, 1), CHUNK)])


def on_threads(work: Callable[[Part], Result], parts: Sequence[Part], *, threads: int = WORKERS) -> list[Result]:
    """Run `work` over parts on several threads: numpy frees the interpreter lock."""
    if min(len(parts), threads) == 1:
        return [work(part) for part in parts]
    with ThreadPoolExecutor(threads) as pool:
        return list(pool.map(work, parts))
