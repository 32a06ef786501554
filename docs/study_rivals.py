"""What the study in `docs/surfaces.md` compares with: kriging as it is usually fitted, and inverse distance.

Each rival tells a mean, the spread of the pressure itself, and the spread of one more look, at places.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize, nnls

from rxmap.surface import Kriging
from rxmap.surface.covariance import correlation, distances

BINS = 15  # and a third of the diagonal: defaults of the R package gstat
REACHES = 80  # ranges tried, evenly spaced on a log scale


@dataclass(frozen=True)
class Told:
    """Mean of the pressure at places, its spread, and that of one more look there; each of shape (m,)."""

    mean: np.ndarray
    spread: np.ndarray
    look: np.ndarray


def empirical_variogram(stops: np.ndarray, values: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Pairs, mean distance and semivariance in the bins that gstat takes by default."""
    first, second = np.triu_indices(len(stops), 1)
    apart = np.hypot(*(stops[first] - stops[second]).T)
    half = 0.5 * (values[first] - values[second]) ** 2
    cutoff = np.hypot(*np.ptp(stops, axis=0)) / 3.0
    near = (apart <= cutoff) & (apart > 0.0)
    at = np.minimum((apart[near] / (cutoff / BINS)).astype(int), BINS - 1)
    pairs = np.bincount(at, minlength=BINS)
    held = pairs > 0
    distance = np.bincount(at, apart[near], BINS)[held] / pairs[held]
    return pairs[held], distance, np.bincount(at, half[near], BINS)[held] / pairs[held]


def fitted_variogram(
    stops: np.ndarray, values: np.ndarray, kernels: tuple[str, ...]
) -> tuple[str, float, float, float]:
    """Kernel, nugget, partial sill and range with the least squares, weighed by pairs / distance^2 (gstat's default).

    For one range nugget and sill are linear: solved exactly, neither below 0.
    """
    pairs, distance, semivariance = empirical_variogram(stops, values)
    root = np.sqrt(pairs) / distance
    best = (np.inf, kernels[0], float(values.var()), 0.0, float(distance.max()))
    for kernel in kernels:
        for reach in np.geomspace(distance.min() / 2.0, 4.0 * distance.max(), REACHES):
            rise = 1.0 - correlation(distance, kernel, reach)  # type: ignore[arg-type]
            (nugget, sill), misfit = nnls(
                root[:, None] * np.column_stack([np.ones_like(rise), rise]), root * semivariance
            )
            if misfit < best[0] - 1e-12:
                best = (misfit, kernel, nugget, sill, float(reach))
    return best[1:]


def moments_kriging(stops: np.ndarray, values: np.ndarray, places: np.ndarray) -> Told:
    """Ordinary kriging with a variogram fitted by moments, the better of exponential and spherical."""
    kernel, nugget, sill, reach = fitted_variogram(stops, values, ("exponential", "spherical"))
    floor = max(1e-6 * float(values.var()), 1e-12)
    return _kriged(Kriging(stops, values, kernel, reach, max(sill, floor), max(nugget, floor)), places)  # type: ignore[arg-type]


def raw_kriging(stops: np.ndarray, values: np.ndarray, places: np.ndarray) -> Told:
    """Ordinary kriging of the raw pressure, range and nugget by restricted likelihood without priors."""
    apart, ones = distances(stops, stops), np.ones(len(stops))
    side = float(np.ptp(stops, axis=0).max())

    def misfit(at: np.ndarray) -> float:
        reach, ratio = np.exp(at)
        if not (0.01 * side < reach < 5.0 * side and 1e-4 < ratio < 1e3):
            return 1e10
        lower = np.linalg.cholesky(np.exp(-3.0 * apart / reach) + (ratio + 1e-9) * np.eye(len(stops)))
        u, z = np.linalg.solve(lower, ones), np.linalg.solve(lower, values)
        left = z - u * (u @ z) / (u @ u)
        return float((len(stops) - 1) / 2 * np.log(left @ left) + np.log(np.diag(lower)).sum() + 0.5 * np.log(u @ u))

    starts = [np.log([side / 6.0, 0.3]), np.log([side / 2.0, 1.0])]
    options = {"xatol": 0.02, "fatol": 0.01, "maxiter": 120}
    best = min(
        (minimize(misfit, start, method="Nelder-Mead", options=options) for start in starts), key=lambda one: one.fun
    )
    reach, ratio = np.exp(best.x)
    unit = Kriging(stops, values, "exponential", reach, 1.0, ratio + 1e-9)
    error, variance = values - unit.leave_one_out()[0], unit.leave_one_out()[1]
    sill = max(float((error**2 / variance).mean()) * (len(stops) - 1) / len(stops), 1e-12)
    return _kriged(Kriging(stops, values, "exponential", reach, sill, sill * (ratio + 1e-9)), places)


def inverse_distance(stops: np.ndarray, values: np.ndarray, places: np.ndarray) -> Told:
    """Inverse squared distance over all stops; its spread is that of its own left-out errors."""

    def weighed(apart: np.ndarray) -> np.ndarray:
        weights = 1.0 / np.maximum(apart, 1e-6) ** 2
        return (weights * values[:, None]).sum(axis=0) / weights.sum(axis=0)

    among = distances(stops, stops)
    among[np.diag_indices_from(among)] = np.inf
    spread = np.full(len(places), max(float(np.sqrt(((values - weighed(among)) ** 2).mean())), 1e-9))
    return Told(weighed(distances(places, stops)), spread, spread)


def _kriged(kriging: Kriging, places: np.ndarray) -> Told:
    mean, variance = kriging.predict(places)
    return Told(mean, np.sqrt(variance), np.sqrt(variance + kriging.nugget))
