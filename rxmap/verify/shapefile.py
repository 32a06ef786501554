"""Read a shapefile byte by byte: .shp, .shx and .dbf, polygons only.

Nothing of GDAL is used here, so that a fault shared by its writer and its reader cannot hide.

References
----------
ESRI Shapefile Technical Description, white paper, July 1998 (main file header and polygon record;
index file; outer rings clockwise). The table is dBASE III (header 32 bytes, a field descriptor of
32 bytes each up to 0x0D; from memory).
"""

from __future__ import annotations

import itertools
import struct
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from typing import Any

from shapely.geometry import Polygon

from rxmap.errors import shown
from rxmap.verify.geojson import Feature, Layer, turn
from rxmap.verify.report import Unreadable

FILE_CODE, VERSION, POLYGON = 9994, 1000, 5
HEADER = 100  # [byte] of .shp and .shx
LONGEST_NAME = 10  # of a dBASE field
Points = list[tuple[float, float]]


@dataclass(frozen=True, slots=True)
class Column:
    """A field of the table."""

    name: str
    kind: str
    width: int
    decimals: int


@dataclass(frozen=True, slots=True)
class Table:
    """The .dbf: columns, and the text of each cell without its padding."""

    columns: tuple[Column, ...]
    rows: tuple[tuple[str, ...], ...]


def read_shapes(shp: bytes, shx: bytes, name: str) -> list[list[Points]]:
    """Rings of each record, after the header, the index and the lengths have been held together."""
    _header(shp, name)
    _header(shx, name.removesuffix(".shp") + ".shx")
    if (len(shx) - HEADER) % 8:
        raise Unreadable(f"{name.removesuffix('.shp')}.shx: {len(shx)} bytes; should be 100 and 8 for each record")
    shapes: list[list[Points]] = []
    offset = HEADER
    while offset < len(shp):
        number = len(shapes)
        record, words = struct.unpack_from(">2i", shp, offset)
        entry = struct.unpack_from(">2i", shx, HEADER + 8 * number)
        if record != number + 1 or entry != (offset // 2, words):
            raise Unreadable(f"{name}: record {number + 1}: the index .shx points elsewhere; should point here")
        shapes.append(_polygon(shp[offset + 8 : offset + 8 + 2 * words], f"{name}: record {number + 1}"))
        offset += 8 + 2 * words
    if len(shx) != HEADER + 8 * len(shapes):
        raise Unreadable(f"{name}: {len(shapes)} records; the index .shx has {(len(shx) - HEADER) // 8}")
    return shapes


def _header(content: bytes, name: str) -> None:
    if len(content) < HEADER:
        raise Unreadable(f"{name}: {len(content)} bytes; should be at least {HEADER}")
    code, words = struct.unpack_from(">i", content, 0)[0], struct.unpack_from(">i", content, 24)[0]
    version, kind = struct.unpack_from("<2i", content, 28)
    if (code, version) != (FILE_CODE, VERSION):
        raise Unreadable(f"{name}: file code {code}, version {version}; should be {FILE_CODE}, {VERSION}")
    if kind != POLYGON:
        raise Unreadable(f"{name}: shape type {kind}; should be {POLYGON} (polygon, two-dimensional)")
    if 2 * words != len(content):
        raise Unreadable(f"{name}: {len(content)} bytes; its header says {2 * words}")


def _polygon(record: bytes, where: str) -> list[Points]:
    (kind,) = struct.unpack_from("<i", record, 0)
    if kind != POLYGON:
        raise Unreadable(f"{where}: shape type {kind}; should be {POLYGON}, never a null shape")
    parts, points = struct.unpack_from("<2i", record, 36)
    if len(record) != 44 + 4 * parts + 16 * points:
        raise Unreadable(f"{where}: {len(record)} bytes; {parts} parts and {points} points need another length")
    starts = [*struct.unpack_from(f"<{parts}i", record, 44), points]
    numbers = struct.unpack_from(f"<{2 * points}d", record, 44 + 4 * parts)
    pairs = list(zip(numbers[0::2], numbers[1::2], strict=True))
    return [pairs[start:end] for start, end in itertools.pairwise(starts)]


def read_table(dbf: bytes, name: str) -> Table:
    """Columns and cell texts of a .dbf."""
    if len(dbf) < 33 or dbf[0] != 3:
        raise Unreadable(f"{name}: is not a dBASE III table without memo")
    count, head, length = struct.unpack_from("<IHH", dbf, 4)
    columns = tuple(_columns(dbf[32 : head - 1]))
    if length != 1 + sum(column.width for column in columns):
        raise Unreadable(f"{name}: records of {length} bytes; its columns add up to another length")
    if len(dbf) - head - count * length not in (0, 1):
        raise Unreadable(f"{name}: {len(dbf)} bytes; {count} records of {length} bytes need another length")
    rows = []
    for number in range(count):
        record = dbf[head + number * length : head + (number + 1) * length]
        if record[:1] != b" ":
            raise Unreadable(f"{name}: record {number + 1} is marked as deleted; should not be")
        rows.append(_cells(record[1:], columns, f"{name}: record {number + 1}"))
    return Table(columns, tuple(rows))


def _columns(descriptors: bytes) -> Iterator[Column]:
    for start in range(0, len(descriptors) - 31, 32):
        raw = descriptors[start : start + 32]
        name = raw[:11].split(b"\0")[0].decode("latin-1")
        yield Column(name, chr(raw[11]), raw[16], raw[17])


def _cells(record: bytes, columns: tuple[Column, ...], where: str) -> tuple[str, ...]:
    cells, offset = [], 0
    for column in columns:
        raw = record[offset : offset + column.width]
        if not raw.isascii():
            raise Unreadable(f"{where}, {column.name}: text is not ASCII; should be")
        cells.append(raw.decode("ascii").strip(" \0"))
        offset += column.width
    return tuple(cells)


def table_faults(table: Table, name: str) -> Iterator[str]:
    """Names that a terminal can read, and no number left out."""
    seen: set[str] = set()
    for column in table.columns:
        if not (column.name.isascii() and column.name.isidentifier() and len(column.name) <= LONGEST_NAME):
            yield f"{name}: column {shown(column.name)}; should be at most {LONGEST_NAME} ASCII characters"
        if column.name.upper() in seen:
            yield f"{name}: column {shown(column.name)} is there already; should be unique"
        seen.add(column.name.upper())
    for number, row in enumerate(table.rows, 1):
        for column, cell in zip(table.columns, row, strict=True):
            if column.kind in "NF" and decimal(cell) is None:
                yield f"{name}: record {number}, {column.name}: found {shown(cell)}; should be a number, never null"


def decimal(text: Any) -> Decimal | None:
    """Read the finite number that a text writes, or None."""
    try:
        number = Decimal(text)
    except (InvalidOperation, TypeError, ValueError):
        return None
    return number if number.is_finite() else None


def plain(text: str) -> str:
    """Write a text in ASCII and on one line: accents dropped, a question mark for the rest.

    Examples
    --------
    >>> plain("Öhre  field")
    'Ohre field'
    """
    bare = "".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c))
    return " ".join("".join(c if c.isprintable() else " " for c in bare.encode("ascii", "replace").decode()).split())


