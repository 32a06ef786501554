"""Awkward vector layers: stops as points (classes 19 to 24) and boundaries (25 to 31) of docs/reliability.md."""

from __future__ import annotations

import io
import json
import math
import random
import stat
import zipfile
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import fiona
import pyproj
import shapely
from setting import EAST, NORTH, RING, SOUTH, WEST, Case, Folder, feature, features, point, polygon

Spoil = Callable[[Folder], object]
GPX = '<gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1" creator="hand">{}</gpx>'
KML = '<kml xmlns="http://www.opengis.net/kml/2.2"><Document>{}</Document></kml>'
PLACEMARK = (
    "<Placemark><Polygon><outerBoundaryIs><LinearRing><coordinates>"
    + " ".join(f"{lon},{lat}" for lon, lat in RING)
    + "</coordinates></LinearRing></outerBoundaryIs></Polygon></Placemark>"
)
ENTITY = '<!DOCTYPE a [<!ENTITY b SYSTEM "file:///etc/hostname">]>'
LAUGHS = '<!DOCTYPE a [<!ENTITY b "ha"><!ENTITY c "&b;&b;&b;&b;&b;&b;&b;&b;">]>'


def stops(change: Callable[[list[dict]], object] | None = None, **members: object) -> Spoil:
    """Stops as GeoJSON whose features are changed."""

    def spoil(folder: Folder) -> None:
        found = [point(row) for row in folder.rows]
        if change is not None:
            change(found)
        folder.points("stops.geojson", **{**features(*found), **members})

    return spoil


def stops_text(change: Callable[[str], str | bytes]) -> Spoil:
    def spoil(folder: Folder) -> None:
        folder.points("stops.geojson")
        folder.write("stops.geojson", change(folder.text("stops.geojson")))

    return spoil


def geometry_of(number: int, geometry: object) -> Callable[[list[dict]], None]:
    def change(found: list[dict]) -> None:
        found[number - 1]["geometry"] = geometry

    return change


def raised(found: list[dict]) -> None:
    for one in found:
        one["geometry"]["coordinates"].append(431.5)


def turned(found: list[dict]) -> None:
    for one in found:
        one["geometry"]["coordinates"].reverse()


def named(code: str, kind: str = "name") -> dict:
    return {"type": kind, "properties": {"name": code} if kind == "name" else {"href": code}}


