"""Rasters onto the field grid, against planes and sums that are known without reading any file.

GDAL's own readings (masks, geotransforms) come through rasterio, which writes the files here.
"""

from __future__ import annotations

import contextlib
import http.server
import math
import tempfile
import threading
import tracemalloc
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pyproj
import pytest
import rasterio
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from rasterio.control import GroundControlPoint
from rasterio.enums import ColorInterp, Resampling
from shapely.geometry import box

from rxmap.errors import InputError
from rxmap.grid import FloatArray, Frame, Grid, make_grid
from rxmap.read import pixels as parser
from rxmap.read.blocks import add_blocks
from rxmap.read.imagery import Raster, read_raster
from rxmap.read.reader import PixelReader

FRAME = Frame(lon=10.0, lat=50.0)
GRID = make_grid(box(-60, -45, 60, 45), 3.0)
OWN = FRAME.wkt
READER = PixelReader()
Write = Callable[..., Path]


class Here(PixelReader):
    """Parses in this process, where a test can measure and change it."""

    def _ask(self, does: str, path: Path, name: str, **given):  # type: ignore[no-untyped-def]
        more = {"alive": lambda: None} if does == "sums" else {}
        return getattr(parser, does)(str(path), name, **given, **more)


@pytest.fixture(scope="module", autouse=True)
def one_process() -> Iterator[None]:
    """All tests share one process that parses, as all rasters of a run do."""
    with READER:
        yield


def north_up(pixel: float, reach: float = 70.0) -> tuple[Affine, tuple[int, int]]:
    """Transform and shape of an image in the field's own metres that reaches past the field."""
    side = round(2 * reach / pixel)
    return Affine(pixel, 0, -reach, 0, -pixel, reach), (side, side)


def turned(degrees: float, across: float, down: float) -> Affine:
    """Transform of an image of 480 x 480 pixels turned about the middle of the field."""
    cos, sin = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    a, b, d, e = cos * across, -sin * down, sin * across, cos * down
    return Affine(a, b, -240 * (a + b), d, e, -240 * (d + e))


def plane(transform: Affine, shape: tuple[int, int], crs: str) -> FloatArray:
    """2 x easting + northing of the field's metres, at the pixels' centres."""
    row, column = np.indices(shape) + 0.5
    a, b, c, d, e, f = transform[:6]
    x, y = a * column + b * row + c, d * column + e * row + f
    lon, lat = pyproj.Transformer.from_crs(crs, "EPSG:4326", always_xy=True).transform(x, y)
    easting, northing = FRAME.to_metres(lon, lat)
    return 2 * easting + northing


def plane_on(grid: Grid) -> FloatArray:
    easting, northing = grid.axes()
    return 2 * easting + northing[:, None]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    """Write bands to image.tif in the field's own metres, 1 m pixels unless told otherwise."""

    def to_file(bands: np.ndarray, *, name: str = "image.tif", mask=None, colors=(), **profile) -> Path:
        bands = np.asarray(bands)
        transform, _ = north_up(140 / bands.shape[2])
        profile = {"transform": transform, "crs": OWN, **profile}
        with (
            rasterio.Env(GDAL_TIFF_INTERNAL_MASK=True),
            rasterio.open(
                tmp_path / name, "w", driver="GTiff", count=len(bands), height=bands.shape[1], width=bands.shape[2],
                dtype=bands.dtype, **profile,
            ) as out,
        ):  # fmt: skip
            if colors:
                out.colorinterp = colors  # before the pixels, or it would go into a side-car
            out.write(bands)
            if mask is not None:
                out.write_mask(mask)
        return tmp_path / name

    return to_file


def read(path: Path, *bands: int, reader: PixelReader = READER) -> Raster:
    return read_raster(path, path.name, bands or (1,), grid=GRID, frame=FRAME, reader=reader)


def refusal(path: Path, *bands: int, reader: PixelReader = READER) -> str:
    with pytest.raises(InputError) as caught:
        read(path, *bands, reader=reader)
    return str(caught.value)


