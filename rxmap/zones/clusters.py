"""Management zones: ground that is alike in what it would cost to leave alone.

Fuzzy c-means on the features of the cells; the number of zones comes from published indices; the
memberships, not the labels, are smoothed before the map is drawn, which keeps more of the variance
explained with fewer specks than any filter on finished labels.
"""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from rasterio.features import sieve
from scipy import ndimage
from scipy.cluster.vq import kmeans2
from scipy.spatial.distance import cdist

from rxmap.grid import FloatArray, Grid
from rxmap.zones.indices import fpi, mpe, nce, variance_reduction

NUMBERS = (2, 3, 4, 5)  # of zones to try; own choice: more is not read at a glance
FUZZINESS = 1.5  # m of Bezdek (1981); 1.3 to 2 is usual in soil and crop work (common practice, no source)
SAMPLE = 3000  # cells on which centres are found; own choice: the standard error of a centre is then below 2 % of an sd
STARTS = 3  # of k-means; own choice: fuzzy c-means moves on from the best of them
MOST_STEPS = 100
SETTLED = 1e-5  # [sd] largest movement of a centre at which the iteration ends
DIGITS = 9  # of a standardised value; below that, two cells are the same


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """Indices of one number of zones, from the memberships before smoothing.

    Parameters
    ----------
    k : int
        Number of zones.
    fpi, nce, mpe : float
        See `rxmap.zones.indices`; lower is better.
    explained : float
        Share of the variance explained when each cell goes to its strongest membership.
    """

    k: int
    fpi: float
    nce: float
    mpe: float
    explained: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Clusters:
    """Management zones of a field.

    Parameters
    ----------
    labels : ndarray of int, shape (rows, columns)
        0 outside the field; inside 1 to `k`, 1 having the lowest mean of the first feature.
    k : int
        Number of zones on the map.
    crisp : float
        1 - FPI: 1 when every cell clearly belongs to one zone.
    explained : float
        Share of the variance of the standardised features that the map explains, weighted by area.
    tried : tuple of Trial
        Each number of zones that was looked at; empty if there is only one zone.
    agree : bool
        Whether FPI and NCE choose the same number; where they do not, the smaller one is used.
    """

    labels: NDArray[np.int_]
    k: int
    crisp: float
    explained: float
    tried: tuple[Trial, ...]
    agree: bool


def make_zones(features: FloatArray, grid: Grid, *, zones: int | None, smooth_m: float, seed: int) -> Clusters:
    """Group the cells of a field into management zones.

    Parameters
    ----------
    features : ndarray, shape (cells, features)
        One row per inside cell in the order of ``grid.centres()``. Each feature is divided by its
        standard deviation; constant ones are left out.
    grid : Grid
    zones : int or None
        Number of zones, or None to choose it from 2 to 5. There are never more than distinct values.
    smooth_m : float [m]
        Standard deviation of the Gaussian that smooths the memberships. Specks smaller than a disc of
        this radius go to the zone around them. 0 leaves the map as clustered.
    seed : int
        Of the sample of cells and of the starting centres.

    Raises
    ------
    ValueError
        The features have no value somewhere, or do not have one row per cell.

    References
    ----------
    Bezdek (1981), Pattern Recognition with Fuzzy Objective Function Algorithms, Plenum.
    Odeh et al. (1992), Soil Sci. Soc. Am. J. 56:505-516; Fridgen et al. (2004), Agron. J. 96:100-108:
    the number of zones where FPI and NCE are least.

    Examples
    --------
    >>> grid = Grid(west=0.0, north=20.0, cell=10.0, share=np.ones((2, 3)))
    >>> loss = np.array([[9.0], [0.1], [0.0], [9.2], [0.2], [0.0]])
    >>> make_zones(loss, grid, zones=2, smooth_m=0.0, seed=1).labels
    array([[2, 1, 1],
           [2, 1, 1]])
    """
    if len(features) != np.count_nonzero(grid.inside) or not np.isfinite(features).all():
        raise ValueError("features must hold one finite row for each cell inside the field")
    scaled = _standardise(features)
    sample = _sample(scaled, seed)
    most = min(len(np.unique(sample, axis=0)), len(sample) - 1)  # NCE needs more cells than zones
    numbers = [k for k in (NUMBERS if zones is None else (min(zones, most),)) if 2 <= k <= most]
    if not numbers:
        return Clusters(labels=grid.inside.astype(int), k=1, crisp=1.0, explained=0.0, tried=(), agree=True)
    area = grid.share[grid.inside]
    memberships = {k: _memberships(scaled, _centres(sample, k, seed)) for k in numbers}
    tried = tuple(_trial(u, scaled, area) for u in memberships.values())
    chosen = [_first_minimum([getattr(trial, index) for trial in tried]) for index in ("fpi", "nce")]
    best = tried[min(chosen)]
    labels = _draw(memberships[best.k], grid, smooth_m)
    ranked = _by_rank(labels, features, area)
    return Clusters(
        labels=grid.spread(ranked, fill=0).astype(int),
        k=int(ranked.max()),
        crisp=1 - best.fpi,
        explained=variance_reduction(ranked, scaled, area),
        tried=tried,
        agree=chosen[0] == chosen[1],
    )


