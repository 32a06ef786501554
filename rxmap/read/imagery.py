"""Images and other raster layers, averaged onto the cells of the field grid.

An orthomosaic of a field can be gigabytes; only the window over the field is read, in strips, and
summed on the way to blocks of at most half a cell, so memory stays small. A cell is the mean of
what lies under it, taken between the centres of the blocks, which a plane passes unchanged however
the image is turned.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyproj
import shapely
from scipy.ndimage import map_coordinates

from rxmap.errors import Caution, InputError
from rxmap.grid import FloatArray, Frame, Grid
from rxmap.read.crs import WGS84, crs_of_wkt, to_wgs84
from rxmap.read.reader import PixelReader
from rxmap.read.wire import LARGEST_BLOCK, Form

SMALLEST_PIXEL, LARGEST_PIXEL = 1e-4, 1e5  # [m] our limits: beyond, the georeference is damaged
NODES = 33  # along each side of the grid; straight lines between them are true to 1 mm on a 5 km field
MOST_PLACES = 1_000_000  # interpolated at a time
LEAST_SEEN = 0.5  # share of a cell that must be valid
SIDE_CARS = (".aux.xml", ".ovr", ".msk")


@dataclass(frozen=True, slots=True, kw_only=True)
class Raster:
    """Bands of one file on the field grid.

    Parameters
    ----------
    values : ndarray, shape (bands, rows, columns)
        Means over each cell; NaN where the file has nothing.
    how : str
        How the means were taken, for the record.
    cautions : tuple of Caution
        Coarse pixels, a coarse datum shift.
    """

    values: FloatArray
    how: str
    cautions: tuple[Caution, ...]


def read_raster(
    path: Path, name: str, bands: Sequence[int], *, grid: Grid, frame: Frame, reader: PixelReader | None = None
) -> Raster:
    """Average bands of a GeoTIFF onto the field grid.

    Parameters
    ----------
    path : Path
        The file, absolute; it has passed the door.
    name : str
        As the plan gives it.
    bands : sequence of int
        Counted from 1.
    grid, frame : Grid, Frame
        The cells to average to.
    reader : PixelReader, optional
        The process that parses it; by default one of its own.

    Raises
    ------
    InputError
        If it is no readable GeoTIFF, has no usable place on the ground, lacks a band, is no
        measurement, holds an undeclared filler or has nothing over the field.
    """
    if reader is None:
        with PixelReader() as own:
            return read_raster(path, name, bands, grid=grid, frame=frame, reader=own)
    form = reader.describe(path, name, bands=bands)
    x, y, caution = _nodes(form, name, grid, frame)
    finest = _pixel(form, name, x, y, grid).max()
    level = _overview(form, grid.cell / 2 / finest)
    if level is not None:
        small = reader.describe(path, name, level=level, bands=bands)
        middle = _apply(_back(small.transform), x.mean(), y.mean())
        if reader.averages(path, name, level=level, band=bands[0], middle=middle):
            form = small
        else:
            level = None
    pixel = _pixel(form, name, x, y, grid)
    block = min(max(1, math.floor(grid.cell / 2 / pixel.max())), LARGEST_BLOCK)
    column, row = _apply(_back(form.transform), x, y)
    window = _window(form, name, column, row, block)
    sums, counts = reader.sums(path, name, level=level, bands=list(bands), window=window, block=block)
    at = (row - window[1]) / block - 0.5, (column - window[0]) / block - 0.5
    fine = min(max(1, math.ceil(grid.cell / (block * pixel.min()))), 4)
    values = _on_grid(sums / block**2, counts / block**2, at, grid, fine)
    for band, value in zip(bands, values, strict=True):
        if not np.isfinite(value[grid.inside]).any():
            raise InputError(
                f"{name}: band {band} has no valid pixel over the field. Is it nodata, or another field's?"
            )
    cautions = (caution, _coarse(name, pixel.max(), grid.cell))
    how = _how(path, block, pixel.max(), level)
    return Raster(values=values, how=how, cautions=tuple(c for c in cautions if c is not None))


def _apply(transform: Sequence[float], first: Any, second: Any) -> tuple[Any, Any]:
    """Column and row to the image's coordinates or, by the way back, the reverse."""
    a, b, c, d, e, f = transform
    return a * first + b * second + c, d * first + e * second + f


def _back(transform: Sequence[float]) -> tuple[float, ...]:
    a, b, c, d, e, f = transform
    scale = 1.0 / (a * e - b * d)
    a, b, d, e = e * scale, -b * scale, -d * scale, a * scale
    return a, b, -c * a - f * b, d, e, -c * d - f * e


def _nodes(form: Form, name: str, grid: Grid, frame: Frame) -> tuple[FloatArray, FloatArray, Caution | None]:
    """Places of a lattice over the grid in the image's system, and what is to be said of the way there."""
    crs = crs_of_wkt(name, form.wkt)
    centre = _apply(form.transform, form.width / 2, form.height / 2)
    _, shift = to_wgs84(name, [shapely.Point(centre)], crs)
    west, south, east, north = grid.bounds
    easting, northing = np.meshgrid(np.linspace(west, east, NODES), np.linspace(north, south, NODES))
    to_image = pyproj.Transformer.from_crs(crs, WGS84, always_xy=True, allow_ballpark=False)
    x, y = to_image.transform(*frame.to_lonlat(easting, northing), direction="INVERSE")
    if not np.isfinite([x, y]).all():
        raise InputError(f"{name}: its coordinate system '{crs.name}' does not reach the field. Check it.")
    return np.asarray(x), np.asarray(y), shift.caution(name) if shift else None


