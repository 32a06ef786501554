"""The predictive distribution of the pressure at places."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from rxmap.surface.covariance import Array
from rxmap.surface.kriging import in_chunks
from rxmap.surface.links import NODE_WEIGHTS, NODES, Link

SOLVE_ROUNDS = 4  # of Newton for a quantile, at most; a test holds them to 1e-6 of the sd
SMALL_STEP = 3e-3  # of the smallest sd: the next step of Newton would be a millionth


@dataclass(frozen=True)
class Predictive:
    """Distribution of the pressure itself at m places, not of a new observation there.

    On the latent scale it is a mixture of k normal distributions, one for each set of
    hyperparameters that was kept.

    Parameters
    ----------
    weights : array of shape (k,)
    centre, spread : arrays of shape (k, m)
        Mean and standard deviation of each part on the latent scale.
    link : Link
        From the latent scale to the pressure.
    everywhere : int, optional
        Number of places that share the one distribution given, to the last bit; then m is 1 above.

    Examples
    --------
    >>> from rxmap.surface.links import Exponential
    >>> at_two = Predictive(np.ones(1), np.array([[0.0, 1.0]]), np.array([[0.5, 0.5]]), Exponential(1.0))
    >>> at_two.quantile(0.5).round(3), at_two.mean.round(3), at_two.p_over(1.0).round(3)
    (array([1.   , 2.718]), array([1.133, 3.08 ]), array([0.5  , 0.977]))
    """

    weights: Array
    centre: Array
    spread: Array
    link: Link
    everywhere: int | None = None

    def __len__(self) -> int:
        return self._columns if self.everywhere is None else self.everywhere

    @property
    def _columns(self) -> int:
        return int(self.centre.shape[1])

    def _at_places(self, work: Callable[[slice], Array]) -> Array:
        """Values of `work`, done in chunks, at every place (last axis)."""
        values: Array = np.concatenate(in_chunks(work, self._columns), axis=-1)
        return values if self.everywhere is None else np.repeat(values, self.everywhere, axis=-1)

    @cached_property
    def _moments(self) -> Array:
        """Mean of the pressure and of its square, shape (2, m)."""

        def one_chunk(part: slice) -> Array:
            first, second = self.link.moments(self.centre[:, part], self.spread[:, part])
            both: Array = np.stack([self.weights @ first, self.weights @ second])
            return both

        return self._at_places(one_chunk)

    @property
    def mean(self) -> Array:
        """Expected pressure, shape (m,)."""
        first: Array = self._moments[0]
        return first

    @cached_property
    def sd(self) -> Array:
        """Standard deviation of the pressure, shape (m,)."""
        spread: Array = np.sqrt(np.maximum(self._moments[1] - self._moments[0] ** 2, 0.0))
        return spread

    def p_over(self, threshold: float) -> Array:
        """Probability that the pressure exceeds a threshold.

        Parameters
        ----------
        threshold : float

        Returns
        -------
        array of shape (m,)
        """
        latent = self.link.latent(threshold)

        def one_chunk(part: slice) -> Array:
            share = self.weights @ ndtr((self.centre[:, part] - latent) / self.spread[:, part])
            chance: Array = np.minimum(share, 1.0)  # the weights add up to 1 but for rounding
            return chance

        return self._at_places(one_chunk)

    def quantile(self, p: float) -> Array:
        """Pressure that is not exceeded with probability p.

        Parameters
        ----------
        p : float
            Between 0 and 1, both excluded.

        Returns
        -------
        array of shape (m,)
        """
        return self._at_places(lambda part: self.link.pressure(self._latent_quantile(p, part)))

    def _latent_quantile(self, p: float, part: slice) -> Array:
        """Newton on the probit of the distribution function, which is nearly straight; kept in a bracket."""
        centre, spread = self.centre[:, part], self.spread[:, part]
        score = ndtri(p)
        each = centre + score * spread
        low, high = each.min(axis=0), each.max(axis=0)
        mean = self.weights @ centre
        latent = np.clip(mean + score * np.sqrt(self.weights @ (spread**2 + (centre - mean) ** 2)), low, high)
        for _ in range(SOLVE_ROUNDS):
            scaled = (latent - centre) / spread
            below = ndtri(np.clip(self.weights @ ndtr(scaled), 1e-12, 1.0 - 1e-12))
            # The normal constants cancel between the mixture's density and the probit's
            density = self.weights @ (np.exp(-0.5 * scaled**2) / spread)
            step = (below - score) * np.exp(-0.5 * below**2) / np.maximum(density, 1e-300)
            latent = np.clip(latent - step, low, high)
            if np.abs(step).max() < SMALL_STEP * spread.min():
                break
        solved: Array = latent
        return solved

    def expect(self, function: Callable[[Array], Array]) -> Array:
        """Average a function of the pressure over its distribution.

        Parameters
        ----------
        function : callable
            Takes an array of pressures of any shape and works on each element by itself.

        Returns
        -------
        array of shape (m,)
        """

        def one_chunk(part: slice) -> Array:
            total = np.zeros(self.centre[0, part].shape)
            for weight, centre, spread in zip(self.weights, self.centre, self.spread, strict=True):
                nodes = centre[part] + NODES[:, None] * spread[part]
                total += weight * (NODE_WEIGHTS @ function(self.link.pressure(nodes)))
            return total

        return self._at_places(one_chunk)


@dataclass(frozen=True)
class Blended:
    """Two predictive distributions, each at its own places.

    Parameters
    ----------
    known : array of bool, shape (m,)
        Places of the first.
    inside, outside : Predictive
        At the places marked, and at the others.
    """

    known: NDArray[np.bool_]
    inside: Predictive
    outside: Predictive

    def __len__(self) -> int:
        return len(self.known)

    def _join(self, told: Callable[[Predictive], Array]) -> Array:
        values = np.empty(len(self))
        values[self.known], values[~self.known] = told(self.inside), told(self.outside)
        return values

    @property
    def mean(self) -> Array:
        """Expected pressure, shape (m,)."""
        return self._join(lambda part: part.mean)

    @property
    def sd(self) -> Array:
        """Standard deviation of the pressure, shape (m,)."""
        return self._join(lambda part: part.sd)

    def p_over(self, threshold: float) -> Array:
        """Probability that the pressure exceeds a threshold, shape (m,)."""
        return self._join(lambda part: part.p_over(threshold))

    def quantile(self, p: float) -> Array:
        """Pressure that is not exceeded with probability p, shape (m,)."""
        return self._join(lambda part: part.quantile(p))

    def expect(self, function: Callable[[Array], Array]) -> Array:
        """Average a function of the pressure over its distribution, shape (m,)."""
        return self._join(lambda part: part.expect(function))
