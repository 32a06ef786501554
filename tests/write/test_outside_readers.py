"""Programs in other languages, with other libraries, read the machine files as we mean them."""

from __future__ import annotations

import json
import math
import os
import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import fiona
import pytest
import shapely

from rxmap.grid import geodesic_area_m2
from rxmap.records import Result
from rxmap.write.geopackage import write_geopackage
from rxmap.write.kml import write_kml
from rxmap.write.vectors import prescription

ENDINGS = [".geojson", ".shp", ".gpkg", ".kml"]
BASE = "passes/hopper-pass/machine/hopper"
R_AREAS = """
suppressMessages(library(sf))
layer <- st_read(commandArgs(TRUE)[1], quiet = TRUE)
stopifnot(all(st_is_valid(layer)), st_is_longlat(layer))
cat(sprintf("%.6f", as.numeric(st_area(layer)) / 1e4), sep = "\\n")
cat("\\nrates", layer$rate, "\\n", sep = " ")
"""


def ellipsoid_over_sphere(latitude: float) -> float:
    """Ratio of areas: product of the radii of curvature M and N over the square of the sphere's radius.

    Snyder (1987), Map Projections: A Working Manual, USGS Professional Paper 1395, eq. 4-18 and 4-20 (from memory);
    WGS84 a and f of NIMA TR8350.2; the sphere of s2 has a radius of 6371.01 km (from memory).
    """
    a, f = 6378137.0, 1 / 298.257223563
    e2 = f * (2 - f)
    w = 1 - e2 * math.sin(math.radians(latitude)) ** 2
    return (a * (1 - e2) / w**1.5) * (a / w**0.5) / 6371010.0**2


@pytest.fixture(scope="module")
def layer_files(written: Path, result: Result, tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Path]:
    """The machine file of a format; those that are written on demand beside the published ones."""
    more = tmp_path_factory.mktemp("more")
    features = prescription(result.passes[0].parts)
    write_geopackage(more / "hopper.gpkg", features)
    write_kml(more / "hopper.kml", features)
    return lambda ending: next(
        path for path in (written / f"{BASE}{ending}", more / f"hopper{ending}") if path.exists()
    )


@pytest.mark.parametrize("ending", ENDINGS)
def test_ogrinfo_counts_every_feature_and_complains_of_nothing(
    layer_files: Callable[[str], Path], program: Callable[[str], str], ending: str
) -> None:
    """Its exit code proves nothing, so: the count, and an empty standard error."""
    command = [program("ogrinfo"), "-ro", "-al", "-so", str(layer_files(ending))]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert "Feature Count: 5\n" in done.stdout
    assert not done.stderr


@pytest.mark.parametrize("layer", ["stops.geojson", "zones.geojson", "keep_out.geojson"])
def test_ogrinfo_complains_of_nothing_in_the_other_layers(
    written: Path, program: Callable[[str], str], layer: str
) -> None:
    command = [program("ogrinfo"), "-ro", "-al", "-so", str(written / layer)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    count = len(json.loads((written / layer).read_text("utf-8"))["features"])
    assert f"Feature Count: {count}\n" in done.stdout
    assert not done.stderr


def test_shpdump_finds_no_ring_the_wrong_way_round(written: Path, program: Callable[[str], str]) -> None:
    done = subprocess.run(
        [program("shpdump"), "-validate", f"{written / BASE}.shp"], capture_output=True, text=True, check=True
    )
    assert done.stdout.rstrip().endswith("0 object has invalid ring orderings.")


def test_dbfdump_shows_the_decimal_text_of_every_rate(written: Path, program: Callable[[str], str]) -> None:
    done = subprocess.run(
        [program("dbfdump"), "-m", f"{written / BASE}.dbf"], capture_output=True, text=True, check=True
    )
    rates = [line.split()[1] for line in done.stdout.splitlines() if line.startswith("rate:")]
    assert rates == ["0.000", "9.000", "0.000", "9.000", "0.000"]


@pytest.mark.parametrize("ending", [".geojson", ".shp", ".gpkg"])  # its GDAL may not open KML
def test_the_gdal_that_writes_none_of_them_by_itself_reads_the_same_polygons(
    layer_files: Callable[[str], Path], result: Result, ending: str
) -> None:
    """Fiona and pyogrio each bring a GDAL of their own."""
    with fiona.open(layer_files(ending)) as layer:
        found = [shapely.force_2d(shapely.geometry.shape(row.geometry)) for row in layer]
    for polygon, part in zip(found, result.passes[0].parts, strict=True):
        # a reader may turn rings; a shapefile turns them itself
        assert polygon.normalize().equals_exact(part.polygon.normalize(), tolerance=1e-9)


@pytest.mark.parametrize("ending", [".geojson", ".shp"])
def test_grass_finds_no_overlap_and_the_area_of_the_field(
    layer_files: Callable[[str], Path], result: Result, program: Callable[[str], str], ending: str, tmp_path: Path
) -> None:
    told = _grass(program("grass"), layer_files(ending), tmp_path)
    assert "verlapping" not in told
    assert f"{len(result.passes[0].parts)} input polygons" in told
    area = re.search(r"Total area: (\S+)", told)
    with_holes = geodesic_area_m2(shapely.Polygon(result.field.boundary.exterior))  # it counts the hole as an area
    assert float(area[1]) == pytest.approx(with_holes, rel=1e-5)  # six digits


def test_grass_would_see_an_overlap(written: Path, program: Callable[[str], str], tmp_path: Path) -> None:
    content = json.loads((written / f"{BASE}.geojson").read_text("utf-8"))
    content["features"].append(content["features"][1] | {"id": 99})
    (tmp_path / "twice.geojson").write_text(json.dumps(content))
    assert "verlapping" in _grass(program("grass"), tmp_path / "twice.geojson", tmp_path)


def _grass(grass: str, layer: Path, folder: Path) -> str:
    """What GRASS says while it builds areas from a layer."""
    command = [grass, "--tmp-location", "EPSG:4326", "--exec", "v.in.ogr", f"input={layer}", "output=zones"]
    home = os.environ | {"HOME": str(folder), "GRASS_OVERWRITE": "1"}
    return subprocess.run(command, capture_output=True, text=True, check=True, env=home, timeout=120).stderr


@pytest.mark.parametrize("ending", ENDINGS)
def test_r_measures_the_same_areas(
    layer_files: Callable[[str], Path], result: Result, program: Callable[[str], str], tmp_path: Path, ending: str
) -> None:
    """R sf measures lon/lat on a sphere (package s2); the ratio to the ellipsoid at a latitude is known."""
    script = tmp_path / "areas.R"
    script.write_text(R_AREAS)
    command = [program("Rscript"), "--vanilla", str(script), str(layer_files(ending))]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if "there is no package called" in done.stderr:
        pytest.skip("the R package sf is not installed")
    assert done.returncode == 0, done.stderr
    *areas, rates = (line.split() for line in done.stdout.strip().splitlines())
    ellipsoidal = [float(row[0]) * ellipsoid_over_sphere(result.field.frame.lat) for row in areas if row]
    # 1e-5 for the latitude of the field's centre, 1e-4 ha for the decimals of the attribute
    assert ellipsoidal == pytest.approx([part.area_ha for part in result.passes[0].parts], rel=1e-5, abs=1e-4)
    if ending != ".kml":  # there rates are words
        assert [float(rate) for rate in rates[1:]] == [part.rate for part in result.passes[0].parts]
