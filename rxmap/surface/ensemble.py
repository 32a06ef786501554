"""Averaging over hyperparameters: grid, priors, weights, and left-out predictions."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import logsumexp

from rxmap.surface.covariance import Array
from rxmap.surface.kriging import Kriging
from rxmap.surface.links import Link

RANGES = (0.3, 0.6, 1.2, 2.5)  # times the prior centre
LEAST_WEIGHT = 0.004  # grid points below it are dropped at once
MOST_POINTS = 12  # grid points that predict; a test shows what thinning to them moves


def range_centre(area: float, stops: int) -> float:
    """Centre of the prior of the practical range [m]: the shorter of two guesses, short being the safer error.

    Parameters
    ----------
    area : float [m2]
        Of the field.
    stops : int

    Examples
    --------
    >>> range_centre(640_000.0, 40), round(range_centre(640_000.0, 80), 1)
    (200.0, 143.1)
    """
    return min(float(np.sqrt(area)) / 4.0, 1.6 * float(np.sqrt(area / stops)))


def log_normal(value: float, centre: float, spread: float) -> float:
    """Log prior density of a positive hyperparameter, up to a constant."""
    return -0.5 * float(np.log(value / centre) / spread) ** 2


@dataclass(frozen=True)
class GridPoint:
    """The model under one set of hyperparameters.

    Parameters
    ----------
    parameters : tuple of float
        The entry of the grid.
    system : Kriging
        On the latent scale.
    log_weight : float
        Log evidence plus log prior.
    micro : float
        Variance of the scatter below the scale of a stop, on the latent scale.
    left_mean, left_variance : arrays of shape (n,)
        Latent value of each stop, predicted from the others; the scatter counts, the sampling does not.
    left_log_density : array of shape (n,)
        Log probability (density) of what was seen at each stop, given the others.
    left_log_mass : array of shape (n,), optional
        Where whole numbers were seen and the density is of a continuous law: log probability of that number.
    """

    parameters: tuple[float, ...]
    system: Kriging
    log_weight: float
    micro: float
    left_mean: Array
    left_variance: Array
    left_log_density: Array
    left_log_mass: Array | None = None


@dataclass(frozen=True)
class Ensemble:
    """Grid points that carry the posterior, their weights, and what they say together.

    Parameters
    ----------
    points : tuple of GridPoint
    weights : array of shape (k,)
    left_out : array of shape (n,)
        Pressure at each stop predicted from the others, hyperparameters judged without it too.
    log_score : array of shape (n,)
        Log probability of what was seen at each stop, given the others.
    """

    points: tuple[GridPoint, ...]
    weights: Array
    left_out: Array
    log_score: Array

    def average(self, values: Sequence[float]) -> float:
        """Posterior geometric mean of a positive hyperparameter."""
        return float(np.exp(self.weights @ np.log(np.asarray(values, dtype=float))))


def combine(grid: Sequence[GridPoint], link: Link, *, most_points: int = MOST_POINTS) -> Ensemble:
    """Weigh the grid points and keep the few that matter.

    Parameters
    ----------
    grid : sequence of GridPoint
    link : Link
    most_points : int

    Returns
    -------
    Ensemble
    """
    logs = np.array([point.log_weight for point in grid])
    weights = np.exp(logs - logsumexp(logs))
    worthy = [int(index) for index in np.flatnonzero(weights > LEAST_WEIGHT * weights.max())]
    left_out, log_score = _left_out([grid[index] for index in worthy], logs[worthy], link)
    kept, shares = thin(weights[worthy], most_points)
    return Ensemble(tuple(grid[worthy[index]] for index in kept), shares, left_out, log_score)


def thin(weights: Array, most: int) -> tuple[list[int], Array]:
    """Let few grid points stand for their neighbours.

    The grid, in its order, is cut into strips of equal weight; the heaviest point of a strip speaks
    for all of it. Taking the heaviest of all instead would forget the flanks.

    Parameters
    ----------
    weights : array of shape (k,)
        In the order of the grid.
    most : int
        Largest number to keep.

    Returns
    -------
    list of int, array
        Points kept, and their weights.

    Examples
    --------
    >>> thin(np.array([0.1, 0.3, 0.1, 0.3, 0.2]), 2)
    ([1, 3], array([0.5, 0.5]))
    """
    shares = weights / weights.sum()
    strip = np.minimum((np.cumsum(shares) - shares / 2.0) * most, most - 1).astype(int)
    members = [np.flatnonzero(strip == which) for which in np.unique(strip)]
    kept = [int(member[np.argmax(shares[member])]) for member in members]
    return kept, np.array([shares[member].sum() for member in members])


def explore(axes: Sequence[Sequence[float]], fit: Callable[[tuple[float, ...]], GridPoint]) -> list[GridPoint]:
    """Fit the points of a grid that matter: from its middle on to the neighbours of those with weight.

    Where the weights have one hill this finds all that `combine` keeps, and leaves out most of the others.

    Parameters
    ----------
    axes : sequence of sequences of float
        Levels of each hyperparameter.
    fit : callable
        Fits the model at a point.

    Returns
    -------
    list of GridPoint
        In the order of the grid.
    """
    waiting: list[tuple[int, ...]] = [tuple(len(levels) // 2 for levels in axes)]
    found: dict[tuple[int, ...], GridPoint] = {}
    opened: set[tuple[int, ...]] = set()
    while waiting:
        for where in waiting:
            found[where] = fit(tuple(levels[place] for levels, place in zip(axes, where, strict=True)))
        least = max(point.log_weight for point in found.values()) + np.log(LEAST_WEIGHT)
        spread = [where for where, point in found.items() if where not in opened and point.log_weight > least]
        opened.update(spread)
        beside = dict.fromkeys(other for where in spread for other in _neighbours(where, axes))
        waiting = [where for where in beside if where not in found]
    return [found[where] for where in sorted(found)]


def _neighbours(where: tuple[int, ...], axes: Sequence[Sequence[float]]) -> Iterator[tuple[int, ...]]:
    """Points one level away on one axis."""
    for axis, levels in enumerate(axes):
        for place in (where[axis] - 1, where[axis] + 1):
            if 0 <= place < len(levels):
                yield (*where[:axis], place, *where[axis + 1 :])


def _left_out(grid: Sequence[GridPoint], logs: Array, link: Link) -> tuple[Array, Array]:
    """Left-out pressures and log scores; each stop's own evidence is taken out of the weights.

    p(hyperparameters | others) is p(hyperparameters | all) / p(stop | others, hyperparameters)
    (Vehtari et al. 2016, JMLR 17:103, section 2).
    """
    density = np.array([point.left_log_density for point in grid])
    without = logs[:, None] - density
    without -= logsumexp(without, axis=0)
    weights = np.exp(without)
    seen = [
        alone if point.left_log_mass is None else point.left_log_mass
        for point, alone in zip(grid, density, strict=True)
    ]
    means = [link.moments(point.left_mean, np.sqrt(point.left_variance))[0] for point in grid]
    return np.einsum("kn,kn->n", weights, np.array(means)), logsumexp(without + seen, axis=0)
