"""Joint draws of the pressure at many places."""

from __future__ import annotations

import numpy as np
from scipy import linalg

from rxmap.surface.covariance import Array
from rxmap.surface.ensemble import Ensemble
from rxmap.surface.kriging import Kriging, columns
from rxmap.surface.links import Link
from rxmap.surface.uniform import Level

JITTER = 1e-8  # of the sill: a place may coincide with a stop


def simulate_spatial(
    ensemble: Ensemble, link: Link, places: Array, *, drift: Array | None, draws: int, random: np.random.Generator
) -> Array:
    """Draw from the posterior by conditioning unconditional fields with kriging.

    Parameters
    ----------
    ensemble : Ensemble
    link : Link
    places : array of shape (m, 2) [m]
    drift : array of shape (m, q), optional
        Layers there.
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
    level = columns(drift, len(places))
    for shape in dict.fromkeys(point.system.shape for point in ensemble.points):
        same = [(point, taken) for point, taken in points if point.system.shape == shape]
        where = np.vstack([places, same[0][0].system.coordinates])
        prior = shape.correlations(where, where)
        cross = prior[len(places) :, : len(places)].copy()
        prior[np.diag_indices_from(prior)] += JITTER
        factor = linalg.cholesky(prior, lower=True, overwrite_a=True, check_finite=False)
        for point, taken in same:
            field = factor @ random.standard_normal((len(where), len(taken)))
            latent = _condition(point.system, np.sqrt(point.system.sill) * field, (cross, level), random)
            mean, variance = (part[:, None] for part in point.system.combine(cross, level.T))
            centre, absorbed = link.absorb(mean, variance, point.micro)
            stretch = np.sqrt(absorbed / np.maximum(variance, 1e-300))
            result[taken] = link.pressure(centre + stretch * (latent - mean)).T
    return result


def _condition(system: Kriging, field: Array, at: tuple[Array, Array], random: np.random.Generator) -> Array:
    """Add to unconditional fields (places, then stops; one per column) the kriged misfit at the stops.

    `at` holds the correlations of stops and places, and the drift at the places. The fields carry no drift;
    the slopes' prior is met by drawing theirs from it, on the misfit's side.
    """
    cross, level = at
    size, count = cross.shape[1], len(system.values)
    noise = np.sqrt(np.broadcast_to(system.nugget, count))[:, None]
    seen = field[size:] + noise * random.standard_normal((count, field.shape[1]))
    at_stops = columns(system.drift, count)
    slopes = np.zeros((at_stops.shape[1], field.shape[1]))
    if system.slope_precision:
        slopes[1:] = random.standard_normal(slopes[1:].shape) / np.sqrt(system.slope_precision)
    misfit = system.values[:, None] - seen - at_stops @ slopes
    whitened, z = system.inverse @ at_stops, system.inverse @ misfit
    beta = system.spread.T @ (system.spread @ (whitened.T @ z))
    kriged = system.sill * cross.T @ (system.inverse.T @ (z - whitened @ beta))
    drawn: Array = field[:size] + level @ (beta + slopes) + kriged
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


def alongside(drawn: Array, others: Array) -> Array:
    """Order draws of other places so that high fields stand beside high fields.

    Parts of one field share its level. Independent draws would make a field total look surer than it is;
    this errs on the other side.

    Examples
    --------
    >>> alongside(np.array([[5.0], [1.0], [3.0]]), np.array([[10.0], [20.0], [30.0]])).ravel()
    array([30., 10., 20.])
    """
    ordered = np.empty_like(others)
    ordered[np.argsort(drawn.mean(axis=1), kind="stable")] = others[np.argsort(others.mean(axis=1), kind="stable")]
    return ordered


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
