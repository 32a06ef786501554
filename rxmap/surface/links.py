"""From the latent scale, where distributions are normal, to the pressure and back."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from scipy.special import expit, logit, ndtr, roots_hermitenorm

from rxmap.records import Measure
from rxmap.surface.covariance import Array


def _hermite(count: int) -> tuple[Array, Array]:
    """Nodes and weights for the expectation under a standard normal (Abramowitz and Stegun 25.4.46)."""
    nodes, weights = roots_hermitenorm(count)
    return nodes, weights / weights.sum()


NODES, NODE_WEIGHTS = _hermite(15)


class Link(Protocol):
    """How the latent scale and the pressure belong together."""

    def pressure(self, latent: Array) -> Array:
        """Pressure of a latent value; never decreases."""

    def latent(self, pressure: float) -> float:
        """Latent value above which the pressure exceeds a value; infinite where always or never."""

    def moments(self, mean: Array, sd: Array) -> tuple[Array, Array]:
        """Mean of the pressure and of its square where the latent value is N(mean, sd^2)."""

    def absorb(self, mean: Array, variance: Array, micro: float) -> tuple[Array, Array]:
        """Average the pressure over scatter of variance `micro` around the latent value.

        Returns mean and variance on a latent scale on which the plain link applies again.
        """


@dataclass(frozen=True)
class Bounded:
    """The latent value is the pressure itself, limited to a range that the measure allows.

    Parameters
    ----------
    lower, upper : float
    typical : float, optional
        Mean over the stops of y (100 - y). Then the variance at a place goes with y (100 - y) there, as that of
        a share does: severe ground varies more (proportional effect; Isaaks and Srivastava 1989, chapter 4).
        Kriging alone, which knows one variance for the whole field, was too sure of its hot spots.
    """

    lower: float
    upper: float
    typical: float | None = None

    def pressure(self, latent: Array) -> Array:
        """Limit to the range."""
        return np.clip(latent, self.lower, self.upper)

    def latent(self, pressure: float) -> float:
        """Itself inside the range."""
        if pressure < self.lower:
            return -np.inf
        return np.inf if pressure >= self.upper else pressure

    def moments(self, mean: Array, sd: Array) -> tuple[Array, Array]:
        """Moments of a normal whose tails are moved to the limits (Johnson et al. 1994, section 13.10)."""
        low, high = (self.lower - mean) / sd, (self.upper - mean) / sd
        below, above = ndtr(low), ndtr(-high)
        inside = 1.0 - below - above
        edge_low, edge_high = _density(low), _density(high)
        first = mean * inside + sd * (edge_low - edge_high)
        spread = sd**2 * inside + mean * first
        top = self.upper if np.isfinite(self.upper) else 0.0  # without a limit nothing lies above it
        spread += sd * (self.lower * edge_low - top * edge_high)
        return first + self.lower * below + top * above, spread + self.lower**2 * below + top**2 * above

    def absorb(self, mean: Array, variance: Array, micro: float) -> tuple[Array, Array]:
        """Keep the mean, which symmetric scatter does not move; let the variance follow the level."""
        return mean, variance if self.typical is None else variance * share_variance(mean) / self.typical


@dataclass(frozen=True)
class Exponential:
    """Log link of a count; `scale` units of the pressure per unit looked at."""

    scale: float

    def pressure(self, latent: Array) -> Array:
        """Scale times exp, kept finite."""
        return self.scale * np.exp(np.minimum(latent, 300.0))

    def latent(self, pressure: float) -> float:
        """Logarithm; minus infinity for 0 and below."""
        return float(np.log(pressure / self.scale)) if pressure > 0.0 else -np.inf

    def moments(self, mean: Array, sd: Array) -> tuple[Array, Array]:
        """Moments of the log-normal distribution."""
        return self.pressure(mean + sd**2 / 2.0), self.scale * self.pressure(2.0 * (mean + sd**2))

    def absorb(self, mean: Array, variance: Array, micro: float) -> tuple[Array, Array]:
        """E exp(f + N(0, t2)) = exp(f + t2 / 2)."""
        return mean + micro / 2.0, variance


@dataclass(frozen=True)
class Logistic:
    """Logit link of an incidence; `scale` is 100 for percent."""

    scale: float

    def pressure(self, latent: Array) -> Array:
        """Scale times the logistic function."""
        odds_against = np.exp(np.minimum(-latent, 300.0))  # four times as fast as expit; kept finite
        share: Array = self.scale / (1.0 + odds_against)
        return share

    def latent(self, pressure: float) -> float:
        """Logit; infinite at the ends."""
        if pressure < 0.0:
            return -np.inf
        return float(logit(min(pressure / self.scale, 1.0)))

    def moments(self, mean: Array, sd: Array) -> tuple[Array, Array]:
        """Gauss-Hermite."""
        first, second = np.zeros_like(mean), np.zeros_like(mean)
        for node, weight in zip(NODES, NODE_WEIGHTS, strict=True):
            pressure = self.pressure(mean + sd * node)
            first += weight * pressure
            second += weight * pressure**2
        return first, second

    def absorb(self, mean: Array, variance: Array, micro: float) -> tuple[Array, Array]:
        """Average by Gauss-Hermite, then a straight line at the mean.

        On the logit scale the averaged curve is nearly straight: its slope lies between 1 and
        1 / sqrt(1 + 0.35 micro) (MacKay 1992, Neural Computation 4:720).
        """
        knots = np.arange(-30.0, 30.01, 0.05)
        averaged = logit(NODE_WEIGHTS @ expit(knots + np.sqrt(micro) * NODES[:, None]))
        slope = np.gradient(averaged, knots)
        return np.interp(mean, knots, averaged), variance * np.interp(mean, knots, slope) ** 2


def link_of(measure: Measure, per: float) -> Link:
    """Link of a measure; `per` is that of a count.

    Parameters
    ----------
    measure : {"count", "incidence", "severity", "rating"}
    per : float
    """
    if measure == "count":
        return Exponential(per)
    if measure == "incidence":
        return Logistic(100.0)
    return Bounded(0.0, 100.0 if measure == "severity" else np.inf)


def share_variance(percent: Array) -> Array:
    """Shape of the variance of a percentage, y (100 - y), kept off 0 by half a percent at either end."""
    inside = np.clip(percent, 0.5, 99.5)
    variance: Array = inside * (100.0 - inside)
    return variance


def _density(value: Array) -> Array:
    """Density of the standard normal distribution."""
    density: Array = np.exp(-0.5 * value**2) / np.sqrt(2.0 * np.pi)
    return density
