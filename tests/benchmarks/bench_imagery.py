"""Time and memory of a 2 GB image on a 65 ha field. Run as a script: ``python tests/benchmarks/bench_imagery.py``.

The image is invented, 16000 x 16000 x 4 pixels of 16 bits in tiles, 5 cm on the ground, and is deleted afterwards.
"""

from __future__ import annotations

import hashlib
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
from rxmap.read.imagery import read_raster

SIDE, PIXEL, TILE = 16_000, 0.05, 512
FRAME = Frame(lon=10.0, lat=50.0)


def make_image(path: Path) -> None:
    """Write smooth patches with noise, tile by tile."""
    reach = SIDE * PIXEL / 2 + 1
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


def measure(path: Path, results: multiprocessing.Queue) -> None:
    """Read red and near infrared in a process of its own, so that the peak is this job's."""
    reach = 403.0
    grid = make_grid(box(-reach, -reach, reach, reach), 3.0)
    idle = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    start = time.process_time()
    times = [seconds(lambda: read_raster(path, path.name, [3, 4], grid=grid, frame=FRAME)) for _ in range(3)]
    used = (time.process_time() - start) / 3
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    results.put((min(times), used, idle, peak))


def main() -> None:
    """Print one line for each way of reading."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "image.tif"
        make_image(path)
        plain_read(path)
        plain = min(seconds(plain_read, path) for _ in range(3))
        results: multiprocessing.Queue = multiprocessing.get_context("spawn").Queue()
        process = multiprocessing.get_context("spawn").Process(target=measure, args=(path, results))
        process.start()
        best, used, idle, peak = results.get()
        process.join()
        digest = seconds(lambda: hashlib.file_digest(path.open("rb"), "sha256"))
        print(f"{path.stat().st_size / 1e9:.2f} GB, load {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
        print(f"plain read of all bytes  {plain:5.2f} s")
        print(f"red and nir to 3 m cells {best:5.2f} s (processor {used:.2f} s), {best / plain:.1f} x the plain read")
        print(f"SHA-256                  {digest:5.2f} s, in a thread beside it")
        print(f"memory at its peak       {peak:5.0f} MB, of which {idle:.0f} MB before")


if __name__ == "__main__":
    main()
