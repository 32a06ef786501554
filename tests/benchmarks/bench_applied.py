"""Times of the layer as applied on an invented field of 65 ha: ``python tests/benchmarks/bench_applied.py``."""

from __future__ import annotations

import time

import numpy as np
import shapely
from scipy.ndimage import gaussian_filter

from rxmap.grid import make_grid
from rxmap.passes.applied import as_applied, best_heading
from rxmap.plan import Machine
from rxmap.zones.polygons import label_polygons

FIELD = shapely.box(-403, -403, 403, 403)


def patches(seed: int) -> shapely.MultiPolygon:
    """Invented treated ground: about half of the field, edges followed to 6 m."""
    grid = make_grid(FIELD, 6.0)
    rough = gaussian_filter(np.random.default_rng(seed).standard_normal(grid.shape), 10)
    labels = np.where(grid.inside, 1 + (rough > 0), 0)
    drawn = label_polygons(labels, grid, tolerance=6.0)
    return shapely.MultiPolygon([p for label, p in drawn if label == 2]).intersection(FIELD)


def machine(swath: str, sections: int, heading: float) -> Machine:
    """Ground rig at 5 m/s, 0.4 s late."""
    return Machine.model_validate(
        {"kind": "ground", "swath": swath, "sections": sections, "carrier": "100 L/ha", "tank": "3000 L"}
        | {"speed": "5 m/s", "delay": "0.4 s", "heading": heading}
    )


def best_of(runs: int, call, *args, **options):
    """Result of a call and its shortest time [s]."""
    times = []
    for _ in range(runs):
        start = time.perf_counter()
        result = call(*args, **options)
        times.append(time.perf_counter() - start)
    return result, min(times)


def main() -> None:
    """Print one line for each machine."""
    ground = patches(1)
    grid = make_grid(FIELD, 3.0)
    edge = shapely.length(ground)
    print("swath  sections    s  treated ha  missed ha  off ha  m2 per m of edge  best heading [s]")
    for swath, sections in (("36 m", 1), ("24 m", 1), ("24 m", 8), ("36 m", 48), ("9 m", 1)):
        rig = machine(swath, sections, 30.0)
        told, seconds = best_of(5, as_applied, [(1.0, ground)], field_ground=FIELD, grid=grid, machine=rig)
        _, searching = best_of(1, best_heading, [(1.0, ground)], rig)
        per_m = (told.missed_ha + told.off_target_ha) * 1e4 / edge
        print(
            f"{swath:5s}  {sections:8d}  {seconds:.2f}  {told.treated_ha:9.2f}  {told.missed_ha:9.2f}"
            f"  {told.off_target_ha:6.2f}  {per_m:16.2f}  {searching:16.2f}"
        )


if __name__ == "__main__":
    main()
