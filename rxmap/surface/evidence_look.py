"""What one more look at a stop would find, told from the other stops: sampling noise included."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import bdtr, expit, ndtr, pdtr

from rxmap.surface.covariance import Array
from rxmap.surface.ensemble import Ensemble
from rxmap.surface.links import NODE_WEIGHTS, NODES, Bounded, Link
from rxmap.surface.places import Places
from rxmap.surface.uniform import Level
from rxmap.surface.variational import LARGEST_EXPONENT

LOW, HIGH = 0.05, 0.95  # the interval that nine looks of ten should fall into
WHOLE = 1e-9  # a threshold that many whole animals just reach is not exceeded by them


@dataclass(frozen=True)
class NextLook:
    """Distribution of one more look at each of n stops, with as many units.

    Parameters
    ----------
    places : Places
        Where it is, how many units are looked at, and what was found.
    weights, mean, spread : arrays of shape (k, n)
        Mixture of normals on the latent scale, scatter from stop to stop included; where no sampling law is followed
        the noise of the look too.
    link : Link
    """

    places: Places
    weights: Array
    mean: Array
    spread: Array
    link: Link

    @property
    def counted(self) -> bool:
        """Whether noise follows the sampling law of the measure; otherwise a look is normal around the pressure."""
        return self.places.sampled and not isinstance(self.link, Bounded)

    def p_over(self, threshold: float) -> Array:
        """Chance that a look finds a pressure above the threshold, shape (n,)."""
        over: Array = 1.0 - (
            self._at_most(threshold / self._per_unit())
            if self.counted
            else self._normal(np.full(len(self.places), threshold))
        )
        return over

    def around(self) -> tuple[Array, Array]:
        """Chance of less than what was found, and of no more than it: two arrays of shape (n,)."""
        if self.counted:
            return self._at_most(self.places.total - 1.0), self._at_most(self.places.total)
        half = 0.5 * self._per_unit() if self.places.sampled else 0.0  # whole numbers are found, not pressures between
        lowest, highest = (self.link.lower, self.link.upper) if isinstance(self.link, Bounded) else (-np.inf, np.inf)
        found = self.places.pressure
        low = np.where(found <= lowest, 0.0, self._normal(found - half))
        return low, np.where(found >= highest, 1.0, self._normal(found + half))

    def inside(self) -> Array:
        """Share of what was found that lies inside the 90 % interval, shape (n,).

        A whole number that lies across an end of the interval counts with the share of its probability that is
        inside, so that a true distribution gives 90 % on average (Czado et al. 2009, Biometrics 65:1254, the
        randomised probability integral transform).
        """
        low, high = self.around()
        held, width = np.minimum(high, HIGH) - np.maximum(low, LOW), high - low
        point = (low >= LOW) & (high <= HIGH)
        share: Array = np.where(width > 1e-12, np.clip(held, 0.0, None) / np.maximum(width, 1e-12), point)
        return share

    def _per_unit(self) -> Array:
        """Pressure of one counted or positive at each stop."""
        per = self.places.per if self.places.measure == "count" else 100.0
        pressure: Array = per / self.places.units
        return pressure

    def _at_most(self, total: Array) -> Array:
        """Chance of no more than a count or number of positives."""
        points = self.mean[:, None] + self.spread[:, None] * NODES[:, None]  # (k, nodes, n)
        whole, units = np.floor(total + WHOLE), self.places.units
        counted = np.maximum(whole, 0.0)
        if self.places.measure == "count":
            chance = pdtr(counted, units * np.exp(np.minimum(points, LARGEST_EXPONENT)))
        else:
            chance = bdtr(np.minimum(counted, units), units.astype(int), expit(points))
        told: Array = np.einsum("kn,j,kjn->n", self.weights, NODE_WEIGHTS, chance)
        return np.where(whole < 0.0, 0.0, np.minimum(told, 1.0))

    def _normal(self, pressure: Array) -> Array:
        """Chance of no more than a pressure, for a look that is normal around it."""
        told: Array = np.einsum("kn,kn->n", self.weights, ndtr((pressure - self.mean) / self.spread))
        return np.minimum(told, 1.0)


def next_look(
    places: Places, ensemble: Ensemble | None, rows: NDArray[np.intp], *, level: Level, link: Link
) -> NextLook:
    """Tell one more look at places from the stops beside each.

    Parameters
    ----------
    places : Places
        The n places to tell of.
    ensemble : Ensemble or None
        The spatial model that speaks of them; None for the level of the field, which one stop moves little.
    rows : array of int, shape (n,)
        Where the places stand among the stops of the ensemble.
    level : Level
    link : Link
    """
    if ensemble is None:
        spread = np.sqrt(level.centre_variance + level.place_variance)
        weights, mean, wide = (
            np.repeat(values[:, None], len(places), axis=1) for values in (level.weights, level.centre, spread)
        )
        return NextLook(places, weights, mean, wide, link)
    logs = np.log(ensemble.weights)[:, None] - np.array([point.left_log_density[rows] for point in ensemble.points])
    weights = np.exp(logs - logs.max(axis=0))
    mean = np.array([point.left_mean[rows] for point in ensemble.points])
    variance = np.array([point.left_variance[rows] for point in ensemble.points])
    if isinstance(link, Bounded):  # a severity varies as its level
        variance = np.array([link.absorb(one, wide, 0.0)[1] for one, wide in zip(mean, variance, strict=True)])
    return NextLook(places, weights / weights.sum(axis=0), mean, np.sqrt(np.maximum(variance, 1e-12)), link)
