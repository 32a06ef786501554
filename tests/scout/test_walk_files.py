"""The files of a walk: filled in, each is a scouting file; others read them too."""

from __future__ import annotations

import csv
import io
import json
import subprocess
import xml.etree.ElementTree as ET
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import shapely

from rxmap.pipeline import check
from rxmap.scout.files import GPX, OURS
from rxmap.walk import find_stops

RING = [[10.1, 50.1], [10.107, 50.1], [10.107, 50.1036], [10.1, 50.1036], [10.1, 50.1]]
POND = [[10.103, 50.1015], [10.104, 50.1015], [10.104, 50.1022], [10.103, 50.1022], [10.103, 50.1015]]
PLAN = """
[field]
name = "Invented <field> & 'more'"
boundary = "boundary.geojson"
crop = "reed barley"
stage = "tillering"
[scouting]
stops = ["stops.csv"]
start = [10.0999, 50.0999]
[[target]]
name = "reed, \\"aphid\\" & <co>"
measure = "count"
per = 10
threshold = 5
source = "own"
gates = { infested_share = 0.5, stages = ["tillering"], confirmed = { "wings are folded" = true } }
[[target]]
name = "lake rust"
measure = "incidence"
threshold = 10
source = "own"
edge = "12 m"
[[target]]
name = "marsh spot"
measure = "severity"
threshold = 3
source = "own"
[[keep_out]]
file = "pond.geojson"
setback = "10 m"
reason = "pond"
[output]
cell = "5 m"
"""
APHID = 'reed, "aphid" & <co>'


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An invented field of 20 ha with a pond, its plan, and the walk of the first visit."""
    folder = tmp_path_factory.mktemp("walk")
    for name, ring in (("boundary", RING), ("pond", POND)):
        (folder / f"{name}.geojson").write_text(json.dumps({"type": "Polygon", "coordinates": [ring]}))
    (folder / "plan.toml").write_text(PLAN, encoding="utf-8")
    find_stops(folder / "plan.toml", folder / "walk")
    return folder


def table(folder: Path) -> list[dict[str, str]]:
    """Rows of the walk's table."""
    text = (folder / "walk/stops.csv").read_bytes().decode("utf-8")
    return list(csv.DictReader(io.StringIO(text, newline="")))


def found_at(stop: str, target: str) -> dict[str, str]:
    """What an invented scout writes: zeros, counts and shares that follow from the names."""
    number = int(stop[1:])
    if target == APHID:
        return {"n": "10", "count": str(number % 7), "positives": str(min(number % 7, 3))}
    return {"n": "20", "positives": str(number % 5)} if target == "lake rust" else {"severity_pct": str(number % 4)}


def filled_csv(text: str) -> str:
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    for row in rows:
        row.update(found_at(row["stop"], row["target"]) | {"date": "2031-07-10"})
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, rows[0])
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def filled_geojson(text: str) -> str:
    document = json.loads(text)
    for feature in document["features"]:
        row = feature["properties"]
        row.update({name: float(value) for name, value in found_at(row["stop"], row["target"]).items()})
        row["date"] = "2031-07-10"
    return json.dumps(document)


def filled_gpx(text: str) -> str:
    tree = ET.fromstring(text)
    for waypoint in tree.findall(f"{{{GPX}}}wpt"):
        cells = waypoint.find(f"{{{GPX}}}extensions")
        stop, target = waypoint.findtext(f"{{{GPX}}}name"), cells.findtext(f"{{{OURS}}}target")
        for name, value in found_at(stop, target).items():
            cells.find(f"{{{OURS}}}{name}").text = value
        when = ET.Element(f"{{{GPX}}}time")
        when.text = "2031-07-10T09:30:00Z"
        waypoint.insert(0, when)
    return ET.tostring(tree, encoding="unicode")


FILLED: dict[str, Callable[[str], str]] = {
    "stops.csv": filled_csv, "stops.geojson": filled_geojson, "stops.gpx": filled_gpx,
}  # fmt: skip


def seen(folder: Path, name: str) -> list[tuple[object, ...]]:
    """What a build reads from a filled file."""
    text = FILLED[name]((folder / "walk" / name).read_text(encoding="utf-8"))
    (folder / name).write_bytes(text.encode("utf-8"))
    plan = folder / f"plan-{name}.toml"
    plan.write_text(PLAN.replace('"stops.csv"', f'"{name}"'), encoding="utf-8")
    _, inputs = check(plan)
    return [(o.stop, o.lon, o.lat, o.date, o.target, o.n, o.value, o.positives, o.edge) for o in inputs.observations]


