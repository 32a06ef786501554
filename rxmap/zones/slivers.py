"""Slivers of a coverage: which faces are too small or too thin to be ground, and who gets them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_matrix, csr_matrix
from scipy.sparse.csgraph import connected_components

from rxmap.grid import FloatArray

IntArray = NDArray[np.int_]
GeometryArray = NDArray[np.object_]

THINNEST = 0.02  # [m] mean width; about two units of the 7 decimals: such a face is a by-product of rounding


@dataclass(frozen=True, slots=True, kw_only=True)
class Borders:
    """Who borders whom among the faces of a coverage: `one` and `other` share an edge of `length`.

    Parameters
    ----------
    one, other : ndarray of int, shape (edges,)
        The two faces of each shared edge.
    length : ndarray, shape (edges,) [m]
    area, perimeter : ndarray, shape (faces,) [m2], [m]
    """

    one: IntArray
    other: IntArray
    length: FloatArray
    area: FloatArray
    perimeter: FloatArray

    def regions(self, labels: IntArray) -> IntArray:
        """Give one number to faces of one label that hang together along edges: (faces,)."""
        same = labels[self.one] == labels[self.other]
        graph = _square(np.ones(same.sum()), self.one[same], self.other[same], size=len(labels))
        return np.asarray(connected_components(graph, directed=False)[1])


def find_borders(faces: GeometryArray, metres_per_unit: FloatArray) -> Borders:
    """Match the edges of faces that have the same whole-number points wherever they touch.

    Parameters
    ----------
    faces : ndarray of Polygon, shape (faces,)
    metres_per_unit : ndarray, shape (2,) [m]
        Along the first and the second coordinate.

    Examples
    --------
    >>> from shapely.geometry import box
    >>> borders = find_borders(np.array([box(0, 0, 3, 3), box(3, 0, 5, 3)]), np.array([1.0, 1.0]))
    >>> borders.one.tolist(), borders.other.tolist(), borders.length.tolist()
    ([0], [1], [3.0])
    """
    rings, face = shapely.get_rings(faces, return_index=True)
    points, ring = shapely.get_coordinates(rings, return_index=True)
    whole = ring[1:] == ring[:-1]
    owner = face[ring[1:][whole]]
    length = np.hypot(*(np.diff(points, axis=0)[whole] * metres_per_unit).T)
    point = points[:, 0].astype(np.int64) * 2**32 + points[:, 1].astype(np.int64)  # one number for each place
    start, end = point[:-1][whole], point[1:][whole]
    low, high = np.minimum(start, end), np.maximum(start, end)
    order = np.lexsort((owner, high, low))
    twin = (np.diff(low[order]) == 0) & (np.diff(high[order]) == 0)
    first, second = order[:-1][twin], order[1:][twin]
    return Borders(
        one=owner[first],
        other=owner[second],
        length=length[first],
        area=shapely.area(faces) * np.prod(metres_per_unit),
        perimeter=np.bincount(owner, length, minlength=len(faces)).astype(float),
    )


def absorb_slivers(labels: IntArray, borders: Borders, *, protected: Sequence[int], least_area_m2: float) -> IntArray:
    """Give slivers to their neighbours, the smallest first, until none is left that may move.

    Parameters
    ----------
    labels : ndarray of int, shape (faces,)
    borders : Borders
    protected : sequence of int
        Labels that must not lose ground, the most protected first. A sliver goes to the neighbour
        that comes first here, then to the one with the longest shared edge; never to a label less
        protected than its own.
    least_area_m2 : float [m2]
        A region smaller than this is a sliver, and one whose mean width is below 2 cm.

    Returns
    -------
    ndarray of int, shape (faces,)
        New labels.
    """
    rank = {label: place for place, label in enumerate(protected)}
    labels = labels.copy()
    while True:
        region = borders.regions(labels)
        moves = _moves(labels, region, borders, rank, least_area_m2)
        if not moves:  # every move melts two regions into one, so this comes
            return labels
        for sliver, label in moves.items():
            labels[region == sliver] = label


def _moves(
    labels: IntArray, region: IntArray, borders: Borders, rank: dict[int, int], least_area_m2: float
) -> dict[int, int]:
    """Find the new label of each sliver that can move now; of two that touch, the smaller moves first."""
    one, other = region[borders.one], region[borders.other]
    apart, size = one != other, int(region.max()) + 1
    shared = _square(borders.length[apart], one[apart], other[apart], size=size)
    shared = (shared + shared.T).tocsr()
    inner = np.bincount(one[~apart], borders.length[~apart], minlength=size)
    area, perimeter = np.bincount(region, borders.area), np.bincount(region, borders.perimeter) - 2 * inner
    label_of = np.zeros(size, int)
    label_of[region] = labels
    slivers = np.flatnonzero((area < least_area_m2) | (2 * area < THINNEST * perimeter))
    moves: dict[int, int] = {}
    for sliver in slivers[np.argsort(area[slivers], kind="stable")].tolist():
        near = slice(shared.indptr[sliver], shared.indptr[sliver + 1])
        neighbours = shared.indices[near].tolist()
        if not neighbours or not moves.keys().isdisjoint(neighbours):
            continue
        offers = [
            (rank.get(label, len(rank)), -length, label)
            for label, length in zip(label_of[neighbours].tolist(), shared.data[near].tolist(), strict=True)
        ]
        best_rank, _, label = min(offers)
        if best_rank <= rank.get(int(label_of[sliver]), len(rank)):
            moves[sliver] = label
    return moves


def _square(values: FloatArray, rows: IntArray, columns: IntArray, *, size: int) -> csr_matrix:
    """Sparse matrix; values at the same place are added."""
    return coo_matrix((values, (rows, columns)), shape=(size, size)).tocsr()
