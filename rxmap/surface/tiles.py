"""Places in square tiles: what far stops say is smooth there, and is carried from a few nodes to every place.

The covariance of a stop outside a tile is an analytic function of the place inside it, so a polynomial through
Chebyshev nodes reproduces it to many digits (Trefethen 2013, Approximation Theory and Approximation Practice,
chapter 8: the error falls geometrically, the faster the farther the singularity at the stop). The same
split of near and far sums is that of fast multipole methods (Fong and Darve 2009, J. Comput. Phys. 228:8712).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rxmap.surface.covariance import Array

Index = NDArray[np.intp]

NODES = 14  # along each side of a tile: off by 2e-10 of the sill at most; a test holds the surface to 1e-8
HALO = 1.0  # times the side of a tile: nearer stops are near, and summed exactly
FEWEST_PLACES = 2 * NODES**2  # in a tile; below it the nodes would cost more than they save
FEWEST_STOPS = 24  # below it all stops are summed exactly at every place
PIECE, STOPS_BY_PIECE = 1024, 320_000  # places at a time: at least, and times all stops; what the cache of a core likes
LEAST_EXTENT = 1e-6  # [m]
SPARSE = 2.0  # crossings of the tile's columns and rows for each place: more, and its places are no lattice
TILE_COST = 4e6  # of a tile beside its sums, in multiplications: calls of numpy, measured


@dataclass(frozen=True)
class Tile:
    """Places that lie together.

    Parameters
    ----------
    index : array of int, shape (m,)
        Which of all places.
    box : array of shape (2, 2) [m]
        Lowest and highest easting and northing.
    side : float [m]
        Longer one of the box, or a little more.
    """

    index: Index
    box: Array
    side: float

    def beyond(self, stops: Array) -> Array:
        """Distance of stops from the box [m], shape (n,)."""
        away = np.maximum(np.maximum(self.box[0] - stops, stops - self.box[1]), 0.0)
        distance: Array = np.hypot(away[:, 0], away[:, 1])
        return distance

    def halo(self, ratio: float) -> float:
        """Distance from the box within which a stop is near [m]; a ratio brings the singularity that much closer."""
        return HALO * ratio * self.side

    @property
    def nodes(self) -> Lattice:
        """Chebyshev nodes, northing by northing."""
        east, north = (nodes_between(*ends) for ends in self.box.T)
        return Lattice(self.box, east, north, slice(None))

    def pieces(self, places: Array, stops: int) -> list[slice]:
        """Cut places of the tile between rows, so that what is computed for a piece stays in the cache of one core."""
        north = places[:, 1]
        row = int(np.argmax(north != north[0])) or len(north)
        most = max(PIECE, STOPS_BY_PIECE // stops)
        step = most // row * row if row <= most else most
        return [slice(start, start + step) for start in range(0, len(north), step)]

    def lattice(self, places: Array) -> Lattice | None:
        """Rows and columns on which a piece lies, or none: then its places are strewn about."""
        east, north = places.T
        row = int(np.argmax(north != north[0])) or len(north)
        if len(north) % row == 0:
            square = [axis.reshape(-1, row) for axis in (east, north)]
            if (square[0] == square[0][0]).all() and (square[1] == square[1][:, :1]).all():
                return Lattice(self.box, square[0][0], square[1][:, 0], slice(None))
        (columns, column), (rows, line) = (np.unique(axis, return_inverse=True) for axis in (east, north))
        strewn = len(columns) * len(rows) > SPARSE * len(places)
        return None if strewn else Lattice(self.box, columns, rows, line * len(columns) + column)


@dataclass(frozen=True)
class Lattice:
    """Crossings of rows and columns inside a tile.

    Parameters
    ----------
    box : array of shape (2, 2) [m]
        Of the tile, with its nodes.
    east, north : arrays [m]
        Columns and rows.
    pick : array of int or slice
        Which crossings are places, counted row by row.
    """

    box: Array
    east: Array
    north: Array
    pick: Index | slice

    @property
    def places(self) -> Array:
        """Easting and northing, shape (m, 2) [m]."""
        east, north = np.meshgrid(self.east, self.north)
        return np.column_stack([east.ravel()[self.pick], north.ravel()[self.pick]])

    def distances(self, stops: Array) -> Array:
        """Distance from every stop to every place, shape (n, m) [m]: of rows and columns each square is taken once."""
        across, up = (stops[:, :1] - self.east) ** 2, (stops[:, 1:] - self.north) ** 2
        squared = (across[:, None, :] + up[:, :, None]).reshape(len(stops), len(self.east) * len(self.north))[
            :, self.pick
        ]
        return np.sqrt(squared, out=squared)

    def carry(self, values: Array) -> Array:
        """Bring values at the nodes, shape (r, NODES^2), to the places, shape (r, m)."""
        across, up = (
            lagrange(axis, nodes_between(*ends)) for axis, ends in zip((self.east, self.north), self.box.T, strict=True)
        )
        at_crossings = up @ (values.reshape(-1, NODES, NODES) @ across.T)
        at_places: Array = at_crossings.reshape(len(values), -1)[:, self.pick]
        return at_places


def tiles(places: Array, stops: int) -> Iterator[Tile]:
    """Cut places into tiles.

    Parameters
    ----------
    places : array of shape (m, 2) [m]
    stops : int
        How many there are, for the size of a tile.

    Examples
    --------
    >>> axis = np.arange(0.5, 400.0)
    >>> places = np.stack(np.meshgrid(axis, axis), axis=-1).reshape(-1, 2)
    >>> cut = list(tiles(places, 80))
    >>> len(cut), sum(len(tile.index) for tile in cut)
    (25, 160000)
    """
    axes = places.T
    low = np.array([float(axis.min()) for axis in axes])
    extent = np.maximum([float(axis.max()) for axis in axes] - low, LEAST_EXTENT)  # a line of places has no width
    side = tile_side(extent, places=len(places), stops=stops)
    counts = np.maximum(np.ceil(extent / side - 1e-9), 1.0).astype(int)
    column, row = (
        np.minimum((axis - start) * (count / size), count - 1).astype(np.int16)
        for axis, start, count, size in zip(axes, low, counts, extent, strict=True)
    )
    key = row * np.int16(counts[0]) + column
    order = np.argsort(key, kind="stable")  # 16 bits: sorted by counting
    for index in np.split(order, np.flatnonzero(np.diff(key[order])) + 1):
        corner = np.array(divmod(int(key[index[0]]), int(counts[0])))[::-1]
        yield Tile(index, low + np.array([corner, corner + 1]) * extent / counts, side)


def tile_side(extent: Array, *, places: int, stops: int) -> float:
    """Side of a tile [m] that costs least: small tiles have many nodes, large ones many near stops.

    Parameters
    ----------
    extent : array of shape (2,) [m]
        Of all places.
    places, stops : int
    """
    sides = float(extent.max()) / np.arange(1, 33)
    along = np.maximum(extent[:, None] / sides, 1.0)  # tiles along each axis
    # The halo of a tile reaches HALO tiles to each side, but for what hangs over the edge of all places
    within = np.minimum((1.0 + 2.0 * HALO) / along - HALO * (HALO + 1.0) / along**2, 1.0)
    near = stops * within.prod(axis=0)
    nodes = along.prod(axis=0) * (NODES**2 * stops**2 + TILE_COST)
    return float(sides[np.argmin(nodes + places * near * (near + NODES + 10.0))])


def nodes_between(low: float, high: float) -> Array:
    """Chebyshev nodes of the first kind.

    Examples
    --------
    >>> nodes = nodes_between(0.0, 2.0)
    >>> bool(0.0 < nodes.min() < 0.01), round(float(nodes.mean()), 12)
    (True, 1.0)
    """
    angle = (np.arange(NODES) + 0.5) * np.pi / NODES
    nodes: Array = (low + high) / 2.0 + max(high - low, LEAST_EXTENT) / 2.0 * np.cos(angle)
    return nodes


def lagrange(where: Array, nodes: Array) -> Array:
    """Weights of the values at Chebyshev nodes, shape (len(where), NODES).

    References
    ----------
    Berrut and Trefethen 2004, SIAM Review 46:501, section 5 (barycentric form, weights of the nodes).

    Examples
    --------
    >>> nodes = nodes_between(0.0, 2.0)
    >>> (lagrange(np.array([0.3]), nodes) @ nodes**3).round(12)
    array([0.027])
    """
    angle = (np.arange(NODES) + 0.5) * np.pi / NODES
    signed = (-1.0) ** np.arange(NODES) * np.sin(angle)
    apart = where[:, None] - nodes
    apart[apart == 0.0] = 1e-300  # a place on a node takes its value: all other weights vanish beside it
    weights = signed / apart
    shares: Array = weights / weights.sum(axis=1, keepdims=True)
    return shares
