"""The treated area: the set of cells with the largest benefit after its edges are paid for.

Treating cell by cell scatters the treated area over hundreds of scraps; smoothing it afterwards throws
money away. The best set is a minimum cut of a graph, found exactly.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from rxmap.decide.edge import ARCS, BoolArray, EdgePrice, FloatArray
from rxmap.decide.graph import Link, best_layers


def treated_area(benefit: FloatArray, inside: BoolArray, price: EdgePrice, cell: float) -> BoolArray:
    """Cells to treat, so that benefit minus the price of the treated edge is as large as it can be.

    The problem is a minimum cut [1]_: a cell that gains is tied to the source by its benefit, one that
    loses to the sink, neighbours to each other by the price of an edge between them. The cells on the source
    side are treated. Of several best sets the smallest is returned, so ground that gains nothing is left
    alone. Benefits count to six significant digits: what differs by less is noise of the processor.

    Parameters
    ----------
    benefit : (rows, columns) array of float [money]
        Expected gain of treating the cell, for the share of it that may be treated. Ignored outside.
    inside : (rows, columns) array of bool
        Ground that may be treated. Its boundary carries no price: the machine stops there anyway.
    price : EdgePrice
        Of a metre of treated edge.
    cell : float [m]
        Side of a cell.

    Returns
    -------
    (rows, columns) array of bool
        True where treated.

    Raises
    ------
    ValueError
        A benefit inside is not finite.

    References
    ----------
    .. [1] Greig, Porteous & Seheult (1989), Exact maximum a posteriori estimation for binary images,
       Journal of the Royal Statistical Society B 51, 271-279.

    Examples
    --------
    A small loss between two gains is treated, a gain too small for its edges is not:

    >>> benefit = np.array([[4.0, -1.0, 4.0, -9.0, 1.0, -9.0]])
    >>> price = EdgePrice(along=1.0, across=1.0, aligned=True)
    >>> treated_area(benefit, np.ones((1, 6), dtype=bool), price, cell=1.0).astype(int)
    array([[1, 1, 1, 0, 0, 0]])
    """
    return best_layers([benefit], inside, [price], cell)[0]


def stepped_areas(
    gains: Sequence[FloatArray], inside: BoolArray, prices: Sequence[EdgePrice], cell: float
) -> list[BoolArray]:
    """Cells that get at least the first, second, ... of several rates, from low to full.

    Each step up has a gain of its own over the step below, and an edge of its own; ground that gets a
    step gets all below it. One cut finds the best steps exactly (Ishikawa 2003, see `graph`).

    Parameters
    ----------
    gains : sequence of (rows, columns) arrays of float [money]
        Gain of each step over the one below; the first is over not treating.
    inside : (rows, columns) array of bool
        Ground that may be treated.
    prices : sequence of EdgePrice
        Of a metre of edge of each step.
    cell : float [m]
        Side of a cell.

    Returns
    -------
    list of (rows, columns) arrays of bool
        One for each step, each within the one before it.

    Examples
    --------
    >>> low, high = np.array([[3.0, 3.0, -9.0]]), np.array([[-2.0, 4.0, 1.0]])
    >>> price = EdgePrice(along=0.1, across=0.1, aligned=True)
    >>> [step.astype(int).tolist() for step in stepped_areas([low, high], np.ones((1, 3), bool), [price] * 2, 1.0)]
    [[[1, 1, 0]], [[0, 1, 0]]]
    """
    nested = [Link(first=step, second=step - 1, price=math.inf) for step in range(1, len(gains))]
    return best_layers(gains, inside, prices, cell, nested)


def shared_areas(
    gains: Sequence[FloatArray],
    inside: BoolArray,
    prices: Sequence[EdgePrice],
    cell: float,
    *,
    once: float | FloatArray,
) -> list[BoolArray]:
    """Cells that each of two products treats when ground treated by both pays the trip over it once.

    The shared cost of a cell is ``once x max(a, b)``, which is half of it for each and half for a cell
    that has one without the other: a link, so the cut stays exact.

    Parameters
    ----------
    gains : two (rows, columns) arrays of float [money]
        Gain of each product on its own, before the shared cost.
    inside, prices, cell
        As in `stepped_areas`; one price for each product.
    once : float or (rows, columns) array of float [money]
        Cost of a treated cell that both products share.

    Examples
    --------
    >>> one, other = np.array([[0.6]]), np.array([[0.6]])  # neither pays 1.0 alone
    >>> price = EdgePrice(along=0.0, across=0.0, aligned=False)
    >>> [a.tolist() for a in shared_areas([one, other], np.ones((1, 1), bool), [price] * 2, 1.0, once=1.0)]
    [[[True]], [[True]]]
    """
    links = [Link(first=0, second=1, price=once / 2), Link(first=1, second=0, price=once / 2)]
    return best_layers([gain - once / 2 for gain in gains], inside, prices, cell, links)


def cut_value(treated: BoolArray, benefit: FloatArray, price: EdgePrice, cell: float, *, inside: BoolArray) -> float:
    """Benefit of a treated area minus the price of its edges: what `treated_area` maximises.

    Parameters
    ----------
    treated, benefit, price, cell, inside
        As in `treated_area`; nothing outside is treated.

    Returns
    -------
    float [money]
        Of the whole treated area.

    Examples
    --------
    >>> treated = np.array([[True, True, False]])
    >>> price = EdgePrice(along=1.0, across=1.0, aligned=True)
    >>> cut_value(treated, np.array([[4.0, 3.0, -1.0]]), price, 1.0, inside=np.ones((1, 3), dtype=bool))
    6.0
    """
    edges = 0.0
    for (start, end), weight in zip(ARCS, price.arc_weights(cell), strict=True):
        edges += weight * np.count_nonzero(inside[start] & inside[end] & (treated[start] != treated[end]))
    return float(benefit[treated].sum() - edges)
