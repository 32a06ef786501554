"""The GeoPackage of a pass against its GeoJSON, read with SQLite and nothing of GDAL.

References
----------
OGC 12-128r14 (2017), GeoPackage Encoding Standard 1.2: 2.1.3 (the header of a geometry: GP, version,
flags with the kind of envelope in bits 1 to 3, then well-known binary).
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from decimal import Decimal
from typing import Any

import shapely
from shapely.geometry.base import BaseGeometry

from rxmap.errors import shown
from rxmap.verify.crew import zone_files
from rxmap.verify.folder import Folder
from rxmap.verify.geojson import DECIMALS, Layer
from rxmap.verify.pair import outlines, rings_of
from rxmap.verify.report import Unreadable

ENVELOPES = (0, 32, 48, 48, 64)  # [byte] by kind
WGS84 = 4326


def geopackages_equal(result: Folder) -> Iterator[str]:
    """Hold each GeoPackage against its GeoJSON, feature by feature."""
    for files, layer in zone_files(result):
        if "geopackage" in files:
            yield from _one(result, files["geopackage"], layer)


def _one(result: Folder, name: str, layer: Layer) -> Iterator[str]:
    rows = _rows(result, name)
    if len(rows) != len(layer.features):
        yield f"{name}: {len(rows)} features; {layer.name} has {len(layer.features)}"
        return
    for number, (row, feature) in enumerate(zip(rows, layer.features, strict=True), 1):
        where = f"{name}: feature {number}"
        if outlines(rings_of(_geometry(row.pop("geom"), where))) != outlines(feature.rings):
            yield f"{where}: coordinates differ from {feature.where}; should be the same to {DECIMALS} decimals"
        for key, value in feature.properties.items():
            if key not in row or not _same(row[key], value):
                yield f"{where}: {key} is {shown(row.get(key))}; {layer.name} has {shown(value)}"


def _rows(result: Folder, name: str) -> list[dict[str, Any]]:
    result.bytes(name)  # a missing file is told in our words
    place = f"{(result.path / name).absolute().as_uri()}?mode=ro&immutable=1"
    try:
        with closing(sqlite3.connect(place, uri=True)) as database:
            database.row_factory = sqlite3.Row
            contents = database.execute("select table_name, data_type, srs_id from gpkg_contents").fetchall()
            if [tuple(row)[1:] for row in contents] != [("features", WGS84)]:
                raise Unreadable(f"{name}: should hold one layer of features in WGS84")
            table = str(contents[0]["table_name"]).replace('"', '""')
            rows = database.execute(f'select * from "{table}" order by fid').fetchall()
            return [dict(row) for row in rows]
    except sqlite3.DatabaseError as error:
        raise Unreadable(f"{name}: cannot be read as a GeoPackage: {error}") from None


def _geometry(blob: Any, where: str) -> BaseGeometry:
    if not isinstance(blob, bytes) or blob[:2] != b"GP" or (blob[3] >> 1 & 7) >= len(ENVELOPES):
        raise Unreadable(f"{where}: has no geometry of a GeoPackage")
    try:
        return shapely.from_wkb(blob[8 + ENVELOPES[blob[3] >> 1 & 7] :])
    except shapely.errors.GEOSException as error:
        raise Unreadable(f"{where}: has no readable geometry: {error}") from None


def _same(found: Any, value: Any) -> bool:
    if isinstance(value, int | Decimal) and isinstance(found, int | float):
        return float(found) == float(value)
    if value is None:  # a null benefit is written as 0
        return bool(found == 0)
    return bool(found == str(value).replace("\0", " "))
