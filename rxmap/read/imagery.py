"""Images and other raster layers, averaged onto the cells of the field grid.

An orthomosaic of a field can be gigabytes; only the window over the field is read, in strips, and
summed on the way to blocks of at most half a cell, so memory stays small. A cell is the mean of
what lies under it, taken between the centres of the blocks, which a plane passes unchanged however
the image is turned.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyproj
import rasterio
import shapely
from rasterio.enums import ColorInterp
from rasterio.errors import CRSError, NotGeoreferencedWarning, RasterioError
from rasterio.windows import Window
from scipy.ndimage import map_coordinates

from rxmap.errors import Caution, InputError, shown
from rxmap.grid import FloatArray, Frame, Grid
from rxmap.read.blocks import LARGEST_BLOCK, block_sums
from rxmap.read.crs import WGS84, crs_of_wkt, to_wgs84

LARGEST_PIECE = 128_000_000  # [byte] our limit: a tile or strip is decoded whole
MOST_BANDS = 64  # our limit
MOST_DECLARED = 4e10  # [pixel] our limit: 100 km2 at 5 cm
SMALLEST_PIXEL, LARGEST_PIXEL = 1e-4, 1e5  # [m] our limits: beyond, the georeference is damaged
NODES = 33  # along each side of the grid; straight lines between them are true to 1 mm on a 5 km field
SAMPLE = 16  # pixels along the side of the sample by which an overview is judged
MOST_PLACES = 1_000_000  # interpolated at a time
LEAST_SEEN = 0.5  # share of a cell that must be valid
SIDE_CARS = (".aux.xml", ".ovr", ".msk")
# A foreign file is parsed with everything turned off by which it could reach other files or addresses.
CLOSED = {
    "GDAL_DISABLE_READDIR_ON_OPEN": "EMPTY_DIR",
    "GDAL_PAM_ENABLED": "NO",
    "GDAL_GEOREF_SOURCES": "INTERNAL",
    "GDAL_HTTP_PROXY": "127.0.0.1:9",
    "GDAL_HTTPS_PROXY": "127.0.0.1:9",
    "CPL_VSIL_CURL_ALLOWED_EXTENSIONS": ".none",
}
QUICK = {"GDAL_CACHEMAX": 128, "GDAL_NUM_THREADS": "ALL_CPUS"}  # [MB], a row of tiles in all bands; to unpack them


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


def read_raster(path: Path, name: str, bands: Sequence[int], *, grid: Grid, frame: Frame) -> Raster:
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

    Raises
    ------
    InputError
        If it is no readable GeoTIFF, has no usable place on the ground, lacks a band, is no
        measurement, holds an undeclared filler or has nothing over the field.
    """
    with _opened(path, name) as source:
        _check_form(source, name, bands)
        x, y, caution = _nodes(source, name, grid, frame)
        finest = _pixel(source, name, x, y, grid).max()
        level = _overview(source, bands, grid.cell / 2 / finest)
        if level is not None:
            with _opened(path, name, level) as small:
                level = level if _averages(source, small, bands[0], (x.mean(), y.mean())) else None
    with _opened(path, name, level) as source:
        pixel = _pixel(source, name, x, y, grid)
        block = min(max(1, math.floor(grid.cell / 2 / pixel.max())), LARGEST_BLOCK)
        column, row = _apply(~source.transform, x, y)
        window = _window(source, name, column, row, block)
        sums, counts = block_sums(source, name, bands, window, block)
    at = (row - window.row_off) / block - 0.5, (column - window.col_off) / block - 0.5
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


@contextmanager
def _opened(path: Path, name: str, level: int | None = None) -> Iterator[Any]:
    with rasterio.Env(**CLOSED, **QUICK), warnings.catch_warnings():
        warnings.simplefilter("error", NotGeoreferencedWarning)  # what it then calls the transform may be anything
        options = {} if level is None else {"overview_level": level}
        try:
            with rasterio.open(path, driver="GTiff", **options) as source:
                yield source
        except NotGeoreferencedWarning:
            raise InputError(_unplaced(name, "no georeference")) from None
        except (RasterioError, CRSError, UnicodeDecodeError) as error:  # the last from damaged text in the file
            reason = shown(error.__cause__ or error, 120)
            raise InputError(f"{name}: not a readable GeoTIFF ({reason}). Export the image again.") from None


def _unplaced(name: str, has: str) -> str:
    return (
        f"{name}: has {has}, so its pixels have no place on the ground. Export it rectified, with its georeference "
        "inside the file."
    )


def _check_form(source: Any, name: str, bands: Sequence[int]) -> None:
    if source.gcps[0] or source.transform.is_identity:
        raise InputError(_unplaced(name, "control points only" if source.gcps[0] or source.rpcs else "no georeference"))
    if source.crs is None:
        raise InputError(
            f"{name}: has no coordinate system. Export it as a GeoTIFF with its georeference inside the file."
        )
    if not (np.isfinite(source.transform[:6]).all() and source.transform.determinant):
        raise InputError(f"{name}: its pixels have no size. Export it again.")
    if source.count > MOST_BANDS or source.width * source.height > MOST_DECLARED:
        raise InputError(
            f"{name}: declares {source.width} x {source.height} pixels in {source.count} bands, more than an image of "
            "a field has. Cut it to the field."
        )
    if source.tags(ns="OVERVIEWS"):
        raise InputError(f"{name}: takes its overviews from another file. Export it with its overviews inside.")
    for band in bands:
        _check_band(source, name, band)
    height, width = source.block_shapes[bands[0] - 1]
    if height * width * _pixel_bytes(source) > LARGEST_PIECE:
        raise InputError(f"{name}: stored in pieces of {width} x {height} pixels, too large to read. Export it tiled.")


