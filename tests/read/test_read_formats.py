"""One field and one walk, in every form that is read: the same field, the same observations."""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any
from xml.etree import ElementTree
from xml.sax.saxutils import escape

import fiona
import pyproj
import pytest
import shapefile
import shapely
from shapely.geometry import Polygon, mapping

from rxmap.plan import Plan
from rxmap.read.inputs import read_field, read_inputs
from rxmap.records import Observation

MakePlan = Callable[..., Plan]
Row = dict[str, str]

WALK = """stop,lon,lat,date,target,n,count,positives,severity_pct,edge,note,variety
007,10.1012,50.1011,2026-07-10,reed aphid,10,4,3,,,,Early
007,10.1012,50.1011,2026-07-17,reed aphid,10,9,7,,,,Early
S2,10.1051,50.1012,2026-07-10,reed aphid,10,0,0,,0,wet & cold,
S3,10.1062,50.1031,2026-07-10,reed aphid,12,31,12,,1,"sp\u00e4t, <late>",Early
007,10.1012,50.1011,2026-07-10,lake rust,5,,,2.5,,,Early
S2,10.1051,50.1012,2026-07-10,lake rust,5,,,0,0,wet & cold,
"""
ROWS: list[Row] = list(csv.DictReader(io.StringIO(WALK)))
FIELD = Polygon(
    [(10.1, 50.1), (10.1, 50.1036), (10.107, 50.1036), (10.107, 50.1), (10.1, 50.1)],
    [[(10.103, 50.101), (10.104, 50.101), (10.104, 50.102), (10.103, 50.101)]],
)
WKT = pyproj.CRS.from_epsg(4326).to_wkt("WKT1_ESRI")
KINDS = {"n": int, "count": int, "positives": int, "severity_pct": float, "edge": int}
GPX = "http://www.topografix.com/GPX/1/1"


def attributes(row: Row) -> dict[str, Any]:
    """Attributes of a row as a vector file types them."""
    return {k: KINDS.get(k, str)(v) if v else None for k, v in row.items() if k not in ("lon", "lat")}


def place(row: Row) -> tuple[float, float]:
    return float(row["lon"]), float(row["lat"])


