"""Every vector file of a whole build, with every format asked for, opened by programs that did not write it."""

from __future__ import annotations

import json
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import geojson_validator
import pytest
import shapefile

from rxmap import pipeline

pytestmark = pytest.mark.long
BURNET = Path(pipeline.__file__).parents[1] / "sample_layers/burnet"
FORMATS = 'formats = ["geojson", "shapefile", "geopackage", "kml", "zip"]'
R_ALL = """
suppressMessages(library(sf))
for (path in commandArgs(TRUE)) for (layer in st_layers(path)$name) {
  found <- st_read(path, layer, quiet = TRUE)
  if (!all(st_is_valid(found), na.rm = TRUE)) stop(paste(path, "holds a geometry that is not valid"))
  cat(nrow(found), path, "\\n")
}
"""


@pytest.fixture(scope="module")
def exports(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """All vector files of the larger sample, in every format for machines that is none of its own."""
    folder = tmp_path_factory.mktemp("burnet")
    shutil.copytree(BURNET, folder / "field")
    plan = folder / "field/plan.toml"
    text = plan.read_text(encoding="utf-8")
    plan.write_text(
        text.replace("[output]", f"[output]\n{FORMATS}") if "[output]" in text else f"{text}\n[output]\n{FORMATS}\n"
    )
    pipeline.build(plan, folder / "out")
    found = [
        path for path in sorted((folder / "out").rglob("*")) if path.suffix in (".geojson", ".shp", ".gpkg", ".kml")
    ]
    names = {path.name for path in found}
    assert {"stops.geojson", "zones.geojson", "keep_out.geojson", "check_strips.geojson", "loads.geojson"} <= names
    assert {path.suffix for path in found} == {".geojson", ".shp", ".gpkg", ".kml"}
    return found


def features(path: Path) -> int:
    """How many features a GeoJSON file holds."""
    return len(json.loads(path.read_text(encoding="utf-8"))["features"])


def test_ogrinfo_counts_the_features_and_finds_no_fault(exports: list[Path], program: Callable[[str], str]) -> None:
    for path in exports:
        done = subprocess.run(
            [program("ogrinfo"), "-al", "-so", str(path)], capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, (path, done.stderr)
        assert not done.stderr.strip(), (path, done.stderr)
        counts = [int(line.split(":")[1]) for line in done.stdout.splitlines() if line.startswith("Feature Count")]
        beside = path.with_suffix(".geojson")
        assert sum(counts) == (features(beside) if beside.exists() else sum(counts)), path
        assert sum(counts) > 0 or path.name == "not_sampled.geojson", path


def test_r_reads_them_all_and_finds_every_geometry_valid(
    exports: list[Path], program: Callable[[str], str], tmp_path: Path
) -> None:
    script = tmp_path / "all.R"
    script.write_text(R_ALL)
    command = [program("Rscript"), "--vanilla", str(script), *map(str, exports)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if "there is no package called" in done.stderr:
        pytest.skip("the R package sf is not installed")
    assert done.returncode == 0, done.stderr
    assert len({line.split()[1] for line in done.stdout.splitlines()}) == len(exports)


def test_shpdump_and_pyshp_agree_on_every_shapefile(exports: list[Path], program: Callable[[str], str]) -> None:
    for path in (path for path in exports if path.suffix == ".shp"):
        done = subprocess.run([program("shpdump"), str(path)], capture_output=True, text=True, check=True)
        with shapefile.Reader(str(path)) as reader:
            assert done.stdout.count("\nShape:") == len(reader) == features(path.with_suffix(".geojson")), path


def test_the_validator_finds_the_structure_of_every_geojson_sound(exports: list[Path]) -> None:
    for path in (path for path in exports if path.suffix == ".geojson"):
        document = json.loads(path.read_text(encoding="utf-8"))
        assert not geojson_validator.validate_structure(document, check_crs=True), path
