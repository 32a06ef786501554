"""Times of the treated area on invented fields. Run as a script: ``python tests/benchmarks/bench_cut.py``."""

from __future__ import annotations

import time

import numpy as np
from scipy.ndimage import gaussian_filter

from rxmap.decide.cut import cut_value, treated_area
from rxmap.decide.edge import EdgePrice
from rxmap.decide.shape import keep_paying, machine_footprint, widen_or_drop

CELL = 5.0  # [m]


def invented_benefit(side: int, *, reach: float, texture: float, seed: int = 1) -> np.ndarray:
    """Benefit per cell [money]: smooth patches of `reach` cells, with texture like that of an image."""
    draw = np.random.default_rng(seed).standard_normal
    patches, grain = gaussian_filter(draw((side, side)), reach), gaussian_filter(draw((side, side)), 1.0)
    return CELL**2 * (0.003 * (patches / patches.std() + texture * grain / grain.std()) - 0.0005)


def seconds(call, *args, **options):
    """Result of a call and how long it took [s]."""
    start = time.perf_counter()
    result = call(*args, **options)
    return result, time.perf_counter() - start


def main() -> None:
    """Print one line for each field and price."""
    print("  cells  field     price    cut s  opening s  pruning s  share  value")
    footprint = machine_footprint(CELL, CELL, width=24.0, run=20.0, aligned=True)
    for side in (200, 400):
        inside = np.hypot(*np.indices((side, side)) - side / 2) < 0.6 * side
        for name, reach, texture in (("smooth", 40.0, 0.0), ("patchy", 12.0, 0.0), ("textured", 12.0, 0.8)):
            benefit = invented_benefit(side, reach=reach, texture=texture)
            for mean in (0.005, 0.02, 0.05):
                price = EdgePrice(along=mean, across=0.57 * mean, aligned=False)
                treated, cut = seconds(treated_area, benefit, inside, price, CELL)
                opened, opening = seconds(widen_or_drop, treated, inside, footprint)
                kept, pruning = seconds(keep_paying, opened, benefit, price, CELL, inside=inside)
                value = cut_value(kept, benefit, price, CELL, inside=inside)
                print(
                    f"{inside.sum():7d}  {name:8s}  {mean:.3f}  {cut:7.3f}  {opening:9.3f}  {pruning:9.3f}"
                    f"  {kept.sum() / inside.sum():5.2f}  {value:.1f}"
                )


if __name__ == "__main__":
    main()
