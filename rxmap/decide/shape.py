"""Treated parts that the machine can drive and that pay for themselves.

The treated area has few parts, but nothing in it knows how wide the machine is. What is narrower than a
section, or too short for the switching to follow, is dropped, and so is a part that no longer pays.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from rxmap.decide.edge import ARCS, BoolArray, EdgePrice, FloatArray

TOUCH = 1e-9  # share of a cell by which a rectangle must enter it; less is rounding


def machine_footprint(across: float, along: float, *, width: float, run: float, aligned: bool) -> BoolArray:
    """Smallest piece of ground that the machine can treat, as whole cells.

    Parameters
    ----------
    across, along : float [m]
        Sides of a cell.
    width : float [m]
        Of the piece, across the pass.
    run : float [m]
        Of the piece, along the pass.
    aligned : bool
        Whether the columns of cells lie along the pass. Otherwise it is a square of the longer side, in which the
        piece fits along the rows and along the columns.

    Returns
    -------
    (rows, columns) array of bool
        All true.

    Examples
    --------
    >>> machine_footprint(9.0, 3.0, width=9.0, run=5.0, aligned=True).shape
    (2, 1)
    >>> machine_footprint(3.0, 3.0, width=9.0, run=5.0, aligned=False).shape
    (3, 3)
    """
    if not aligned:
        width = run = max(width, run)
    return np.ones([max(1, math.ceil(side / cell - TOUCH)) for side, cell in ((run, along), (width, across))], bool)


def widen_or_drop(treated: BoolArray, inside: BoolArray, footprint: BoolArray) -> BoolArray:
    """Treated ground that the machine's footprint can cover without touching untreated ground inside.

    This is a morphological opening [1]_ in which the boundary may clip the footprint: a place of the footprint
    counts when more than half of it lies inside. In arms and corners of the field where it never does, the places
    count that lie inside as far as any can, so that the whole field passes unchanged. Nothing is added.

    Parameters
    ----------
    treated : (rows, columns) array of bool
        Treated cells.
    inside : (rows, columns) array of bool
        Ground that may be treated.
    footprint : (rows, columns) array of bool
        See `machine_footprint`.

    Returns
    -------
    (rows, columns) array of bool
        What stays treated.

    References
    ----------
    .. [1] Serra (1982), Image Analysis and Mathematical Morphology, Academic Press.

    Examples
    --------
    A strip one cell wide is dropped from the block it hangs on:

    >>> treated = np.zeros((5, 7), dtype=bool)
    >>> treated[1:4, 1:4] = treated[2, 4:6] = True
    >>> widen_or_drop(treated, np.ones((5, 7), dtype=bool), np.ones((2, 2), dtype=bool)).astype(int)
    array([[0, 0, 0, 0, 0, 0, 0],
           [0, 1, 1, 1, 0, 0, 0],
           [0, 1, 1, 1, 0, 0, 0],
           [0, 1, 1, 1, 0, 0, 0],
           [0, 0, 0, 0, 0, 0, 0]])
    """
    # The cell in its middle, or the one below and right of it, names the place of a footprint.
    margin = [(size // 2, size // 2) for size in footprint.shape]
    field = np.pad(inside, margin)
    # rectangles by rows, then by columns: a slow switch makes footprints of a hundred cells in square
    fits = ndimage.minimum_filter(np.pad(treated, margin) | ~field, footprint.shape, mode="constant", cval=1)
    kept: BoolArray = _reached(fits & _places(field, footprint), footprint) & field
    rows, columns = inside.shape
    top, left = margin[0][0], margin[1][0]
    return kept[top : top + rows, left : left + columns]


def _reached(places: NDArray[Any], footprint: BoolArray) -> NDArray[Any]:
    """Greatest value of the places whose footprint covers a cell."""
    back = [size % 2 - 1 for size in footprint.shape]
    return np.asarray(ndimage.maximum_filter(places, footprint.shape, mode="constant", origin=back))


def _places(inside: BoolArray, footprint: BoolArray) -> BoolArray:
    """Places of the footprint that lie inside far enough."""
    covered = inside.astype(np.int32)
    for axis, size in enumerate(footprint.shape):
        covered = ndimage.correlate1d(covered, np.ones(size, np.int32), axis, mode="constant")
    half = footprint.size // 2 + 1
    # Outside asks for more than any place has, so it lets none count.
    none = footprint.size + 1
    asked = np.where(inside, np.minimum(_reached(covered, footprint), half), none)
    enough: BoolArray = covered >= ndimage.minimum_filter(asked, footprint.shape, mode="constant", cval=none)
    return enough


def keep_paying(
    treated: BoolArray,
    benefit: FloatArray,
    price: EdgePrice,
    cell: float,
    *,
    inside: BoolArray,
    fixed_per_part: float = 0.0,
) -> BoolArray:
    """Drop the parts whose benefit does not pay for their edges and a fixed cost, until all do.

    Parts are joined through the sides of cells. A part is charged what the treated area would save without
    it, so that no drop can lose money, however many parts go at once.

    Parameters
    ----------
    treated : (rows, columns) array of bool
        Treated cells; nothing outside is treated.
    benefit, price, cell, inside
        As in `treated_area`.
    fixed_per_part : float [money]
        Cost of every part, whatever its size.

    Returns
    -------
    (rows, columns) array of bool
        What stays treated.

    Examples
    --------
    >>> treated = np.array([[True, True, False, True]])
    >>> price = EdgePrice(along=1.0, across=1.0, aligned=True)
    >>> keep_paying(treated, np.array([[4.0, 4.0, -9.0, 0.5]]), price, 1.0, inside=np.ones((1, 4), dtype=bool))
    array([[ True,  True, False, False]])
    """
    kept = treated.copy()
    while True:
        part, count = ndimage.label(kept)
        gain = np.bincount(part[kept], weights=benefit[kept], minlength=count + 1)
        paying = gain - _edge_costs(part, count, inside, price.arc_weights(cell)) > fixed_per_part
        if paying[1:].all():
            return kept
        kept &= paying[part]


def _edge_costs(part: NDArray[np.int32], count: int, inside: BoolArray, weights: tuple[float, ...]) -> FloatArray:
    """Edge price that the treated area saves when a part goes; entry 0 is the untreated ground."""
    costs = np.zeros(count + 1)
    for (start, end), weight in zip(ARCS, weights, strict=True):
        edge = inside[start] & inside[end] & (part[start] != part[end])
        one, other = part[start][edge], part[end][edge]
        # Parts that touch at a corner share an arc there, which the other part would have to pay instead.
        saved = np.where((one > 0) & (other > 0), -weight, weight)
        costs += np.bincount(one, weights=saved, minlength=count + 1)
        costs += np.bincount(other, weights=saved, minlength=count + 1)
    return costs
