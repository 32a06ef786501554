"""Ordinary kriging with given covariance: the one linear predictor behind every surface."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import TypeVar

import numpy as np
from scipy import linalg

from rxmap.errors import InputError
from rxmap.surface.covariance import Array, Kernel, correlation, distances

Result = TypeVar("Result")

CHUNK = 1600  # places at a time: with 80 stops about 1 MB, which stays in the cache of one core
WORKERS = min(os.cpu_count() or 1, 4)  # the sums inside a chunk do not depend on it


@dataclass(frozen=True)
class OrdinaryKriging:
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
        Practical range; for "spherical" the range.
    sill : float
        Variance of the spatial part (partial sill).
    nugget : float or array of shape (n,)
        Variance of the noise, one for all stops or one for each.

    References
    ----------
    Chiles and Delfiner 2012, Geostatistics, 2nd ed., section 3.4 (ordinary kriging);
    Dubrule 1983, Mathematical Geology 15:687 (leave-one-out without refitting).

    Examples
    --------
    Two stops; halfway between them the mean is their average:

    >>> stops = np.array([[0.0, 0.0], [100.0, 0.0]])
    >>> kriging = OrdinaryKriging(stops, np.array([2.0, 6.0]), "exponential", 200.0, 1.0, 0.2)
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
    # Learned at construction; rows: L^-1, then (K^-1 (y - beta 1))', then (K^-1 1)'
    rows: Array = field(init=False, repr=False)
    beta: float = field(init=False)
    ones: float = field(init=False, repr=False)

    def __post_init__(self) -> None:
        covariance = self.sill * correlation(distances(self.coordinates, self.coordinates), self.kernel, self.range)
        covariance[np.diag_indices_from(covariance)] += self.nugget
        inverse = inverse_factor(covariance)
        u, z = inverse.sum(axis=1), inverse @ self.values
        ones = float(u @ u)
        beta = float(u @ z) / ones
        rows = np.vstack([inverse, (z - beta * u) @ inverse, u @ inverse])
        for name, value in (("rows", rows), ("beta", beta), ("ones", ones)):
            object.__setattr__(self, name, value)

    def predict(self, places: Array) -> tuple[Array, Array]:
        """Mean and variance of the pressure at places.

        Parameters
        ----------
        places : array of shape (m, 2) [m]

        Returns
        -------
        mean, variance : arrays of shape (m,)
        """
        mean, variance = krige([self], places)
        return mean[0], variance[0]

    def leave_one_out(self) -> tuple[Array, Array]:
        """Prediction of each stop from all others, and the variance of a new observation there.

        Returns
        -------
        prediction, variance : arrays of shape (n,)
        """
        inverse, weights = self.rows[:-2], self.rows[-2]
        precision = (inverse**2).sum(axis=0) - self.rows[-1] ** 2 / self.ones
        return self.values - weights / precision, 1.0 / precision

    def combine(self, cross: Array) -> tuple[Array, Array]:
        """Mean and variance from the covariances between stops (rows) and places (columns)."""
        product = self.rows @ cross
        kriged, drift = product[-2], product[-1]
        explained = np.einsum("ij,ij->j", product[:-2], product[:-2])
        return self.beta + kriged, np.maximum(self.sill - explained + (1.0 - drift) ** 2 / self.ones, 0.0)


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


def krige(systems: Sequence[OrdinaryKriging], places: Array) -> tuple[Array, Array]:
    """Predict with several systems over the same stops, sharing distances and correlations.

    Parameters
    ----------
    systems : sequence of k OrdinaryKriging
    places : array of shape (m, 2) [m]

    Returns
    -------
    mean, variance : arrays of shape (k, m)
    """
    mean = np.empty((len(systems), len(places)))
    variance = np.empty_like(mean)
    shapes = sorted({(system.kernel, system.range) for system in systems})

    def one_chunk(part: slice) -> None:
        distance = distances(places[part], systems[0].coordinates)
        for shape in shapes:
            shared = correlation(distance, *shape)
            for row, system in enumerate(systems):
                if (system.kernel, system.range) == shape:
                    mean[row, part], variance[row, part] = system.combine(system.sill * shared)

    in_chunks(one_chunk, len(places))
    return mean, variance


def in_chunks(work: Callable[[slice], Result], size: int) -> list[Result]:
    """Run `work` over slices of `size` places, on several threads: numpy frees the interpreter lock."""
    parts = [slice(start, min(start + CHUNK, size)) for start in range(0, max(size, 1), CHUNK)]
    if len(parts) == 1:
        return [work(parts[0])]
    with ThreadPoolExecutor(WORKERS) as pool:
        return list(pool.map(work, parts))
