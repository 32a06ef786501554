"""The field's own projection and the grid of cells laid over it.

The only place that makes coordinates. Arrays are (row, column) with row 0 in the north;
coordinates are (easting, northing) in metres of the field's projection.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pyproj
import shapely
from numpy.typing import ArrayLike, NDArray
from shapely.geometry.base import BaseGeometry

from rxmap.errors import InputError

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

GEOD = pyproj.Geod(ellps="WGS84")
M2_PER_HA = 10_000.0
DEFAULT_CELL = 3.0  # [m]
MOST_CELLS = 160_000  # a default cell is coarsened until the field has at most this many


@dataclass(frozen=True)
class Frame:
    """Transverse Mercator centred on the field with scale 1, so that metres are metres.

    A national or UTM grid is off by up to 0.2 % of area away from its own true-scale lines; within
    a few kilometres of its centre this projection agrees with the ellipsoid to 1e-6.

    Parameters
    ----------
    lon, lat : float [degree]
        Centre of the field, WGS84.

    Examples
    --------
    >>> frame = Frame(lon=10.0, lat=50.0)
    >>> east, north = frame.to_metres([10.0], [50.0])
    >>> float(east[0]), float(north[0])
    (0.0, 0.0)
    """

    lon: float
    lat: float

    @cached_property
    def crs(self) -> pyproj.CRS:
        """The projection, named ``rxmap field TM``."""
        conversion = pyproj.crs.coordinate_operation.TransverseMercatorConversion(
            latitude_natural_origin=self.lat, longitude_natural_origin=self.lon, scale_factor_natural_origin=1.0
        )
        return pyproj.crs.ProjectedCRS(conversion, name="rxmap field TM", geodetic_crs=pyproj.CRS.from_epsg(4326))

    @cached_property
    def wkt(self) -> str:
        """The projection as WKT2, the form that passes between libraries with their own PROJ."""
        return self.crs.to_wkt("WKT2_2019")

    @cached_property
    def _transformer(self) -> pyproj.Transformer:
        return pyproj.Transformer.from_crs(self.crs.geodetic_crs, self.crs, always_xy=True)

    def to_metres(self, lon: ArrayLike, lat: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Project WGS84 degrees to (easting, northing) [m]."""
        east, north = self._transformer.transform(np.asarray(lon, float), np.asarray(lat, float))
        return np.asarray(east), np.asarray(north)

    def to_lonlat(self, easting: ArrayLike, northing: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Unproject (easting, northing) [m] to WGS84 (lon, lat) [degree]."""
        lon, lat = self._transformer.transform(
            np.asarray(easting, float), np.asarray(northing, float), direction="INVERSE"
        )
        return np.asarray(lon), np.asarray(lat)

    def geometry_to_metres(self, geometry: BaseGeometry) -> BaseGeometry:
        """Project a WGS84 geometry vertex by vertex."""
        return shapely.transform(geometry, lambda xy: np.column_stack(self.to_metres(xy[:, 0], xy[:, 1])))

    def geometry_to_lonlat(self, geometry: BaseGeometry) -> BaseGeometry:
        """Unproject a geometry in metres vertex by vertex."""
        return shapely.transform(geometry, lambda xy: np.column_stack(self.to_lonlat(xy[:, 0], xy[:, 1])))


def geodesic_area_m2(geometry: BaseGeometry) -> float:
    """Area on the WGS84 ellipsoid of a lon/lat polygon or multipolygon [m2]; holes are taken off.

    References
    ----------
    Karney (2013), Algorithms for geodesics, J. Geodesy 87:43-55 (the method behind pyproj.Geod).

    Examples
    --------
    >>> from shapely.geometry import box
    >>> round(geodesic_area_m2(box(0, 0, 1e-3, 1e-3)))
    12309
    """
    total = 0.0
    for polygon in getattr(geometry, "geoms", [geometry]):
        area, _ = GEOD.geometry_area_perimeter(shapely.geometry.polygon.orient(polygon))
        total += area
    return float(total)


@dataclass(frozen=True)
class Grid:
    """Square cells over the field, north up.

    Parameters
    ----------
    west, north : float [m]
        Outer corner of cell (0, 0).
    cell : float [m]
        Side of a cell.
    share : ndarray, shape (rows, columns)
        Share of each cell that lies inside the boundary, 0 to 1.
    """

    west: float
    north: float
    cell: float
    share: FloatArray = field(repr=False)

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.share.shape[0], self.share.shape[1]

    @cached_property
    def inside(self) -> BoolArray:
        """Cells that have a share inside the field."""
        return self.share > 0

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """West, south, east, north [m]."""
        rows, columns = self.shape
        return (self.west, self.north - rows * self.cell, self.west + columns * self.cell, self.north)

    @property
    def transform(self) -> tuple[float, float, float, float, float, float]:
        """Affine coefficients (a, b, c, d, e, f) of column, row -> easting, northing."""
        return (self.cell, 0.0, self.west, 0.0, -self.cell, self.north)

    @property
    def cell_ha(self) -> float:
        """Area of a whole cell [ha]."""
        return self.cell**2 / M2_PER_HA

    def axes(self) -> tuple[FloatArray, FloatArray]:
        """Eastings of the columns' centres and northings of the rows' centres [m]."""
        rows, columns = self.shape
        easting: FloatArray = self.west + (np.arange(columns, dtype=np.float64) + 0.5) * self.cell
        northing: FloatArray = self.north - (np.arange(rows, dtype=np.float64) + 0.5) * self.cell
        return easting, northing

    def centres(self) -> FloatArray:
        """Centres of the cells inside the field, row by row: (m, 2) easting, northing [m]."""
        easting, northing = self.axes()
        row, column = np.nonzero(self.inside)
        return np.column_stack([easting[column], northing[row]])

    def spread(self, values: ArrayLike, fill: float = np.nan) -> FloatArray:
        """Put one value per inside cell, in the order of `centres`, back on the grid."""
        out = np.full(self.shape, fill)
        out[self.inside] = values
        return out

    def covered(self, geometry: BaseGeometry) -> FloatArray:
        """Share of each cell that a geometry in metres covers: (rows, columns)."""
        return cover(geometry, self.west, self.north, self.cell, self.shape)

    def mean(self, values: FloatArray) -> float:
        """Area mean of a grid of values over the field."""
        return float(np.sum(np.where(self.inside, values, 0.0) * self.share) / np.sum(self.share))

    def coarsened(self, factor: int) -> Grid:
        """Cover the same ground with cells `factor` times as wide; shares add up exactly."""
        if factor == 1:
            return self
        return Grid(self.west, self.north, self.cell * factor, block_sum(self.share, factor) / factor**2)


def block_sum(values: FloatArray, factor: int) -> FloatArray:
    """Sum square blocks of `factor` cells; the last blocks are padded with zero.

    Examples
    --------
    >>> block_sum(np.ones((3, 2)), 2)
    array([[4.], [2.]])
    """
    rows, columns = (-(-size // factor) for size in values.shape)
    padded = np.zeros((rows * factor, columns * factor))
    padded[: values.shape[0], : values.shape[1]] = values
    blocks: FloatArray = padded.reshape(rows, factor, columns, factor).sum(axis=(1, 3))
    return blocks


def default_cell(area_m2: float) -> float:
    """Cell for a field of this area [m]: 3 m, coarsened in steps of 1 m to at most 160,000 cells.

    Examples
    --------
    >>> default_cell(65e4), default_cell(400e4)
    (3.0, 5.0)
    """
    return max(DEFAULT_CELL, 1.0 * math.ceil(math.sqrt(area_m2 / MOST_CELLS)))


def make_grid(boundary: BaseGeometry, cell: float) -> Grid:
    """Lay cells of side `cell` [m] over a boundary in metres.

    Cell corners fall on whole multiples of `cell`, so that neighbouring runs line up. The share
    of a cell inside the field is exact to the 8 x 8 sub-cells along its boundary.

    Raises
    ------
    InputError
        If the cells are so coarse that none holds ground of the field.

    Examples
    --------
    >>> from shapely.geometry import box
    >>> make_grid(box(0, 0, 9, 6), 3.0).shape
    (2, 3)
    """
    west, south, east, north = boundary.bounds
    west, north = math.floor(west / cell) * cell, math.ceil(north / cell) * cell
    shape = (math.ceil((north - south) / cell - 1e-9), math.ceil((east - west) / cell - 1e-9))
    share = cover(boundary, west, north, cell, shape)
    if not share.any():
        raise InputError(f"output.cell: cells of {cell:g} m are too coarse for this field. Use a finer cell.")
    return Grid(west, north, cell, share)


def cover(
    geometry: BaseGeometry, west: float, north: float, cell: float, shape: tuple[int, int], fine: int = 8
) -> FloatArray:
    """Share of each cell that a polygon covers, counted on `fine` x `fine` sub-cells: (rows, columns)."""
    from rasterio.features import rasterize  # here: importing rasterio costs 0.15 s that `rxmap --help` must not pay

    covered = np.zeros(shape)
    if geometry.is_empty:
        return covered
    left, low, right, high = geometry.bounds
    rows, columns = (
        slice(max(math.floor(start / cell), 0), min(math.ceil(stop / cell), size))
        for start, stop, size in ((north - high, north - low, shape[0]), (left - west, right - west, shape[1]))
    )
    down, across = max(rows.stop - rows.start, 0), max(columns.stop - columns.start, 0)
    if not (down and across):
        return covered
    step = cell / fine
    corner = (step, 0.0, west + columns.start * cell, 0.0, -step, north - rows.start * cell)
    burned = rasterize([(geometry, 1)], out_shape=(down * fine, across * fine), transform=corner)
    # rows first: whole lines are added up, and the sums still fit into a byte
    lines = burned.reshape(down, fine, across * fine).sum(axis=1, dtype=np.uint8)
    covered[rows, columns] = lines.reshape(down, across, fine).sum(axis=2, dtype=np.uint8) / fine**2
    return covered
