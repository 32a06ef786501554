"""The prescription layer as a shapefile, in the narrow form that old readers take.

A fixed schema of short ASCII names with widths and decimals of our own; ASCII text; no null; one
polygon per record. A null benefit (no loss is known) is written as 0.00, because a table of this
kind has no null that every reader understands; the GeoJSON beside it keeps the null.

References
----------
ESRI (1998), ESRI Shapefile Technical Description: clockwise outer rings, 10-byte field names.
GDAL documentation, ESRI Shapefile / DBF driver: code page file, layer creation options.
"""

from __future__ import annotations

import io
import unicodedata
import zipfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from shapely.geometry import Polygon, mapping

from rxmap.errors import CheckError, shown
from rxmap.write.files import write_bytes
from rxmap.write.geojson import Feature, one_polygon

SCHEMA = {
    "zone": "int:4",
    "treat": "int:1",
    "rate": "float:12.3",
    "unit": "str:16",
    "product": "str:40",
    "volume": "float:12.3",
    "vol_unit": "str:16",
    "target": "str:40",
    "pressure": "float:14.4",
    "p_over": "float:8.4",
    "area_ha": "float:14.4",
    "benefit": "float:14.2",
    "reason": "str:80",
}
SIDE_FILES = (".shp", ".shx", ".dbf", ".prj", ".cpg")
NO_CLOCK = "2000-01-01"  # the table's header wants a date; a fixed one keeps equal results equal byte by byte
WGS84 = (
    'GEOGCS["WGS 84",DATUM["WGS_1984",SPHEROID["WGS 84",6378137,298.257223563]],'
    'PRIMEM["Greenwich",0],UNIT["degree",0.0174532925199433]]'
)


def write_shapefile(path: Path, features: Sequence[Feature]) -> None:
    """Write the five files of a shapefile and read them back with another GDAL.

    Parameters
    ----------
    path : Path
        The ``.shp``; the other four stand beside it.
    features : sequence of Feature
        Polygons with the attributes of `SCHEMA`; further attributes are left out.

    Raises
    ------
    CheckError
        If a value does not fit its column, a geometry is not one valid polygon, or the files do not
        hold what was meant.
    """
    rows = [_row(f"{path.name}: record {number}", one) for number, one in enumerate(features, start=1)]
    polygons = [one_polygon(f"{path.name}: record {number}", one) for number, one in enumerate(features, start=1)]
    with zipfile.ZipFile(io.BytesIO(_packed(path.stem, rows, polygons))) as packed:
        for ending in SIDE_FILES:
            write_bytes(path.with_suffix(ending), packed.read(path.stem + ending))
    _check(path, rows, polygons)


def ascii_text(text: str, most: int) -> str:
    r"""Text that any code page reads alike, on one line, cut to `most` characters.

    Examples
    --------
    >>> ascii_text("Öhre\n field", 40), ascii_text("Ж 200", 40)
    ('Ohre field', '? 200')
    """
    bare = "".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c))
    plain = bare.encode("ascii", "replace").decode("ascii")
    return " ".join("".join(c if c.isprintable() else " " for c in plain).split())[:most].rstrip()


def _row(where: str, feature: Feature) -> dict[str, Any]:
    """Bring the attributes of one record into the form in which the table holds them."""
    row: dict[str, Any] = {}
    for name, kind in SCHEMA.items():
        value = feature.properties[name]
        row[name] = ascii_text(str(value), _width(kind)[0]) if kind.startswith("str") else _number(where, name, value)
    return row


def _number(where: str, name: str, value: Any) -> float | int:
    width, decimals = _width(SCHEMA[name])
    number = 0.0 if value is None and name == "benefit" else value
    # drivers cut digits that do not fit without a word: 1e9 in 8 characters became 1e7
    if isinstance(number, bool) or not isinstance(number, int | float) or not np.isfinite(number):
        raise CheckError(f"{where}: {name} is {shown(value)}, not a number.")
    if len(f"{number:.{decimals}f}") > width:
        raise CheckError(f"{where}: {name} is {shown(value)}, too long for the {width} characters of its column.")
    if round(number, decimals) != number:
        raise CheckError(f"{where}: {name} is {shown(value)}, more than {decimals} decimals.")
    return number


def _width(kind: str) -> tuple[int, int]:
    width, _, decimals = kind.partition(":")[2].partition(".")
    return int(width), int(decimals or 0)


def _packed(stem: str, rows: Sequence[Mapping[str, Any]], polygons: Sequence[Polygon]) -> bytes:
    """Let GDAL write the files into one archive in memory, which alone it can hand over as bytes."""
    from fiona.io import MemoryFile

    schema = {"geometry": "Polygon", "properties": SCHEMA}
    with MemoryFile(filename=f"{stem}.shz") as memory:
        with memory.open(
            driver="ESRI Shapefile", schema=schema, crs_wkt=WGS84, encoding="UTF-8", DBF_DATE_LAST_UPDATE=NO_CLOCK
        ) as layer:
            layer.writerecords(
                {"type": "Feature", "geometry": mapping(polygon), "properties": row}
                for row, polygon in zip(rows, polygons, strict=True)
            )
        memory.seek(0)
        return bytes(memory.read())


def _check(path: Path, rows: Sequence[Mapping[str, Any]], polygons: Sequence[Polygon]) -> None:
    """Compare every coordinate and every value with what pyogrio's GDAL, not fiona's, reads."""
    import pyogrio.raw
    from pyogrio.errors import DataSourceError

    try:
        meta, _, geometry, columns = pyogrio.raw.read(path)
    except DataSourceError as exc:
        raise CheckError(f"{path.name}: what was written cannot be read: {exc}.") from exc
    if list(meta["fields"]) != list(SCHEMA) or len(geometry) != len(rows):
        raise CheckError(f"{path.name}: {len(rows)} records were meant, {len(geometry)} stand in the file.")
    found = shapely.normalize(shapely.from_wkb(geometry))
    for number, (polygon, meant) in enumerate(zip(found, shapely.normalize(polygons), strict=True), start=1):
        if not shapely.equals_identical(polygon, meant):
            raise CheckError(f"{path.name}: record {number}: the coordinates are not those that were meant.")
    for name, values in zip(SCHEMA, columns, strict=True):
        for number, (value, row) in enumerate(zip(values, rows, strict=True), start=1):
            if (value if value is not None else "") != row[name]:
                raise CheckError(
                    f"{path.name}: record {number}: {name} is {shown(value)}, {shown(row[name])} was meant."
                )
