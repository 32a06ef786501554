"""Shapefile and GeoPackage, coordinate systems, and files that are neither."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import fiona
import numpy as np
import pyproj
import pytest
import shapefile
import shapely
from shapely.geometry import Polygon, mapping

from rxmap.errors import InputError
from rxmap.plan import Plan
from rxmap.read.door import open_source
from rxmap.read.inputs import read_field, read_inputs
from rxmap.read.vector import read_layer

GEOD = pyproj.Geod(ellps="WGS84")
NC = Path("/usr/lib/R/site-library/sf/shape/nc.shp")  # of R package sf (Debian: r-cran-sf), not redistributed here

MakePlan = Callable[..., Plan]


def field_at(lon: float, lat: float) -> Polygon:
    """An invented field of some 20 ha with a pond, clockwise as the ESRI description has it."""
    shell = [(lon, lat), (lon, lat + 0.0036), (lon + 0.007, lat + 0.0036), (lon + 0.008, lat), (lon, lat)]
    pond = [(lon + 0.003, lat + 0.001), (lon + 0.004, lat + 0.001), (lon + 0.004, lat + 0.002)]
    return shapely.transform(Polygon(shell, [pond]), lambda xy: np.round(xy, 7))


def projected(polygon: Polygon, epsg: int) -> Polygon:
    way = pyproj.Transformer.from_crs(4326, epsg, always_xy=True)
    return shapely.transform(polygon, lambda xy: np.column_stack(way.transform(xy[:, 0], xy[:, 1])))


def write_shapefile(path: Path, polygon: Polygon, epsg: int) -> None:
    """Write with pyshp, which shares no code with what reads it here."""
    with shapefile.Writer(str(path)) as writer:
        writer.field("name", "C", 40)
        rings = [list(ring.coords) for ring in (polygon.exterior, *polygon.interiors)]
        writer.poly(rings)
        writer.record("invented")
    path.with_suffix(".prj").write_text(pyproj.CRS.from_epsg(epsg).to_wkt("WKT1_ESRI"))


def write_geopackage(path: Path, features: list[dict[str, Any]], epsg: int, schema: dict[str, Any]) -> None:
    with fiona.open(path, "w", driver="GPKG", crs_wkt=pyproj.CRS.from_epsg(epsg).to_wkt(), schema=schema) as layer:
        layer.writerecords(features)


def boundary_feature(polygon: Polygon) -> list[dict[str, Any]]:
    return [{"geometry": mapping(polygon), "properties": {"name": "invented"}}]


POLYGONS = {"geometry": "Polygon", "properties": {"name": "str"}}

# place and systems: UTM, its neighbour zone, ETRS89, Web Mercator, feet, south, exception zone; caution expected
PLACES = [
    (10.1, 50.1, 4326, False),
    (10.1, 50.1, 32632, False),
    (10.1, 50.1, 32633, False),
    (10.1, 50.1, 25832, False),
    (10.1, 50.1, 3857, False),
    (-79.5, 35.6, 2264, True),  # NAD83 North Carolina in US survey feet; PROJ knows NAD83 to WGS84 to 4 m
    (172.5, -43.4, 32759, False),
    (5.9995, 60.3, 32632, False),
]


@pytest.mark.parametrize(("lon", "lat", "epsg", "caution"), PLACES)
@pytest.mark.parametrize("form", ["shp", "gpkg"])
def test_a_field_has_one_area_in_every_system(
    tmp_path: Path, make_plan: MakePlan, form: str, lon: float, lat: float, epsg: int, caution: bool
) -> None:
    polygon = field_at(lon, lat)
    if form == "shp":
        write_shapefile(tmp_path / "field.shp", projected(polygon, epsg), epsg)
    else:
        write_geopackage(tmp_path / "field.gpkg", boundary_feature(projected(polygon, epsg)), epsg, POLYGONS)
    plan = make_plan(boundary=f"field.{form}")
    # outside: area on the ellipsoid by pyproj.Geod, Karney (2013); vertices come back to the 1e-7 grid exactly
    area, _ = GEOD.geometry_area_perimeter(shapely.geometry.polygon.orient(polygon))
    assert read_field(plan).area_ha == pytest.approx(area / 1e4, rel=1e-6)
    layer = read_layer(open_source(tmp_path, f"field.{form}"))
    assert [c.code for c in layer.cautions] == ([f"datum_shift: field.{form}"] if caution else [])


def test_the_crs_member_of_older_geojson_is_honoured(make_plan: MakePlan) -> None:
    polygon = field_at(10.1, 50.1)
    crs = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32632"}}
    feature = {"type": "Feature", "properties": {}, "geometry": mapping(projected(polygon, 32632))}
    document = json.dumps({"type": "FeatureCollection", "crs": crs, "features": [feature]})
    field = read_field(make_plan({"boundary.geojson": document}))
    assert shapely.normalize(field.boundary).equals(shapely.normalize(polygon))


@pytest.mark.skipif(not NC.exists(), reason="nc.shp of the R package sf is not installed")
def test_a_datum_whose_shift_is_not_known_well_enough_is_refused_by_name() -> None:
    with pytest.raises(InputError, match=r"'GCS_North_American_1927|'NAD27"):  # nc.shp is in NAD27
        read_layer(open_source(NC.parent, NC.name))


@pytest.mark.skipif(not NC.exists(), reason="nc.shp of the R package sf is not installed")
def test_the_counties_of_nc_shp_have_the_areas_that_it_states(tmp_path: Path) -> None:
    # outside: its attribute AREA is the area in square degrees, to three decimals (Cressie 1993, SIDS data)
    for part in (".shp", ".shx", ".dbf"):
        (tmp_path / f"nc{part}").write_bytes(NC.with_suffix(part).read_bytes())
    (tmp_path / "nc.prj").write_text(pyproj.CRS.from_epsg(4326).to_wkt("WKT1_ESRI"))
    layer = read_layer(open_source(tmp_path, "nc.shp"))
    assert len(layer.features) == 100
    stated = [float(feature.properties["AREA"]) for feature in layer.features]
    assert [feature.geometry.area for feature in layer.features] == pytest.approx(stated, abs=6e-4)


@pytest.mark.parametrize(("encoding", "mark"), [("latin-1", None), ("utf-8", "UTF-8"), ("cp1252", "1252")])
def test_attributes_keep_their_letters_in_every_code_page(tmp_path: Path, encoding: str, mark: str | None) -> None:
    base = tmp_path / "field"
    with shapefile.Writer(str(base), encoding=encoding) as writer:
        writer.field("name", "C", 40)
        writer.poly([list(field_at(10.1, 50.1).exterior.coords)])
        writer.record("\u00c5kern s\u00f6der")
    base.with_suffix(".prj").write_text(pyproj.CRS.from_epsg(4326).to_wkt("WKT1_ESRI"))
    base.with_suffix(".cpg").unlink(missing_ok=True)
    if mark:
        base.with_suffix(".cpg").write_text(mark)
    (feature,) = read_layer(open_source(tmp_path, "field.shp")).features
    assert feature.properties == {"name": "\u00c5kern s\u00f6der"}


def break_shapefile(tmp_path: Path, what: Callable[[Path], None]) -> None:
    write_shapefile(tmp_path / "field.shp", field_at(10.1, 50.1), 4326)
    what(tmp_path / "field")


def cut(part: str, keep: float) -> Callable[[Path], None]:
    def cutting(base: Path) -> None:
        path = base.with_suffix(part)
        data = path.read_bytes()
        path.write_bytes(data[: int(keep * len(data))])

    return cutting


def overwrite(part: str, data: bytes, at: int | None = None) -> Callable[[Path], None]:
    def writing(base: Path) -> None:
        path = base.with_suffix(part)
        old = path.read_bytes() if at is not None else b""
        path.write_bytes(old[:at] + data + old[(at or 0) + len(data) :])

    return writing


BROKEN = {
    "no .prj": (lambda base: base.with_suffix(".prj").unlink(), ".prj beside it missing"),
    "no .dbf": (lambda base: base.with_suffix(".dbf").unlink(), ".dbf beside it missing"),
    "no .shx": (lambda base: base.with_suffix(".shx").unlink(), ".shx beside it missing"),
    "meaningless .prj": (overwrite(".prj", b"somewhere"), "coordinate system cannot be read"),
    "address in .prj": (overwrite(".prj", b"http://127.0.0.1/crs.wkt"), "coordinate system cannot be read"),
    "no system of the earth": (overwrite(".prj", b'LOCAL_CS["barn",UNIT["metre",1]]'), "'barn' is not a coordinate"),
    "unknown datum": (
        overwrite(".prj", b'GEOGCS["u",DATUM["u",SPHEROID["s",6378100,298]],PRIMEM["G",0],UNIT["degree",0.01745329]]'),
        "no way from 'u' to WGS84",
    ),
    "metres declared for degrees": (
        overwrite(".prj", pyproj.CRS.from_epsg(32632).to_wkt("WKT1_ESRI").encode()),
        "Check the file and its coordinate system",
    ),
    "half a .shp": (cut(".shp", 0.5), "cut off"),
    "header of a .shp": (cut(".shp", 0.1), "cut off within a header"),
    "half a .dbf": (cut(".dbf", 0.8), "cut off"),
    "too few rows declared": (overwrite(".dbf", b"\x00\x00\x00\x00", 4), "1 shapes but 0 rows"),
    "markup as .shp": (overwrite(".shp", b"<OGRVRTDataSource><SrcDataSource>a</SrcDataSource>"), "XML or HTML"),
    "null shape": (overwrite(".shp", b"\x00\x00\x00\x00", 108), "feature 1 has no geometry"),
}  # fmt: skip


@pytest.mark.parametrize(("what", "part"), BROKEN.values(), ids=BROKEN)
def test_a_broken_shapefile_is_refused(
    tmp_path: Path, refusal: Callable[..., str], what: Callable[[Path], None], part: str
) -> None:
    break_shapefile(tmp_path, what)
    message = refusal(boundary="field.shp")
    assert part in message
    assert message.startswith("field.shp: ")


def test_a_side_car_that_would_steer_the_driver_is_not_looked_at(tmp_path: Path, make_plan: MakePlan) -> None:
    write_shapefile(tmp_path / "field.shp", field_at(10.1, 50.1), 4326)
    before = read_field(make_plan(boundary="field.shp"))
    for part in (".qix", ".sbn", ".shp.xml", ".shp.aux.xml"):
        (tmp_path / f"field{part}").write_bytes(b"not what it seems")
    assert read_field(make_plan(boundary="field.shp")) == before


NOT_LAYERS = {
    "nothing": (b"", "the file is empty"),
    "zipped": (b"PK\x03\x04...", "an archive or a spreadsheet"),
    "html": (b"<!doctype html><p>", "XML or HTML, but neither KML nor GPX"),
    "virtual": (b"<VRTDataset><SourceFilename>/vsicurl/http://127.0.0.1/a</SourceFilename></VRTDataset>", "XML or"),
    "image": (b"II*\x00....", "not a vector layer"),
    "text": (b"lon,lat\n1,2\n", "not a vector layer"),
}  # fmt: skip


@pytest.mark.parametrize(("data", "part"), NOT_LAYERS.values(), ids=NOT_LAYERS)
@pytest.mark.parametrize("name", ["field.geojson", "field.gpkg", "field.kml"])
def test_what_is_no_layer_is_refused_whatever_its_name(
    refusal: Callable[..., str], name: str, data: bytes, part: str
) -> None:
    assert part in refusal({name: data}, boundary=name)


def test_a_pond_drawn_in_the_projection_of_the_results_is_read(tmp_path: Path, make_plan: MakePlan) -> None:
    field = read_field(make_plan())
    pond = shapely.box(-20, -30, 40, 50)  # metres that would pass for degrees
    with fiona.open(
        tmp_path / "pond.gpkg", "w", driver="GPKG", crs_wkt=field.frame.crs.to_wkt(), schema=POLYGONS
    ) as layer:
        layer.writerecords(boundary_feature(pond))
    plan = make_plan(rest='[[keep_out]]\nfile = "pond.gpkg"\nsetback = "3 m"\nreason = "pond"')
    (keep_out,) = read_inputs(plan).keep_outs
    assert keep_out.ground.hausdorff_distance(pond) < 1e-6  # there and back through PROJ


def test_a_geopackage_of_several_layers_is_refused_with_their_names(
    tmp_path: Path, refusal: Callable[..., str]
) -> None:
    for name in ("north", "south"):
        with fiona.open(
            tmp_path / "field.gpkg", "w", driver="GPKG", layer=name, crs="EPSG:4326", schema=POLYGONS
        ) as layer:
            layer.writerecords(boundary_feature(field_at(10.1, 50.1)))
    assert "holds 2 layers (north, south)" in refusal(boundary="field.gpkg")


@pytest.mark.parametrize("keep", [0.02, 0.3, 0.9])
def test_a_cut_geopackage_is_refused(tmp_path: Path, refusal: Callable[..., str], keep: float) -> None:
    path = tmp_path / "field.gpkg"
    write_geopackage(path, boundary_feature(field_at(10.1, 50.1)), 4326, POLYGONS)
    path.write_bytes(path.read_bytes()[: int(keep * path.stat().st_size)])
    assert refusal(boundary="field.gpkg").startswith("field.gpkg: ")


def test_a_geopackage_without_a_system_is_refused(tmp_path: Path, refusal: Callable[..., str]) -> None:
    path = tmp_path / "field.gpkg"
    write_geopackage(path, boundary_feature(field_at(10.1, 50.1)), 4326, POLYGONS)
    with closing(sqlite3.connect(path)) as db, db:  # OGC 12-128r18 clause 1.1.2: 0 is undefined geographic
        for table in ("gpkg_contents", "gpkg_geometry_columns"):
            db.execute(f"UPDATE {table} SET srs_id = 0")
    assert "its coordinate system is undefined" in refusal(boundary="field.gpkg")


def test_a_layer_that_is_a_view_is_refused_before_it_computes_for_ever(
    tmp_path: Path, refusal: Callable[..., str]
) -> None:
    path = tmp_path / "field.gpkg"
    write_geopackage(path, boundary_feature(field_at(10.1, 50.1)), 4326, POLYGONS)
    with closing(sqlite3.connect(path)) as db, db:
        db.execute(
            "CREATE VIEW endless AS WITH RECURSIVE r(geom) AS (SELECT 1 UNION ALL SELECT 1 FROM r) SELECT * FROM r"
        )
        db.execute("UPDATE gpkg_contents SET table_name = 'endless'")
        db.execute("UPDATE gpkg_geometry_columns SET table_name = 'endless'")
    assert "its layer is no table" in refusal(boundary="field.gpkg")


def test_a_geopackage_that_was_kept_with_a_log_is_read(tmp_path: Path, make_plan: MakePlan) -> None:
    path, plan = tmp_path / "field.gpkg", make_plan(boundary="field.gpkg")
    write_geopackage(path, boundary_feature(field_at(10.1, 50.1)), 4326, POLYGONS)
    before = read_field(plan)
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA journal_mode = WAL")
    assert path.read_bytes()[18:20] == b"\x02\x02"
    assert read_field(plan) == before


@pytest.mark.parametrize("kind", ["Polygon", "3D MultiPolygon", "LineString", "3D Point", "MultiPoint"])
def test_geometries_of_a_geopackage_are_those_that_fiona_reads(tmp_path: Path, kind: str) -> None:
    # outside: GDAL's own driver writes them and reads them back
    line = shapely.LineString([(10.1, 50.1, 7), (10.2, 50.2, 8)])
    shape = {
        "Polygon": field_at(10.1, 50.1),
        "3D MultiPolygon": shapely.MultiPolygon([shapely.force_3d(field_at(10.1, 50.1), 312.5)]),
        "LineString": shapely.force_2d(line),
        "3D Point": shapely.Point(line.coords[0]),
        "MultiPoint": shapely.MultiPoint([(10.1, 50.1), (10.2, 50.1)]),
    }[kind]
    path = tmp_path / "layer.gpkg"
    write_geopackage(path, boundary_feature(shape), 4326, {**POLYGONS, "geometry": kind})
    with fiona.open(path) as layer:
        theirs = [shapely.force_2d(shapely.geometry.shape(feature.geometry)) for feature in layer]
    assert [feature.geometry for feature in read_layer(open_source(tmp_path, "layer.gpkg")).features] == theirs


def test_a_database_that_is_no_geopackage_is_refused(tmp_path: Path, refusal: Callable[..., str]) -> None:
    with closing(sqlite3.connect(tmp_path / "field.gpkg")) as db, db:
        db.execute("CREATE TABLE a (b)")
    assert "a database, but no GeoPackage" in refusal(boundary="field.gpkg")


def test_a_geopackage_with_unwritten_changes_is_refused(tmp_path: Path, refusal: Callable[..., str]) -> None:
    path = tmp_path / "field.gpkg"
    write_geopackage(path, boundary_feature(field_at(10.1, 50.1)), 4326, POLYGONS)
    (tmp_path / "field.gpkg-wal").write_bytes(b"changes")
    assert "open in another program" in refusal(boundary="field.gpkg")


@pytest.mark.parametrize("kind", ["Polygon", "MultiPoint"])
def test_stops_that_are_not_single_points_are_refused_with_the_feature(refusal: Callable[..., str], kind: str) -> None:
    geometry = mapping(field_at(10.1, 50.1) if kind == "Polygon" else shapely.MultiPoint([(10.1, 50.1), (10.2, 50.1)]))
    feature = {"type": "Feature", "properties": {"stop": "S1"}, "geometry": geometry}
    assert f"feature 1 is a {kind}; a stop is one point" in refusal(
        {"stops.geojson": json.dumps(feature)}, stops='"stops.geojson"'
    )


@pytest.mark.parametrize("form", ["gpkg", "shp"])
def test_damaged_bytes_are_read_or_refused_and_never_end_the_process(tmp_path: Path, form: str) -> None:
    # general drivers crash on some of these: seen with GDAL 3.9 on a GeoPackage with damaged text
    if form == "shp":
        write_shapefile(tmp_path / "field.shp", field_at(10.1, 50.1), 4326)
    else:
        write_geopackage(tmp_path / "field.gpkg", boundary_feature(field_at(10.1, 50.1)) * 40, 4326, POLYGONS)
    source = open_source(tmp_path, f"field.{form}")
    rng = np.random.default_rng(7)
    told = set()
    for damage in np.repeat([1, 8, 64, 512], 15):
        data = np.frombuffer(source.data, np.uint8).copy()
        data[rng.integers(16, len(data), damage)] = rng.integers(0, 256, damage)
        try:
            told.add(str(len(read_layer(replace(source, data=data.tobytes())).features)))
        except InputError as error:
            told.update(error.lines())
    assert len(told) > 2  # some damage does no harm, the rest is told
    assert all(line.startswith("field.") or line.isdigit() for line in told)
