"""Time and memory of a 2 GB image on a 65 ha field. Run as a script: ``python tests/benchmarks/bench_imagery.py``.

The image is invented, 16000 x 16000 x 4 pixels of 16 bits in tiles, 5 cm on the ground, and is deleted afterwards.
"""

from __future__ import annotations

import multiprocessing
import os
import resource
import tempfile
import time
from pathlib import Path

import numpy as np
import rasterio
from affine import Affine
from rasterio.windows import Window
from shapely.geometry import box

from rxmap.grid import Frame, make_grid
from rxmap.plan import read_plan
from rxmap.read.imagery import read_raster
from rxmap.read.layers import read_layers
from rxmap.read.reader import PixelReader

SIDE, PIXEL, TILE = 16_000, 0.05, 512
REACH = 400.0  # [m] half the side of a field of 64 ha, all of the image
FRAME = Frame(lon=10.0, lat=50.0)
PLAN = """
[field]
name = "Invented field"
boundary = "boundary.geojson"
crop = "reed barley"
[scouting]
[[target]]
name = "lake rust"
measure = "severity"
threshold = 3
source = "own"
[imagery]
file = "image.tif"
bands = { red = 3, nir = 4 }
index = ["NDVI"]
"""


def make_image(path: Path) -> None:
    """Write smooth patches with noise, tile by tile."""
    reach = SIDE * PIXEL / 2
    draw = np.random.default_rng(1)
    noise = draw.integers(0, 400, (4, TILE, TILE), dtype=np.uint16)
    profile = {"driver": "GTiff", "tiled": True, "blockxsize": TILE, "blockysize": TILE, "interleave": "pixel"}
    profile |= {"crs": FRAME.wkt, "transform": Affine(PIXEL, 0, -reach, 0, -PIXEL, reach)}
    with rasterio.open(path, "w", width=SIDE, height=SIDE, count=4, dtype="uint16", bigtiff="yes", **profile) as out:
        for top in range(0, SIDE, TILE):
            for left in range(0, SIDE, TILE):
                high, wide = min(TILE, SIDE - top), min(TILE, SIDE - left)
                tile = noise[:, :high, :wide] + np.uint16(5000 + 1000 * np.sin(top / 2000) + 1000 * np.cos(left / 3000))
                out.write(tile, window=Window(left, top, wide, high))


def seconds(call, *args) -> float:
    """How long a call took [s]."""
    start = time.perf_counter()
    call(*args)
    return time.perf_counter() - start


def plain_read(path: Path) -> None:
    """Read the file from end to end and forget it."""
    with path.open("rb", buffering=0) as file:
        buffer = bytearray(8_000_000)
        while file.readinto(buffer):
            pass


def measure(folder: Path, results: multiprocessing.Queue) -> None:
    """Read the NDVI in a process of its own, so that the peak is this job's."""
    plan = read_plan(folder / "plan.toml")
    grid = make_grid(box(-REACH, -REACH, REACH, REACH), 3.0)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    path = folder / "image.tif"
    with PixelReader() as reader:
        how = {"grid": grid, "frame": FRAME, "reader": reader}
        first = seconds(lambda: read_raster(path, path.name, [3, 4], **how))
        pixels = [seconds(lambda: read_raster(path, path.name, [3, 4], **how)) for _ in range(3)]
        both = [seconds(lambda: read_layers(plan, **how)) for _ in range(3)]
    peaks = [resource.getrusage(who).ru_maxrss / 1024 for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    results.put((first, min(pixels), min(both), before, peaks))


def main() -> None:
    """Print one line for each way of reading."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path = folder / "image.tif"
        (folder / "plan.toml").write_text(PLAN, encoding="utf-8")
        make_image(path)
        plain_read(path)
        plain = min(seconds(plain_read, path) for _ in range(3))
        spawn = multiprocessing.get_context("spawn")
        results = spawn.Queue()
        process = spawn.Process(target=measure, args=(folder, results))
        process.start()
        first, pixels, both, before, peaks = results.get()
        process.join()
        print(f"{path.stat().st_size / 1e9:.2f} GB, load {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
        print(f"plain read of all bytes      {plain:5.2f} s")
        print(
            f"red and nir to cells of 3 m  {pixels:5.2f} s, {pixels / plain:.1f} x the plain read ({first:.2f} s cold)"
        )
        print(f"the layer, SHA-256 beside it {both:5.2f} s, {both / plain:.1f} x")
        print(f"memory at its peak           {peaks[0]:5.0f} MB, {before:.0f} before; parsing {peaks[1]:.0f} MB")


if __name__ == "__main__":
    main()
