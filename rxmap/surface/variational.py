"""Counts and incidence: a Gaussian process seen through Poisson or binomial sampling.

The posterior of the latent values at the stops is approximated by the closest normal distribution
(Gaussian variational approximation; Opper and Archambeau 2009, Neural Computation 21:786; Nickisch
and Rasmussen 2008, JMLR 9:2035). A Laplace approximation would read the level too high, because it
pushes the mode of a skewed posterior through the link.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from scipy.special import expit, gammaln

from rxmap.surface.covariance import Array
from rxmap.surface.kriging import inverse_factor
from rxmap.surface.links import NODE_WEIGHTS, NODES

MOST_ROUNDS = 25
FULL_STEPS = 8  # rounds of full steps before the step is halved, against swinging
CONVERGED = 1e-4  # largest change on the latent scale
LARGEST_MOVE = 2.0  # latent units in one round
INTERCEPT_VARIANCE = 1e4  # flat for all that data can say, small against 1 / machine precision
PEAK_ROUNDS = 6  # of Newton towards the peak of an integrand; a test holds the integral to 1e-4
LARGEST_EXPONENT = 30.0  # exp of it is beyond any count


@dataclass(frozen=True)
class Sample:
    """What was seen at the stops.

    Parameters
    ----------
    law : {"poisson", "binomial"}
        Count total over the units, or positives among them.
    total, units : arrays of shape (n,)
    """

    law: Literal["poisson", "binomial"]
    total: Array
    units: Array

    @property
    def level(self) -> float:
        """Pooled level on the latent scale; the half keeps it finite."""
        total, units = float(self.total.sum()), float(self.units.sum())
        if self.law == "poisson":
            return float(np.log((total + 0.5) / units))
        return float(np.log((total + 0.5) / (units - total + 0.5)))

    @property
    def latent(self) -> Array:
        """Each stop's own level on the latent scale, kept finite: where the iteration starts."""
        spare = self.units if self.law == "poisson" else self.units - self.total + 0.5
        own: Array = np.log((self.total + 0.5) / spare)
        return own

    def expectations(self, mean: Array, variance: Array) -> tuple[Array, Array, Array]:
        """Average log-likelihood, its slope and minus its curvature where latent is N(mean, variance)."""
        if self.law == "poisson":
            expected = self.units * np.exp(np.minimum(mean + variance / 2.0, LARGEST_EXPONENT))
            return self.total * mean - expected, self.total - expected, expected
        points = mean + np.sqrt(variance) * NODES[:, None]
        share = expit(points)
        slope = self.total - self.units * (NODE_WEIGHTS @ share)
        curvature = self.units * (NODE_WEIGHTS @ (share * (1.0 - share)))
        return self.total * mean - self.units * (NODE_WEIGHTS @ np.logaddexp(0.0, points)), slope, curvature

    def log_probability(self, mean: Array, variance: Array) -> Array:
        """Log probability of each stop's total where latent is N(mean, variance).

        The nodes lie around the peak of the integrand: the law of a large total is much narrower than the normal
        (adaptive Gauss-Hermite; Liu and Pierce 1994, Biometrika 81:624).
        """
        curvature = self._slopes(self.latent)[1]
        peak = (mean / variance + curvature * self.latent) / (1.0 / variance + curvature)
        for _ in range(PEAK_ROUNDS):
            slope, curvature = self._slopes(peak)
            step = (slope - (peak - mean) / variance) / (curvature + 1.0 / variance)
            peak = peak + np.clip(step, -LARGEST_MOVE, LARGEST_MOVE)
        width = 1.0 / np.sqrt(self._slopes(peak)[1] + 1.0 / variance)
        points = peak + width * NODES[:, None]
        if self.law == "poisson":
            logs = self.total * points - self.units * np.exp(np.minimum(points, LARGEST_EXPONENT))
        else:
            logs = self.total * points - self.units * np.logaddexp(0.0, points)
        logs += 0.5 * (NODES[:, None] ** 2 - (points - mean) ** 2 / variance)
        most = logs.max(axis=0)
        whole: Array = np.log(NODE_WEIGHTS @ np.exp(logs - most)) + most + self._ways
        return whole + np.log(width) - 0.5 * np.log(variance)

    def _slopes(self, latent: Array) -> tuple[Array, Array]:
        """Slope of the log-likelihood at a latent value, and minus its curvature."""
        if self.law == "poisson":
            expected = self.units * np.exp(np.minimum(latent, LARGEST_EXPONENT))
            return self.total - expected, expected
        share = expit(latent)
        return self.total - self.units * share, self.units * share * (1.0 - share)

    @cached_property
    def _ways(self) -> Array:
        """Logarithm of what the laws multiply by, whatever the latent value."""
        ways: Array = -gammaln(self.total + 1.0)
        if self.law == "poisson":
            return ways + self.total * np.log(self.units)
        ways += gammaln(self.units + 1.0) - gammaln(self.units - self.total + 1.0)
        return ways