def _check_band(source: Any, name: str, band: int) -> None:
    if band > source.count:
        raise InputError(f"{name}: has {source.count} bands, band {band} is asked for. Bands count from 1.")
    if source.dtypes[band - 1].startswith("complex"):
        raise InputError(f"{name}: band {band} holds complex numbers. Export plain numbers.")
    scale, offset = source.scales[band - 1], source.offsets[band - 1]
    if not (math.isfinite(scale) and scale and math.isfinite(offset)):
        raise InputError(f"{name}: band {band} declares scale {scale:g} and offset {offset:g}. Export plain numbers.")
    kind = source.colorinterp[band - 1]
    if kind == ColorInterp.palette:
        raise InputError(f"{name}: band {band} holds numbers of colours, not a measurement. Export the values.")
    if kind == ColorInterp.alpha:  # writers mark a fourth band of 8 bits so unless told otherwise
        raise InputError(
            f"{name}: band {band} is marked as alpha, which says where the image is transparent. If it is a "
            "measurement, mark it as gray in the program that wrote it."
        )


def _apply(transform: Any, first: Any, second: Any) -> tuple[Any, Any]:
    """Column and row to the image's coordinates or, by the inverse, back; its own `*` differs between versions."""
    a, b, c, d, e, f = transform[:6]
    return a * first + b * second + c, d * first + e * second + f


def _pixel_bytes(source: Any) -> int:
    """Bytes of a pixel in all bands, as they lie together in a pixel-interleaved file."""
    return sum(np.dtype(kind).itemsize for kind in source.dtypes)


def _nodes(source: Any, name: str, grid: Grid, frame: Frame) -> tuple[FloatArray, FloatArray, Caution | None]:
    """Places of a lattice over the grid in the image's system, and what is to be said of the way there."""
    crs = crs_of_wkt(name, source.crs.to_wkt())
    centre = _apply(source.transform, source.width / 2, source.height / 2)
    _, shift = to_wgs84(name, [shapely.Point(centre)], crs)
    west, south, east, north = grid.bounds
    easting, northing = np.meshgrid(np.linspace(west, east, NODES), np.linspace(north, south, NODES))
    to_image = pyproj.Transformer.from_crs(crs, WGS84, always_xy=True, allow_ballpark=False)
    x, y = to_image.transform(*frame.to_lonlat(easting, northing), direction="INVERSE")
    if not np.isfinite([x, y]).all():
        raise InputError(f"{name}: its coordinate system '{crs.name}' does not reach the field. Check it.")
    return np.asarray(x), np.asarray(y), shift.caution(name) if shift else None


def _pixel(source: Any, name: str, x: FloatArray, y: FloatArray, grid: Grid) -> FloatArray:
    """Length on the ground of a step along the columns and of one along the rows [m]."""
    pixels = np.array(_apply(~source.transform, x, y))
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


def _overview(source: Any, bands: Sequence[int], most: float) -> int | None:
    """Find the coarsest overview, common to all bands, of at most `most` pixels; None without one."""
    levels = source.overviews(bands[0])
    if any(source.overviews(band) != levels for band in bands):
        return None
    usable = [number for number, factor in enumerate(levels) if factor <= most]
    return max(usable, key=lambda number: levels[number], default=None)


def _averages(source: Any, small: Any, band: int, middle: tuple[float, float]) -> bool:
    """Whether an overview holds means of the pixels below it: many programs keep one pixel of each block instead.

    Asked of a sample in the middle of the field. One pixel differs from the mean of its block by the
    spread within the block, a mean or a smooth of any kind by less than half of it.
    """
    factors = source.height / small.height, source.width / small.width
    tall, wide = (round(factor) for factor in factors)
    side = min(SAMPLE, small.height - 1, small.width - 1)
    if side < 1:
        return False
    column, row = _apply(~small.transform, *middle)
    top, left = (
        min(max(int(at) - side // 2, 0), size - 1 - side) for at, size in ((row, small.height), (column, small.width))
    )
    below = Window(round(left * factors[1]), round(top * factors[0]), side * wide, side * tall)
    pixels = np.ma.masked_invalid(source.read(band, window=below, masked=True).astype(float))
    blocks = pixels.reshape(side, tall, side, wide)
    found = small.read(band, window=Window(left, top, side, side), masked=True).astype(float)
    off = np.ma.masked_invalid(found) - blocks.mean(axis=(1, 3))
    rounding = 0.0 if small.dtypes[band - 1].startswith("float") else 0.5
    return bool(np.ma.sum(off**2) <= np.ma.sum((0.5 * blocks.std(axis=(1, 3)) + rounding) ** 2))


def _window(source: Any, name: str, column: FloatArray, row: FloatArray, block: int) -> Window:
    """Pixels over the field and a block around it, in whole blocks but for the image's end."""
    edges = []
    for along, size in ((column, source.width), (row, source.height)):
        first = min(max(math.floor(along.min()) - block - 1, 0), size)
        count = math.ceil((along.max() + block + 1 - first) / block) * block
        edges.append((first, min(first + max(count, 0), size)))
    (left, right), (top, bottom) = edges
    if column.max() <= 0 or column.min() >= source.width or row.max() <= 0 or row.min() >= source.height:
        found, due = (_apply(source.transform, *at) for at in ((0, 0), (column.mean(), row.mean())))
        raise InputError(
            f"{name}: lies elsewhere: it begins at {found[0]:.7g}, {found[1]:.7g} and the field is at {due[0]:.7g}, "
            f"{due[1]:.7g} in its coordinate system. Is it another field's?"
        )
    return Window(left, top, right - left, bottom - top)


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
