"""Is there a pattern to map? Left-out skill against what noise alone reaches."""

from __future__ import annotations

from typing import Literal

import numpy as np

from rxmap.surface.covariance import Array, distances

Verdict = Literal["map", "uniform"]

NEIGHBOURS = 3  # nearest stops that tell how much ground one speaks for; a twin alone must not
FEWEST_STOPS = 12  # below, no pattern can be told from chance; policy
# Skill that noise alone reaches in one field of ten, times sqrt(n x effective n). Simulated with 24, 40
# and 80 stops of every measure, values shuffled, independent, clumped or with unequal units;
# tests/surface/test_verdict.py repeats it.
NOISE_SKILL = 1.35


def left_out_mean(pressure: Array) -> Array:
    """Mean of all other stops.

    Examples
    --------
    >>> left_out_mean(np.array([1.0, 2.0, 6.0]))
    array([4. , 3.5, 1.5])
    """
    others: Array = (pressure.sum() - pressure) / (len(pressure) - 1)
    return others


def skill_needed(pressure: Array) -> float:
    """Left-out skill that noise alone reaches in about one field of ten.

    It falls with the number of stops, and with the number that carry the squared errors: (sum e2)^2 / sum
    e4, a third of n for normal errors (2.3 / n), less where a few high counts outweigh the rest.

    Parameters
    ----------
    pressure : array of shape (n,)
        Observed at the stops, n > 1.

    Examples
    --------
    >>> even, spiked = np.tile([1.0, 2.0], 20), np.append(np.tile([1.0, 2.0], 19), [1.0, 30.0])
    >>> round(skill_needed(even), 3), round(skill_needed(spiked), 3)
    (0.034, 0.206)
    """
    error = pressure - left_out_mean(pressure)
    count, fourth = len(pressure), float((error**4).sum())
    effective = float((error**2).sum()) ** 2 / fourth if fourth > 0.0 else count / 3.0
    return NOISE_SKILL / float(np.sqrt(count * effective))


def even_mean(coordinates: Array, pressure: Array) -> float:
    """Mean of the stops, each weighted by the ground around it: the square of the way to the third neighbour.

    Parameters
    ----------
    coordinates : array of shape (n, 2) [m]
    pressure : array of shape (n,)

    References
    ----------
    Isaaks and Srivastava 1989, An Introduction to Applied Geostatistics, chapter 10 (declustering).

    Examples
    --------
    >>> east = np.array([0.0, 1.0, 2.0, 3.0, 10.0, 20.0])
    >>> round(even_mean(np.column_stack([east, 0.0 * east]), np.array([9.0, 9.0, 9.0, 9.0, 1.0, 1.0])), 2)
    1.48
    """
    if len(pressure) <= NEIGHBOURS:
        return float(pressure.mean())
    ground = np.partition(distances(coordinates, coordinates), NEIGHBOURS, axis=0)[NEIGHBOURS] ** 2
    return float(ground @ pressure / ground.sum())


def skill(pressure: Array, left_out: Array) -> float:
    """One minus the squared left-out errors over those of the mean of the others; nan where all are equal.

    Examples
    --------
    >>> skill(np.array([1.0, 2.0, 6.0]), np.array([1.0, 2.0, 6.0]))
    1.0
    """
    against = float(((pressure - left_out_mean(pressure)) ** 2).sum())
    if np.ptp(pressure) == 0.0:
        return float("nan")
    return 1.0 - float(((pressure - left_out) ** 2).sum()) / against