def vectors() -> Iterator[Case]:
    """Stops in GeoJSON."""
    there = ("stops.geojson",)
    yield Case(
        number=19, name="GeoJSON with a byte-order mark", spoil=stops_text(lambda t: b"\xef\xbb\xbf" + t.encode())
    )
    for name, change in {
        "NaN in JSON": lambda t: t.replace("10.10", "NaN, 10.10", 1),
        "a number that overflows": lambda t: t.replace("10.10", "1e999, 10.10", 1),
        "a whole number of 400 digits": lambda t: t.replace('"count": "', '"count": ' + "9" * 400 + ', "old": "', 1),
        "very deep nesting": lambda t: '{"type":' + "[" * 100_000,
        "GeoJSON cut in half": lambda t: t[: len(t) // 2],
        "a key twice": lambda t: t.replace('"type"', '"type": "Feature", "type"', 1),
        "JSON that is no GeoJSON": lambda t: '{"rows": 3}',
        "JSON that is a list": lambda t: "[1, 2]",
        "no features": lambda t: '{"type": "FeatureCollection", "features": []}',
        "features that are numbers": lambda t: '{"type": "FeatureCollection", "features": [1]}',
        "GeoJSON not in UTF-8": lambda t: t.replace("S01", "S\u00fc").encode("latin-1"),
    }.items():
        yield Case(number=19, name=name, spoil=stops_text(change), told=there)
    for name, geometry in {
        "a null geometry": None,
        "an empty geometry": {"type": "Point", "coordinates": []},
        "several points in one": {"type": "MultiPoint", "coordinates": [[10.101, 50.101]]},
        "a polygon for a stop": {"type": "Polygon", "coordinates": [RING]},
        "a position of text": {"type": "Point", "coordinates": ["10.1", "50.1"]},
        "a position of one number": {"type": "Point", "coordinates": [10.1]},
        "a geometry of no known kind": {"type": "Circle", "coordinates": [10.1, 50.1]},
    }.items():
        yield Case(number=20, name=name, spoil=stops(geometry_of(4, geometry)), told=("stops.geojson: feature 4",))
    yield Case(number=20, name="elevations of stops", spoil=stops(raised))
    yield Case(number=21, name="points as latitude, longitude", spoil=stops(turned), told=("swapped",))
    yield Case(
        number=21, name="a crs member that says what is so", spoil=stops(crs=named("urn:ogc:def:crs:OGC:1.3:CRS84"))
    )
    for name, member in {
        "a crs member that contradicts": named("EPSG:32632"),
        "a crs member that links elsewhere": named("http://127.0.0.1:9/crs.wkt", "link"),
        "a crs member of no known code": named("EPSG:999999"),
        "a crs member of nonsense": named("down the road"),
        "a crs member that is an address": named("http://127.0.0.1:9/crs"),
    }.items():
        yield Case(number=21, name=name, spoil=stops(crs=member), told=there)


@cache
def shapefile(crs: str = "EPSG:4326") -> dict[str, bytes]:
    """Parts of a shapefile of 24 stops, by suffix."""
    form = {"driver": "ESRI Shapefile", "crs": crs}
    return _written("stops.shp", form)


def _written(name: str, form: dict) -> dict[str, bytes]:
    """Files that fiona writes of the sound folder's stops, by suffix."""
    with TemporaryDirectory() as path:
        rows = Folder(Path(path), random.Random(0)).rows
        fields = {key: "str:20" for key in rows[0] if key not in ("lon", "lat")}
        with fiona.open(Path(path) / name, "w", schema={"geometry": "Point", "properties": fields}, **form) as file:
            file.writerecords([point(row) for row in rows])
        (Path(path) / "stops.csv").unlink()
        return {part.suffix: part.read_bytes() for part in sorted(Path(path).glob("stops.*"))}


def shape(change: Callable[[dict[str, bytes]], object]) -> Spoil:
    def spoil(folder: Folder) -> None:
        parts = dict(shapefile())
        change(parts)
        for suffix, data in parts.items():
            folder.write(f"stops{suffix}", data)
        folder.replace('stops = "stops.csv"', 'stops = "stops.shp"')
        (folder.path / "stops.csv").unlink()

    return spoil


def packed(*members: tuple[str | zipfile.ZipInfo, bytes]) -> Spoil:
    def spoil(folder: Folder) -> None:
        out = io.BytesIO()
        with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
            for name, data in members:
                archive.writestr(name, data)
        folder.write("stops.zip", out.getvalue())
        folder.replace('stops = "stops.csv"', 'stops = "stops.zip"')

    return spoil


def link() -> zipfile.ZipInfo:
    info = zipfile.ZipInfo("layer/stops.csv")
    info.external_attr = (stat.S_IFLNK | 0o777) << 16
    return info


def file_of_stops(name: str, content: Callable[[], str | bytes]) -> Spoil:
    def spoil(folder: Folder) -> None:
        folder.write(name, content())
        folder.replace('stops = "stops.csv"', f'stops = "{name}"')

    return spoil


@cache
def geopackage() -> bytes:
    return _written("stops.gpkg", {"driver": "GPKG", "crs": "EPSG:4326"})[".gpkg"]


def containers() -> Iterator[Case]:
    """Shapefiles, databases, receivers' files and archives."""
    there = ("stops.shp",)
    yield Case(number=22, name="a whole shapefile", spoil=shape(lambda parts: None))
    for suffix in (".dbf", ".shx", ".prj"):
        yield Case(
            number=22, name=f"no {suffix}", spoil=shape(lambda parts, s=suffix: parts.pop(s)), told=(*there, suffix)
        )
    yield Case(number=22, name="half a .shp", spoil=shape(lambda p: p.update({".shp": p[".shp"][:400]})), told=there)
    yield Case(number=22, name="half a .dbf", spoil=shape(lambda p: p.update({".dbf": p[".dbf"][:900]})), told=there)
    yield Case(number=22, name="an index that leads to another shape", spoil=shape(_another), told=(*there, ".shx"))
    yield Case(number=22, name="a .dbf that counts too few", spoil=shape(_fewer), told=(*there, "23 rows"))
    yield Case(
        number=21, name="a .prj without meaning", spoil=shape(lambda p: p.update({".prj": b"meadow"})), told=there
    )
    yield Case(
        number=21,
        name="a .prj that contradicts",
        spoil=shape(lambda p: p.update({".prj": _utm().encode()})),
        told=there,
    )
    yield Case(number=22, name="a whole GeoPackage", spoil=file_of_stops("stops.gpkg", geopackage))
    half = file_of_stops("stops.gpkg", lambda: geopackage()[:40_000])
    yield Case(number=22, name="half a GeoPackage", spoil=half, told=("stops.gpkg",))
    bare = file_of_stops("stops.gpx", lambda: GPX.format('<wpt lat="50.101" lon="10.101"><name>S1</name></wpt>'))
    yield Case(number=22, name="a receiver's file without ratings", spoil=bare, told=("stops.gpx",))
    for name, text in (("an external entity", ENTITY), ("nested entities", LAUGHS)):
        data = text + GPX.format('<wpt lat="50.101" lon="10.101"><name>&b;</name></wpt>')
        yield Case(number=23, name=name, spoil=file_of_stops("stops.gpx", lambda d=data: d), told=("stops.gpx",))
        drawn = text + KML.format(PLACEMARK)
        yield Case(number=23, name=f"{name} in a drawing", spoil=boundary_file("field.kml", drawn), told=("field.kml",))
    one = ("layer.shp", b"\x00\x00\x27\x0a" + bytes(96))
    for name, members in {
        "a member that climbs out": [("../stops.csv", b"stop")],
        "an absolute member": [("/tmp/stops.csv", b"stop")],
        "a member on a drive": [("C:\\stops.shp", b"stop")],
        "a member that is a link": [(link(), b"/etc/passwd")],
        "extreme compression": [("layer.shp", bytes(30_000_000))],
        "an archive in an archive": [("inner.zip", b"PK\x03\x04" + bytes(60)), one],
        "two layers in one archive": [one, ("other.shp", one[1])],
        "an archive of no layer": [("read me.txt", b"sorry")],
    }.items():
        yield Case(number=24, name=name, spoil=packed(*members), told=("stops.zip",))


def _fewer(parts: dict[str, bytes]) -> None:
    parts[".dbf"] = parts[".dbf"][:4] + (23).to_bytes(4, "little") + parts[".dbf"][8:]


def _another(parts: dict[str, bytes]) -> None:
    """Let the second entry of the index lead to the first shape."""
    parts[".shx"] = parts[".shx"][:108] + parts[".shx"][100:104] + parts[".shx"][112:]


def _utm(code: int = 32632) -> str:
    return str(pyproj.CRS.from_epsg(code).to_wkt("WKT1_ESRI"))


def boundary(content: str | bytes | dict) -> Spoil:
    return lambda folder: folder.write("boundary.geojson", content)


def boundary_file(name: str, content: str | bytes) -> Spoil:
    def spoil(folder: Folder) -> None:
        folder.write(name, content)
        folder.replace('boundary = "boundary.geojson"', f'boundary = "{name}"')

    return spoil


def ring(*points: tuple[float, float]) -> list:
    """Ring through places given as shares of the field's width and height."""
    return [[WEST + (EAST - WEST) * x, SOUTH + (NORTH - SOUTH) * y] for x, y in (*points, points[0])]


def box(west: float, south: float, east: float, north: float) -> list:
    return ring((west, south), (east, south), (east, north), (west, north))


def star(spokes: int) -> list:
    """Ring of many vertices about the field."""
    turn = [2 * math.pi * k / spokes for k in range(spokes)]
    return ring(*((0.5 + 0.6 * math.cos(t), 0.5 + 0.6 * math.sin(t)) for t in turn))


def in_system(code: int) -> dict:
    """The field in another system, declared."""
    to = pyproj.Transformer.from_crs(4326, code, always_xy=True)
    return polygon([list(to.transform(*place)) for place in RING], crs=named(f"urn:ogc:def:crs:EPSG::{code}"))


def same_ground(plan: object, inputs: object) -> bool:
    """The area is the clean form's, on the ellipsoid, to the rounding of coordinates (a perimeter of 1.5 km x 1 cm)."""
    clean = shapely.Polygon(RING)
    area, _ = pyproj.Geod(ellps="WGS84").geometry_area_perimeter(clean)
    found, _ = pyproj.Geod(ellps="WGS84").geometry_area_perimeter(inputs.field.boundary)  # type: ignore[attr-defined]
    return abs(abs(found) - abs(area)) < 15.0 and abs(inputs.field.area_ha - abs(area) / 1e4) < 15e-4  # type: ignore[attr-defined]


def boundaries() -> Iterator[Case]:
    """The field's own outline."""
    there = ("boundary.geojson",)
    for name, content in {
        "a bare geometry": {"type": "Polygon", "coordinates": [RING]},
        "a clockwise ring": polygon(RING[::-1]),
        "elevations of corners": polygon([[*place, 12.0] for place in RING]),
        "vertices repeated": polygon([place for place in RING for _ in range(3)]),
        "a ring that starts elsewhere": polygon(RING[2:4] + RING[:3]),
        "a polygon as one part of several": features(feature({"type": "MultiPolygon", "coordinates": [[RING]]})),
    }.items():
        yield Case(number=25, name=name, spoil=boundary(content))
    yield Case(number=25, name="the last vertex missing", spoil=boundary(polygon(RING[:-1])), told=there)
    line = {"type": "LineString", "coordinates": RING}
    for name, content in {
        "a ring that crosses itself": polygon(ring((0, 0), (1, 1), (1, 0), (0, 1))),
        "a hole outside": polygon(RING, box(2, 2, 3, 3)),
        "a hole equal to the shell": polygon(RING, RING),
        "overlapping parts": features(
            feature({"type": "MultiPolygon", "coordinates": [[box(0, 0, 1, 1)], [box(0.5, 0, 1.5, 1)]]})
        ),
        "no area": polygon(ring((0, 0), (1, 1), (0.5, 0.5))),
        "two distinct vertices": polygon(ring((0, 0), (1, 1))),
        "a vertex that is no number": json.dumps(polygon(RING)).replace("10.105", "NaN", 1),
        "a line for a field": features(feature(line)),
        "a point for a field": features(feature({"type": "Point", "coordinates": RING[0]})),
        "a collection for a field": features(feature({"type": "GeometryCollection", "geometries": [line]})),
        "an empty file for a field": "",
        "a null geometry for a field": features(feature(None)),
        "a table for a field": "stop,lon,lat\n",
    }.items():
        yield Case(number=26, name=name, spoil=boundary(content), told=there)
    spike = ring((0, 0), (1, 0), (1, 0.5), (1.5, 0.5), (1, 0.5), (1, 1), (0, 1))
    yield Case(number=27, name="a spike of no width", spoil=boundary(polygon(spike)), told=there)
    slip = polygon([*RING[:3], [1.1, NORTH], RING[0]])
    yield Case(number=27, name="a corner a hundred times too far", spoil=boundary(slip), told=(*there, "reach over"))
    yield Case(number=27, name="20000 vertices", spoil=boundary(polygon(star(20_000))), proof=lambda plan, inputs: True)
    yield Case(number=27, name="150000 vertices", spoil=boundary(polygon(star(150_000))), told=(*there, "vertices"))
    yield Case(
        number=27, name="a few square metres", spoil=boundary(polygon(box(0, 0, 0.01, 0.01))), told=(*there, "ha")
    )
    yield Case(number=27, name="a whole county", spoil=boundary(polygon(box(0, 0, 300, 300))), told=(*there, "ha"))


def pieces() -> Iterator[Case]:
    """Several parts, other systems, contradictions, names."""
    there = ("boundary.geojson",)
    west, east = box(0, 0, 0.5, 1), box(0.5, 0, 1, 1)
    parts = features(*(feature({"type": "Polygon", "coordinates": [one]}) for one in (west, east)))
    yield Case(number=28, name="two halves in two features", spoil=boundary(parts), proof=same_ground)
    fields = features(
        *(feature({"type": "Polygon", "coordinates": [r]}, name=n) for n, r in (("A", west), ("B", east)))
    )
    yield Case(number=28, name="several fields in one file", spoil=boundary(fields), told=(*there, "'A'", "'B'"))
    pond = polygon(RING, box(0.55, 0.05, 0.95, 0.95))
    yield Case(number=28, name="stops in a pond", spoil=boundary(pond), caution="stops_in_hole")
    for code in (4258, 25832, 32632, 32633, 3857):
        yield Case(number=29, name=f"the field in EPSG:{code}", spoil=boundary(in_system(code)), proof=same_ground)
    yield Case(number=29, name="a datum of 1927", spoil=boundary(polygon(RING, crs=named("EPSG:4267"))), told=there)
    far = polygon([[179.998, 50.1], [-179.998, 50.1], [-179.998, 50.1034], [179.998, 50.1034], [179.998, 50.1]])
    yield Case(number=29, name="the 180th meridian", spoil=boundary(far), told=(*there, "180th"))
    yield Case(
        number=29,
        name="a field at the pole",
        spoil=boundary(polygon([[0, 89], [180, 89], [-90, 89], [0, 89]])),
        told=there,
    )
    metres = in_system(32632)
    del metres["crs"]
    yield Case(number=30, name="metres without a system", spoil=boundary(metres), told=(*there, "metres"))
    swapped = polygon([[lat, lon] for lon, lat in RING])
    yield Case(number=30, name="a boundary as latitude, longitude", spoil=boundary(swapped), told=("swapped",))
    yield Case(
        number=30, name="another field's boundary", spoil=boundary(polygon(box(9, 9, 10, 10))), told=("no stop is in",)
    )
    for name in (
        "../../climb", "/absolute", "C:\\\\drive", "CON", "...", "trailing. ", "-rf", "%2e%2e%2f",
        "\u202egnp", "<b>bold</b>",
        "N" * 200, "a\\u0000b", "two\\nlines",
    ):  # fmt: skip
        kept = name.replace("\\u0000", "\0").replace("\\n", "\n").replace("\\\\", "\\").strip()
        yield Case(
            number=31,
            name=f"the field's name is {kept[:12]!r}",
            spoil=lambda folder, name=name: folder.replace("Invented field", name),
            proof=lambda plan, inputs, kept=kept: inputs.field.name == kept,
        )
    for name in ("", "N" * 201):
        spoil = lambda folder, name=name: folder.replace("Invented field", name)  # noqa: E731
        yield Case(number=31, name=f"a name of {len(name)} letters", spoil=spoil, told=("plan.toml: field.name",))


CASES = [*vectors(), *containers(), *boundaries(), *pieces()]
