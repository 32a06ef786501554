"""Correlation of the pressure at two places, as a function of the distance between them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Kernel = Literal["exponential", "matern32", "spherical"]


class Lattice(Protocol):
    """Places on the crossings of rows and columns."""

    @property
    def places(self) -> Array:
        """Easting and northing, shape (m, 2) [m]."""

    def distances(self, stops: Array) -> Array:
        """Distance from every stop to every place, shape (n, m) [m]."""


# Practical range: where the correlation has fallen to 0.05 (Chiles and Delfiner 2012, section 2.5.1).
EXPONENTIAL_DECAY = 3.0  # exp(-3) = 0.0498, the customary rounding
MATERN32_DECAY = 4.743864518  # root of (1 + x) exp(-x) = 0.05

ERROR_STEPS = 400  # equal shares of the law of a position error; a test holds the mean to 1e-4


def distances(places: Array, stops: Array) -> Array:
    """Distance from every stop to every place.

    Parameters
    ----------
    places : array of shape (m, 2) [m]
        Easting and northing.
    stops : array of shape (n, 2) [m]
        Easting and northing.

    Returns
    -------
    array of shape (n, m) [m]

    Examples
    --------
    >>> distances(np.array([[3.0, 4.0]]), np.array([[0.0, 0.0]]))
    array([[5.]])
    """
    squared = (stops[:, :1] - places[:, 0]) ** 2
    squared += (stops[:, 1:] - places[:, 1]) ** 2
    return np.sqrt(squared, out=squared)


def correlation(distance: Array, kernel: Kernel, range: float, out: Array | None = None) -> Array:
    """Correlation at a distance.

    Parameters
    ----------
    distance : array [m]
    kernel : {"exponential", "matern32", "spherical"}
    range : float [m]
        Practical range (correlation 0.05); for "spherical" the range itself, where it becomes 0.
    out : array, optional
        Of the shape of `distance`, which it may be: room to work in.

    Returns
    -------
    array of the shape of `distance`

    References
    ----------
    Chiles and Delfiner 2012, Geostatistics, 2nd ed., section 2.5.1.

    Examples
    --------
    >>> correlation(np.array([0.0, 100.0, 200.0]), "exponential", 200.0).round(3)
    array([1.   , 0.223, 0.05 ])
    """
    if kernel == "spherical":
        scaled = np.minimum(distance / range, 1.0)
        return 1.0 - 1.5 * scaled + 0.5 * scaled**3
    if kernel == "matern32":
        scaled = np.multiply(distance, MATERN32_DECAY / range, out=out)
        falling = np.exp(-scaled)
        falling *= np.add(scaled, 1.0, out=scaled)
        return falling
    scaled = np.multiply(distance, -EXPONENTIAL_DECAY / range, out=out)
    return np.exp(scaled, out=scaled)


@dataclass(frozen=True)
class Shape:
    """Correlation between two places.

    Parameters
    ----------
    kernel : {"exponential", "matern32", "spherical"}
    range : float [m]
        See `correlation`; with a ratio, that of the circle of equal area.
    ratio, heading : float, default 1 and 0 [1, degrees clockwise from north]
        How many times farther places are alike along the heading than across it (geometric anisotropy;
        Chiles and Delfiner 2012, section 2.5.2).

    Examples
    --------
    Along rows that run north, and across:

    >>> shape = Shape("exponential", 200.0, ratio=4.0)
    >>> shape.correlations(np.array([[0.0, 200.0], [50.0, 0.0]]), np.zeros((1, 2))).round(3)
    array([[0.223, 0.223]])
    """

    kernel: Kernel
    range: float
    ratio: float = 1.0
    heading: float = 0.0

    def correlations(self, places: Array, stops: Array) -> Array:
        """Correlation of every stop with every place, shape (n, m)."""
        if self.ratio != 1.0:
            turn = np.deg2rad(self.heading)
            along, across = (np.sin(turn), np.cos(turn)), (np.cos(turn), -np.sin(turn))
            scales = np.sqrt([1.0 / self.ratio, self.ratio])
            frame = np.column_stack([along, across]) * scales
            places, stops = places @ frame, stops @ frame
        apart = distances(places, stops)
        return correlation(apart, self.kernel, self.range, out=apart)

    def on_lattice(self, lattice: Lattice, stops: Array) -> Array:
        """Correlation of every stop with every place of a lattice, shape (n, m): the same, with fewer sums."""
        if self.ratio != 1.0:
            return self.correlations(lattice.places, stops)
        apart = lattice.distances(stops)
        return correlation(apart, self.kernel, self.range, out=apart)


def mean_nearby(kernel: Kernel, range: float, error: float) -> float:
    """Mean correlation between a place and where a receiver puts it.

    Parameters
    ----------
    kernel : {"exponential", "matern32", "spherical"}
    range : float [m]
    error : float [m]
        Standard deviation of easting and of northing: the distance follows a Rayleigh law.

    Examples
    --------
    >>> round(mean_nearby("exponential", 300.0, 5.0), 3)
    0.94
    """
    share = (np.arange(ERROR_STEPS) + 0.5) / ERROR_STEPS
    return float(correlation(error * np.sqrt(-2.0 * np.log(share)), kernel, range).mean())
