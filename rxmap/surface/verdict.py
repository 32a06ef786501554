"""Is there a pattern to map? How often the same values, shuffled over the stops, look as clustered; and the skill."""

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
MOST_CHANCE = 0.1  # of shuffles that look as clustered, for a map; policy: at most one false map in ten fields
SHUFFLES = 399  # a chance of one in ten is then known to 1.5 in 100
TIE = 1e-9  # of a log evidence: a shuffle that changes nothing looks as clustered
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


def shuffled_chances(observed: Array, noise: Array, design: Design, layers: Array, *, seed: int) -> tuple[float, float]:
    """Share of shuffles in which the values look at least as clustered as where they were seen; and so with layers.

    Clustered is what a Gaussian process says: the evidence of patterns of several ranges, mean and variance integrated
    out. It is nearly the most powerful statistic where such a process made the field (Neyman and Pearson 1933,
    Philosophical Transactions A 231:289, from memory), and shuffling holds the share of false maps whatever the law
    of the values (Edgington and Onghena 2007, Randomization Tests, from memory), as long as places do not differ in
    it. Where they do because more units were looked at here than there, what follows the noise is taken off first.

    Parameters
    ----------
    observed : array of shape (n,)
        On the even scale.
    noise : array of shape (n,)
        Noise variance of each stop relative to the mean of all: values are shuffled in units of their noise.
    design : Design
    layers : array of shape (n, q)
        Patterns may follow these too, alone or beside one of the place; nan where a layer is not known.
    seed : int

    Returns
    -------
    alone, beside : float
        By the place alone, and by place or layers; from 1 / (1 + `SHUFFLES`) to 1.

    Examples
    --------
    >>> east = np.arange(20.0)
    >>> design = Design(np.column_stack([100.0 * east, np.zeros(20)]), centre=500.0)
    >>> rising, jumping, none = east, east % 2, np.empty((20, 0))
    >>> shuffled_chances(rising, np.ones(20), design, none, seed=1)
    (0.0025, 0.0025)
    >>> shuffled_chances(jumping, np.ones(20), design, none, seed=1)[0] > 0.5
    True
    """
    trend = np.column_stack([np.ones_like(noise), noise]) / np.sqrt(noise)[:, None]
    scaled = observed / np.sqrt(noise)
    scaled = scaled - trend @ np.linalg.lstsq(trend, scaled)[0]
    random = np.random.default_rng(seed)
    tries = np.column_stack([scaled, *(random.permutation(scaled) for _ in range(SHUFFLES))])
    following = _following(layers)
    alone, beside = [], []
    for reach in PATTERN_RANGES:
        prior = -0.5 * float(np.log(reach) / RANGE_SPREAD) ** 2
        alike = design.correlations("exponential", reach * design.centre)
        alone.append(prior + _evidence(alike, tries))
        if following.size:
            shared = len(tries) / following.shape[1] * following @ following.T  # variance 1, shared by the layers
            beside.append(prior + _evidence((alike + shared) / 2.0, tries))
    beside += [_evidence_following(layer, tries) - np.log(following.shape[1]) for layer in following.T]
    return _as_clear(alone), _as_clear(alone + beside)


def _following(layers: Array) -> Array:
    """Layers centred and of length 1, an unknown value at the mean; shape (n, q)."""
    known = np.isfinite(layers)
    mean = np.where(known, layers, 0.0).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
    deviation = np.where(known, layers - mean, 0.0)
    unit: Array = deviation / np.sqrt((deviation**2).sum(axis=0))
    return unit


def _as_clear(evidence: Sequence[Array]) -> float:
    """Share of tries, the first of which is how the values were seen, in which a pattern is as clear as there."""
    clear = logsumexp(np.concatenate(evidence), axis=0)
    return float((clear > clear[0] - TIE).mean())


def _evidence(alike: Array, tries: Array) -> Array:
    """Log evidence of a pattern of one correlation: a row for each share of the variance, a column for each try."""
    spread, axes = eigh(alike)
    level, turned = axes.sum(axis=0), axes.T @ tries
    rows, squared = [], turned**2
    for share in PATTERN_SHARES:
        weight = 1.0 / (share * np.maximum(spread, 0.0) + 1.0 - share)
        precision = weight @ level**2
        squares = weight @ squared - (weight * level @ turned) ** 2 / precision
        rows.append(_left(squares, np.log(weight).sum() - np.log(precision), len(alike)))
    return np.array(rows)


def _evidence_following(layer: Array, tries: Array) -> Array:
    """Log evidence of values that go straight with a layer, centred and of length 1: `_evidence`, of rank one."""
    count = len(layer)
    about = ((tries - tries.mean(axis=0)) ** 2).sum(axis=0)
    along = (layer @ tries) ** 2
    rows = []
    for share in PATTERN_SHARES:
        off, on = 1.0 / (1.0 - share), 1.0 / (share * count + 1.0 - share)
        determinant = (count - 1) * np.log(off) + np.log(on) - np.log(off * count)
        rows.append(_left(off * about + (on - off) * along, determinant, count))
    return np.array(rows)


def _left(squares: Array, determinant: float, count: int) -> Array:
    """Log evidence with mean and variance integrated out (Harville 1974, Biometrika 61:383)."""
    left: Array = 0.5 * determinant - 0.5 * (count - 1) * np.log(np.maximum(squares, 1e-300))
    return left