def _standardise(features: FloatArray) -> FloatArray:
    """Centre and divide by the standard deviation, without the features that are constant but for rounding."""
    spread = features.std(axis=0)
    varies = spread > 1e-12 * np.abs(features).max(axis=0)
    scaled: FloatArray = (features - features.mean(axis=0))[:, varies] / spread[varies]
    return scaled.round(DIGITS)


def _sample(scaled: FloatArray, seed: int) -> FloatArray:
    if len(scaled) <= SAMPLE:
        return scaled
    return scaled[np.sort(np.random.default_rng(seed).choice(len(scaled), SAMPLE, replace=False))]


def _centres(sample: FloatArray, k: int, seed: int) -> FloatArray:
    """Centres of fuzzy c-means, from the best of a few k-means; the lowest first feature first."""
    chance = np.random.default_rng(seed)
    centres = min((_means(sample, k, chance) for _ in range(STARTS)), key=lambda found: _scatter(sample, found))
    for _ in range(MOST_STEPS):
        weights = _memberships(sample, centres) ** FUZZINESS
        moved = np.einsum("ck,cf->kf", weights, sample) / weights.sum(axis=0)[:, None]  # not @: BLAS threads differ
        settled = np.abs(moved - centres).max() < SETTLED
        centres = moved
        if settled:
            break
    return np.asarray(centres[np.lexsort(centres.T[::-1])])


def _means(sample: FloatArray, k: int, chance: np.random.Generator) -> FloatArray:
    """Centres of one k-means; a cluster that runs empty keeps its centre, fuzzy c-means moves it on."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", "One of the clusters is empty", UserWarning)
        return np.asarray(kmeans2(sample, k, minit="++", rng=chance)[0])


def _scatter(sample: FloatArray, centres: FloatArray) -> float:
    return float(cdist(centres, sample, "sqeuclidean").min(axis=0).sum())


def _memberships(scaled: FloatArray, centres: FloatArray) -> FloatArray:
    """Bezdek (1981): u_ik = d_ik^(-2/(m-1)) / sum_j d_ij^(-2/(m-1)), shape (cells, clusters)."""
    square = np.maximum(cdist(centres, scaled, "sqeuclidean"), 1e-18)  # a cell on a centre belongs to it alone
    closeness = (square.min(axis=0) / square) ** (1 / (FUZZINESS - 1))
    return np.asarray(closeness / closeness.sum(axis=0)).T


def _trial(u: FloatArray, scaled: FloatArray, area: FloatArray) -> Trial:
    explained = variance_reduction(u.argmax(axis=1), scaled, area)
    return Trial(k=u.shape[1], fpi=fpi(u), nce=nce(u), mpe=mpe(u), explained=explained)


def _first_minimum(values: list[float]) -> int:
    """Place of the first value that the next one does not undercut."""
    return next((i for i in range(len(values) - 1) if values[i] <= values[i + 1]), len(values) - 1)


def _draw(u: FloatArray, grid: Grid, smooth_m: float) -> NDArray[np.int_]:
    """Strongest smoothed membership of each inside cell, specks removed: (cells,), counted from 1."""
    if smooth_m == 0:
        return np.asarray(u.argmax(axis=1) + 1)
    # No need to divide by the smoothed mask: at one cell it is the same for every zone.
    sigma = smooth_m / grid.cell
    smooth = [ndimage.gaussian_filter(grid.spread(one, fill=0.0), sigma, mode="constant") for one in u.T]
    labels = (np.argmax(smooth, axis=0) + 1).astype(np.int16)
    speck = min(math.ceil(math.pi * sigma**2), labels.size - 1)  # a wide machine on a small field
    return np.asarray(sieve(labels, speck, connectivity=4, mask=grid.inside)[grid.inside], int)


def _by_rank(labels: NDArray[np.int_], features: FloatArray, area: FloatArray) -> NDArray[np.int_]:
    """Renumber zones 1, 2, .. by their mean of the first feature; of equal ones by the next."""
    found, zone = np.unique(labels, return_inverse=True)
    means = [np.average(features[zone == i], axis=0, weights=area[zone == i]) for i in range(len(found))]
    rank = np.empty(len(found), int)
    rank[np.lexsort(np.transpose(means)[::-1])] = np.arange(1, len(found) + 1)
    return np.asarray(rank[zone])
