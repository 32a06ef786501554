"""Tables and point layers that are no scouting file: places with numbers in named columns."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Sequence
from typing import TypeVar

import numpy as np

from rxmap.errors import Faults, InputError, shown
from rxmap.grid import FloatArray, Frame
from rxmap.read import cells
from rxmap.read.columns import canonical
from rxmap.read.door import Source
from rxmap.read.table import Row, Table, read_table, table_of
from rxmap.read.vector import kind_of, read_layer

MOST_POINTS = 200_000  # our limit: a combine logs about 300 places a hectare

T = TypeVar("T")


def open_table(source: Source) -> Table:
    """Read delimited text, or a layer of points in the form of a table.

    Raises
    ------
    InputError
        If it is neither.
    """
    if kind_of(source.data) is None:
        return read_table(source, most=MOST_POINTS, form="one row for each place", needed=("lon", "lat", "..."))
    return table_of(read_layer(source))


class Columns:
    """Columns of a table by name, each cell read by one narrow notation; what cannot be read is noted.

    Parameters
    ----------
    table : Table
        As read.
    faults : Faults
        Takes what is wrong, every row of it.
    """

    def __init__(self, table: Table, faults: Faults) -> None:
        self.table = table
        self.names = [canonical(name) for name in table.header]
        self._at = {name: column for column, name in enumerate(self.names)}
        twice = next((name for name in self.names if name and self.names.count(name) > 1), None)
        if twice is not None:
            raise InputError(f"{table.name}: column {shown(twice)} stands twice. Remove or rename one.")
        self._faults = faults

    def has(self, name: str) -> bool:
        """Whether there is such a column."""
        return canonical(name) in self.names

    def require(self, name: str, why: str) -> None:
        """Refuse the table at once if a column is missing."""
        if not self.has(name):
            near = difflib.get_close_matches(canonical(name), [n for n in self.names if n], 1, 0.6)
            hint = f"Is it {shown(near[0])}?" if near else f"It has {', '.join(n for n in self.names if n)}."
            raise InputError(f"{self.table.name}: column {shown(name)}, {why}, is missing. {hint}")

    def text(self, row: Row, name: str) -> str:
        """Cell of a row; blank where there is no such column."""
        column = self._at.get(name, self._at.get(canonical(name)))
        return "" if column is None else row.cells[column]

    def value(self, row: Row, name: str, read: Callable[[str, str], T], blank: T) -> T:
        """Read one cell that has to be filled."""
        cell = self.text(row, name)
        try:
            if not cell:
                raise ValueError("is blank. Fill it in, or remove the row")
            return read(cell, self.table.mark)
        except ValueError as error:
            self._faults.add(f"{self.table.place(row)}, column {name}: found {shown(cell)}: {error}.")
            return blank

    def numbers(self, name: str) -> FloatArray:
        """Read a whole column of plain numbers."""
        return np.array([self.value(row, name, cells.number, 0.0) for row in self.table.rows], dtype=float)

    def optional(self, name: str) -> FloatArray | None:
        """Read a whole column, if it is there."""
        return self.numbers(name) if self.has(name) else None


def metres_of(columns: Columns, frame: Frame, rows: Sequence[Row]) -> FloatArray:
    """Places of rows in the field's metres: (n, 2); the columns are lon and lat, WGS84 degrees.

    Raises
    ------
    InputError
        If a coordinate is no degree.
    """
    for name in ("lon", "lat"):
        columns.require(name, "WGS84 degrees")
    degrees = np.column_stack([columns.numbers("lon"), columns.numbers("lat")])
    wrong = (np.abs(degrees[:, 0]) > 180) | (np.abs(degrees[:, 1]) > 90)
    if wrong.any():
        row = rows[int(np.argmax(wrong))]
        raise InputError(
            f"{columns.table.place(row)}, column lon: found {columns.text(row, 'lon')} with lat "
            f"{columns.text(row, 'lat')}: not WGS84 decimal degrees. Export it in WGS84."
        )
    return np.column_stack(frame.to_metres(degrees[:, 0], degrees[:, 1]))