def as_geojson(folder: Path) -> str:
    features = [
        {"type": "Feature", "properties": attributes(row), "geometry": {"type": "Point", "coordinates": place(row)}}
        for row in ROWS
    ]
    (folder / "walk.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    return "walk.geojson"


def as_geopackage(folder: Path) -> str:
    names = {int: "int", float: "float", str: "str"}
    schema = {"geometry": "Point", "properties": {k: names[KINDS.get(k, str)] for k in attributes(ROWS[0])}}
    schema["properties"]["date"] = "date"
    with fiona.open(folder / "walk.gpkg", "w", driver="GPKG", crs_wkt=WKT, schema=schema) as layer:
        layer.writerecords(
            {"geometry": {"type": "Point", "coordinates": place(row)}, "properties": attributes(row)} for row in ROWS
        )
    return "walk.gpkg"


def as_shapefile(folder: Path) -> str:
    """Write with pyshp, which shares no code with what reads it here; it cuts names to ten letters itself."""
    with shapefile.Writer(str(folder / "walk"), encoding="utf-8") as writer:
        for name in attributes(ROWS[0]):
            kind = {int: ("N", 9, 0), float: ("N", 9, 3), str: ("C", 80, 0)}[KINDS.get(name, str)]
            writer.field(name[:10], *(("D", 8, 0) if name == "date" else kind))
        for row in ROWS:
            writer.point(*place(row))
            values = {**attributes(row), "date": dt.date.fromisoformat(row["date"])}
            writer.record(
                *(
                    row[name] if KINDS.get(name, str) is str and name != "date" else value
                    for name, value in values.items()
                )
            )
    describe(folder / "walk")
    return "walk.shp"


def describe(base: Path) -> None:
    """Add the two parts that pyshp does not write."""
    base.with_suffix(".prj").write_text(WKT)
    base.with_suffix(".cpg").write_text("UTF-8")


def zipped(folder: Path, name: str, *, inside: str = "walk/") -> str:
    """Pack a shapefile as people do: a folder, and the shadows that some systems add."""
    stem = Path(name).stem
    with zipfile.ZipFile(folder / f"{stem}.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        for path in sorted(folder.glob(f"{stem}.*")):
            if path.suffix in (".shp", ".shx", ".dbf", ".prj", ".cpg"):
                archive.write(path, inside + path.name)
                archive.writestr(f"__MACOSX/{inside}._{path.name}", b"shadow")
                path.unlink()
    return f"{stem}.zip"


def as_zipped_shapefile(folder: Path) -> str:
    return zipped(folder, as_shapefile(folder))


def as_gpx(folder: Path) -> str:
    """Write with gpxpy, an independent writer of GPX 1.1."""
    gpxpy = pytest.importorskip("gpxpy", reason="gpxpy is not installed")
    document = gpxpy.gpx.GPX()
    for row in ROWS:
        lon, lat = place(row)
        when = dt.datetime.fromisoformat(row["date"] + "T23:30:00+00:00")
        waypoint = gpxpy.gpx.GPXWaypoint(lat, lon, name=row["stop"], time=when, elevation=312.5)
        for name, value in row.items():
            if value and name not in ("stop", "lon", "lat", "date"):
                element = ElementTree.Element(f"{{http://example.org/visit}}{name}")
                element.text = escape(value)  # gpxpy 1.6 writes the text of extensions as it is
                waypoint.extensions.append(element)
        document.waypoints.append(waypoint)
    document.nsmap["v"] = "http://example.org/visit"
    (folder / "walk.gpx").write_text(document.to_xml(version="1.1"), encoding="utf-8")
    return "walk.gpx"


LONG_FORMS = (as_geojson, as_geopackage, as_shapefile, as_zipped_shapefile, as_gpx)


def without_place(plan: Plan) -> list[Observation]:
    return [replace(one, place="") for one in read_inputs(plan).observations]


@pytest.fixture
def walked(make_plan: MakePlan) -> list[Observation]:
    observations = without_place(make_plan({"walk.csv": WALK}, stops='"walk.csv"'))
    assert [(o.stop, o.value, o.why) for o in observations if o.stop == "007"] == [
        ("007", 2.5, ""), ("007", 4.0, "older visit"), ("007", 9.0, ""),
    ]  # fmt: skip
    return observations


@pytest.mark.parametrize("write", LONG_FORMS)
def test_a_walk_is_the_same_in_every_form(
    write: Callable[[Path], str], make_plan: MakePlan, tmp_path: Path, walked: list[Observation]
) -> None:
    assert without_place(make_plan(stops=f'"{write(tmp_path)}"')) == walked


def test_a_walk_is_the_same_in_several_files(make_plan: MakePlan, tmp_path: Path, walked: list[Observation]) -> None:
    name = as_gpx(tmp_path)
    document = ElementTree.parse(tmp_path / name)
    first, rest = ROWS[0], document.getroot()
    rest.remove(rest.findall(f"{{{GPX}}}wpt")[0])
    document.write(tmp_path / name)
    head = "\n".join([",".join(first), ",".join(first.values())])
    assert without_place(make_plan({"one.csv": head}, stops=f'["one.csv", "{name}"]')) == walked


WIDE = """stop;lon;lat;date;aphids;Aphids_n;aphids_positives;rust;n;edge;note;variety
007;10,1012;50,1011;2026-07-10;4;10;3;2,5;5;;;Early
007;10,1012;50,1011;2026-07-17;9;10;7;;;;;Early
S2;10,1051;50,1012;2026-07-10;0;10;0;0;5;0;wet & cold;
S3;10,1062;50,1031;2026-07-10;31;12;12;;;1;sp\u00e4t, <late>;Early
"""
COLUMNS = 'columns = { "reed aphid" = "aphids", "lake rust" = "rust" }'


def test_a_walk_is_the_same_in_a_wide_table(make_plan: MakePlan, walked: list[Observation]) -> None:
    assert without_place(make_plan({"wide.csv": WIDE}, stops='"wide.csv"', scouting=COLUMNS)) == walked


def test_a_wide_shapefile_may_have_its_names_cut_to_ten_letters(
    make_plan: MakePlan, tmp_path: Path, walked: list[Observation]
) -> None:
    rows = list(csv.DictReader(io.StringIO(WIDE.replace(",", ".")), delimiter=";"))
    with shapefile.Writer(str(tmp_path / "wide"), encoding="utf-8") as writer:
        for name in rows[0]:
            if name not in ("lon", "lat"):
                writer.field(name[:10], "C", 40)
        for row in rows:
            writer.point(float(row.pop("lon")), float(row.pop("lat")))
            writer.record(*(value.replace("sp\u00e4t.", "sp\u00e4t,") for value in row.values()))
    describe(tmp_path / "wide")
    assert without_place(make_plan(stops='"wide.shp"', scouting=COLUMNS)) == walked


# --- the boundary ---


def field_as_shapefile(folder: Path) -> str:
    with shapefile.Writer(str(folder / "outline")) as writer:
        writer.field("name", "C", 40)
        writer.poly([list(ring.coords) for ring in (FIELD.exterior, *FIELD.interiors)])
        writer.record("invented")
    describe(folder / "outline")
    return "outline.shp"


def field_as_zipped_shapefile(folder: Path) -> str:
    return zipped(folder, field_as_shapefile(folder), inside="")


def field_as_geopackage(folder: Path) -> str:
    schema = {"geometry": "Polygon", "properties": {"name": "str"}}
    with fiona.open(folder / "outline.gpkg", "w", driver="GPKG", crs_wkt=WKT, schema=schema) as layer:
        layer.write({"geometry": mapping(FIELD), "properties": {"name": "invented"}})
    return "outline.gpkg"


def field_as_kml(folder: Path) -> str:
    """Write with fastkml, an independent writer of KML 2.2."""
    kml = pytest.importorskip("fastkml", reason="fastkml is not installed")
    document = kml.Document(features=[kml.Placemark(name="invented", geometry=shapely.force_3d(FIELD, 312.5))])
    (folder / "outline.kml").write_text(kml.KML(features=[document]).to_string(), encoding="utf-8")
    return "outline.kml"


def field_as_zipped_kml(folder: Path) -> str:
    with zipfile.ZipFile(folder / "outline.kmz", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.write(folder / field_as_kml(folder), "doc.kml")
        archive.writestr("files/pin.png", b"\x89PNG")
    return "outline.kmz"


@pytest.mark.parametrize(
    "write", [field_as_shapefile, field_as_zipped_shapefile, field_as_geopackage, field_as_kml, field_as_zipped_kml]
)
def test_a_field_is_the_same_in_every_form(write: Callable[[Path], str], make_plan: MakePlan, tmp_path: Path) -> None:
    ours = read_field(make_plan({"boundary.geojson": json.dumps(mapping(FIELD))}))
    assert len(ours.boundary.interiors) == 1
    assert read_field(make_plan(boundary=write(tmp_path))) == ours
