"""Decision cells: ground that is treated or not as a whole, and how it meets the cells of the field grid.

Where the heading is known the cells lie in the passes: as wide as a section, so that every edge is one that the
machine can drive. Without a heading they are blocks of field cells.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from scipy import sparse
from shapely.geometry.base import BaseGeometry

from rxmap.decide.lanes import lanes_over, turned
from rxmap.grid import BoolArray, FloatArray, Grid
from rxmap.plan import Machine

MOST_DECISION_CELLS = 40_000  # the exact cut stays below half a second
PARTS = 4  # a field cell is shared out in parts of at most a quarter of a decision cell; judgement


@dataclass(frozen=True, slots=True, kw_only=True)
class Cells:
    """A raster of decision cells in the frame that is turned into the heading; row 0 is the farthest along.

    Parameters
    ----------
    heading : float [degree]
        Of its columns, clockwise from north.
    left, far : float [m]
        Outer corner of cell (0, 0), across and along.
    across, along : float [m]
        Sides of a cell.
    shape : (int, int)
        Rows and columns.
    """

    heading: float
    left: float
    far: float
    across: float
    along: float
    shape: tuple[int, int]

    def number(self, easting: FloatArray, northing: FloatArray) -> NDArray[np.int32]:
        """Find the cell that holds each place [m]; cells are counted row by row."""
        angle = math.radians(round(self.heading, 9))
        across = math.cos(angle) * easting - math.sin(angle) * northing
        along = math.sin(angle) * easting + math.cos(angle) * northing
        column = np.clip((across - self.left) // self.across, 0, self.shape[1] - 1)
        row = np.clip((self.far - along) // self.along, 0, self.shape[0] - 1)
        return np.asarray(row * self.shape[1] + column, np.int32)

    def to_metres(self, drawn: BaseGeometry) -> BaseGeometry:
        """Bring what is drawn in cells, (column, -row), to (easting, northing) [m]."""
        corner, sides = np.array([self.left, self.far]), np.array([self.across, self.along])
        return turned(shapely.transform(drawn, lambda xy: corner + xy * sides), -self.heading)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ground:
    """Decision cells with the field under them.

    Parameters
    ----------
    cells : Cells
        Where they lie.
    shares : sparse array, shape (inside cells of the field grid, decision cells)
        Ground of the field that a field cell and a decision cell have in common [ha].
    field_ha, free_ha : ndarray, shape (rows, columns)
        Ground of each decision cell inside the field, and of it outside every keep-out [ha].
    aligned : bool
        Whether the cells lie in the passes.
    by_hand : ndarray of bool, shape (rows, columns), or None
        Decision cells that the adviser treats whatever the numbers say.
    """

    cells: Cells
    shares: sparse.csr_array = field(repr=False)
    field_ha: FloatArray
    free_ha: FloatArray
    aligned: bool
    by_hand: BoolArray | None = None

    @property
    def sprayable(self) -> BoolArray:
        """Decision cells with ground that may be treated."""
        return self.free_ha > 0

    def mean(self, values: ArrayLike) -> FloatArray:
        """Area mean over each decision cell of values on the inside cells of the field grid; 0 outside."""
        return _ratio(self._sums(values), self.field_ha)

    def on_field(self, treated: BoolArray) -> FloatArray:
        """Share of each inside cell of the field grid that is treated: the free share of its decision cells."""
        free = np.where(treated, _ratio(self.free_ha, self.field_ha), 0.0)
        both: FloatArray = self.shares @ free.ravel() / self.shares.sum(axis=1)
        return both

    def _sums(self, values: ArrayLike) -> FloatArray:
        sums: FloatArray = (self.shares.T @ np.asarray(values, float)).reshape(self.cells.shape)
        return sums


def _ratio(part: FloatArray, whole: FloatArray) -> FloatArray:
    return np.divide(part, whole, out=np.zeros_like(whole), where=whole > 0)


def section_width(machine: Machine) -> float:
    """Width that switches as a whole [m]."""
    return machine.swath.to("m") / machine.sections


def decision_ground(
    grid: Grid, kept: FloatArray, machine: Machine, *, outline: BaseGeometry, by_hand: FloatArray | None = None
) -> Ground:
    """Lay decision cells over the field, at most 40,000 of them.

    With a heading a cell is a section wide, or as many as a field cell needs, and lies in the passes over the
    field. Without one it is a block of field cells of at least half a section.

    Parameters
    ----------
    grid : Grid
        The field grid.
    kept : ndarray, shape of the grid
        Share of each cell inside a keep-out, or skipped by hand.
    machine : Machine
        Its section width sets how fine a decision can be followed.
    outline : geometry
        The field in metres, over which passes are laid.
    by_hand : ndarray, shape of the grid, optional
        Share of each cell that the adviser treats by hand.
    """
    inside = grid.inside
    shares, cells = _shared_out(grid, machine, outline)
    field_ha = shares.sum(axis=0).reshape(cells.shape)
    free = np.maximum(grid.share - kept, 0.0)[inside] / grid.share[inside]
    free_ha = (shares.T @ free).reshape(cells.shape)
    drawn = None
    if by_hand is not None:  # a decision cell goes with most of its ground; polygons later follow the line itself
        hand = np.minimum(by_hand, grid.share)[inside] / grid.share[inside]
        drawn = ((shares.T @ hand).reshape(cells.shape) > field_ha / 2) & (free_ha > 0)
    return Ground(
        cells=cells,
        shares=shares,
        field_ha=field_ha,
        free_ha=free_ha,
        aligned=machine.heading is not None,
        by_hand=drawn,
    )


def _cells(grid: Grid, machine: Machine, outline: BaseGeometry, coarser: int) -> Cells:
    """Lay a raster over the field whose cells are `coarser` times as large as the finest that make sense."""
    section = section_width(machine)
    if machine.heading is None:
        factor = math.ceil(max(grid.cell, section / 2) / grid.cell - 1e-9) + coarser - 1
        side, (rows, columns) = factor * grid.cell, grid.shape
        shape = -(-rows // factor), -(-columns // factor)
        return Cells(heading=0.0, left=grid.west, far=grid.north, across=side, along=side, shape=shape)
    across = section * max(1, math.ceil(coarser * grid.cell / section - 1e-9))
    along = max(coarser * grid.cell, section / 2)
    lanes = lanes_over([outline], machine.swath.to("m"), machine.heading)
    # Field cells reach beyond the outline by up to their diagonal.
    west, south, east, north = turned(outline, machine.heading).buffer(1.5 * grid.cell).bounds
    before, after = math.ceil((lanes.left - west) / across), math.ceil((east - lanes.left) / across)
    return Cells(
        heading=machine.heading,
        left=lanes.left - max(before, 0) * across,
        far=north,
        across=across,
        along=along,
        shape=(math.ceil((north - south) / along), max(before, 0) + after),
    )


def _shared_out(grid: Grid, machine: Machine, outline: BaseGeometry) -> tuple[sparse.csr_array, Cells]:
    """Share out the field over the finest decision cells that are not too many."""
    field_m2 = float(grid.share.sum()) * grid.cell**2
    for coarser in range(1, max(grid.shape) + 1):
        cells = _cells(grid, machine, outline, coarser)
        if field_m2 / (cells.across * cells.along) > MOST_DECISION_CELLS:  # so many at least
            continue
        shares = _shares(grid, cells, in_blocks=machine.heading is None)
        if np.unique(shares.indices).size <= MOST_DECISION_CELLS:
            break
    return shares, cells


def _shares(grid: Grid, cells: Cells, *, in_blocks: bool) -> sparse.csr_array:
    """Share out every field cell over the decision cells: in parts, each to the cell that holds its middle."""
    parts = 1 if in_blocks else math.ceil(PARTS * grid.cell / min(cells.across, cells.along) - 1e-9)
    offset = ((np.arange(parts) + 0.5) / parts - 0.5) * grid.cell
    east, north = (part.ravel() for part in np.meshgrid(offset, offset))
    centres = grid.centres()
    number = cells.number(centres[:, :1] + east, centres[:, 1:] + north)
    part_ha = np.repeat(grid.share[grid.inside] * grid.cell_ha / parts**2, parts**2)
    starts = np.arange(len(centres) + 1) * parts**2
    shares = sparse.csr_array((part_ha, number.ravel(), starts), shape=(len(centres), math.prod(cells.shape)))
    shares.sum_duplicates()
    return shares
