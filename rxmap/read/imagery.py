"""Images and other raster layers, averaged onto the cells of the field grid.

An orthomosaic of a field can be gigabytes; only the window over the field is read, in strips, and
averaged to blocks of at most half a cell on the way, so memory stays small. Masked pixels never
count: nodata, alpha, mask bands and what is not a number.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyproj
import rasterio
from numpy.typing import NDArray
from rasterio.enums import ColorInterp, Resampling
from rasterio.errors import NotGeoreferencedWarning, RasterioError
from rasterio.warp import reproject
from rasterio.windows import Window

from rxmap.errors import InputError
from rxmap.grid import FloatArray, Frame, Grid

STRIP_BYTES = 48_000_000  # of pixels held at a time
MOST_BANDS = 64
MOST_DECLARED = 4e10  # pixels; more than a county at 5 cm is not an image of a field
USUAL_FILLS = (-9999.0, -32768.0, -99999.0, -3.4028234663852886e38)
# Pixels of a foreign file are parsed with the drivers and helpers that could reach elsewhere turned off.
CLOSED = {
    "GDAL_DISABLE_READDIR_ON_OPEN": "EMPTY_DIR",
    "GDAL_PAM_ENABLED": "NO",
    "GDAL_HTTP_PROXY": "127.0.0.1:9",
    "GDAL_HTTPS_PROXY": "127.0.0.1:9",
    "GDAL_CACHEMAX": 64,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Raster:
    """Bands of one file on the field grid.

    Parameters
    ----------
    values : ndarray, shape (bands, rows, columns)
        Means over each cell; NaN where the file has nothing.
    covered : float
        Share of the field's ground that has values in every band.
    how : str
        How the means were taken, for the record.
    """

    values: FloatArray
    covered: float
    how: str


def read_raster(path: Path, name: str, bands: Sequence[int], *, grid: Grid, frame: Frame) -> Raster:
    """Average bands of a GeoTIFF onto the field grid.

    Parameters
    ----------
    path : Path
        The file; it has passed the door.
    name : str
        As the plan gives it.
    bands : sequence of int
        Counted from 1.
    grid, frame : Grid, Frame
        The cells to average to.

    Raises
    ------
    InputError
        If it is no readable GeoTIFF, has no usable place on the ground, lacks a band or misses the field.
    """
    with rasterio.Env(**CLOSED), warnings.catch_warnings():
        warnings.simplefilter("ignore", NotGeoreferencedWarning)  # refused in our own words below
        try:
            with rasterio.open(path, driver="GTiff") as source:
                _check(source, name, bands)
                window = _window(source, name, grid, frame)
                values, transform, how = _blocks(source, bands, window, _block(source, window, grid, frame))
                wkt = source.crs.to_wkt()
        except RasterioError as error:
            raise InputError(f"{name}: not a readable GeoTIFF ({error}). Export the image again.") from None
        _check_fill(values, name)
        warped = _on_grid(values, transform, wkt, grid=grid, frame=frame)
    inside = np.isfinite(warped).all(axis=0) & grid.inside
    covered = float(grid.share[inside].sum() / grid.share.sum())
    if covered == 0:
        raise InputError(f"{name}: no valid pixel over the field. Is it the image of another field, or all nodata?")
    return Raster(values=warped, covered=covered, how=how)


def _check(source: Any, name: str, bands: Sequence[int]) -> None:
    if source.crs is None:
        raise InputError(f"{name}: has no coordinate system. Export it as a GeoTIFF with its georeference.")
    if source.transform.is_identity:
        hint = "it has control points only" if source.gcps[0] else "it has no georeference"
        raise InputError(f"{name}: {hint}, so pixels have no place. Export it rectified.")
    if source.count > MOST_BANDS or source.width * source.height > MOST_DECLARED:
        raise InputError(
            f"{name}: declares {source.width} x {source.height} pixels in {source.count} bands, more than an image of "
            "a field has. Cut it to the field."
        )
    for band in bands:
        if band > source.count:
            raise InputError(f"{name}: has {source.count} bands, band {band} is asked for. Bands count from 1.")
        kind = source.dtypes[band - 1]
        if kind.startswith("complex"):
            raise InputError(f"{name}: band {band} holds complex numbers. Export plain numbers.")
        if source.colorinterp[band - 1] in (ColorInterp.palette, ColorInterp.alpha):
            raise InputError(f"{name}: band {band} is a {source.colorinterp[band - 1].name} band, not a measurement.")


def _window(source: Any, name: str, grid: Grid, frame: Frame) -> Window:
    """Pixels over the field and two around it, for any transform, rotated ones too."""
    west, south, east, north = grid.bounds
    along = np.linspace(0.0, 1.0, 9)
    edge_x = np.concatenate([west + along * (east - west)] * 2 + [np.full(9, west), np.full(9, east)])
    edge_y = np.concatenate([np.full(9, south), np.full(9, north)] + [south + along * (north - south)] * 2)
    to_image = pyproj.Transformer.from_crs(frame.crs, pyproj.CRS.from_wkt(source.crs.to_wkt()), always_xy=True)
    x, y = to_image.transform(edge_x, edge_y)
    if not np.isfinite([x, y]).all():
        raise InputError(f"{name}: its coordinate system does not reach the field. Check it.")
    column, row = ~source.transform * (np.asarray(x), np.asarray(y))
    left, right = max(math.floor(column.min()) - 2, 0), min(math.ceil(column.max()) + 2, source.width)
    top, bottom = max(math.floor(row.min()) - 2, 0), min(math.ceil(row.max()) + 2, source.height)
    if left >= right or top >= bottom:
        raise InputError(
            f"{name}: lies elsewhere (its corner {tuple(round(v, 4) for v in source.bounds[:2])}, the field at "
            f"{round(float(np.mean(x)), 4)}, {round(float(np.mean(y)), 4)} in its system). Is it another field's?"
        )
    return Window(left, top, right - left, bottom - top)


def _block(source: Any, window: Window, grid: Grid, frame: Frame) -> int:
    """Pixels along a block: at most half a cell, so that a cell is the mean of at least four blocks."""
    to_ground = pyproj.Transformer.from_crs(pyproj.CRS.from_wkt(source.crs.to_wkt()), frame.crs, always_xy=True)
    middle = window.col_off + window.width / 2, window.row_off + window.height / 2
    steps = np.array([(0, 0), (1, 0), (0, 1)]) + middle
    east, north = to_ground.transform(*(source.transform * (steps[:, 0], steps[:, 1])))
    pixel = max(math.hypot(east[i] - east[0], north[i] - north[0]) for i in (1, 2))
    return max(1, math.floor(grid.cell / pixel / 2))


def _blocks(source: Any, bands: Sequence[int], window: Window, block: int) -> tuple[FloatArray, tuple[float, ...], str]:
    """Means of blocks of pixels in every band, NaN where a block has no valid pixel, with their transform."""
    from affine import Affine

    level = _overview(source, bands, block)
    if level is not None:
        return _from_overview(source, bands, window, level)
    rows, columns = math.ceil(window.height / block), math.ceil(window.width / block)
    means = np.full((len(bands), rows, columns), np.nan)
    unmasked = all("all_valid" in {flag.name for flag in source.mask_flag_enums[b - 1]} for b in bands)
    whole = unmasked and all(np.issubdtype(np.dtype(source.dtypes[b - 1]), np.unsignedinteger) for b in bands)
    size = sum(np.dtype(source.dtypes[b - 1]).itemsize for b in bands) * window.width
    step = max(1, int(STRIP_BYTES / (size * (1 if whole else 12)) / block)) * block
    for top in range(0, int(window.height), step):
        height = min(step, int(window.height) - top)
        part = Window(window.col_off, window.row_off + top, window.width, height)
        here = slice(top // block, top // block + math.ceil(height / block))
        for number, band in enumerate(bands):
            pixels = source.read(band, window=part)
            valid = None if whole else (source.read_masks(band, window=part) > 0) & np.isfinite(pixels)
            mean = _block_means(pixels, valid, block)
            means[number, here] = mean * source.scales[band - 1] + source.offsets[band - 1]
    origin = source.transform * Affine.translation(window.col_off, window.row_off) * Affine.scale(block)
    return means, tuple(origin)[:6], f"means of {block} x {block} pixels" if block > 1 else "every pixel"


def _block_means(pixels: NDArray[Any], valid: NDArray[np.bool_] | None, block: int) -> FloatArray:
    """Mean of each block of `block` x `block` pixels; the last blocks may be smaller."""
    starts = [np.arange(0, size, block) for size in pixels.shape]
    if valid is None:  # whole numbers are summed as such: exact, and twice as fast
        rows = np.add.reduceat(pixels, starts[0], axis=0, dtype=np.uint64)
        total = np.add.reduceat(rows, starts[1], axis=1).astype(np.float64)
        heights, widths = (np.diff([*s, size]) for s, size in zip(starts, pixels.shape, strict=True))
        return np.asarray(total / (heights[:, np.newaxis] * widths))
    clean = np.where(valid, pixels, 0).astype(np.float64)
    total = np.add.reduceat(np.add.reduceat(clean, starts[0], axis=0), starts[1], axis=1)
    count = np.add.reduceat(np.add.reduceat(valid, starts[0], axis=0, dtype=np.int64), starts[1], axis=1)
    return np.divide(total, count, out=np.full(total.shape, np.nan), where=count > 0)


def _overview(source: Any, bands: Sequence[int], block: int) -> int | None:
    """Index of the coarsest overview that is no coarser than a block, common to all bands; None without one."""
    levels = source.overviews(bands[0])
    if any(source.overviews(band) != levels for band in bands):
        return None
    usable = [number for number, factor in enumerate(levels) if factor <= block]
    return usable[-1] if usable else None


def _from_overview(
    source: Any, bands: Sequence[int], window: Window, level: int
) -> tuple[FloatArray, tuple[float, ...], str]:
    from affine import Affine

    factor = source.overviews(bands[0])[level]
    with rasterio.open(source.name, driver="GTiff", overview_level=level) as small:
        across, down = source.width / small.width, source.height / small.height
        left, top = math.floor(window.col_off / across), math.floor(window.row_off / down)
        part = Window(
            left,
            top,
            min(math.ceil((window.col_off + window.width) / across), small.width) - left,
            min(math.ceil((window.row_off + window.height) / down), small.height) - top,
        )
        means = np.stack([_valid(small, band, part) for band in bands])
    origin = source.transform * Affine.scale(across, down) * Affine.translation(part.col_off, part.row_off)
    return means, tuple(origin)[:6], f"the file's own overview, 1 of {factor} pixels"


def _valid(source: Any, band: int, part: Window) -> FloatArray:
    pixels = source.read(band, window=part).astype(np.float64)
    valid = (source.read_masks(band, window=part) > 0) & np.isfinite(pixels)
    return np.where(valid, pixels * source.scales[band - 1] + source.offsets[band - 1], np.nan)


def _check_fill(values: FloatArray, name: str) -> None:
    """Refuse an image whose holes are filled with a number that it does not declare as nodata."""
    for fill in USUAL_FILLS:
        if np.any(values == fill):
            raise InputError(
                f"{name}: holds the value {fill:g}, a usual filler for holes, and does not declare it as nodata. "
                "Declare it, or export the image again."
            )


def _on_grid(values: FloatArray, transform: tuple[float, ...], wkt: str, *, grid: Grid, frame: Frame) -> FloatArray:
    """Average blocks onto the cells of the grid; coarser pixels are interpolated between their centres."""
    from affine import Affine

    out = np.full((len(values), *grid.shape), np.nan)
    reproject(
        values,
        out,
        src_transform=Affine(*transform),
        src_crs=rasterio.crs.CRS.from_wkt(wkt),
        src_nodata=np.nan,
        dst_transform=Affine(*grid.transform),
        dst_crs=rasterio.crs.CRS.from_wkt(frame.wkt),
        dst_nodata=np.nan,
        resampling=Resampling.average,
    )
    return out
