"""The prescription layer as a GeoPackage: one file, one layer, text in full.

Version 1.2, which old readers take too, without an index: a layer of this size needs none, and a
plain file opens in any SQLite. A null benefit is written as 0.00, as in the shapefile.

References
----------
OGC 12-128r14 (2017), GeoPackage Encoding Standard 1.2. GDAL documentation, GPKG driver: VERSION,
SPATIAL_INDEX, and OGR_CURRENT_DATE in place of the clock.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from shapely.geometry import Polygon, mapping

from rxmap.errors import CheckError, shown
from rxmap.write.files import write_bytes
from rxmap.write.geojson import Feature, one_polygon

COLUMNS = {
    "zone": "int32",
    "treat": "int32",
    "rate": "float",
    "unit": "str",
    "product": "str",
    "volume": "float",
    "vol_unit": "str",
    "target": "str",
    "pressure": "float",
    "p_over": "float",
    "area_ha": "float",
    "benefit": "float",
    "reason": "str",
}
# The contents table wants a time of change (in milliseconds, requirement 15); a fixed one keeps equal results equal.
NO_CLOCK = "2000-01-01T00:00:00.000Z"
WGS84 = (
    'GEOGCS["WGS 84",DATUM["WGS_1984",SPHEROID["WGS 84",6378137,298.257223563,AUTHORITY["EPSG","7030"]],'
    'AUTHORITY["EPSG","6326"]],PRIMEM["Greenwich",0,AUTHORITY["EPSG","8901"]],'
    'UNIT["degree",0.0174532925199433,AUTHORITY["EPSG","9122"]],AUTHORITY["EPSG","4326"]]'
)
APPLICATION_ID, USER_VERSION = 0x47504B47, 10200  # "GPKG" and 1.2, OGC 12-128r14 requirement 2


def write_geopackage(path: Path, features: Sequence[Feature]) -> None:
    """Write one layer, named as the file, and read it back with SQLite and with another GDAL.

    Parameters
    ----------
    path : Path
        The ``.gpkg``.
    features : sequence of Feature
        Polygons with the attributes of `COLUMNS`; further attributes are left out.

    Raises
    ------
    CheckError
        If a value is not of its column's kind, a geometry is not one valid polygon, or the file does
        not hold what was meant.
    """
    rows = [_row(f"{path.name}: feature {number}", one) for number, one in enumerate(features, start=1)]
    polygons = [one_polygon(f"{path.name}: feature {number}", one) for number, one in enumerate(features, start=1)]
    write_bytes(path, _packed(path.stem, rows, polygons))
    _check_database(path)
    _check_layer(path, rows, polygons)


def _row(where: str, feature: Feature) -> dict[str, Any]:
    return {name: _value(f"{where}: {name}", kind, feature.properties[name]) for name, kind in COLUMNS.items()}


def _value(where: str, kind: str, value: Any) -> Any:
    if kind == "str":
        # SQLite ends a text at a zero byte, and a lone surrogate is no UTF-8
        return str(value).replace("\0", " ").encode("utf-8", "replace").decode("utf-8")
    number = 0.0 if value is None and where.endswith("benefit") else value
    if isinstance(number, bool) or not isinstance(number, int | float) or not np.isfinite(number):
        raise CheckError(f"{where} is {shown(value)}, not a number.")
    return number


def _packed(layer_name: str, rows: Sequence[Mapping[str, Any]], polygons: Sequence[Polygon]) -> bytes:
    import fiona
    from fiona.io import MemoryFile

    schema = {"geometry": "Polygon", "properties": COLUMNS}
    with fiona.Env(OGR_CURRENT_DATE=NO_CLOCK), MemoryFile(ext=".gpkg") as memory:
        with memory.open(
            driver="GPKG", layer=layer_name, schema=schema, crs_wkt=WGS84, VERSION="1.2", SPATIAL_INDEX="NO"
        ) as layer:
            layer.writerecords(
                {"type": "Feature", "geometry": mapping(polygon), "properties": row}
                for row, polygon in zip(rows, polygons, strict=True)
            )
        memory.seek(0)
        return bytes(memory.read())


def _check_database(path: Path) -> None:
    """Ask SQLite, without GDAL, whether the file is sound and is what it says."""
    with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro&immutable=1", uri=True)) as database:
        try:
            found = {name: database.execute(f"pragma {name}").fetchall() for name in ("application_id", "user_version")}
            faults = database.execute("pragma foreign_key_check").fetchall()
            sound = database.execute("pragma integrity_check").fetchall() == [("ok",)] and not faults
            layers = database.execute("select table_name, data_type, srs_id from gpkg_contents").fetchall()
        except sqlite3.DatabaseError as exc:
            raise CheckError(f"{path.name}: what was written cannot be read: {exc}.") from exc
    if found != {"application_id": [(APPLICATION_ID,)], "user_version": [(USER_VERSION,)]} or not sound:
        raise CheckError(f"{path.name}: not a sound GeoPackage 1.2.")
    if layers != [(path.stem, "features", 4326)]:
        raise CheckError(f"{path.name}: it holds {shown(layers)}, not one layer in WGS84.")


def _check_layer(path: Path, rows: Sequence[Mapping[str, Any]], polygons: Sequence[Polygon]) -> None:
    """Compare every coordinate and every value with what pyogrio's GDAL, not fiona's, reads."""
    import pyogrio.raw
    from pyogrio.errors import DataLayerError, DataSourceError

    try:
        meta, _, geometry, columns = pyogrio.raw.read(path)
    except (DataSourceError, DataLayerError) as exc:
        raise CheckError(f"{path.name}: what was written cannot be read: {exc}.") from exc
    if list(meta["fields"]) != list(COLUMNS) or len(geometry) != len(rows):
        raise CheckError(f"{path.name}: {len(rows)} features were meant, {len(geometry)} stand in the file.")
    same = shapely.equals_identical(shapely.from_wkb(geometry), np.array(polygons, dtype=object))
    for number in np.flatnonzero(~same)[:1].tolist():
        raise CheckError(f"{path.name}: feature {number + 1}: the coordinates are not those that were meant.")
    for name, values in zip(COLUMNS, columns, strict=True):
        for number, (value, row) in enumerate(zip(values, rows, strict=True), start=1):
            if value != row[name]:
                raise CheckError(
                    f"{path.name}: feature {number}: {name} is {shown(value)}, {shown(row[name])} was meant."
                )
