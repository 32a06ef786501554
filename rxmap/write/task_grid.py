"""A prescription as the cells of a task data grid: axes along latitude and longitude, row 0 in the south.

A cell takes the polygon that holds its centre. One that reaches into a keep-out or beyond the field,
however little, takes no rate at all: cells do not follow an edge, and the edge is what must hold.

References
----------
ISO 11783-10, element GRD, from memory: minimum north and east position, cell sizes in degrees,
cells in rows from the south-west corner eastwards; one byte for a zone code, or 32 bits for a value,
least significant byte first.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from rxmap.errors import InputError
from rxmap.grid import GEOD, M2_PER_HA, BoolArray, geodesic_area_m2
from rxmap.records import Part

NANO = 1_000_000_000  # positions and sizes have nine decimals of a degree, so whole numbers hold them exactly
MOST_CELLS = 1_000_000  # our limit: 4 MB, more than a map of a field has to say
NOTHING = -1

IntArray = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class CellGrid:
    """Cells over the field.

    Parameters
    ----------
    south, west : int [1e-9 degree]
        Outer corner of row 0, column 0.
    north_size, east_size : int [1e-9 degree]
        Sides of a cell.
    part : ndarray, shape (rows, columns)
        Index of the part that a cell belongs to; -1 where it takes no rate. Row 0 in the south.
    """

    south: int
    west: int
    north_size: int
    east_size: int
    part: IntArray

    def boxes(self, cells: BoolArray) -> NDArray[np.object_]:
        """Outlines of the chosen cells [degree], row by row."""
        row, column = np.nonzero(cells)
        south, west = self.south + row * self.north_size, self.west + column * self.east_size
        outlines: NDArray[np.object_] = shapely.box(
            west / NANO, south / NANO, (west + self.east_size) / NANO, (south + self.north_size) / NANO
        )
        return outlines

    def spread(self, of_part: Sequence[int]) -> IntArray:
        """One number for each cell, from one for each part; 0 where a cell takes no rate."""
        return np.append(np.asarray(of_part, np.int64), 0)[self.part]

    def area_ha(self, cells: BoolArray) -> float:
        """Ground that the chosen cells cover [ha]; all are as large as the one in the middle, to 1e-3."""
        middle = np.zeros(self.part.shape, bool)
        middle[self.part.shape[0] // 2, self.part.shape[1] // 2] = True
        return int(np.sum(cells)) * geodesic_area_m2(self.boxes(middle)[0]) / M2_PER_HA


def lay_cells(parts: Sequence[Part], side_m: float) -> CellGrid:
    """Lay cells of at most `side_m` over the parts of a pass.

    Parameters
    ----------
    parts : sequence of Part
        A valid coverage of the field; those in zone 0 are keep-outs.
    side_m : float [m]
        Largest side of a cell.

    Raises
    ------
    InputError
        If that makes more than a million cells.
    """
    west, south, east, north = shapely.total_bounds([part.polygon for part in parts])
    north_size, east_size = cell_sizes(side_m, south, north)
    corner_south, corner_west = math.floor(south * NANO), math.floor(west * NANO)
    rows = math.ceil((north * NANO - corner_south) / north_size)
    columns = math.ceil((east * NANO - corner_west) / east_size)
    if rows * columns > MOST_CELLS:
        raise InputError(
            f"output.formats: task data: {rows} x {columns} cells of {side_m:.3g} m are more than a terminal should be "
            "given. Take task-data-polygons."
        )
    grid = CellGrid(
        south=corner_south,
        west=corner_west,
        north_size=north_size,
        east_size=east_size,
        part=np.full((rows, columns), NOTHING),
    )
    grid.part[:] = _part_at_centre(grid, parts)
    _clear_edges(grid, parts)
    return grid


def cell_sizes(side_m: float, south: float, north: float) -> tuple[int, int]:
    """Sides of a cell to the north and to the east [1e-9 degree], nowhere longer than `side_m`.

    Examples
    --------
    >>> cell_sizes(5.0, 42.03, 42.03)
    (45015, 60377)
    """
    half = 5e-4  # [degree] a thousandth of a degree across each latitude
    northward = max(GEOD.inv(0.0, lat - half, 0.0, lat + half)[2] for lat in (south, north)) / (2 * half)
    eastward = max(GEOD.inv(-half, lat, half, lat)[2] for lat in (south, north)) / (2 * half)
    return math.floor(side_m / northward * NANO), math.floor(side_m / eastward * NANO)


def _part_at_centre(grid: CellGrid, parts: Sequence[Part]) -> IntArray:
    from rasterio.features import rasterize

    rows, columns = grid.part.shape
    step_north, step_east = grid.north_size / NANO, grid.east_size / NANO
    north = (grid.south + rows * grid.north_size) / NANO
    found = rasterize(
        [(part.polygon, number) for number, part in enumerate(parts)],
        out_shape=(rows, columns),
        transform=(step_east, 0.0, grid.west / NANO, 0.0, -step_north, north),
        fill=NOTHING,
        dtype=np.int32,
    )
    return np.asarray(found[::-1], np.int64)  # an image has its first row in the north


def _clear_edges(grid: CellGrid, parts: Sequence[Part]) -> None:
    treated = np.isin(grid.part, [number for number, part in enumerate(parts) if part.treat])
    open_ground = shapely.union_all([part.polygon for part in parts if part.zone])
    shapely.prepare(open_ground)
    grid.part[treated] = np.where(shapely.covers(open_ground, grid.boxes(treated)), grid.part[treated], NOTHING)


def encoded(numbers: IntArray, bits: int) -> bytes:
    r"""Content of the cell file: rows from the south, one byte or a signed 32-bit number for each cell.

    Examples
    --------
    >>> encoded(np.array([[1, 2], [3, 4]]), 8), len(encoded(np.zeros((3, 4), int), 32))
    (b'\x01\x02\x03\x04', 48)
    """
    return numbers.astype("<i4" if bits == 32 else "u1").tobytes()
