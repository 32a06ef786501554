"""Pixels of a window of an image, summed to square blocks part by part.

Only the pixels of one part are in memory. What is masked never counts: nodata, alpha, mask bands,
what is not a number. Whole numbers add up as such, so that the sums are exact.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from rasterio.enums import ColorInterp, MaskFlags
from rasterio.windows import Window

from rxmap.errors import InputError
from rxmap.read.wire import Numbers

STRIP_BYTES = 64_000_000  # of pixels held at a time, with their masks and copies
USUAL_FILLS = (-9999.0, -32768.0, -99999.0, -3.4028234663852886e38, 3.4028234663852886e38)


def block_sums(
    source: Any, name: str, bands: Sequence[int], window: Window, block: int, *, alive: Callable[[], None]
) -> tuple[Numbers, Numbers]:
    """Sum, scaled as the file declares, and number of the valid pixels of each block of a window.

    Parameters
    ----------
    source : rasterio dataset
        Open.
    name : str
        File, for messages.
    bands : sequence of int
        Counted from 1.
    window : Window
        Pixels to read; its last blocks may be smaller.
    block : int
        Pixels along the side of a block.
    alive : callable
        Called after each part.

    Returns
    -------
    sums, counts : ndarray, shape (bands, rows, columns)

    Raises
    ------
    InputError
        If a valid pixel holds a usual filler that the file does not declare.
    """
    sizes = [np.diff(np.append(np.arange(0, size, block), size)) for size in (window.height, window.width)]
    sums = np.zeros((len(bands), len(sizes[0]), len(sizes[1])))
    whole = _unmasked(source, bands)
    counts = np.broadcast_to(np.outer(*sizes), sums.shape).astype(float) if whole else np.zeros(sums.shape)
    for part in _parts(source, bands, window, whole):
        pixels = source.read(list(bands), window=part)
        corner = part.row_off - window.row_off, part.col_off - window.col_off
        if not whole:
            valid = _valid(source, bands, part, pixels)
            add_blocks(counts, valid, corner, block)
            np.copyto(pixels, 0, where=~valid)
        _check_fill(pixels, name)
        add_blocks(sums, pixels, corner, block)
        alive()
    scales, offsets = (np.array([of[b - 1] for b in bands])[:, None, None] for of in (source.scales, source.offsets))
    return sums * scales + counts * offsets, counts


def _unmasked(source: Any, bands: Sequence[int]) -> bool:
    """Whether every pixel counts, so that no mask need be read."""
    return ColorInterp.alpha not in source.colorinterp and all(
        source.mask_flag_enums[b - 1] == [MaskFlags.all_valid] and np.dtype(source.dtypes[b - 1]).kind != "f"
        for b in bands
    )


def _parts(source: Any, bands: Sequence[int], window: Window, whole: bool) -> Iterator[Window]:
    """Cut the window along the file's own tiles, as few as fit the memory: no tile is decoded twice."""
    sizes = [np.dtype(source.dtypes[b - 1]).itemsize for b in bands]
    most = STRIP_BYTES // sum(size if whole else 2 * size + 11 for size in sizes)  # pixels, copy, masks, sums
    tall, wide = source.block_shapes[bands[0] - 1]
    wide = min(max(most // tall // wide, 1) * wide, most)
    tall = max(most // min(wide, window.width) // tall * tall, 1) if wide * tall <= most else max(most // wide, 1)
    bottom, right = window.row_off + window.height, window.col_off + window.width
    for top in range(window.row_off // tall * tall, bottom, tall):
        for left in range(window.col_off // wide * wide, right, wide):
            yield _between(
                max(top, window.row_off), max(left, window.col_off), min(top + tall, bottom), min(left + wide, right)
            )


def _between(top: int, left: int, bottom: int, right: int) -> Window:
    return Window(left, top, right - left, bottom - top)


def _valid(source: Any, bands: Sequence[int], part: Window, pixels: NDArray[Any]) -> NDArray[np.bool_]:
    """Pixels that neither nodata, mask band, alpha (wherever it is among the bands) nor NaN takes out.

    The library's own mask stops at the first of these that it finds, and reads the pixels again.
    """
    valid: NDArray[np.bool_] = np.isfinite(pixels) if pixels.dtype.kind == "f" else np.ones(pixels.shape, np.bool_)
    for number, band in enumerate(bands):
        nodata = source.nodatavals[band - 1]
        if nodata is not None and pixels.dtype.kind == "f":
            valid[number] &= pixels[number] != np.asarray(nodata).astype(pixels.dtype)
        elif nodata is not None and float(nodata).is_integer():
            valid[number] &= pixels[number] != int(nodata)  # one beyond the type's range takes out nothing
    for number, kind in enumerate(source.colorinterp, start=1):
        if kind == ColorInterp.alpha:
            valid &= source.read(number, window=part) > 0
    flags = source.mask_flag_enums[bands[0] - 1]
    if MaskFlags.per_dataset in flags and MaskFlags.alpha not in flags:
        valid &= source.read_masks(bands[0], window=part) > 0
    return valid


def add_blocks(sums: Numbers, pixels: NDArray[Any], corner: tuple[int, int], block: int) -> None:
    """Add pixels to the sums of their blocks; whole numbers add up as such, so that none is rounded or wraps."""
    kind = pixels.dtype
    narrow = np.uint32 if kind.kind in "bu" and kind.itemsize <= 2 else np.int64 if kind.itemsize <= 4 else np.float64
    exact = np.float64 if kind.kind == "f" else narrow
    (first, last, rows), (left, right, columns) = (
        _edges(start, size, block) for start, size in zip(corner, pixels.shape[1:], strict=True)
    )
    # row by row of blocks: five times as fast as one reduceat, which would first widen every pixel
    tall = np.stack([pixels[:, a:b].sum(axis=1, dtype=exact) for a, b in pairwise(rows)], axis=1)
    wide = np.float64 if exact == np.float64 else np.int64
    sums[:, first:last, left:right] += np.add.reduceat(tall, columns[:-1], axis=2, dtype=wide)


def _edges(start: int, size: int, block: int) -> tuple[int, int, list[int]]:
    """First and last block, exclusive, that `size` pixels from `start` touch, and where they cut the pixels."""
    first, last = start // block, (start + size - 1) // block + 1
    return first, last, [0, *(number * block - start for number in range(first + 1, last)), size]


def _check_fill(pixels: NDArray[Any], name: str) -> None:
    """Refuse an image whose holes are filled with a number that it does not declare as nodata."""
    if pixels.dtype.kind == "u":
        return
    for extreme in (float(pixels.min()), float(pixels.max())):
        if extreme in USUAL_FILLS:
            raise InputError(
                f"{name}: holds the value {extreme:g}, a usual filler for holes, and does not declare it as nodata. "
                "Declare it, or export the image again."
            )
