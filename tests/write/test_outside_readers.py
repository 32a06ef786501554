"""Programs in other languages, with other libraries, read the machine files as we mean them."""

from __future__ import annotations

import json
import math
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from rxmap.records import Result

BASE = "passes/hopper-pass/machine/hopper"
R_AREAS = """
suppressMessages(library(sf))
layer <- st_read(commandArgs(TRUE)[1], quiet = TRUE)
stopifnot(all(st_is_valid(layer)), st_is_longlat(layer))
cat(sprintf("%.6f", as.numeric(st_area(layer)) / 1e4), sep = "\\n")
cat("\\n", layer$rate, "\\n", sep = " ")
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


@pytest.mark.parametrize("ending", [".geojson", ".shp"])
def test_ogrinfo_counts_every_feature_and_complains_of_nothing(
    written: Path, program: Callable[[str], str], ending: str
) -> None:
    """Its exit code proves nothing, so: the count, and an empty standard error."""
    command = [program("ogrinfo"), "-ro", "-al", "-so", f"{written / BASE}{ending}"]
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


@pytest.mark.parametrize("ending", [".geojson", ".shp"])
def test_r_measures_the_same_areas(
    written: Path, result: Result, program: Callable[[str], str], tmp_path: Path, ending: str
) -> None:
    """R sf measures lon/lat on a sphere (package s2); the ratio to the ellipsoid at a latitude is known."""
    script = tmp_path / "areas.R"
    script.write_text(R_AREAS)
    command = [program("Rscript"), "--vanilla", str(script), f"{written / BASE}{ending}"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if "there is no package called" in done.stderr:
        pytest.skip("the R package sf is not installed")
    assert done.returncode == 0, done.stderr
    *areas, rates = (line.split() for line in done.stdout.strip().splitlines())
    ellipsoidal = [float(row[0]) * ellipsoid_over_sphere(result.field.frame.lat) for row in areas if row]
    # 1e-5 for the latitude of the field's centre, 1e-4 ha for the decimals of the attribute
    assert ellipsoidal == pytest.approx([part.area_ha for part in result.passes[0].parts], rel=1e-5, abs=1e-4)
    assert [float(rate) for rate in rates] == [part.rate for part in result.passes[0].parts]