def noise(dtype: str, bands: int = 1, side: int = 140, low: int = 0, high: int = 250) -> np.ndarray:
    return np.random.default_rng(7).integers(low, high, (bands, side, side)).astype(dtype)


# --- the place of a value on the ground ---------------------------------------------------------

FIELD_UTM = pyproj.Transformer.from_crs("EPSG:4326", "EPSG:32632", always_xy=True).transform(10, 50)
FIELD_NEXT = pyproj.Transformer.from_crs("EPSG:4326", "EPSG:32633", always_xy=True).transform(10, 50)
PLACED = {
    "own, fine pixels": (OWN, Affine(0.35, 0, -80.1, 0, -0.35, 77.7), (440, 460)),
    "own, pixels of the cell": (OWN, Affine(3, 0, -81, 0, -3, 75), (50, 54)),
    "own, coarse pixels": (OWN, Affine(10, 0, -97, 0, -10, 83), (17, 20)),
    "south up": (OWN, Affine(0.5, 0, -80, 0, 0.5, -80), (320, 320)),
    "turned": (OWN, turned(-37, 0.4, -0.4), (480, 480)),
    "turned and mirrored": (OWN, turned(118, 0.5, 0.5), (480, 480)),
    "geographic": ("EPSG:4326", Affine(1e-5, 0, 9.998, 0, -7e-6, 50.001), (290, 400)),
    "UTM": ("EPSG:32632", Affine(0.5, 0, FIELD_UTM[0] - 90, 0, -0.5, FIELD_UTM[1] + 80), (320, 360)),
    "next zone": ("EPSG:32633", Affine(0.5, 0, FIELD_NEXT[0] - 90, 0, -0.5, FIELD_NEXT[1] + 90), (360, 360)),
    "feet": ("+proj=tmerc +lat_0=50 +lon_0=9.9 +units=us-ft +datum=WGS84", Affine(2, 0, 23200, 0, -2, 290), (290, 320)),
}


@pytest.mark.parametrize("case", PLACED)
def test_a_plane_comes_back_at_every_cell_whatever_the_image_is_laid_in(case: str, write: Write) -> None:
    crs, transform, shape = PLACED[case]
    wkt = pyproj.CRS(crs).to_wkt()
    values = plane(transform, shape, crs)
    got = read(write(values[None], transform=transform, crs=wkt)).values[0]
    step = np.abs(np.diff(values, axis=1)).max()  # of the plane across one pixel
    np.testing.assert_allclose(got, plane_on(GRID), atol=1e-3 * max(step, 1))  # 1/1000 pixel: any half-cell slip is 1 m


def test_a_plane_comes_back_from_a_file_that_counts_pixels_by_their_centres(write: Write) -> None:
    transform, shape = north_up(0.5)
    path = write(plane(transform, shape, OWN)[None], transform=transform)
    with rasterio.open(path, "r+") as out:
        out.update_tags(AREA_OR_POINT="Point")  # GDAL shifts the tie point so that the place stays
    np.testing.assert_allclose(read(path).values[0], plane_on(GRID), atol=1e-3)


@settings(max_examples=15, deadline=None)
@given(degrees=st.floats(0, 360), pixel=st.floats(0.5, 9), mirrored=st.booleans(), east=st.floats(-3, 3))
def test_a_plane_comes_back_at_any_angle_and_pixel(degrees, pixel, mirrored, east) -> None:
    transform = turned(degrees, pixel, pixel if mirrored else -pixel)
    transform = Affine(*transform[:2], transform[2] + east, *transform[3:6])
    middle = slice(240 - math.ceil(110 / pixel), 240 + math.ceil(110 / pixel))
    shift = middle.start * (transform.a + transform.b), middle.start * (transform.d + transform.e)
    transform = Affine(*transform[:2], transform[2] + shift[0], *transform[3:5], transform[5] + shift[1])
    values = plane(transform, (middle.stop - middle.start,) * 2, OWN)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "image.tif"
        with rasterio.open(
            path, "w", driver="GTiff", count=1, height=len(values), width=len(values), dtype="float64", crs=OWN,
            transform=transform,
        ) as out:  # fmt: skip
            out.write(values[None])
        np.testing.assert_allclose(read(path).values[0], plane_on(GRID), atol=1e-3 * pixel)


