"""The same field gives the same result in whatever form its files come."""

from __future__ import annotations

import csv
import hashlib
import shutil
from collections.abc import Callable
from pathlib import Path
from xml.sax.saxutils import escape

import geopandas
import pandas
import pytest

from rxmap import pipeline

TEMPLATE = Path(pipeline.__file__).parent / "template"
GPX = """<?xml version="1.0"?>
<gpx version="1.1" creator="tests" xmlns="http://www.topografix.com/GPX/1/1" xmlns:w="urn:walk">{}</gpx>
"""


def walked() -> geopandas.GeoDataFrame:
    table = pandas.read_csv(TEMPLATE / "stops.csv", dtype=str, keep_default_na=False)
    places = geopandas.points_from_xy(table.pop("lon").astype(float), table.pop("lat").astype(float), crs="EPSG:4326")
    return geopandas.GeoDataFrame(table, geometry=places)


def as_vector(name: str) -> Callable[[Path], str]:
    def write(folder: Path) -> str:
        walked().to_file(folder / name)
        return name

    return write


def as_gpx(folder: Path) -> str:
    points = []
    with (TEMPLATE / "stops.csv").open(newline="") as file:
        for row in csv.DictReader(file):
            name, date, lon, lat = (row.pop(key) for key in ("stop", "date", "lon", "lat"))
            more = "".join(f"<w:{key}>{escape(value)}</w:{key}>" for key, value in row.items())
            points.append(
                f'<wpt lon="{lon}" lat="{lat}"><time>{date}T08:00:00Z</time><name>{name}</name>'
                f"<extensions>{more}</extensions></wpt>"
            )
    (folder / "walk.gpx").write_text(GPX.format("".join(points)), encoding="utf-8")
    return "walk.gpx"


def outline_as(name: str, **more: str) -> Callable[[Path], str]:
    def write(folder: Path) -> str:
        geopandas.read_file(folder / "boundary.geojson").to_file(folder / name, **more)
        return name

    return write


def outline_as_archive(folder: Path) -> str:
    (folder / "outline").mkdir()
    geopandas.read_file(folder / "boundary.geojson").to_file(folder / "outline/outline.shp")
    shutil.make_archive(str(folder / "outline"), "zip", folder / "outline")
    return "outline.zip"


FORMS = {
    "boundary.geojson": [
        outline_as("outline.shp"), outline_as("outline.gpkg"), outline_as("outline.kml", driver="KML"),
        outline_as_archive,
    ],
    "stops.csv": [as_vector("walk.geojson"), as_vector("walk.gpkg"), as_vector("walk.shp"), as_gpx],
}  # fmt: skip
CASES = [(usual, write) for usual, writers in FORMS.items() for write in writers]


def files_of(plan: Path, out: Path) -> dict[str, str]:
    """SHA-256 of every file of a result, but the manifest, which names the inputs."""
    pipeline.build(plan, out)
    found = [path for path in out.rglob("*") if path.is_file() and path.name != "manifest.json"]
    return {path.relative_to(out).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest() for path in found}


@pytest.mark.long
def test_every_form_of_boundary_and_stops_gives_the_same_bytes(tmp_path: Path) -> None:
    due = files_of(TEMPLATE / "plan.toml", tmp_path / "due")
    for number, (usual, write) in enumerate(CASES):
        folder = tmp_path / str(number)
        shutil.copytree(TEMPLATE, folder)
        name = write(folder)
        (folder / usual).unlink()
        plan = folder / "plan.toml"
        plan.write_text(plan.read_text().replace(f'"{usual}"', f'"{name}"', 1))
        found = files_of(plan, tmp_path / f"out{number}")
        assert {key for key in due.keys() | found.keys() if due.get(key) != found.get(key)} == set(), name
