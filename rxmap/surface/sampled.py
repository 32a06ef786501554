"""Counts and incidence: the hyperparameter grid of the latent Gaussian process."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np

from rxmap.surface.covariance import Array, Kernel
from rxmap.surface.design import Design
from rxmap.surface.ensemble import RANGES, GridPoint, explore, log_normal
from rxmap.surface.kriging import Kriging
from rxmap.surface.variational import Posterior, Sample, approximate

SILLS = (0.08, 0.25, 0.6, 1.3, 2.8)  # variance of the spatial part, latent scale
SCATTERS = (0.001, 0.1, 0.35, 1.2)  # variance of stop-to-stop scatter beyond the sampling law
RANGE_SPREAD = 0.8
SILL_CENTRE, SILL_SPREAD = 0.6, 1.0
SCATTER_CENTRE, SCATTER_SPREAD, SCATTER_SHIFT = 0.1, 1.2, 0.02
AXES = (RANGES, SILLS, SCATTERS)
JITTER = 1e-8  # on the diagonal, latent scale
# Of a standardised layer, latent scale: a slope of 2.5 is a factor of 12 in the count, or of the odds, for one
# standard deviation (Gelman et al. 2008, Annals of Applied Statistics 2:1360, the scale of their prior)
SLOPE_PRECISION = 1.0 / 2.5**2


def scatter_prior(scatter: float) -> float:
    """Log prior of the scatter; the shift lets it come close to 0."""
    return log_normal(scatter + SCATTER_SHIFT, SCATTER_CENTRE, SCATTER_SPREAD)


def sampled_grid(
    design: Design, sample: Sample, *, kernel: Kernel, grid: Sequence[tuple[float, ...]] | None = None
) -> list[GridPoint]:
    """Fit the points of a hyperparameter grid, each started from the solution before.

    Parameters
    ----------
    design : Design
    sample : Sample
    kernel : {"exponential", "matern32"}
    grid : sequence of (range / centre, sill, scatter), optional
        By default those of the whole grid that matter.

    Returns
    -------
    list of GridPoint
    """
    fit = _Fit(design, sample, kernel)
    return explore(AXES, fit) if grid is None else [fit(parameters) for parameters in grid]


class _Fit:
    """The model at one point of the grid after the other, each started from the solution before."""

    def __init__(self, design: Design, sample: Sample, kernel: Kernel) -> None:
        self.design, self.sample, self.kernel = design, sample, kernel
        self.start = (sample.latent, np.full(len(sample.total), 0.2))
        self.sloping = design.drift @ design.drift.T / SLOPE_PRECISION
        self.alike = cache(lambda factor: design.correlations(kernel, factor * design.centre))
        self.misplaced = cache(lambda factor: design.misplaced(kernel, factor * design.centre))

    def __call__(self, parameters: tuple[float, ...]) -> GridPoint:
        factor, sill, scatter = parameters
        spread = scatter + sill * self.misplaced(factor) + JITTER
        covariance = sill * self.alike(factor) + self.sloping
        covariance[np.diag_indices_from(covariance)] += spread
        posterior = approximate(self.sample, covariance, self.start)
        self.start = (posterior.mean, posterior.variance)
        system = Kriging(
            self.design.coordinates,
            posterior.values,
            self.kernel,
            factor * self.design.centre,
            sill,
            posterior.noise + spread,
            self.design.drift,
            SLOPE_PRECISION,
            self.design.ratio,
            self.design.heading,
        )
        prior = log_normal(factor, 1.0, RANGE_SPREAD) + log_normal(sill, SILL_CENTRE, SILL_SPREAD)
        log_weight = posterior.evidence + prior + scatter_prior(scatter)
        return GridPoint(parameters, system, log_weight, scatter, *_left_out(system, posterior, self.sample))


def _left_out(system: Kriging, posterior: Posterior, sample: Sample) -> tuple[Array, Array, Array]:
    """Latent values left out: the cavity of the normal approximation.

    Taking a stop's own Gaussian observation out of the joint normal posterior leaves ordinary kriging
    without that stop, less the observation's noise (Opper and Winther 2000, Neural Computation
    12:2655; Vehtari et al. 2016, JMLR 17:103, section 3).
    """
    mean, variance = system.leave_one_out()
    variance = np.maximum(variance - posterior.noise, 1e-10)
    return mean, variance, sample.log_probability(mean, variance)