def test_a_single_pixel_over_the_field_is_one_value_and_coarse(write: Write) -> None:
    raster = read(write(np.full((1, 1, 1), 7.0), transform=Affine(140, 0, -70, 0, -140, 70)))
    np.testing.assert_allclose(raster.values, 7.0)
    assert [c.code for c in raster.cautions] == ["coarse_image"]


def test_an_image_of_a_corner_gives_that_corner(write: Write) -> None:
    values = read(write(np.full((1, 9, 9), 7.0), transform=Affine(1, 0, 20, 0, -1, 20))).values[0]
    assert np.isfinite(values).sum() == 9  # 9 m x 9 m of cells of 3 m
    np.testing.assert_allclose(values[np.isfinite(values)], 7.0)


def test_a_coarse_image_is_cautioned(write: Write) -> None:
    crs, transform, shape = PLACED["own, coarse pixels"]
    raster = read(write(plane(transform, shape, crs)[None], transform=transform))
    assert [c.code for c in raster.cautions] == ["coarse_image"]
    assert "10 m" in raster.cautions[0].text


def test_an_image_as_fine_as_the_cells_raises_no_caution(write: Write) -> None:
    crs, transform, shape = PLACED["own, pixels of the cell"]
    assert read(write(plane(transform, shape, crs)[None], transform=transform)).cautions == ()


def test_ground_past_the_end_of_the_image_has_no_value(write: Write) -> None:
    transform, _ = north_up(1.0)
    half = read(write(np.full((1, 140, 70), 5.0), transform=transform)).values[0]
    easting, _ = GRID.axes()
    assert np.isfinite(half[:, easting < -2]).all()  # a cell is kept while half of it is seen
    assert np.isnan(half[:, easting > 2]).all()


# --- numbers --------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["uint8", "uint16", "int16", "uint32", "int32"])
def test_whole_numbers_give_what_the_equal_float_image_gives(kind: str, write: Write) -> None:
    whole = noise(kind, bands=2, side=700)
    np.testing.assert_array_equal(read(write(whole), 1, 2).values, read(write(whole.astype("float64")), 1, 2).values)


def test_sixteen_bit_values_near_the_top_do_not_wrap(write: Write) -> None:
    assert np.unique(read(write(np.full((1, 700, 700), 30_000, "int16"))).values) == pytest.approx(30_000, rel=1e-12)
    assert np.unique(read(write(np.full((1, 700, 700), 65_535, "uint16"))).values) == pytest.approx(65_535, rel=1e-12)


def test_declared_scale_and_offset_are_applied_to_the_mean(write: Write) -> None:
    path = write(noise("uint16"))
    plain = read(path).values
    with rasterio.open(path, "r+") as out:
        out.scales, out.offsets = (0.0001,), (-0.1,)
    np.testing.assert_allclose(read(path).values, plain * 0.0001 - 0.1, atol=1e-12)