@dataclass(frozen=True)
class Posterior:
    """Normal posterior of the latent values at the stops, as noisy values that kriging can take.

    Parameters
    ----------
    mean, variance : arrays of shape (n,)
        Of the latent value at each stop, scatter included.
    values, noise : arrays of shape (n,)
        Gaussian observations that carry the same information: variance 1 / w.
    evidence : float
        Lower bound of the log marginal likelihood, up to a constant.
    """

    mean: Array
    variance: Array
    values: Array
    noise: Array
    evidence: float


def approximate(sample: Sample, covariance: Array, start: tuple[Array, Array]) -> Posterior:
    """Fit the normal posterior for one set of hyperparameters.

    Parameters
    ----------
    sample : Sample
    covariance : array of shape (n, n)
        Of the latent values at the stops, scatter between stops included, intercept not.
    start : pair of arrays of shape (n,)
        Mean and variance to start from.

    Returns
    -------
    Posterior
    """
    level = sample.level
    prior = covariance + INTERCEPT_VARIANCE
    mean, variance = start[0] - level, start[1]
    for turn in range(MOST_ROUNDS):
        _, slope, weight = sample.expectations(level + mean, variance)
        weight = np.maximum(weight, 1e-10)
        root = np.sqrt(weight)
        inverse = inverse_factor(np.eye(len(root)) + root[:, None] * prior * root)
        drive = weight * mean + slope
        whitened = inverse * root  # L^-1 W^1/2
        new_mean = prior @ (drive - whitened.T @ (whitened @ (prior @ drive)))
        new_variance = np.maximum(np.diag(prior) - ((whitened @ prior) ** 2).sum(axis=0), 1e-10)
        change = max(np.abs(new_mean - mean).max(), np.abs(new_variance - variance).max())
        step = 1.0 if turn < FULL_STEPS else 0.5
        mean = mean + step * np.clip(new_mean - mean, -LARGEST_MOVE, LARGEST_MOVE)
        variance = variance + step * (new_variance - variance)
        if change < CONVERGED:
            break
    return _posterior(sample, prior, mean, variance)


def _posterior(sample: Sample, prior: Array, mean: Array, variance: Array) -> Posterior:
    """Noisy values and evidence at the fixed point."""
    level = sample.level
    likelihood, slope, weight = sample.expectations(level + mean, variance)
    weight = np.maximum(weight, 1e-10)
    root = np.sqrt(weight)
    inverse = inverse_factor(np.eye(len(root)) + root[:, None] * prior * root)
    # The fixed point has mean = K slope, hence mean' K^-1 mean = mean' slope
    penalty = (inverse**2).sum() + mean @ slope - len(mean)
    evidence = likelihood.sum() - 0.5 * penalty + np.log(np.diag(inverse)).sum()
    return Posterior(level + mean, variance, level + mean + slope / weight, 1.0 / weight, float(evidence))