def _pixel(form: Form, name: str, x: FloatArray, y: FloatArray, grid: Grid) -> FloatArray:
    """Length on the ground of a step along the columns and of one along the rows [m]."""
    pixels = np.array(_apply(_back(form.transform), x, y))
    west, south, east, north = grid.bounds
    per_metre = np.column_stack(
        [(pixels[:, 0, -1] - pixels[:, 0, 0]) / (east - west), (pixels[:, 0, 0] - pixels[:, -1, 0]) / (north - south)]
    )
    if np.linalg.det(per_metre) == 0 or not np.isfinite(per_metre).all():
        raise InputError(f"{name}: its pixels have no size over the field. Export it again.")
    size: FloatArray = np.linalg.norm(np.linalg.inv(per_metre), axis=0)
    if size.min() < SMALLEST_PIXEL or size.max() > LARGEST_PIXEL:
        raise InputError(
            f"{name}: has pixels of {size[0]:.3g} m x {size[1]:.3g} m, no image of a field. Check its place."
        )
    return size


def _overview(form: Form, most: float) -> int | None:
    """Find the coarsest overview of at most `most` pixels; None without one."""
    usable = [number for number, factor in enumerate(form.factors) if factor <= most]
    return max(usable, key=lambda number: form.factors[number], default=None)


def _window(form: Form, name: str, column: FloatArray, row: FloatArray, block: int) -> tuple[int, int, int, int]:
    """Left, top, width, height of the field and a block around it, in whole blocks but for the image's end."""
    edges = []
    for along, size in ((column, form.width), (row, form.height)):
        first = min(max(math.floor(along.min()) - block - 1, 0), size)
        count = math.ceil((along.max() + block + 1 - first) / block) * block
        edges.append((first, min(first + max(count, 0), size)))
    (left, right), (top, bottom) = edges
    if column.max() <= 0 or column.min() >= form.width or row.max() <= 0 or row.min() >= form.height:
        found, due = (_apply(form.transform, *at) for at in ((0, 0), (column.mean(), row.mean())))
        raise InputError(
            f"{name}: lies elsewhere: it begins at {found[0]:.7g}, {found[1]:.7g} and the field is at {due[0]:.7g}, "
            f"{due[1]:.7g} in its coordinate system. Is it another field's?"
        )
    return left, top, right - left, bottom - top


def _on_grid(
    sums: FloatArray, seen: FloatArray, at: tuple[FloatArray, FloatArray], grid: Grid, fine: int
) -> FloatArray:
    """Mean of each cell over `fine` x `fine` places in it, each interpolated between the centres of valid blocks.

    `sums` and `seen`, (bands, rows, columns), are over the size of a full block; `at` is where the
    lattice of the nodes lies among the blocks' centres, row and column.
    """
    rows, columns = grid.shape
    out = np.full((len(sums), rows, columns), np.nan)
    down, across = _hats(rows * fine), _hats(columns * fine)
    step = max(1, MOST_PLACES // (columns * fine**2))
    for top in range(0, rows, step):
        part = slice(top, min(top + step, rows))
        places = [down[part.start * fine : part.stop * fine] @ nodes @ across.T for nodes in at]
        for number, (band, valid) in enumerate(zip(sums, seen, strict=True)):
            # whether ground is seen is asked of the block that covers it: weights between centres fade at any rim
            share, weight, total = (
                map_coordinates(layer, places, order=order, mode="grid-constant", prefilter=False)
                .reshape(-1, fine, columns, fine)
                .mean(axis=(1, 3))
                for layer, order in ((valid, 0), (valid, 1), (band, 1))
            )
            np.divide(total, weight, out=out[number, part], where=share >= LEAST_SEEN - 1e-9)
    return out


def _hats(count: int) -> FloatArray:
    """Weights that interpolate linearly from the nodes to the middles of `count` equal steps: (count, nodes)."""
    places = (np.arange(count) + 0.5) / count * (NODES - 1)
    return np.maximum(0.0, 1.0 - np.abs(places[:, None] - np.arange(NODES)))


def _coarse(name: str, pixel: float, cell: float) -> Caution | None:
    if pixel <= cell * 1.001:  # pixels of the cell's own size come with a rounding of the projection
        return None
    return Caution(
        "coarse_image",
        f"{name} has pixels of {pixel:.3g} m, coarser than the cells of {cell:g} m. Values between the pixels' centres "
        "are interpolated, not seen.",
    )


def _how(path: Path, block: int, pixel: float, level: int | None) -> str:
    """Say how the means were taken."""
    what = f"means of {block} x {block} pixels of {pixel:.3g} m" if block > 1 else f"pixels of {pixel:.3g} m"
    source = ", the file's own overview" if level is not None else ""
    beside = [path.name + suffix for suffix in SIDE_CARS if path.with_name(path.name + suffix).exists()]
    ignored = f"; {', '.join(beside)} beside it not read" if beside else ""
    return f"{what}{source}, interpolated between their centres{ignored}"
