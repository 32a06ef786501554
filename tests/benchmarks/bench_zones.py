"""Times of zones and their polygons on invented fields: ``python tests/benchmarks/bench_zones.py``."""

from __future__ import annotations

import time

import numpy as np
from scipy.ndimage import gaussian_filter
from shapely.geometry import LineString, Point

from rxmap.grid import Frame, make_grid
from rxmap.zones.clusters import make_zones
from rxmap.zones.polygons import coverage, label_polygons

FRAME = Frame(lon=10.0, lat=50.0)


def patches(shape: tuple[int, int], reach: float, seed: int) -> np.ndarray:
    """Invented expected loss with patches of `reach` cells."""
    field = gaussian_filter(np.random.default_rng(seed).standard_normal(shape), reach)
    return np.exp(field / field.std())


def best_of(runs: int, call, *args, **options):
    """Result of a call and its shortest time [s]."""
    times = []
    for _ in range(runs):
        start = time.perf_counter()
        result = call(*args, **options)
        times.append(time.perf_counter() - start)
    return result, min(times)


def main() -> None:
    """Print one line per size of field."""
    print("   cells  faces  vertices  4 zones [s]  choosing [s]  polygons [s]  coverage [s]")
    for radius in (150, 455, 680):
        field = Point(0, 0).buffer(radius, quad_segs=50).difference(Point(radius / 4, 60).buffer(30))
        grid = make_grid(field, 3.0)
        loss = np.column_stack([patches(grid.shape, reach, seed)[grid.inside] for seed, reach in ((1, 12), (2, 25))])
        zones, clustering = best_of(3, make_zones, loss, grid, zones=4, smooth_m=9.0, seed=1)
        _, choosing = best_of(3, make_zones, loss, grid, zones=None, smooth_m=9.0, seed=1)
        drawn, drawing = best_of(3, label_polygons, zones.labels, grid, tolerance=3.0)
        keep_out = LineString([(-radius, -30), (0, 20), (radius, -40)]).buffer(20)
        layers, boundary = [(9, keep_out), *drawn], FRAME.geometry_to_lonlat(field)
        faces, fitting = best_of(3, coverage, boundary, layers, FRAME, rest=0, protected=[9])
        vertices = sum(len(face.polygon.exterior.coords) for face in faces)
        print(
            f"{len(loss):8d}  {len(faces):5d}  {vertices:8d}  {clustering:11.2f}"
            f"  {choosing:12.2f}  {drawing:12.3f}  {fitting:12.3f}"
        )


if __name__ == "__main__":
    main()
