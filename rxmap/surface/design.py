"""Where the stops lie: distances, layers that may explain the pressure, and the error of their positions."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from rxmap.surface.covariance import Array, Kernel, Shape, mean_nearby


@dataclass(frozen=True)
class Design:
    """Stops at n places.

    Parameters
    ----------
    coordinates : array of shape (n, 2) [m]
    centre : float [m]
        Prior centre of the practical range.
    gps_error : float [m]
        Standard deviation of each coordinate of a stop around the place where somebody looked.
    drift : array of shape (n, q)
        Standardised layers at the stops, on which the pressure depends linearly on the latent scale.
    ratio, heading : float, default 1 and 0 [1, degrees clockwise from north]
        How many times farther the pressure is alike along the heading than across it.
    """

    coordinates: Array
    centre: float
    gps_error: float = 0.0
    drift: Array = field(default_factory=lambda: np.empty((0, 0)))
    ratio: float = 1.0
    heading: float = 0.0

    def __post_init__(self) -> None:
        if not self.drift.size:
            object.__setattr__(self, "drift", np.empty((len(self.coordinates), 0)))

    def with_drift(self, drift: Array, stops: NDArray[np.bool_]) -> Design:
        """Take the stops that `stops` marks, with layers."""
        return replace(self, coordinates=self.coordinates[stops], drift=drift[stops])

    def correlations(self, kernel: Kernel, range: float) -> Array:
        """Correlation between the stops, shape (n, n)."""
        shape = Shape(kernel, range, self.ratio, self.heading)
        return shape.correlations(self.coordinates, self.coordinates)

    def misplaced(self, kernel: Kernel, range: float) -> float:
        """Noise, in units of the sill, of having looked beside the place that is written down.

        To first order a stop at x + d tells of the place x like one at x with the noise sill x (1 - E R(|d|)).
        From memory: Cressie and Kornak 2003, Statistical Science 18:436 (kriging with location error), who
        also smooth the covariances between stops; that changes little where stops are far apart for the error.

        Examples
        --------
        >>> round(Design(np.zeros((1, 2)), 100.0, gps_error=5.0).misplaced("exponential", 150.0), 3)
        0.116
        """
        return 1.0 - mean_nearby(kernel, range, self.gps_error) if self.gps_error > 0.0 else 0.0
