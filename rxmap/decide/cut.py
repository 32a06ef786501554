"""The treated area: the set of cells with the largest benefit after its edges are paid for.

Treating cell by cell scatters the treated area over hundreds of scraps; smoothing it afterwards throws
money away. The best set is a minimum cut of a graph, found exactly.
"""

from __future__ import annotations

import math

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import breadth_first_order, maximum_flow

from rxmap.decide.edge import ARCS, BoolArray, EdgePrice, FloatArray

SIGNIFICANT_BITS = 20  # six significant digits, in a form that rounds without error
FLOW_BITS = 29  # total capacity stays below 2**29: a flow, and twice an arc, fit the solver's int32


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
    >>> price = EdgePrice(along=1.0, across=1.0, heading=0.0)
    >>> treated_area(benefit, np.ones((1, 6), dtype=bool), price, cell=1.0).astype(int)
    array([[1, 1, 1, 0, 0, 0]])
    """
    if not np.isfinite(benefit[inside]).all():
        raise ValueError("benefit: found a value that is not finite inside the field. Give every cell inside a number.")
    gain = _round_significant(benefit[inside])
    treated = np.zeros_like(inside)
    # A graph without sink or without source arcs has no cut to find.
    if not (gain > 0).any():
        return treated
    if (gain > 0).all():
        return inside.copy()
    treated[inside] = _source_side(_graph(gain, inside, price.arc_weights(cell)))
    return treated


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
    >>> price = EdgePrice(along=1.0, across=1.0, heading=0.0)
    >>> cut_value(treated, np.array([[4.0, 3.0, -1.0]]), price, 1.0, inside=np.ones((1, 3), dtype=bool))
    6.0
    """
    edges = 0.0
    for (start, end), weight in zip(ARCS, price.arc_weights(cell), strict=True):
        edges += weight * np.count_nonzero(inside[start] & inside[end] & (treated[start] != treated[end]))
    return float(benefit[treated].sum() - edges)


def _round_significant(values: FloatArray) -> FloatArray:
    mantissa, exponent = np.frexp(values)
    rounded: FloatArray = np.ldexp(np.rint(np.ldexp(mantissa, SIGNIFICANT_BITS)), exponent - SIGNIFICANT_BITS)
    return rounded


def _graph(gain: FloatArray, inside: BoolArray, weights: tuple[float, ...]) -> sparse.csr_array:
    """Capacities between the cells inside, numbered row by row, the source and the sink (the last two nodes)."""
    # A gain beyond all eight arcs of its cell decides it alone. Held at twice that it still does, and leaves
    # the digits of the whole numbers to the cells in doubt.
    most = max(4.0 * sum(weights), np.abs(gain[gain != 0]).min())
    gain = np.clip(gain, -most, most)
    total = max(gain[gain > 0].sum(), -gain[gain < 0].sum())
    # A power of two, so that scaling itself rounds nothing.
    scale = math.ldexp(1.0, FLOW_BITS - math.frexp(total)[1])
    number = np.zeros(inside.shape, dtype=np.intp)
    number[inside] = np.arange(gain.size)

    tails, heads, capacities = [], [], []
    for (start, end), weight in zip(ARCS, weights, strict=True):
        both = inside[start] & inside[end]
        tails += [number[start][both], number[end][both]]
        heads += [number[end][both], number[start][both]]
        # No best set cuts an arc dearer than all there is to gain, so a lower price decides the same.
        capacities.append(np.full(2 * np.count_nonzero(both), min(weight, total)))
    winners, losers = np.flatnonzero(gain > 0), np.flatnonzero(gain < 0)
    tails += [np.full(winners.size, gain.size), losers]
    heads += [winners, np.full(losers.size, gain.size + 1)]
    capacities += [gain[winners], -gain[losers]]

    units = np.rint(np.concatenate(capacities) * scale).astype(np.int32)
    arcs = np.concatenate(tails, dtype=np.int32), np.concatenate(heads, dtype=np.int32)
    return sparse.csr_array((units, arcs), shape=(gain.size + 2, gain.size + 2))


def _source_side(graph: sparse.csr_array) -> BoolArray:
    """Cells that the source still reaches in the residual graph: the smallest of the best sets."""
    source, sink = graph.shape[0] - 2, graph.shape[0] - 1
    residual = graph - maximum_flow(graph, source, sink).flow
    residual.eliminate_zeros()
    reached = np.zeros(graph.shape[0], dtype=bool)
    reached[breadth_first_order(residual, source, return_predecessors=False)] = True
    return reached[:source]
