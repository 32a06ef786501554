"""A surface as a cloud-optimised GeoTIFF: five bands, float32, in the field's projection.

References
----------
OGC 21-026 (2023), OGC Cloud Optimized GeoTIFF Standard; OGC 19-008r4 (2019), GeoTIFF 1.1.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from rxmap.errors import CheckError, shown
from rxmap.grid import Frame
from rxmap.records import Surface
from rxmap.write.files import write_bytes

NODATA = -9999.0
BLOCK = 512  # [pixel], side of a tile


def write_surface(path: Path, surface: Surface, *, frame: Frame, unit: str) -> None:
    """Write a surface and read it back from the disk.

    Parameters
    ----------
    path : Path
        The ``.tif``.
    surface : Surface
        What to write; every cell with a share inside the field must have a number, no other cell has one in the file.
    frame : Frame
        The field's projection.
    unit : str
        Of the pressure, for the bands' unit; probabilities carry ``1``.

    Raises
    ------
    CheckError
        If a cell inside the field has no number, or the file does not hold what was meant.
    """
    bands = {name: _band(f"{path.name}: {name}", surface, values) for name, values in surface.bands().items()}
    units = ["1" if name == "p_over" else unit for name in bands]
    write_bytes(path, _encoded(surface, bands, units=units, wkt=frame.wkt))
    _check(path, surface, bands, units=units, frame=frame)


def _band(where: str, surface: Surface, values: NDArray[np.float64]) -> NDArray[np.float32]:
    inside = surface.grid.inside
    if not np.isfinite(values[inside]).all():
        raise CheckError(f"{where}: a cell inside the field has no number.")
    return np.where(inside, values, NODATA).astype(np.float32)


def _encoded(surface: Surface, bands: dict[str, NDArray[np.float32]], *, units: list[str], wkt: str) -> bytes:
    import rasterio
    from rasterio.io import MemoryFile

    rows, columns = surface.grid.shape
    form = {
        "driver": "COG",
        "compress": "DEFLATE",
        "predictor": 3,
        "blocksize": BLOCK,
        "overview_resampling": "average",
    }
    with MemoryFile() as memory:
        with memory.open(
            width=columns, height=rows, count=len(bands), dtype="float32", nodata=NODATA, crs=wkt,
            transform=rasterio.Affine(*surface.grid.transform), **form,
        ) as image:  # fmt: skip
            image.write(np.stack(list(bands.values())))
            image.descriptions = tuple(bands)
            image.units = tuple(units)
        return bytes(memory.read())


def _check(
    path: Path, surface: Surface, bands: dict[str, NDArray[np.float32]], *, units: list[str], frame: Frame
) -> None:
    """Open the file as the stranger would who knows nothing of the writer's options."""
    import pyproj
    import rasterio
    from rasterio.errors import RasterioError

    try:
        with rasterio.open(path, driver="GTiff") as image:
            held = {
                "bands": image.descriptions == tuple(bands),
                "units": image.units == tuple(units),
                "no-data value": set(image.nodatavals) == {NODATA},
                "position": tuple(image.transform)[:6] == surface.grid.transform,
                "projection": pyproj.CRS.from_wkt(image.crs.to_wkt()) == frame.crs,
                "layout": image.tags(ns="IMAGE_STRUCTURE").get("LAYOUT") == "COG",
                "values": np.array_equal(image.read(), np.stack(list(bands.values()))),
                "mask": np.array_equal(image.read_masks(1) > 0, surface.grid.inside),
            }
    except RasterioError as exc:
        raise CheckError(f"{path.name}: what was written cannot be read: {exc}.") from exc
    wrong = [what for what, right in held.items() if not right]
    if wrong:
        raise CheckError(f"{path.name}: {shown(', '.join(wrong))} in the file is not what was meant.")
