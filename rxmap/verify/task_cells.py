"""The cells of a task against the prescription layer: the value at each centre, and no rate where none may be.

References
----------
ISO 11783-10, element GRD, from memory: A south and B west of the corner, C and D the sides of a cell to the north and
to the east, E columns, F rows, I the kind: 1 for one byte with the code of a zone, 2 for a 32-bit value; rows from
the south, eastwards, least significant byte first.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from rxmap.errors import shown
from rxmap.verify.geojson import Layer
from rxmap.verify.report import Unreadable

WIDTHS = {"1": 1, "2": 4}  # [byte] of a cell by kind of grid
MOST_CELLS = 4_000_000
STEP = 1 + 1e-6  # a value is the nearest step, or the next inside a limit of the label
NO_CODE = -1
HAIR = 1e-8  # [degree] a millimetre


@dataclass(frozen=True, slots=True)
class Cells:
    """Value of each cell, row 0 in the south, and where they lie [degree]."""

    values: NDArray[np.int64]
    south: float
    west: float
    high: float
    wide: float

    def near(self, ground: BaseGeometry) -> tuple[slice, slice]:
        """Rows and columns that a geometry may touch."""
        west, south, east, north = ground.bounds
        first = (south - self.south) / self.high, (west - self.west) / self.wide
        last = (north - self.south) / self.high, (east - self.west) / self.wide
        row, column = (slice(max(int(low), 0), max(int(top) + 1, 0)) for low, top in zip(first, last, strict=True))
        return row, column

    def centres(self, window: tuple[slice, slice]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Longitude and latitude of the centres in a window."""
        rows, columns = (np.arange(size)[part] for size, part in zip(self.values.shape, window, strict=True))
        east, north = np.meshgrid(self.west + (columns + 0.5) * self.wide, self.south + (rows + 0.5) * self.high)
        return east, north

    def boxes(self, east: NDArray[np.float64], north: NDArray[np.float64]) -> Any:
        """Outlines of cells, from their centres."""
        half, up = self.wide / 2, self.high / 2
        return shapely.box(east - half, north - up, east + half, north + up)


def cell_faults(
    grid: Any, content: bytes, values: Mapping[str, int], layer: Layer, wanted: Sequence[float]
) -> Iterator[str]:
    """Hold the value of each cell against the part at its centre; cells on the edge of a keep-out may have none.

    Parameters
    ----------
    grid : Element
        ``GRD``.
    content : bytes
        The cells.
    values : mapping of str to int
        Value of each zone by its code.
    layer : Layer
        The prescription layer.
    wanted : sequence of float
        Value of each of its features.
    """
    cells = Cells(_numbers(grid, content, values), *(float(grid.get(key)) for key in "ABCD"))
    right = cells.values == 0
    for feature, value in zip(layer.features, wanted, strict=True):
        window = cells.near(feature.geometry)
        east, north = cells.centres(window)
        shapely.prepare(feature.geometry)
        here, found = shapely.intersects_xy(feature.geometry, east, north), cells.values[window]
        right[window] |= here & (value > 0) & (found > 0) & (np.abs(found - value) < STEP)
        bare = here & (found == 0) & (value > 0)
        inner = int(shapely.contains_properly(feature.geometry, cells.boxes(east[bare], north[bare])).sum())
        if inner:
            yield f"{inner} cells inside {feature.where} have no rate; should have {value:.0f}"
    if not right.all():
        yield f"{int((~right).sum())} cells have another value than {layer.name} at their centre; should be none"
    yield from _reaching(cells, layer)


def _reaching(cells: Cells, layer: Layer) -> Iterator[str]:
    """Count the cells with a rate that are not wholly on ground that may be treated."""
    ground = shapely.buffer(shapely.union_all([one.geometry for one in layer.features if one.properties["zone"]]), HAIR)
    shapely.prepare(ground)
    east, north = cells.centres((slice(None), slice(None)))
    dosed = cells.values != 0
    reaching = int((~shapely.covers(ground, cells.boxes(east[dosed], north[dosed]))).sum())
    if reaching:
        yield f"{reaching} cells with a rate reach into a keep-out or beyond the field; should be none"


def _numbers(grid: Any, content: bytes, values: Mapping[str, int]) -> NDArray[np.int64]:
    columns, rows, kind = int(grid.get("E")), int(grid.get("F")), grid.get("I")
    if not 0 < rows * columns <= MOST_CELLS or len(content) != rows * columns * WIDTHS.get(kind, 0):
        raise Unreadable(f"{grid.get('G')}.BIN: {len(content)} bytes; {rows} x {columns} of kind {shown(kind)} differ")
    raw = np.frombuffer(content, "<i4" if WIDTHS[kind] == 4 else "u1").reshape(rows, columns).astype(np.int64)
    if WIDTHS[kind] == 4:
        return raw
    table = np.full(256, NO_CODE, dtype=np.int64)
    for code, value in values.items():
        table[int(code)] = value
    return np.asarray(table[raw])
