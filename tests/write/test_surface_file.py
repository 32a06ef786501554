"""The surface file against what other readers see in it."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import rasterio

from rxmap.errors import CheckError
from rxmap.grid import make_grid
from rxmap.records import Result
from rxmap.write import raster
from rxmap.write.raster import write_surface

TIF = "surfaces/marsh-leafhopper.tif"


def test_an_outside_validator_calls_it_cloud_optimised(written: Path) -> None:
    cogeo = pytest.importorskip("rio_cogeo", reason="rio-cogeo is not installed")
    assert cogeo.cog_validate(written / TIF, strict=True) == (True, [], [])


def test_an_older_gdal_sees_layout_bands_units_and_missing_value(written: Path, program: Callable[[str], str]) -> None:
    done = subprocess.run([program("gdalinfo"), written / TIF], capture_output=True, text=True, check=True)
    assert not done.stderr
    for words in ("LAYOUT=COG", "rxmap field TM", "Unit Type: per 25 sweeps", "NoData Value=-9999", "Type=Float32"):
        assert words in done.stdout
    described = [line.split("=")[1].strip() for line in done.stdout.splitlines() if "Description" in line]
    assert described == ["mean", "sd", "p_over", "q05", "q95"]


def test_a_stop_finds_its_value_where_the_grid_has_it(written: Path, result: Result) -> None:
    """By the reader's own index of a coordinate, so a half-cell shift would be seen."""
    target, row = result.targets[0], result.observations[0]
    grid = result.grid
    with rasterio.open(written / TIF) as image:
        (found,) = image.sample([(row.easting, row.northing)], indexes=1)
    cell = int((grid.north - row.northing) // grid.cell), int((row.easting - grid.west) // grid.cell)
    assert found[0] == np.float32(target.surface.mean[cell])


def test_it_is_valid_exactly_where_a_cell_has_a_share_of_the_field(written: Path, result: Result) -> None:
    with rasterio.open(written / TIF) as image:
        for band in range(1, 6):
            np.testing.assert_array_equal(image.read_masks(band) > 0, result.grid.inside)


def test_a_cell_of_the_field_without_a_number_is_refused(tmp_path: Path, result: Result) -> None:
    surface = result.targets[0].surface
    holed = surface.sd.copy()
    holed[tuple(np.argwhere(surface.grid.inside)[0])] = np.nan
    with pytest.raises(CheckError, match=r"a\.tif: sd: a cell inside the field has no number"):
        write_surface(tmp_path / "a.tif", replace(surface, sd=holed), frame=result.field.frame, unit="percent")


def test_a_file_that_differs_from_what_was_meant_is_refused(
    tmp_path: Path, result: Result, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Here: one written for other ground, with everything else in order."""
    surface, frame = result.targets[0].surface, result.field.frame
    moved = replace(surface, grid=replace(surface.grid, west=surface.grid.west + 1.0))
    write_surface(tmp_path / "moved.tif", moved, frame=frame, unit="percent")
    monkeypatch.setattr(raster, "write_bytes", lambda path, _: path.write_bytes((tmp_path / "moved.tif").read_bytes()))
    with pytest.raises(CheckError, match=r"a\.tif: 'position' in the file is not what was meant"):
        write_surface(tmp_path / "a.tif", surface, frame=frame, unit="percent")


@pytest.mark.parametrize("share", [0.0, 0.5])
def test_a_file_cut_short_is_refused(
    tmp_path: Path, result: Result, monkeypatch: pytest.MonkeyPatch, share: float
) -> None:
    monkeypatch.setattr(raster, "write_bytes", lambda path, all_: path.write_bytes(all_[: int(share * len(all_))]))
    with pytest.raises(CheckError, match=r"a\.tif: what was written cannot be read"):
        write_surface(tmp_path / "a.tif", result.targets[0].surface, frame=result.field.frame, unit="percent")


def test_a_field_larger_than_one_tile_gets_overviews(tmp_path: Path, result: Result) -> None:
    grid = make_grid(result.field.ground, 0.9)  # about 570 x 480 cells, a tile is 512
    flat = np.where(grid.inside, 1.5, np.nan)
    surface = replace(result.targets[1].surface, grid=grid, mean=flat, sd=flat, p_over=flat, q05=flat, q95=flat)
    write_surface(tmp_path / "large.tif", surface, frame=result.field.frame, unit="percent")
    with rasterio.open(tmp_path / "large.tif") as image:
        assert image.overviews(1) == [2]
