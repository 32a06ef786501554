"""Awkward rasters: classes 32 to 37 of docs/reliability.md."""

from __future__ import annotations

import json
import math
import warnings
from collections.abc import Callable, Iterator

import numpy as np
import rasterio
import rasterio.warp
from affine import Affine
from rasterio.control import GroundControlPoint
from rasterio.errors import NotGeoreferencedWarning
from setting import Case, Folder, plane

Spoil = Callable[[Folder], object]
NAME = "image.tif"
VIRTUAL = """<VRTDataset rasterXSize="40" rasterYSize="40"><SRS>EPSG:32632</SRS>
<GeoTransform>578600, 15, 0, 5550800, 0, -15</GeoTransform><VRTRasterBand dataType="Byte" band="1">
<SimpleSource><SourceFilename relativeToVRT="0">{}</SourceFilename></SimpleSource></VRTRasterBand></VRTDataset>"""


def image(**profile: object) -> Spoil:
    def spoil(folder: Folder) -> None:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", NotGeoreferencedWarning)
            folder.image(NAME, **profile)

    return spoil


def changed(change: Callable[[np.ndarray], np.ndarray], **profile: object) -> Spoil:
    return image(values=change(plane(40)), **profile)


def bytes_of(data: Callable[[bytes], bytes]) -> Spoil:
    def spoil(folder: Folder) -> None:
        path = folder.image(NAME)
        path.write_bytes(data(path.read_bytes()))

    return spoil


def named(file: str) -> Spoil:
    """Name another file in the plan's covariate."""

    def spoil(folder: Folder) -> None:
        folder.image(NAME)
        folder.replace(f'file = "{NAME}"', f"file = {json.dumps(file)}")

    return spoil


def holed(value: float) -> Callable[[np.ndarray], np.ndarray]:
    def change(values: np.ndarray) -> np.ndarray:
        values[:, 20:] = value
        return values

    return change


def whole_field(plan: object, inputs: object) -> bool:
    """Every cell has the value of the plane under it, to a quarter of a pixel's rise (the sum of both slopes)."""
    grid, frame = inputs.grid, inputs.field.frame  # type: ignore[attr-defined]
    lon, lat = frame.to_lonlat(*np.meshgrid(*grid.axes()))
    to = rasterio.warp.transform("EPSG:4326", "EPSG:32632", lon.ravel(), lat.ravel())
    column, row = (np.array(to[0]) - 578_600.0) / 15 - 0.5, (5_550_800.0 - np.array(to[1])) / 15 - 0.5
    due = (20.0 + row + 2.0 * column).reshape(grid.shape)
    found = inputs.layers[0].values  # type: ignore[attr-defined]
    return bool(np.nanmax(np.abs(found - due)[grid.share > 0.999]) < 0.75)


def placed() -> Iterator[Case]:
    """Where the pixels are."""
    there = (NAME,)
    yield Case(number=32, name="a whole image", spoil=image(), proof=whole_field)
    yield Case(number=32, name="an image without a system", spoil=image(crs=None), told=there)
    yield Case(number=32, name="an image without a transform", spoil=image(transform=None), told=there)
    points = [GroundControlPoint(r, c, 578_600 + 15 * c, 5_550_800 - 15 * r) for r, c in ((0, 0), (0, 40), (40, 0))]
    yield Case(
        number=32, name="control points alone", spoil=image(transform=None, gcps=points), told=(*there, "georef")
    )
    south_up = Affine(15, 0, 578_600, 0, 15, 5_550_200)
    yield Case(
        number=32,
        name="an image south side up",
        spoil=changed(lambda v: v[::-1], transform=south_up),
        proof=whole_field,
    )
    turned = Affine(0, -15, 579_200, -15, 0, 5_550_800)
    yield Case(
        number=32, name="an image turned a quarter", spoil=changed(np.rot90, transform=turned), proof=whole_field
    )
    degrees = Affine(0.0002, 0.0, 10.098, 0.0, -0.0002, 50.105)
    yield Case(
        number=32, name="an image in degrees", spoil=image(crs="EPSG:4326", transform=degrees),
        proof=lambda plan, inputs: inputs.layers[0].covered == 1.0,
    )  # fmt: skip
    yield Case(number=32, name="an image whose system contradicts", spoil=image(crs="EPSG:4326"), told=there)
    yield Case(number=34, name="an image of another field", spoil=image(crs="EPSG:32633"), told=there)
    yield Case(number=34, name="an image of half the field", spoil=image(size=15), caution="part_image")
    yield Case(number=34, name="a single pixel", spoil=image(size=1, pixel=2000.0), caution="coarse_image")
    yield Case(number=34, name="pixels coarser than a zone", spoil=image(size=10, pixel=200.0), caution="coarse_image")


def missing() -> Iterator[Case]:
    """Which pixels hold nothing."""
    there = (NAME,)
    yield Case(number=33, name="declared fill", spoil=changed(holed(-9999.0), nodata=-9999.0), caution="part_image")
    yield Case(number=33, name="undeclared fill", spoil=changed(holed(-9999.0)), told=(*there, "-9999"))
    yield Case(number=33, name="holes of NaN", spoil=changed(holed(math.nan)), caution="part_image")
    yield Case(number=33, name="holes of infinity", spoil=changed(holed(math.inf)), caution="part_image")
    yield Case(number=33, name="a mask inside the file", spoil=_masked, caution="part_image")
    yield Case(number=33, name="an image of nothing", spoil=changed(lambda v: v * math.nan), told=there)
    yield Case(number=33, name="an image of declared fill", spoil=changed(lambda v: v * 0, nodata=0), told=there)
    yield Case(number=33, name="an index of zero by zero", spoil=_index(lambda v: v * 0), told=there)


