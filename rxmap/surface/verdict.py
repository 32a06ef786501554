"""Is there a pattern to map? Left-out skill against what noise alone reaches."""

from __future__ import annotations

from typing import Literal

import numpy as np

from rxmap.surface.covariance import Array

Verdict = Literal["map", "uniform"]

FEWEST_STOPS = 12  # below, no pattern can be told from chance; policy
# Left-out skill that noise alone reaches in one field of ten: simulated, see tests/surface/test_verdict.py.
# 24, 40 and 80 stops; values shuffled, independent, clumped, and with unequal units.
NOISE_SKILL = 2.0  # over n: severity, rating, incidence (worst 90 % point 2.0 at 24 and 40, 2.6 at 80 stops)
COUNT_NOISE_SKILL = 0.5  # over the root of n: counts, whose squared errors hang on the few largest


def skill_needed(stops: int, *, counts: bool) -> float:
    """Left-out skill that noise alone reaches in about one field of ten.

    Parameters
    ----------
    stops : int
    counts : bool
        Whether the measure is a count.

    Examples
    --------
    >>> skill_needed(80, counts=False), round(skill_needed(80, counts=True), 3)
    (0.025, 0.056)
    """
    return COUNT_NOISE_SKILL / float(np.sqrt(stops)) if counts else NOISE_SKILL / stops


def left_out_mean(pressure: Array) -> Array:
    """Mean of all other stops.

    Examples
    --------
    >>> left_out_mean(np.array([1.0, 2.0, 6.0]))
    array([4. , 3.5, 1.5])
    """
    others: Array = (pressure.sum() - pressure) / (len(pressure) - 1)
    return others


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