@settings(max_examples=40, deadline=None)
@given(
    shape=st.tuples(st.integers(1, 23), st.integers(1, 23)), block=st.integers(1, 9), cut=st.integers(1, 22),
    kind=st.sampled_from(["uint8", "uint16", "int16", "float32", "bool"]),
)  # fmt: skip
def test_block_sums_in_strips_are_those_of_the_whole(shape, block, cut, kind) -> None:
    pixels = np.random.default_rng(1).integers(0, 200, (1, *shape)).astype(kind)
    padded = np.zeros([-(-size // block) * block for size in shape])
    padded[: shape[0], : shape[1]] = pixels[0]
    due = padded.reshape(padded.shape[0] // block, block, -1, block).sum(axis=(1, 3))
    sums = np.zeros((1, *due.shape))
    for top in range(0, shape[0], cut):
        for left in range(0, shape[1], cut):
            add_blocks(sums, pixels[:, top : top + cut, left : left + cut], (top, left), block)
    np.testing.assert_array_equal(sums[0], due)


def test_strips_and_tiles_change_nothing(write: Write, monkeypatch: pytest.MonkeyPatch) -> None:
    pixels = noise("uint16", bands=3, side=600)
    at_once = read(write(pixels, name="a.tif"), 3, 1).values
    monkeypatch.setattr("rxmap.read.blocks.STRIP_BYTES", 20_000)
    for form in ({"tiled": True, "blockxsize": 64, "blockysize": 48}, {"blockysize": 7}, {"interleave": "band"}):
        np.testing.assert_array_equal(read(write(pixels, name="b.tif", **form), 3, 1, reader=Here()).values, at_once)


def test_a_large_image_is_never_held_whole(write: Write) -> None:
    form = {"tiled": True, "blockxsize": 512, "blockysize": 512, "compress": "deflate", "sparse_ok": True}
    path = write(np.zeros((1, 12_000, 12_000), "uint16"), **form)  # 288 MB of pixels
    tracemalloc.start()  # numpy reports its arrays to it
    read(path, reader=Here())
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 130e6  # a strip of at most 64 MB and its sums


# --- what does not count ----------------------------------------------------------------------------

HOLE = (slice(50, 90), slice(40, 100))  # 60 m x 40 m of the 140 m x 140 m image, at (0, 0) of the field


def holed(kind: str, value: float) -> np.ndarray:
    pixels = np.full((1, 140, 140), 100, kind)
    pixels[0][HOLE] = value
    return pixels


def assert_holed(values: FloatArray) -> None:
    """100 wherever there is a value, none in the hole, and none missing beside it."""
    easting, northing = GRID.axes()
    hole = (np.abs(easting) < 28) & (np.abs(northing[:, None]) < 18)
    rim = (np.abs(easting) < 32) & (np.abs(northing[:, None]) < 22)
    assert np.isnan(values[hole]).all()
    np.testing.assert_allclose(values[~rim], 100, rtol=1e-12)
    np.testing.assert_allclose(values[np.isfinite(values)], 100, rtol=1e-12)  # nothing of the filler leaks in


@pytest.mark.parametrize(
    ("kind", "nodata"), [("float32", -99999), ("uint8", 255), ("int16", -32768), ("uint16", 0), ("float32", np.nan)]
)
def test_declared_nodata_never_counts(kind: str, nodata: float, write: Write) -> None:
    assert_holed(read(write(holed(kind, nodata), nodata=nodata)).values[0])


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_what_is_no_number_never_counts_though_undeclared(value: float, write: Write) -> None:
    assert_holed(read(write(holed("float32", value))).values[0])


@pytest.mark.parametrize("place", [0, 1, 4])
def test_alpha_is_found_wherever_it_is_among_the_bands(place: int, write: Write) -> None:
    seen = holed("uint8", 0)
    seen[seen > 0] = 255
    bands = [holed("uint8", 7)] * 4
    bands.insert(place, seen)
    colors = [ColorInterp.gray] * 4
    colors.insert(place, ColorInterp.alpha)
    asked = 1 if place else 2
    assert_holed(read(write(np.concatenate(bands), colors=colors), asked).values[0])


def test_a_mask_inside_the_file_counts(write: Write) -> None:
    mask = holed("uint8", 0)[0] > 0
    assert_holed(read(write(holed("uint8", 7), mask=mask)).values[0])


def test_nodata_and_alpha_both_count(write: Write) -> None:
    alpha = np.full((1, 140, 140), 255, "uint8")
    alpha[0, :, :20] = 0
    bands = np.concatenate([holed("uint8", 9), alpha])
    got = read(write(bands, nodata=9, colors=(ColorInterp.gray, ColorInterp.alpha))).values[0]
    easting, northing = GRID.axes()
    assert np.isnan(got[:, easting < -52]).all()
    assert np.isnan(got[np.abs(northing) < 18][:, np.abs(easting) < 28]).all()


def test_an_image_of_nothing_is_refused(write: Write) -> None:
    assert "no valid pixel over the field" in refusal(write(np.zeros((1, 140, 140), "uint8"), nodata=0))


@pytest.mark.parametrize(("kind", "fill"), [("float32", -9999), ("int16", -32768), ("float32", -3.4028234663852886e38)])
def test_an_undeclared_filler_is_refused_even_in_one_pixel(kind: str, fill: float, write: Write) -> None:
    pixels = np.full((1, 700, 700), 5, kind)
    pixels[0, 350, 350] = fill
    assert "does not declare it as nodata" in refusal(write(pixels))


# --- overviews ----------------------------------------------------------------------------------------


def with_overviews(path: Path, *factors: int, kind: Resampling = Resampling.average) -> Path:
    with rasterio.open(path, "r+") as out:
        out.build_overviews(factors, kind)
    return path


def test_the_coarsest_overview_within_half_a_cell_is_read_and_named(write: Write) -> None:
    transform, shape = north_up(0.25)
    pixels = plane(transform, shape, OWN)[None]
    raster = read(with_overviews(write(pixels, transform=transform, tiled=True), 2, 4, 8))
    assert "the file's own overview" in raster.how
    assert "pixels of 1 m" in raster.how  # 8 x 0.25 m is more than half of 3 m
    np.testing.assert_allclose(raster.values[0], plane_on(GRID), atol=1e-3)


@pytest.mark.parametrize("kind", ["average", "bilinear", "cubic", "gauss"])
@pytest.mark.parametrize("side", [560, 563])  # 563 is no multiple of the factors
@pytest.mark.parametrize("dtype", ["uint8", "float32"])
def test_overviews_that_average_are_read(kind: str, side: int, dtype: str, write: Write) -> None:
    path = write(noise(dtype, side=side), tiled=True)
    assert "overview" in read(with_overviews(path, 2, 4, kind=Resampling[kind])).how


@pytest.mark.parametrize("side", [560, 563])
@pytest.mark.parametrize("dtype", ["uint8", "float32"])
def test_overviews_of_one_pixel_in_many_are_left_alone(side: int, dtype: str, write: Write) -> None:
    path = write(noise(dtype, side=side), tiled=True)
    plain = read(path)
    thinned = read(with_overviews(path, 2, 4, kind=Resampling.nearest))  # what many writers do unless told otherwise
    assert "overview" not in thinned.how
    np.testing.assert_array_equal(thinned.values, plain.values)


def test_overviews_coarser_than_half_a_cell_are_left_alone(write: Write) -> None:
    raster = read(with_overviews(write(noise("uint8")), 2, 4))
    assert "overview" not in raster.how


@pytest.mark.parametrize("hidden", ["nodata", "alpha", "mask"])
def test_masks_hold_in_overviews(hidden: str, write: Write, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(PixelReader, "averages", lambda *_, **__: True)  # the middle, where it is judged, is the hole
    fine = np.kron(holed("uint8", 7)[0], np.ones((4, 4), "uint8"))
    seen = np.where(fine == 7, 0, 255).astype("uint8")
    if hidden == "alpha":
        path = write(np.stack([seen, fine]), colors=(ColorInterp.alpha, ColorInterp.gray), tiled=True)
        # averaged by the writer, alpha does not keep the filler out: both are constant but for the rim
        values = read(with_overviews(path, 2, 4), 2).values[0]
        assert np.isnan(values[np.abs(GRID.axes()[1]) < 17][:, np.abs(GRID.axes()[0]) < 27]).all()
        return
    options = {"nodata": 7} if hidden == "nodata" else {"mask": seen > 0}
    raster = read(with_overviews(write(fine[None], tiled=True, **options), 2, 4))
    assert "overview" in raster.how
    assert_holed(raster.values[0])


# --- what is refused ------------------------------------------------------------------------------------


@pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")
@pytest.mark.parametrize(
    ("profile", "words"),
    [
        ({"crs": None}, "has no coordinate system"),
        ({"transform": Affine.identity()}, "no georeference"),
        ({"crs": None, "transform": Affine.identity()}, "no georeference"),
        ({"transform": Affine(1, 0, 1000, 0, -1, 0)}, "lies elsewhere"),
        ({"crs": "EPSG:4326", "transform": Affine(1, 0, 5e5, 0, -1, 5e6)}, "look like metres or feet"),
        ({"crs": "EPSG:4267", "transform": Affine(1e-5, 0, 10, 0, -1e-5, 50)}, "to WGS84"),
        ({"crs": 'LOCAL_CS["site",UNIT["metre",1]]'}, "not a coordinate system of the earth"),
    ],
)
def test_an_image_without_a_usable_place_is_refused(profile: dict, words: str, write: Write) -> None:
    assert words in refusal(write(noise("uint8"), **profile))


def test_a_scale_that_is_no_number_is_refused(write: Write) -> None:
    path = write(noise("uint8"))
    with rasterio.open(path, "r+") as out:
        out.scales = (float("nan"),)
    assert "declares scale nan" in refusal(path)


@pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")
def test_control_points_alone_are_refused_by_name(write: Write) -> None:
    points = [GroundControlPoint(row, col, col - 70, 70 - row) for row in (0, 140) for col in (0, 140)]
    path = write(noise("uint8"), transform=None, crs=None)
    with rasterio.open(path, "r+") as out:
        out.gcps = points, rasterio.CRS.from_wkt(OWN)
    assert "control points only" in refusal(path)


def test_bands_that_are_no_measurement_are_refused(write: Write) -> None:
    assert "has 1 bands, band 2" in refusal(write(noise("uint8")), 2)
    assert "complex" in refusal(write(noise("complex64")))
    assert "numbers of colours" in refusal(write(noise("uint8"), colors=(ColorInterp.palette,), photometric="palette"))
    assert "marked as alpha" in refusal(write(noise("uint8", 2), colors=(ColorInterp.gray, ColorInterp.alpha)), 2)
    assert "65 bands" in refusal(write(noise("uint8", 65, side=4)))


@pytest.mark.parametrize("size", [{"side": 250_000}, {"side": 16_384, "blockxsize": 16_384, "blockysize": 16_384}])
def test_an_absurd_size_is_refused_before_memory_is_asked_for(size: dict, tmp_path: Path) -> None:
    side = size.pop("side")
    path = tmp_path / "vast.tif"
    transform = Affine(140 / side, 0, -70, 0, -140 / side, 70)
    profile = {
        "driver": "GTiff",
        "dtype": "uint8",
        "count": 1,
        "crs": OWN,
        "transform": transform,
        "tiled": True,
        **size,
    }
    with rasterio.open(path, "w", width=side, height=side, sparse_ok=True, bigtiff=True, **profile):
        pass  # declares gigabytes, holds none
    tracemalloc.start()
    message = refusal(path, reader=Here())
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert "Cut it to the field" in message or "Export it tiled" in message
    assert peak < 10e6


@pytest.mark.parametrize("options", [{}, {"compress": "deflate"}, {"compress": "lzw"}])
def test_a_damaged_file_is_read_or_refused_and_nothing_else(options: dict, write: Write) -> None:
    path = write(noise("uint8", bands=3), tiled=True, blockxsize=64, blockysize=64, **options)
    whole = np.frombuffer(path.read_bytes(), np.uint8)
    for seed in range(40):
        draw = np.random.default_rng(seed)
        damaged = whole.copy()
        at = draw.integers(0, 1200 if seed % 4 else len(whole), 3)  # mostly in the header, where it hurts
        damaged[at] = draw.integers(0, 256, 3)
        path.write_bytes(damaged.tobytes())
        with contextlib.suppress(InputError):
            read(path)


def test_what_is_no_geotiff_is_refused(write: Write, capfd: pytest.CaptureFixture[str]) -> None:
    path = write(noise("uint8", side=700), compress="deflate")
    whole = path.read_bytes()
    for content in (b"", b"not an image", whole[:100], whole[: len(whole) // 2], b"II*\0" + b"\xff" * 400):
        path.write_bytes(content)
        assert "not a readable GeoTIFF" in refusal(path)
    assert capfd.readouterr().err == ""  # nothing of the library's own chatter


def test_another_format_behind_the_name_is_refused(tmp_path: Path) -> None:
    Image.fromarray(noise("uint8")[0]).save(tmp_path / "image.tif", "PNG")
    assert "not a readable GeoTIFF" in refusal(tmp_path / "image.tif")


# --- what a file cannot steer ---------------------------------------------------------------------------


@pytest.fixture
def requests() -> Iterator[tuple[str, list[str]]]:
    """Serve on the loopback: its address, and what was asked of it."""
    asked: list[str] = []

    class Handler(http.server.BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked.append(self.path)
            self.send_error(404)

        do_HEAD = do_GET  # noqa: N815

        def log_message(self, *args: object) -> None:
            pass

    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}", asked
    server.shutdown()
    thread.join()
    server.server_close()


VRT = """<VRTDataset rasterXSize="140" rasterYSize="140"><SRS>EPSG:32632</SRS>
<GeoTransform>0,1,0,0,0,-1</GeoTransform><VRTRasterBand dataType="Byte" band="1"><SimpleSource>
<SourceFilename>/vsicurl/{}/far.tif</SourceFilename></SimpleSource></VRTRasterBand></VRTDataset>"""


def test_a_virtual_raster_behind_the_name_reaches_no_address(tmp_path: Path, requests: tuple[str, list[str]]) -> None:
    address, asked = requests
    path = tmp_path / "image.tif"
    path.write_text(VRT.format(address))
    assert "not a readable GeoTIFF" in refusal(path)
    assert asked == []


def test_overviews_declared_elsewhere_reach_no_address(write: Write, requests: tuple[str, list[str]]) -> None:
    address, asked = requests
    path = write(noise("uint8", side=700))
    with rasterio.open(path, "r+") as out:
        out.update_tags(
            ns="OVERVIEWS", OVERVIEW_FILE=f"/vsicurl/{address}/far.tif", MASK_FILE=f"/vsicurl/{address}/m.tif"
        )
    assert "overviews from another file" in refusal(path)
    assert asked == []


def test_files_beside_the_image_change_nothing_and_are_named(write: Write) -> None:
    path = write(noise("uint8", side=700))
    plain = read(path)
    aux = path.with_name(path.name + ".aux.xml")
    aux.write_text(
        '<PAMDataset><PAMRasterBand band="1"><NoDataValue>5</NoDataValue></PAMRasterBand></PAMDataset>',
        encoding="utf-8",
    )
    (path.with_name(path.name + ".ovr")).write_bytes(path.read_bytes())
    (path.with_name(path.name + ".msk")).write_bytes(path.read_bytes())
    path.with_suffix(".tfw").write_text("1\n0\n0\n-1\n900\n900\n", encoding="utf-8")
    steered = read(path)
    np.testing.assert_array_equal(steered.values, plain.values)
    assert "image.tif.aux.xml" in steered.how
    assert "not read" in steered.how


@pytest.mark.parametrize("name", ["a b.tif", "ferme-\u00e9t\u00e9.tif", "a!b.tif", "a#b?c.tif", "image", "IMAGE.TIFF"])
def test_odd_names_are_only_names(name: str, write: Write) -> None:
    path = write(noise("uint8")).rename(write(noise("uint8")).with_name(name))
    assert np.isfinite(read(path).values).all()
