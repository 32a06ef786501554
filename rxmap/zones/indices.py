"""How good a fuzzy clustering is: published indices, each small and each with its source.

`u` is the membership matrix, shape (cells, clusters), rows summing to 1. With n cells and c clusters,

    F = 1/n sum u^2            (partition coefficient, 1/c to 1)
    H = -1/n sum u ln u        (partition entropy, 0 to ln c)

References
----------
Bezdek (1981), Pattern Recognition with Fuzzy Objective Function Algorithms, Plenum: F and H.
Odeh, McBratney & Chittleborough (1992), Soil pattern recognition with fuzzy-c-means, Soil Sci. Soc.
Am. J. 56:505-516: FPI.
Fridgen et al. (2004), Agronomy Journal 96:100-108: FPI and NCE to choose the number of management zones.
Boydell & McBratney (2002), Precision Agriculture 3:9-23: MPE.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import xlogy

from rxmap.grid import FloatArray


def partition_coefficient(u: ArrayLike) -> float:
    """F: 1 when every cell belongs to one cluster, 1/c when to all alike.

    Examples
    --------
    >>> partition_coefficient([[0.9, 0.1], [0.8, 0.2], [0.3, 0.7], [0.05, 0.95]])
    0.74625
    """
    return float(np.sum(np.square(u)) / len(np.asarray(u)))


def partition_entropy(u: ArrayLike) -> float:
    """H: 0 when every cell belongs to one cluster, ln c when to all alike; 0 ln 0 is 0.

    Examples
    --------
    >>> partition_entropy([[1.0, 0.0], [0.5, 0.5]])
    0.346574
    """
    u = np.asarray(u, float)
    return float(-np.sum(xlogy(u, u)) / len(u))


def fpi(u: ArrayLike) -> float:
    """Fuzziness performance index, c (1 - F) / (c - 1): 0 is crisp, 1 is wholly shared.

    Its complement also goes by the same name; that one would choose the fuzziest partition.

    Examples
    --------
    >>> fpi([[1, 0], [0, 1]]), fpi([[0.5, 0.5], [0.5, 0.5]])
    (0.0, 1.0)
    """
    c = int(np.shape(u)[1])
    return c * (1 - partition_coefficient(u)) / (c - 1)


def nce(u: ArrayLike) -> float:
    """Normalised classification entropy, H / (1 - c/n). It is not divided by ln c, so it tends to rise with c.

    Examples
    --------
    >>> nce([[0.9, 0.1], [0.8, 0.2], [0.3, 0.7], [0.05, 0.95]])
    0.817432
    """
    n, c = (int(size) for size in np.shape(u))
    return partition_entropy(u) / (1 - c / n)


def mpe(u: ArrayLike) -> float:
    """MPE, the modified partition entropy, H / ln c: 0 to 1 for every number of clusters.

    Examples
    --------
    >>> mpe([[0.5, 0.5], [0.5, 0.5]])
    1.0
    """
    return partition_entropy(u) / math.log(np.shape(u)[1])


def variance_reduction(labels: NDArray[np.int_], features: FloatArray, weights: FloatArray) -> float:
    """Share of the variance of the features that the zones explain, 0 to 1; weighted by area.

    The variances are population variances (ddof 0); only then is this eta squared, the between-zone
    share of the total sum of squares (Fisher 1925, Statistical Methods for Research Workers).

    Parameters
    ----------
    labels : ndarray of int, shape (cells,)
    features : ndarray, shape (cells, features)
        In comparable scales; constant features together count nothing.
    weights : ndarray, shape (cells,)
        Area of each cell, in any unit.

    Examples
    --------
    >>> variance_reduction(np.array([0, 0, 1, 1]), np.array([[0.0], [2.0], [10.0], [12.0]]), np.ones(4))
    0.961538
    """
    total = _sum_of_squares(features, weights)
    if total == 0:
        return 0.0
    zones = (labels == label for label in np.unique(labels))
    within = sum(_sum_of_squares(features[zone], weights[zone]) for zone in zones)
    return max(0.0, 1 - within / total)  # rounding may leave one zone a hair below nothing


def _sum_of_squares(features: FloatArray, weights: FloatArray) -> float:
    centred = features - np.average(features, axis=0, weights=weights)
    return float(np.sum(weights[:, None] * centred**2))
