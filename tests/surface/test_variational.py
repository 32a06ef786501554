"""The normal approximation of counts and incidence, and what is left out of it."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats

from rxmap.surface.covariance import correlation, distances
from rxmap.surface.design import Design
from rxmap.surface.kriging import Kriging
from rxmap.surface.sampled import sampled_grid
from rxmap.surface.variational import INTERCEPT_VARIANCE, Posterior, Sample, approximate

LAWS = ("poisson", "binomial")


def walk(law: str, count: int = 30) -> tuple[np.ndarray, Sample]:
    """Invented stops over a smooth field."""
    random = np.random.default_rng(8)
    stops = random.uniform(0.0, 800.0, (count, 2))
    latent = np.sin(stops[:, 0] / 130.0) - 1.0
    units = np.full(count, 20.0)
    if law == "poisson":
        return stops, Sample("poisson", random.poisson(20.0 * np.exp(latent)).astype(float), units)
    return stops, Sample("binomial", random.binomial(20, 1.0 / (1.0 + np.exp(-latent))).astype(float), units)


def fit(stops: np.ndarray, sample: Sample, *, scatter: float = 0.1) -> tuple[Posterior, Kriging]:
    covariance = 0.8 * correlation(distances(stops, stops), "exponential", 300.0) + scatter * np.eye(len(stops))
    posterior = approximate(sample, covariance, (sample.latent, np.full(len(stops), 0.2)))
    return posterior, Kriging(stops, posterior.values, "exponential", 300.0, 0.8, posterior.noise + scatter)


@pytest.mark.parametrize(
    ("law", "total"), [("poisson", 3.0), ("poisson", 400.0), ("binomial", 4.0), ("binomial", 15.0)]
)
def test_one_stop_has_the_posterior_of_numerical_integration(law: str, total: float) -> None:
    # Outside check: adaptive quadrature (scipy.integrate) of prior times likelihood (scipy.stats)
    sample = Sample(law, np.array([total]), np.array([20.0]))
    prior = stats.norm(sample.level, np.sqrt(0.5 + INTERCEPT_VARIANCE))

    def density(latent: float) -> float:
        if law == "poisson":
            return prior.pdf(latent) * stats.poisson.pmf(total, 20.0 * np.exp(latent))
        return prior.pdf(latent) * stats.binom.pmf(total, 20, 1.0 / (1.0 + np.exp(-latent)))

    around = (sample.latent[0] - 8.0, sample.latent[0] + 8.0)
    moments = [integrate.quad(lambda f, k=k: f**k * density(f), *around, limit=200)[0] for k in range(3)]
    mean = moments[1] / moments[0]
    sd = np.sqrt(moments[2] / moments[0] - mean**2)
    posterior = approximate(sample, np.array([[0.5]]), (sample.latent, np.array([0.2])))
    # The closest normal is not the exact posterior: within a tenth of its sd in the mean, 15 % in the sd
    assert posterior.mean[0] == pytest.approx(mean, abs=0.1 * sd)
    assert np.sqrt(posterior.variance[0]) == pytest.approx(sd, rel=0.15)
    constant = stats.poisson.logpmf(total, 20.0) + 20.0 if law == "poisson" else stats.binom.logpmf(total, 20, 0.5)
    constant += 0.0 if law == "poisson" else 20.0 * np.log(2.0)
    gap = np.log(moments[0]) - (posterior.evidence + constant)
    assert 0.0 < gap < 0.05  # a lower bound, and a close one


@pytest.mark.parametrize("law", LAWS)
def test_kriging_the_noisy_values_gives_the_posterior_back(law: str) -> None:
    stops, sample = walk(law)
    posterior, system = fit(stops, sample, scatter=1e-6)
    mean, variance = system.predict(stops)
    assert np.abs(mean - posterior.mean).max() < 1e-3  # rounds stop at 1e-4, the intercept's prior is not quite flat
    assert np.abs(variance - posterior.variance).max() < 1e-3


@pytest.mark.parametrize("law", LAWS)
def test_left_out_stops_agree_with_refits(law: str) -> None:
    # The cavity keeps the other stops' own approximation; a refit adapts it. They differ by far less
    # than the standard deviation of either.
    stops, sample = walk(law)
    posterior, system = fit(stops, sample)
    mean, variance = system.leave_one_out()
    variance = variance - posterior.noise
    for row in range(len(stops)):
        kept = np.arange(len(stops)) != row
        _, again = fit(stops[kept], Sample(sample.law, sample.total[kept], sample.units[kept]))
        refitted, latent = again.predict(stops[row : row + 1])
        sd = np.sqrt(latent[0] + 0.1)
        assert abs(mean[row] - refitted[0]) < 0.02 * sd
        assert np.sqrt(variance[row]) == pytest.approx(sd, rel=0.02)


def test_more_scatter_than_poisson_is_seen_as_scatter() -> None:
    random = np.random.default_rng(4)
    stops = random.uniform(0.0, 800.0, (60, 2))
    total = random.negative_binomial(1.0, 1.0 / 101.0, 60).astype(float)  # mean 100, variance 10 100
    sample = Sample("poisson", total, np.full(60, 10.0))
    grid = sampled_grid(Design(stops, 165.0), sample, kernel="exponential")
    best = max(grid, key=lambda point: point.log_weight)
    assert best.micro + best.system.sill > 0.8  # of the log of an exponential distribution: pi^2 / 6
