"""Is there a pattern to map? How often the same values, shuffled over the stops, look as patchy; and the skill."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
from scipy.linalg import eigh
from scipy.special import logsumexp

from rxmap.records import Measure
from rxmap.surface.covariance import Array
from rxmap.surface.design import Design

Verdict = Literal["map", "uniform"]

FEWEST_STOPS = 12  # below, no pattern can be told from chance; policy
MOST_CHANCE = 0.1  # of shuffles that look as patchy, for a map; policy: at most one false map in ten fields
SHUFFLES = 399  # a chance of one in ten is then known to 1.5 in 100
TIE = 1e-9  # of a log evidence: a shuffle that changes nothing looks as patchy
# Patterns looked for: ranges in units of their prior centre with its spread, and shares of the variance
PATTERN_RANGES, RANGE_SPREAD = (0.3, 0.6, 1.2, 2.5, 5.0), 0.8
PATTERN_SHARES = (0.15, 0.35, 0.6, 0.85, 0.97)


def even_scale(measure: Measure, pressure: Array) -> Array:
    """Pressure on the scale on which sampling noise is even: a few high counts must not decide alone.

    Square root of counts, arcsine of the root of a share; a rating as it is.

    Parameters
    ----------
    measure : {"count", "incidence", "severity", "rating"}
    pressure : array

    References
    ----------
    Bartlett 1947, Biometrics 3:39 (the use of transformations).

    Examples
    --------
    >>> even_scale("count", np.array([0.0, 4.0])), even_scale("severity", np.array([0.0, 100.0])).round(2)
    (array([0., 2.]), array([0.  , 1.57]))
    """
    if measure == "count":
        return np.sqrt(pressure)
    return pressure if measure == "rating" else np.arcsin(np.sqrt(np.clip(pressure / 100.0, 0.0, 1.0)))


def left_out_mean(pressure: Array) -> Array:
    """Mean of all other stops.

    Examples
    --------
    >>> left_out_mean(np.array([1.0, 2.0, 6.0]))
    array([4. , 3.5, 1.5])
    """
    others: Array = (pressure.sum() - pressure) / (len(pressure) - 1)
    return others


def left_out_errors(observed: Array, left_out: Array) -> Array:
    """Errors of left-out predictions on the even scale, less their mean: scales bend, and the level is not judged."""
    error = observed - left_out
    centred: Array = error - error.mean()
    return centred


def even_share(error: Array) -> float:
    """One over the number of stops where errors are normal; more where few stops carry the squares.

    1 / sqrt(3 n m) with m = (sum e2)^2 / sum e4, which is n / 3 for normal errors.

    Examples
    --------
    >>> round(even_share(np.random.default_rng(1).standard_normal(4000)) * 4000, 1)
    1.0
    """
    fourth = float((error**4).sum())
    carried = float((error**2).sum()) ** 2 / fourth if fourth > 0.0 else len(error) / 3.0
    return 1.0 / float(np.sqrt(3.0 * len(error) * carried))


def skill(observed: Array, left_out: Array) -> float:
    """One minus the squared left-out errors over those of the mean of the others; nan where all are equal.

    Parameters
    ----------
    observed, left_out : arrays of shape (n,)
        On the even scale.

    Examples
    --------
    >>> skill(np.array([1.0, 2.0, 6.0]), np.array([1.0, 2.0, 6.0]))
    1.0
    """
    if np.ptp(observed) == 0.0:
        return float("nan")
    against = float(((observed - left_out_mean(observed)) ** 2).sum())
    return 1.0 - float((left_out_errors(observed, left_out) ** 2).sum()) / against


def patterns(design: Design, layers: Array | None = None) -> list[tuple[float, Array]]:
    """Log prior and correlation between the stops of every pattern that is looked for.

    Parameters
    ----------
    design : Design
    layers : array of shape (n, q), optional
        Patterns may then follow a layer too, alone or beside one of the place; nan where a layer is not known.

    Returns
    -------
    list of (float, array of shape (n, n))
    """
    found = [
        (-0.5 * float(np.log(reach) / RANGE_SPREAD) ** 2, design.correlations("exponential", reach * design.centre))
        for reach in PATTERN_RANGES
    ]
    if layers is None or not layers.size:
        return found
    known = np.isfinite(layers)
    mean = np.where(known, layers, 0.0).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
    deviation = np.where(known, layers - mean, 0.0)
    size = np.sqrt((deviation**2).sum(axis=0))
    shape = deviation[:, size > 0.0] / size[size > 0.0]
    following = len(layers) / max(shape.shape[1], 1) * shape @ shape.T  # variance 1 on average, shared by the layers
    return [*found, *((prior, (alike + following) / 2.0) for prior, alike in found), (0.0, following)]


def shuffled_chance(observed: Array, noise: Array, found: Sequence[tuple[float, Array]], *, seed: int) -> float:
    """Share of shuffles in which the values look at least as patchy as where they were seen.

    Patchy is what a Gaussian process says: the evidence of a pattern of any of the correlations, mean and variance
    integrated out. It is nearly the most powerful statistic where such a process made the field (Neyman and Pearson
    1933, Philosophical Transactions A 231:289, from memory), and shuffling holds the share of false maps whatever
    the law of the values (Edgington and Onghena 2007, Randomization Tests, from memory).

    Parameters
    ----------
    observed : array of shape (n,)
        On the even scale.
    noise : array of shape (n,)
        Noise variance of each stop relative to the mean of all: values are shuffled in units of their noise.
    found : sequence of (float, array of shape (n, n))
        From `patterns`.
    seed : int

    Returns
    -------
    float
        From 1 / (1 + `SHUFFLES`) to 1.

    Examples
    --------
    >>> east = np.arange(20.0)
    >>> design = Design(np.column_stack([100.0 * east, np.zeros(20)]), centre=500.0)
    >>> rising, jumping = east, east % 2
    >>> shuffled_chance(rising, np.ones(20), patterns(design), seed=1)
    0.0025
    >>> shuffled_chance(jumping, np.ones(20), patterns(design), seed=1) > 0.5
    True
    """
    scaled = (observed - np.average(observed, weights=1.0 / noise)) / np.sqrt(noise)
    random = np.random.default_rng(seed)
    tries = np.column_stack([scaled, *(random.permutation(scaled) for _ in range(SHUFFLES))])
    evidence = [prior + _evidence(alike, tries) for prior, alike in found]
    clear = logsumexp(np.concatenate(evidence), axis=0)
    return float(1 + (clear[1:] > clear[0] - TIE).sum()) / (1 + SHUFFLES)


def _evidence(alike: Array, tries: Array) -> Array:
    """Log evidence of one correlation: a row for each share of the variance, a column for each try."""
    spread, axes = eigh(alike)
    level, turned = axes.sum(axis=0), axes.T @ tries
    rows, squared = [], turned**2
    for share in PATTERN_SHARES:
        weight = 1.0 / (share * np.maximum(spread, 0.0) + 1.0 - share)
        precision = weight @ level**2
        squares = weight @ squared - (weight * level @ turned) ** 2 / precision
        determinant = np.log(weight).sum() - np.log(precision)
        rows.append(0.5 * determinant - 0.5 * (len(alike) - 1) * np.log(np.maximum(squares, 1e-300)))
    return np.array(rows)
