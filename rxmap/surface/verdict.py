"""Is there a pattern to map? Left-out skill against what noise alone reaches."""

from __future__ import annotations

from typing import Literal

import numpy as np

from rxmap.surface.covariance import Array, distances

Verdict = Literal["map", "uniform"]

NEIGHBOURS = 3  # nearest stops that tell how much ground one speaks for; a twin alone must not
FEWEST_STOPS = 12  # below, no pattern can be told from chance; policy
# Skill that noise alone reaches in one field of ten: (factor, power of the number of stops). Simulated
# with 24, 40 and 80 stops, values shuffled, independent, clumped or with unequal units; the worst
# of them counts. tests/surface/test_verdict.py repeats it. The squared errors of counts hang on
# the few largest, so there noise reaches further.
NOISE_SKILL = {"count": (0.54, 0.5), "incidence": (2.0, 1.0), "severity": (2.7, 1.0), "rating": (2.7, 1.0)}


def skill_needed(measure: str, stops: int) -> float:
    """Left-out skill that noise alone reaches in about one field of ten.

    Parameters
    ----------
    measure : {"count", "incidence", "severity", "rating"}
    stops : int

    Examples
    --------
    >>> skill_needed("incidence", 80), round(skill_needed("count", 80), 3)
    (0.025, 0.06)
    """
    factor, power = NOISE_SKILL[measure]
    return factor / float(stops**power)


def left_out_mean(pressure: Array) -> Array:
    """Mean of all other stops.

    Examples
    --------
    >>> left_out_mean(np.array([1.0, 2.0, 6.0]))
    array([4. , 3.5, 1.5])
    """
    others: Array = (pressure.sum() - pressure) / (len(pressure) - 1)
    return others


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