def as_layer(shapes: list[list[Points]], table: Table, name: str, *, names: Sequence[str]) -> Layer:
    """Make a layer of a shapefile that has no GeoJSON beside it.

    Parameters
    ----------
    shapes, table
        What was read.
    name : str
        The ``.shp``, for findings.
    names : sequence of str
        Names in full; the table has them in ASCII and cut.
    """
    if len(shapes) != len(table.rows):
        raise Unreadable(f"{name}: {len(shapes)} shapes; the table has {len(table.rows)} rows")
    features = []
    for number, (rings, row) in enumerate(zip(shapes, table.rows, strict=True), 1):
        where = f"{name}: record {number}"
        values = {column.name: _value(column, cell, names) for column, cell in zip(table.columns, row, strict=True)}
        outer = [ring[::-1] for ring in rings if turn(ring) < 0]
        if len(outer) != 1:
            raise Unreadable(f"{where}: {len(outer)} outer rings; should be one")
        coordinates = [outer[0], *(ring[::-1] for ring in rings if turn(ring) > 0)]
        raw = {"geometry": {"type": "Polygon", "coordinates": coordinates}}
        features.append(Feature(where, raw, Polygon(coordinates[0], coordinates[1:]), values))
    return Layer(name, {}, tuple(features))


def _value(column: Column, cell: str, names: Sequence[str]) -> Any:
    if column.kind in "NF":
        number = decimal(cell)
        return int(number) if number is not None and column.decimals == 0 else number
    return next((name for name in names if plain(name)[: column.width].strip() == cell), cell)
