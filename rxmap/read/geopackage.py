"""GeoPackage by the standard library's SQLite: one table of features, read from memory.

General drivers end the whole process on some damaged files; SQLite answers them with an error.

References
----------
OGC 12-128r18 (2021), GeoPackage encoding standard 1.3, clauses 1.1 and 2.1 (from memory).
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from typing import Any

import pyproj
import shapely

from rxmap.errors import InputError
from rxmap.read.crs import crs_of_wkt

MAGIC = b"SQLite format 3\x00"
LARGEST_VALUE = 64_000_000  # [byte] no value is larger than the largest file

_TABLES = ("gpkg_contents", "gpkg_geometry_columns", "gpkg_spatial_ref_sys")
_LAYERS = """
SELECT table_name, column_name, gpkg_geometry_columns.srs_id
FROM gpkg_geometry_columns JOIN gpkg_contents USING (table_name)
WHERE data_type = 'features' ORDER BY table_name
"""
_SYSTEM = "SELECT organization, organization_coordsys_id, definition FROM gpkg_spatial_ref_sys WHERE srs_id = ?"
_ENVELOPE = {0: 0, 1: 32, 2: 48, 3: 48, 4: 64}  # [byte] by the envelope code in the flags, clause 2.1.3
_HEADER = 8  # [byte] before the envelope

Features = list[dict[str, Any]]


def load(name: str, data: bytes) -> tuple[pyproj.CRS, Features]:
    """Read the one layer of a GeoPackage: its coordinate system, and features as GeoJSON has them.

    Raises
    ------
    InputError
        If the file is damaged, or holds none or several layers.
    """
    try:
        with closing(_open(data)) as db:
            table, column, system = _only_layer(name, db)
            crs = _crs(name, db, system)
            return crs, list(_features(name, db, table, column))
    except (sqlite3.Error, UnicodeDecodeError, OverflowError) as error:
        raise InputError(f"{name}: not a GeoPackage, or damaged: {error}. Export it again.") from None


def _open(data: bytes) -> sqlite3.Connection:
    db = sqlite3.connect(":memory:")
    # bytes 18 and 19 say that changes go to a log, which memory cannot have; the door saw that it is empty
    db.deserialize(data[:18] + b"\x01\x01" + data[20:])
    db.execute("PRAGMA trusted_schema = OFF")
    db.execute("PRAGMA query_only = ON")
    db.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, LARGEST_VALUE)
    return db


def _only_layer(name: str, db: sqlite3.Connection) -> tuple[str, str, int]:
    # a view of the same name may compute for ever
    tables = {row[0] for row in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    if not tables.issuperset(_TABLES):
        raise InputError(f"{name}: a database, but no GeoPackage. Export the layer as GeoPackage.")
    layers = list(db.execute(_LAYERS))
    if len(layers) != 1:
        names = ", ".join(str(layer[0]) for layer in layers) or "none"
        raise InputError(f"{name}: holds {len(layers)} layers ({names}). Leave one in the file.")
    (layer,) = layers
    if layer[0] not in tables:
        raise InputError(f"{name}: its layer is no table. Export it again.")
    if list(db.execute(f"PRAGMA integrity_check({_quoted(layer[0])})")) != [("ok",)]:
        raise InputError(f"{name}: damaged. Export it again.")
    return str(layer[0]), str(layer[1]), int(layer[2])


def _crs(name: str, db: sqlite3.Connection, system: int) -> pyproj.CRS:
    found = db.execute(_SYSTEM, (system,)).fetchone()
    if found is None or system in (-1, 0):  # undefined Cartesian and undefined geographic, clause 1.1.2
        raise InputError(f"{name}: its coordinate system is undefined. Export the layer in WGS84.")
    organization, code, definition = found
    try:
        return pyproj.CRS.from_epsg(int(code)) if str(organization).upper() == "EPSG" else crs_of_wkt(name, definition)
    except (pyproj.exceptions.CRSError, ValueError):
        raise InputError(f"{name}: its coordinate system cannot be read. Export the layer in WGS84.") from None


def _features(name: str, db: sqlite3.Connection, table: str, column: str) -> Iterator[dict[str, Any]]:
    info = list(db.execute(f"PRAGMA table_info({_quoted(table)})"))
    names = [str(row[1]) for row in info]
    own = {str(row[1]) for row in info if row[5] == 0} - {column}  # a key is the file's, not the user's
    if column not in names:
        raise InputError(f"{name}: its layer has no geometry. Export it again.")
    for number, row in enumerate(db.execute(f"SELECT * FROM {_quoted(table)}"), start=1):
        values = dict(zip(names, row, strict=True))
        try:
            geometry = _geometry(values[column])
        except (shapely.errors.GEOSException, KeyError, TypeError):
            raise InputError(f"{name}: feature {number} has a damaged geometry. Export it again.") from None
        yield {"geometry": geometry, "properties": {key: values[key] for key in names if key in own}}


def _geometry(blob: Any) -> Any:
    """GeoJSON of a geometry as GeoPackage packs it: header, envelope, well-known binary."""
    if blob is None:
        return None
    if not isinstance(blob, bytes) or not blob.startswith(b"GP") or len(blob) < _HEADER:
        raise TypeError
    envelope = _ENVELOPE[blob[3] >> 1 & 0b111]
    shape = shapely.from_wkb(blob[_HEADER + envelope :])
    return json.loads(json.dumps(shapely.geometry.mapping(shape)))


def _quoted(identifier: str) -> str:
    return '"' + identifier.replace('"', '""') + '"'