def test_filled_in_each_file_is_the_same_scouting_file(folder):
    rows, points, waypoints = (seen(folder, name) for name in FILLED)
    assert len(rows) == len(table(folder))
    assert points == rows
    assert waypoints == rows
    assert {row[4] for row in rows if row[8]} == {"lake rust"}  # the one with an edge strip
    assert {row[4] for row in rows if not row[8]} == {APHID, "lake rust", "marsh spot"}


def test_an_empty_table_says_what_is_missing_and_where(folder):
    (folder / "blank.csv").write_bytes((folder / "walk/stops.csv").read_bytes())
    plan = folder / "plan-blank.toml"
    plan.write_text(PLAN.replace('"stops.csv"', '"blank.csv"'), encoding="utf-8")
    with pytest.raises(ValueError, match=r"blank.csv: row 2, column \w+: is blank"):
        check(plan)


def test_stops_are_in_the_field_as_written_and_out_of_the_pond(folder):
    rows = table(folder)
    points = shapely.points([(float(row["lon"]), float(row["lat"])) for row in rows])
    assert shapely.covers(shapely.Polygon(RING), points).all()
    # 10 m are at most 1.4e-4 degrees of longitude and 9e-5 of latitude here: the smaller is the weaker claim
    assert shapely.distance(shapely.Polygon(POND), points).min() > 8.9e-5
    assert len(rows) == sum(1 for _ in (folder / "walk/stops.geojson").read_text().splitlines()) - 2


def test_stops_are_numbered_in_the_order_of_the_route(folder):
    route = ET.fromstring((folder / "walk/stops.gpx").read_bytes()).findall(f".//{{{GPX}}}rtept")
    numbers = [int(point.findtext(f"{{{GPX}}}name")[1:]) for point in route]
    assert numbers == list(range(1, len(route) + 1))


def test_gpxpy_reads_waypoints_and_route(folder):
    gpxpy = pytest.importorskip("gpxpy", reason="gpxpy is not installed")
    document = gpxpy.parse((folder / "walk/stops.gpx").read_text(encoding="utf-8"), version="1.1")
    figures = json.loads((folder / "walk/walk.json").read_text())
    assert document.version == "1.1"
    assert [point.name for point in document.routes[0].points] == [stop["stop"] for stop in figures["stops"]]
    assert len(document.waypoints) == len(table(folder))


@pytest.mark.parametrize("name", ["stops.gpx", "stops.geojson"])
def test_gdal_reads_the_points(folder, program, name):
    told = subprocess.run(
        [program("ogrinfo"), "-so", "-al", folder / "walk" / name], capture_output=True, text=True, check=True
    )
    rows = len(table(folder))
    assert f"Feature Count: {rows}" in told.stdout
    assert told.stderr == ""


def test_elements_of_a_waypoint_stand_in_the_order_of_the_schema(folder):
    # GPX 1.1, Topografix (2004): wptType is a sequence, name before extensions; wpt before rte (from memory)
    root = ET.fromstring((folder / "walk/stops.gpx").read_bytes())
    kinds = [child.tag.rpartition("}")[2] for child in root]
    assert kinds == sorted(kinds, key=["wpt", "rte"].index)
    for waypoint in root.findall(f"{{{GPX}}}wpt"):
        assert [child.tag.rpartition("}")[2] for child in waypoint] == ["name", "extensions"]
        extension = waypoint.find(f"{{{GPX}}}extensions")
        assert all(child.tag.startswith(f"{{{OURS}}}") for child in extension)


def test_the_sheet_names_every_stop_target_and_threshold(folder, program):
    text = subprocess.run(
        [program("pdftotext"), "-layout", folder / "walk/walk.pdf", "-"], capture_output=True, text=True, check=True
    ).stdout
    figures = json.loads((folder / "walk/walk.json").read_text())
    assert all(stop["stop"] in text for stop in figures["stops"])
    assert all(words in text for words in (APHID, "lake rust", "marsh spot", "5 per 10", "10 %", "3 %"))
    assert text.count("Stop when:") == 2  # a severity is not counted
    assert "Never on one corner" in " ".join(text.split())
    assert "re-entry interval" in text
    assert "wings are folded" in text
    assert "tillering only" in text


def test_figures_say_what_the_files_hold(folder):
    figures = json.loads((folder / "walk/walk.json").read_text())
    rows = table(folder)
    assert figures["kind"] == "first visit"
    assert figures["walk"]["stops"] == len({row["stop"] for row in rows})
    assert figures["walk"]["edge_stops"] == sum(stop["stop"].startswith("E") for stop in figures["stops"])
    assert np.isfinite(figures["walk"]["length_m"])
    assert figures["cautions"] == []  # a first visit needs no product
    assert [target["name"] for target in figures["targets"]] == [APHID, "lake rust", "marsh spot"]
