"""Is there a pattern to map? Left-out skill against what noise alone reaches."""

from __future__ import annotations

from typing import Literal

import numpy as np

from rxmap.records import Measure
from rxmap.surface.covariance import Array

Verdict = Literal["map", "uniform"]

FEWEST_STOPS = 12  # below, no pattern can be told from chance; policy
# Skill that noise alone reaches in one field of ten, in units of `even_share`. Simulated with 24, 40 and 80
# stops of every measure, values shuffled, independent, clumped or with unequal units;
# tests/surface/test_verdict.py repeats it. Counts ask for more where stops are few: on their log scale one
# high stop can lead its neighbours far.
NOISE_SKILL = 2.35
NOISE_SKILL_COUNT, NOISE_SKILL_FEW_COUNTS = 2.5, 55.0


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


def skill_needed(measure: Measure, observed: Array) -> float:
    """Left-out skill that noise alone reaches in about one field of ten.

    Parameters
    ----------
    measure : {"count", "incidence", "severity", "rating"}
    observed : array of shape (n,)
        At the stops, on the even scale; n > 1.

    Examples
    --------
    >>> even, spiked = np.tile([1.0, 2.0], 20), np.append(np.tile([1.0, 2.0], 19), [1.0, 30.0])
    >>> round(skill_needed("rating", even), 3), round(skill_needed("rating", spiked), 3)
    (0.034, 0.207)
    """
    units = NOISE_SKILL_COUNT + NOISE_SKILL_FEW_COUNTS / len(observed) if measure == "count" else NOISE_SKILL
    return units * even_share(observed - left_out_mean(observed))


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
