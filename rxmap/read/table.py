"""Tables of stops: a strict reader of delimited text, and vector layers in the same form.

General readers turn ``NA`` into nothing, ``007`` into 7, pad short rows and shift long ones. Here
every cell stays text until a named column asks for a number.

References
----------
Shafranovich (2005), Common format and MIME type for CSV files, RFC 4180 (quoting).
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from rxmap.errors import Faults, InputError
from rxmap.read.columns import KNOWN, REQUIRED, canonical
from rxmap.read.door import Source
from rxmap.read.markup import is_markup
from rxmap.read.vector import Layer

DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab"}
SHAPEFILE_LETTERS = 10  # of a column's name, ESRI shapefile description, July 1998 (dBASE header)
PLACED = ("stop", "lon", "lat")  # in the header of every table, long or wide
MOST_ROWS = 20_000  # our limit: a walk has dozens of stops, a wrong file millions
STOP_ROWS = "one row per stop and target, zeros included"

_SPREADSHEETS = (b"\xd0\xcf\x11\xe0", b"SQLite format 3")
_WITH_COMMA = re.compile(r"-?[0-9]+,[0-9]+")


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One row: where it is in the file, and its cells in the order of the header."""

    number: int
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table as it was read, every cell text without outer spaces.

    Parameters
    ----------
    name : str
        File, for messages.
    word : str
        What a row is called: ``row``, numbered as an editor does, or ``feature``.
    header : tuple of str
        Names as written.
    rows : tuple of Row
        Rows that hold anything.
    mark : str
        Decimal mark of its numbers.
    written : mapping of str to str
        Columns that the file has under another name, for messages.
    """

    name: str
    word: str
    header: tuple[str, ...]
    rows: tuple[Row, ...]
    mark: str = "."
    written: Mapping[str, str] = field(default_factory=dict)

    def place(self, row: Row) -> str:
        """File and row, for messages."""
        return f"{self.name}: {self.word} {row.number}"


def read_table(
    source: Source, *, most: int = MOST_ROWS, form: str = STOP_ROWS, needed: Sequence[str] = REQUIRED
) -> Table:
    r"""Read delimited text: UTF-8, comma, semicolon or tab, quotes as in RFC 4180.

    Parameters
    ----------
    source : Source
        From the door.
    most : int
        Rows beyond which it is a wrong file.
    form, needed : str, sequence of str
        What its rows are and which columns it needs, for messages.

    Raises
    ------
    InputError
        If the file is no such table, or a row is not as long as the header.

    Examples
    --------
    >>> text = "stop;lon;lat;target\n007;10,5;50,5;aphid"
    >>> table = read_table(Source(name="stops.csv", data=text.encode(), side_cars={}, files=()))
    >>> table.mark, table.rows
    (',', (Row(number=2, cells=('007', '10,5', '50,5', 'aphid')),))
    """
    lines = list(io.StringIO(_text(source, form), newline=""))  # keeps line ends, numbers lines as editors do
    if lines and lines[0].startswith("sep="):
        raise InputError(f"{source.name}: row 1 is a spreadsheet's note on the delimiter, not the header. Remove it.")
    delimiter = _delimiter(source.name, lines, needed)
    numbered = _records(source.name, lines, delimiter)
    _, names = next(numbered)
    header = tuple(name.strip() for name in names)
    rows = _rows(source.name, header, numbered, most=most, form=form)
    return Table(name=source.name, word="row", header=header, rows=rows, mark=_mark(header, rows, delimiter))


def table_of(layer: Layer, own_columns: Sequence[str] = ()) -> Table:
    """Put a layer of points into the form of a table; its geometry replaces lon and lat.

    Parameters
    ----------
    layer : Layer
        Points.
    own_columns : sequence of str
        Names beside the known ones that a shapefile may have cut to ten letters.

    Raises
    ------
    InputError
        For features that are not single points.
    """
    word = "waypoint" if layer.kind == "gpx" else "feature"
    faults = Faults()
    for feature in layer.features:
        kind = feature.geometry.geom_type
        if kind != "Point":
            faults.add(f"{layer.name}: {word} {feature.number} is a {kind}; a stop is one point. Draw it as a point.")
    faults.raise_if_any()
    names = {key: None for feature in layer.features for key in feature.properties}
    others = [name for name in names if canonical(name) not in ("lon", "lat")]
    full = _full_names([*KNOWN, *own_columns]) if layer.kind == "shapefile" else {}
    rows = tuple(
        Row(
            number=feature.number,
            cells=(
                f"{feature.geometry.x:.9f}",  # 0.1 mm, and never an exponent
                f"{feature.geometry.y:.9f}",
                *(feature.properties.get(name, "").strip() for name in others),
            ),
        )
        for feature in layer.features
    )
    return Table(
        name=layer.name,
        word=word,
        header=("lon", "lat", *(full.get(canonical(name), name.strip()) for name in others)),
        rows=rows,
        written={full[canonical(name)]: name for name in others if canonical(name) in full},
    )


def _full_names(columns: Sequence[str]) -> dict[str, str]:
    """Columns by the ten letters that a shapefile keeps of their names.

    Examples
    --------
    >>> _full_names(["stop", "severity_pct"])
    {'severity_p': 'severity_pct'}
    """
    cut = {name[:SHAPEFILE_LETTERS]: name for name in reversed(columns) if len(name) > SHAPEFILE_LETTERS}
    return {short: name for short, name in cut.items() if short not in columns}


def _text(source: Source, form: str) -> str:
    data, name = source.data, source.name
    if not data.strip():
        raise InputError(f"{name}: the file is empty. Write a header and {form}.")
    if data.startswith(_SPREADSHEETS):
        raise InputError(f"{name}: a spreadsheet or archive, not text. Save the sheet as CSV in UTF-8.")
    if is_markup(data):
        raise InputError(f"{name}: XML or HTML, but no GPX. Export the stops as CSV, GeoJSON or GPX 1.1.")
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise InputError(f"{name}: the text is UTF-16. Save it as UTF-8.")
    if b"\x00" in data:
        raise InputError(f"{name}: byte {data.index(0) + 1} is NUL: not a text table. Save the sheet as CSV in UTF-8.")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        found = f"byte {error.start + 1} (0x{data[error.start]:02x}, row {line})"
        raise InputError(f"{name}: {found} is not UTF-8. Save the table as UTF-8.") from None


def _delimiter(name: str, lines: list[str], needed: Sequence[str]) -> str:
    """Find the delimiter from the header, where only one reading is possible."""
    readings = {delimiter: _header(lines, delimiter) for delimiter in DELIMITERS}
    dividing = [delimiter for delimiter, names in readings.items() if len(names) > 1]
    fitting = [delimiter for delimiter in dividing if readings[delimiter].issuperset(PLACED)]
    if len(fitting) == 1 or len(dividing) == 1:
        return (fitting or dividing)[0]
    if not dividing:
        raise InputError(f"{name}: row 1 is no header: no comma, semicolon or tab. Needed: {', '.join(needed)}.")
    words = " and ".join(DELIMITERS[delimiter] for delimiter in dividing)
    raise InputError(f"{name}: row 1 can be read with {words} between its names. Use one, and quote the others.")


def _header(lines: list[str], delimiter: str) -> set[str]:
    try:
        rows = csv.reader(lines, delimiter=delimiter, strict=True)
        return {canonical(cell) for cell in next((row for row in rows if _holds(row)), [])}
    except csv.Error:
        return set()


def _records(name: str, lines: list[str], delimiter: str) -> Iterator[tuple[int, list[str]]]:
    """Yield the line where each record starts, and its cells; blank records are passed over."""
    reader = csv.reader(lines, delimiter=delimiter, strict=True)
    start = 1
    try:
        for cells in reader:
            if _holds(cells):
                yield start, cells
            start = reader.line_num + 1
    except csv.Error as error:
        raise InputError(f"{name}: row {start}: {error}: a quote left open or closed early? Mend it.") from None


def _holds(cells: list[str]) -> bool:
    return any(cell.strip() for cell in cells)


def _rows(
    name: str, header: tuple[str, ...], records: Iterator[tuple[int, list[str]]], *, most: int, form: str
) -> tuple[Row, ...]:
    faults = Faults()
    rows: list[Row] = []
    try:
        for number, cells in records:
            if len(rows) >= most:
                what = "the scouting file" if (most, form) == (MOST_ROWS, STOP_ROWS) else "the right file"
                raise InputError(f"{name}: more than {most} rows. Is it {what}?")
            if len(cells) != len(header):
                faults.add(f"{name}: row {number}: found {len(cells)} cells, the header has {len(header)}. Mend it.")
            rows.append(Row(number=number, cells=tuple(cell.strip() for cell in cells)))
    except InputError as error:
        faults.extend(error.faults)
    faults.raise_if_any()
    if not rows:
        raise InputError(f"{name}: a header without rows. Write {form}.")
    return tuple(rows)


def _mark(header: tuple[str, ...], rows: tuple[Row, ...], delimiter: str) -> str:
    """Decimal mark of the file: a comma where it cannot be the delimiter and a coordinate has one."""
    if delimiter == ",":
        return "."
    places = [column for column, name in enumerate(header) if canonical(name) in ("lon", "lat")]
    commas = any(_WITH_COMMA.fullmatch(row.cells[column]) for row in rows for column in places)
    return "," if commas else "."
