"""Ranges from few pairs: what a handful of strips can and cannot tell.

A pair is a strip and the ground beside it. Points within a strip resemble each other, so a strip counts once, however
many points lie in it; what strips share with their neighbours cancels in the difference.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtr, stdtrit

CONFIDENCE = 0.9  # ranges are 5-95 %, as everywhere in a result
FEWEST_PAIRS = 3  # two leave a range six times their spread (t 6.3 at 1 degree of freedom); judgement


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """An estimate with its 5-95 % range, in one unit."""

    value: float
    low: float
    high: float

    def times(self, factor: float) -> Interval:
        """Bring it to another unit or area; a negative factor turns the range round."""
        low, high = sorted((self.low * factor, self.high * factor))
        return Interval(value=self.value * factor, low=low, high=high)

    def plus(self, amount: float) -> Interval:
        """Add an amount that is known."""
        return Interval(value=self.value + amount, low=self.low + amount, high=self.high + amount)

    @property
    def sign(self) -> int:
        """1 or -1 where the whole range is above or below zero, 0 where it includes zero."""
        return (self.low > 0) - (self.high < 0)


def certain(value: float) -> Interval:
    """Write what is known without a range as an interval."""
    return Interval(value=value, low=value, high=value)


def added(parts: Sequence[Interval]) -> Interval:
    """Add independent estimates: their half-ranges add as standard deviations do.

    Examples
    --------
    >>> added([Interval(value=1.0, low=-2.0, high=4.0), Interval(value=2.0, low=-2.0, high=6.0)])
    Interval(value=3.0, low=-2.0, high=8.0)
    """
    value = math.fsum(part.value for part in parts)
    below = math.sqrt(math.fsum((part.value - part.low) ** 2 for part in parts))
    above = math.sqrt(math.fsum((part.high - part.value) ** 2 for part in parts))
    return Interval(value=value, low=value - below, high=value + above)


def paired_interval(differences: Sequence[float]) -> Interval | None:
    """Mean of paired differences with its range: mean +- t s / sqrt(r); None below three pairs.

    Parameters
    ----------
    differences : sequence of float
        One for each strip: beside it less on it, or the reverse.

    References
    ----------
    Student (1908), The probable error of a mean, Biometrika 6:1-25.

    Examples
    --------
    >>> gain = paired_interval([3.1, 4.6, 1.2, 2.9])
    >>> round(gain.value, 2), round(gain.low, 2), round(gain.high, 2)
    (2.95, 1.31, 4.59)
    """
    count = len(differences)
    if count < FEWEST_PAIRS:
        return None
    values = np.asarray(differences, float)
    return _around(float(values.mean()), float(values.std(ddof=1)) / math.sqrt(count), count - 1)


def paired_test(differences: Sequence[float]) -> tuple[float, float]:
    """Student's t of paired differences against zero, and its two-sided p.

    Examples
    --------
    >>> t, p = paired_test([3.1, 4.6, 1.2, 2.9])
    >>> round(t, 3), round(p, 3)
    (4.24, 0.024)
    """
    values = np.asarray(differences, float)
    error = float(values.std(ddof=1)) / math.sqrt(len(values))
    if error == 0.0:
        return math.copysign(math.inf, float(values.mean())), 0.0
    t = float(values.mean()) / error
    return t, 2 * float(stdtr(len(values) - 1, -abs(t)))


def ratio_interval(above: Sequence[float], below: Sequence[float]) -> Interval | None:
    """Ratio of two sums over pairs with its range; None below three pairs or where nothing stands below.

    Parameters
    ----------
    above, below : sequence of float
        One of each for each strip, such as the gain there and the pressure there.

    References
    ----------
    Cochran (1977), Sampling Techniques, 3rd ed., section 6.3 (ratio estimate and its variance; from memory).

    Examples
    --------
    >>> slope = ratio_interval([2.0, 4.1, 5.9], [1.0, 2.0, 3.0])
    >>> round(slope.value, 3), slope.low < 2.0 < slope.high
    (2.0, True)
    """
    count = len(above)
    upper, lower = np.asarray(above, float), np.asarray(below, float)
    if count < FEWEST_PAIRS or lower.mean() <= 0:
        return None
    ratio = float(upper.sum() / lower.sum())
    rest = upper - ratio * lower
    error = math.sqrt(float(rest @ rest) / (count - 1) / count) / float(lower.mean())
    return _around(ratio, error, count - 1)


def _around(value: float, error: float, freedom: int) -> Interval:
    half = float(stdtrit(freedom, (1 + CONFIDENCE) / 2)) * error
    return Interval(value=value, low=value - half, high=value + half)
