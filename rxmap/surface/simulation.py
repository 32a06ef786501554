"""Joint draws of the pressure at many places."""

from __future__ import annotations

import numpy as np
from scipy import linalg

from rxmap.surface.covariance import Array, correlation, distances
from rxmap.surface.ensemble import Ensemble
from rxmap.surface.kriging import OrdinaryKriging
from rxmap.surface.links import Link
from rxmap.surface.uniform import Level

JITTER = 1e-8  # of the sill: a place may coincide with a stop


def simulate_spatial(ensemble: Ensemble, link: Link, places: Array, draws: int, random: np.random.Generator) -> Array:
    """Draw from the posterior by conditioning unconditional fields with kriging.

    Parameters
    ----------
    ensemble : Ensemble
    link : Link
    places : array of shape (m, 2) [m]
    draws : int
    random : numpy.random.Generator

    Returns
    -------
    array of shape (draws, m)
        Pressure.

    References
    ----------
    Chiles and Delfiner 2012, Geostatistics, 2nd ed., section 7.3 (conditioning by kriging).
    """
    result = np.empty((draws, len(places)))
    rows = np.split(random.permutation(draws), np.cumsum(apportion(ensemble.weights, draws))[:-1])
    points = list(zip(ensemble.points, rows, strict=True))
    for shape in sorted({(point.system.kernel, point.system.range) for point in ensemble.points}):
        same = [(point, taken) for point, taken in points if (point.system.kernel, point.system.range) == shape]
        where = np.vstack([places, same[0][0].system.coordinates])
        prior = correlation(distances(where, where), *shape)
        cross = prior[len(places) :, : len(places)].copy()
        prior[np.diag_indices_from(prior)] += JITTER
        factor = linalg.cholesky(prior, lower=True, overwrite_a=True, check_finite=False)
        for point, taken in same:
            field = factor @ random.standard_normal((len(where), len(taken)))
            latent = _condition(point.system, np.sqrt(point.system.sill) * field, cross, random)
            # The spread is in the draws: only the shift by the scatter is left to do
            mean, _ = link.absorb(latent, np.zeros_like(latent), point.micro)
            result[taken] = link.pressure(mean).T
    return result


def _condition(system: OrdinaryKriging, field: Array, cross: Array, random: np.random.Generator) -> Array:
    """Add to unconditional fields (places, then stops; one per column) the kriged misfit at the stops."""
    size = cross.shape[1]
    noise = np.sqrt(np.broadcast_to(system.nugget, len(system.values)))[:, None]
    seen = field[size:] + noise * random.standard_normal((len(system.values), field.shape[1]))
    inverse = system.rows[:-2]
    u, z = inverse.sum(axis=1), inverse @ (system.values[:, None] - seen)
    beta = (u @ z) / system.ones
    drawn: Array = field[:size] + beta + system.sill * cross.T @ (inverse.T @ (z - np.outer(u, beta)))
    return drawn


def simulate_uniform(level: Level, link: Link, size: int, draws: int, random: np.random.Generator) -> Array:
    """Draw the field's centre, and every place around it by itself.

    Parameters
    ----------
    level : Level
    link : Link
    size : int
        Number of places.
    draws : int
    random : numpy.random.Generator

    Returns
    -------
    array of shape (draws, size)
    """
    part = random.permutation(np.repeat(np.arange(len(level.weights)), apportion(level.weights, draws)))
    centre = level.centre[part] + np.sqrt(level.centre_variance[part]) * random.standard_normal(draws)
    scatter = np.sqrt(level.place_variance[part])[:, None] * random.standard_normal((draws, size))
    return link.pressure(centre[:, None] + scatter)


def apportion(weights: Array, draws: int) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """Share out draws by weight, the largest remainders first.

    Examples
    --------
    >>> apportion(np.array([0.55, 0.35, 0.1]), 10)
    array([6, 3, 1])
    """
    exact = weights * draws
    shares = np.floor(exact).astype(np.int64)
    order = np.argsort(shares - exact, kind="stable")
    shares[order[: draws - int(shares.sum())]] += 1
    return shares