def _masked(folder: Folder) -> None:
    with rasterio.Env(GDAL_TIFF_INTERNAL_MASK=True):
        path = folder.image(NAME)
        with rasterio.open(path, "r+") as file:
            seen = np.full((40, 40), 255, "uint8")
            seen[:, 20:] = 0
            file.write_mask(seen)


def _index(change: Callable[[np.ndarray], np.ndarray], **profile: object) -> Spoil:
    def spoil(folder: Folder) -> None:
        folder.image(NAME, count=2, values=change(plane(40)), **profile)
        covariate = f'[[covariate]]\nfile = "{NAME}"\nname = "wetness"'
        folder.replace(covariate, f'[imagery]\nfile = "{NAME}"\nbands = {{ red = 1, nir = 2 }}\nindex = ["NDVI"]')

    return spoil


def forms() -> Iterator[Case]:
    """Bands, number types, damage, and files that steer."""
    there = (NAME,)
    for name, kind in (("unsigned integers", "uint16"), ("signed integers", "int16"), ("doubles", "float64")):
        yield Case(number=35, name=f"an image of {name}", spoil=image(dtype=kind), proof=whole_field)
    yield Case(number=35, name="complex numbers", spoil=image(dtype="complex64"), told=(*there, "complex"))
    yield Case(number=35, name="a palette", spoil=_palette, told=(*there, "colours"))
    yield Case(number=35, name="a band that is not there", spoil=_band(7), told=(*there, "band 7"))
    yield Case(number=35, name="very many bands", spoil=image(count=65), told=(*there, "65 bands"))
    yield Case(number=35, name="an image whose bands have no names", spoil=_no_names, told=("imagery.bands",))
    alike = changed(lambda v: v * 0 + 7)
    yield Case(number=35, name="one value everywhere", spoil=alike, proof=lambda plan, inputs: len(inputs.layers) == 1)
    faint = changed(lambda v: v * 1e-300, dtype="float64")
    yield Case(number=35, name="numbers no measurement has", spoil=faint, told=(*there, "beyond any measurement"))
    yield Case(number=36, name="an image cut in half", spoil=bytes_of(lambda d: d[: len(d) // 2]), told=there)
    yield Case(number=36, name="not a TIFF", spoil=bytes_of(lambda d: b"GIF89a" + bytes(600)), told=there)
    yield Case(number=36, name="an image of zero bytes", spoil=bytes_of(lambda d: b""), told=there)
    yield Case(number=36, name="a header alone", spoil=bytes_of(lambda d: d[:8]), told=there)
    yield Case(number=36, name="a size beyond any memory", spoil=_sparse, told=(*there, "declares"))
    for name, text in (
        ("a virtual raster to an address", VIRTUAL.format("/vsicurl/http://127.0.0.1:9/a.tif")),
        ("a virtual raster to a file", VIRTUAL.format("/etc/hostname")),
    ):
        yield Case(number=37, name=name, spoil=bytes_of(lambda d, text=text: text.encode()), told=there)
    for path in (
        "http://127.0.0.1:9/a.tif", "/vsicurl/http://127.0.0.1:9/a.tif", "/VSIZIP/a.zip/a.tif", "GTIFF_DIR:1:image.tif",
        "PG:dbname=acre", VIRTUAL.format("a.tif")[:100], "MEM:::DATAPOINTER=1,PIXELS=10,LINES=10", "s3://acre/a.tif",
        "/etc/hostname", "../image.tif",
    ):  # fmt: skip
        yield Case(number=37, name=f"the path {path[:30]}", spoil=named(path), told=("'",))
    yield Case(number=37, name="a side-car that declares a fill", spoil=_side_car, proof=whole_field)


def _band(number: int) -> Spoil:
    def spoil(folder: Folder) -> None:
        folder.image(NAME)
        folder.replace('name = "wetness"', f'name = "wetness"\nband = {number}')

    return spoil


def _palette(folder: Folder) -> None:
    path = folder.image(NAME, dtype="uint8", photometric="palette")
    with rasterio.open(path, "r+") as file:
        file.write_colormap(1, {k: (k, k, k, 255) for k in range(256)})


def _no_names(folder: Folder) -> None:
    folder.image(NAME, count=4)
    folder.replace(f'[[covariate]]\nfile = "{NAME}"\nname = "wetness"', f'[imagery]\nfile = "{NAME}"\nindex = ["NDVI"]')


def _sparse(folder: Folder) -> None:
    """Declare 300 000 x 300 000 pixels in a file of a few kilobytes."""
    path = folder.image(NAME)
    place = Affine(0.01, 0.0, 578_600.0, 0.0, -0.01, 5_550_800.0)
    size = {"width": 300_000, "height": 300_000, "count": 1, "dtype": "float32", "crs": "EPSG:32632"}
    form = {"driver": "GTiff", "tiled": True, "blockxsize": 8192, "blockysize": 8192, "sparse_ok": True}
    with rasterio.open(path, "w", transform=place, **size, **form):
        pass


def _side_car(folder: Folder) -> None:
    path = folder.image(NAME)
    text = "<PAMDataset><PAMRasterBand band='1'><NoDataValue>60</NoDataValue></PAMRasterBand></PAMDataset>"
    path.with_name(path.name + ".aux.xml").write_text(text)


CASES = [*placed(), *missing(), *forms()]
