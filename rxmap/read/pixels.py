"""The process that parses rasters: a foreign file meets the library here, and nowhere else.

Drivers of images are large and old, and a damaged file may end or stop them, or make them ask for
all memory. So they run in a process of their own, under limits where the system has them, and
whatever happens to it becomes one line of ours. Only numpy and rasterio are imported: it starts in
0.2 s, beside the reading of boundary and stops. Started by `rxmap.read.reader`.
"""

from __future__ import annotations

import contextlib
import dataclasses
import math
import os
import signal
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import partial
from typing import Any, BinaryIO

import numpy as np
import rasterio
from rasterio.enums import ColorInterp
from rasterio.errors import CRSError, NotGeoreferencedWarning, RasterioError
from rasterio.windows import Window

from rxmap.errors import InputError, shown
from rxmap.read.blocks import block_sums
from rxmap.read.wire import MOST_SECONDS, Form, Numbers, receive, send

MOST_MEMORY = 3_000_000_000  # [byte] of addresses, our limit; an image of 2 GB takes a fifth of it
MOST_FILES = 64  # open at a time
LARGEST_PIECE = 128_000_000  # [byte] our limit: a tile or strip is decoded whole
MOST_BANDS = 64  # our limit
MOST_DECLARED = 4e10  # [pixel] our limit: 100 km2 at 5 cm
SAMPLE = 16  # pixels along the side of the sample by which an overview is judged
# A foreign file is parsed with everything turned off by which it could reach other files or addresses.
CLOSED = {
    "GDAL_DISABLE_READDIR_ON_OPEN": "EMPTY_DIR",
    "GDAL_PAM_ENABLED": "NO",
    "GDAL_GEOREF_SOURCES": "INTERNAL",
    "GDAL_HTTP_PROXY": "127.0.0.1:9",
    "GDAL_HTTPS_PROXY": "127.0.0.1:9",
    "CPL_VSIL_CURL_ALLOWED_EXTENSIONS": ".none",
}
QUICK = {  # [MB], a row of tiles in all bands; threads to unpack them, each of which reserves addresses
    "GDAL_CACHEMAX": 128,
    "GDAL_NUM_THREADS": str(min(os.cpu_count() or 1, 8)),
}

Answer = tuple[Mapping[str, Any], Sequence[Numbers]]


def describe(path: str, name: str, level: int | None, *, bands: Sequence[int]) -> Answer:
    """Say how a raster is laid out, and refuse one whose bands are no measurement or have no place."""
    with opened(path, name, level) as source:
        if level is None:
            _check_form(source, name, bands)
        factors = [source.overviews(band) for band in bands]
        form = Form(
            width=source.width,
            height=source.height,
            transform=source.transform[:6],
            wkt=source.crs.to_wkt(),
            factors=factors[0] if all(one == factors[0] for one in factors) else [],
        )
    return {"form": dataclasses.asdict(form)}, ()


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


def _pixel_bytes(source: Any) -> int:
    """Bytes of a pixel in all bands, as they lie together in a pixel-interleaved file."""
    return sum(np.dtype(kind).itemsize for kind in source.dtypes)


def averages(path: str, name: str, level: int, *, band: int, middle: Sequence[float]) -> Answer:
    """Say whether an overview holds means of the pixels below it: many programs keep one pixel of each block instead.

    Asked of a sample around `middle`, its column and row. One pixel differs from the mean of its block
    by the spread within the block, a mean or a smooth of any kind by less than half of it.
    """
    with opened(path, name) as source, opened(path, name, level) as small:
        return {"averages": _averages(source, small, band, middle)}, ()


def _averages(source: Any, small: Any, band: int, middle: Sequence[float]) -> bool:
    factors = source.height / small.height, source.width / small.width
    tall, wide = (round(factor) for factor in factors)
    side = min(SAMPLE, small.height - 1, small.width - 1)
    if side < 1:
        return False
    column, row = middle
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


def sums(path: str, name: str, level: int | None, *, alive: Callable[[], None], **what: Any) -> Answer:
    """Sum the pixels of a window (first column and row, width, height) to blocks, as `block_sums` does."""
    window = Window(*what["window"])
    with opened(path, name, level) as source:
        return {}, block_sums(source, name, what["bands"], window, what["block"], alive=alive)


@contextmanager
def opened(path: str, name: str, level: int | None = None) -> Iterator[Any]:
    """Open a file as a GeoTIFF, or as its overview number `level`.

    Raises
    ------
    InputError
        For whatever the library finds wrong with it, then or later.
    """
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


def serve(questions: BinaryIO, answers: BinaryIO) -> None:
    """Answer until there is no further question; in a long reading each part ends with a sign of life."""
    alive = partial(send, answers, {"alive": True})
    does: Mapping[str, Callable[..., Answer]] = {
        "describe": describe,
        "averages": averages,
        "sums": partial(sums, alive=alive),
    }
    while (question := receive(questions)) is not None:
        words, _ = question
        send(answers, *_answer(does[words.pop("does")], words))


def _answer(does: Callable[..., Answer], given: Mapping[str, Any]) -> Answer:
    try:
        return does(**given)
    except InputError as error:
        return {"faults": error.faults}, ()
    except MemoryError:
        line = f"{given['name']}: needs more than {MOST_MEMORY // 10**6} MB of memory to read. Cut it to the field."
    except Exception as error:  # whatever a library makes of a damaged file
        what = shown(f"{type(error).__name__}: {error}", 120)
        line = f"{given['name']}: cannot be read ({what}). Export it again, and report it if that does not help."
    return {"faults": [line]}, ()


def bound() -> None:
    """Take limits upon ourselves, where the system has them: memory, time, open files; no file is written at all."""
    try:
        import resource
    except ImportError:  # Windows
        return
    limits = {"AS": MOST_MEMORY, "CPU": MOST_SECONDS, "NOFILE": MOST_FILES, "FSIZE": 0, "CORE": 0}
    for name, most in limits.items():
        kind = getattr(resource, f"RLIMIT_{name}")
        soft, hard = resource.getrlimit(kind)
        most = most if soft == resource.RLIM_INFINITY else min(most, soft)
        with contextlib.suppress(OSError, ValueError):  # macOS knows some of them by name alone
            resource.setrlimit(kind, (most, hard))


def main() -> None:
    """Serve the process that started this one; what a library prints goes nowhere, so that only answers leave."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for who started us, and ends us
    nothing = os.open(os.devnull, os.O_RDWR)
    with os.fdopen(os.dup(0), "rb") as questions, os.fdopen(os.dup(1), "wb") as answers:
        for number in (0, 1):
            os.dup2(nothing, number)
        bound()
        with contextlib.suppress(BrokenPipeError):  # nobody is there to answer
            serve(questions, answers)


if __name__ == "__main__":
    main()
