"""How often three ways to read check strips hold the true gain of simulated seasons.

Points as if independent, points with an exponential correlation fitted by likelihood (generalised least squares, one
gain for all strips), and the paired difference of each strip, which is what a review uses.
"""

from __future__ import annotations

import importlib.util
import math
import sys
from pathlib import Path

import numpy as np
import shapely

from rxmap.review.grounds import StripGround, compare_places, strip_ground
from rxmap.review.intervals import paired_interval

Z = 1.645  # 5-95 % of a normal distribution
RANGES, SHARES = (10.0, 20.0, 40.0, 80.0), (0.1, 0.3, 0.5, 0.7)  # [m] exponential; of the variance that is spatial


def blocks(grounds: list[StripGround], places: np.ndarray, values: np.ndarray) -> list[tuple[np.ndarray, ...]]:
    """Places, yields and treatment around each strip, every second point."""
    found = []
    for ground in grounds:
        on = shapely.contains_xy(ground.on, places[:, 0], places[:, 1])
        beside = shapely.contains_xy(shapely.union_all(ground.sides), places[:, 0], places[:, 1])
        kept = np.flatnonzero(on | beside)[::2]
        if on[kept].sum() > 3:
            found.append((places[kept], values[kept], beside[kept].astype(float)))
    return found


def fitted(parts: list[tuple[np.ndarray, ...]], reach: float, share: float) -> tuple[float, float, float]:
    """Log likelihood, gain and its standard error under one correlation; each strip has a mean of its own."""
    information, score, rest, logdet, count = 0.0, 0.0, 0.0, 0.0, 0
    for places, values, treated in parts:
        apart = np.linalg.norm(places[:, None] - places[None], axis=-1)
        root = np.linalg.cholesky(share * np.exp(-apart / reach) + (1 - share) * np.eye(len(places)))
        one, y, x = (np.linalg.solve(root, v) for v in (np.ones(len(values)), values, treated))
        y, x = (v - one * (one @ v) / (one @ one) for v in (y, x))
        information, score, rest = information + x @ x, score + x @ y, rest + y @ y
        logdet, count = logdet + 2 * np.log(np.diag(root)).sum(), count + len(values) - 1
    gain = score / information
    variance = (rest - gain * score) / (count - 1)
    return -0.5 * (count * math.log(variance) + logdet), gain, math.sqrt(variance / information)


def correlated(parts: list[tuple[np.ndarray, ...]]) -> tuple[float, float]:
    _, gain, error = max(fitted(parts, reach, share) for reach in RANGES for share in SHARES)
    return gain, error


def main(seasons: int, patchy: float) -> None:
    spec = importlib.util.spec_from_file_location("simulated", Path(__file__).parents[1] / "review/simulated.py")
    simulated = importlib.util.module_from_spec(spec)
    sys.modules["simulated"] = simulated
    spec.loader.exec_module(simulated)
    held = {"points as independent": [], "points, correlation fitted": [], "paired by strip": []}
    wide = {name: [] for name in held}
    for seed in range(seasons):
        truth = simulated.season(seed, patchy=patchy)
        grounds = [strip_ground(n, s, truth.treated, header_m=simulated.HEADER) for n, s in enumerate(truth.strips, 1)]
        parts = blocks(grounds, truth.places, truth.yields)
        pairs, _ = compare_places(grounds, truth.places, truth.yields)
        paired = paired_interval([pair.gain for pair in pairs])
        if paired is None:  # no room for strips
            continue
        _, gain, error = fitted(parts, 1.0, 0.0)
        found = [(gain - Z * error, gain + Z * error)]
        gain, error = correlated(parts)
        found += [(gain - Z * error, gain + Z * error), (paired.low, paired.high)]
        for name, (low, high) in zip(held, found, strict=True):
            held[name].append(low <= truth.gain <= high)
            wide[name].append(high - low)
    for name in held:
        print(f"{name:28s} holds {100 * np.mean(held[name]):5.1f} %  mean width {np.mean(wide[name]):.2f} t/ha")


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    for patchiness in (0.1, 0.3, 0.6):
        print(f"{count} seasons; sd of the logarithm of the pressure {patchiness:g}")
        main(count, patchiness)
