"""The minimum cut itself: layers of cells, priced edges within a layer, priced links between layers."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import breadth_first_order, maximum_flow

from rxmap.decide.edge import ARCS, BoolArray, EdgePrice, FloatArray

SIGNIFICANT_BITS = 20  # six significant digits, in a form that rounds without error
FLOW_BITS = 29  # total capacity stays below 2**29: a flow, and twice an arc, fit the solver's int32


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """What it costs at a cell to have one layer without the other.

    Parameters
    ----------
    first, second : int
        Layers.
    price : float or (rows, columns) array of float [money]
        Of a cell in `first` but not in `second`; infinite forbids it.
    """

    first: int
    second: int
    price: float | FloatArray

    def on(self, inside: BoolArray) -> FloatArray:
        """Price of every cell inside."""
        priced: FloatArray = np.broadcast_to(self.price, inside.shape)[inside]
        return priced


def best_layers(
    gains: Sequence[FloatArray],
    inside: BoolArray,
    prices: Sequence[EdgePrice],
    cell: float,
    links: Sequence[Link] = (),
) -> list[BoolArray]:
    """Choose a set of cells in every layer so that gains less edges and links are as large as can be.

    All terms are submodular, so one minimum cut finds the best choice exactly [1]_. Of several best
    ones the smallest is returned. Gains count to six significant digits: what differs by less is noise
    of the processor.

    Parameters
    ----------
    gains : sequence of (rows, columns) arrays of float [money]
        Gain of each cell in each layer; ignored outside.
    inside : (rows, columns) array of bool
        Ground that may be chosen. Its boundary carries no price.
    prices : sequence of EdgePrice
        Of a metre of edge, by layer.
    cell : float [m]
        Side of a cell.
    links : sequence of Link
        Between layers.

    Raises
    ------
    ValueError
        A gain inside is not finite.

    References
    ----------
    .. [1] Greig, Porteous & Seheult (1989), Exact maximum a posteriori estimation for binary images,
       Journal of the Royal Statistical Society B 51, 271-279; for layers Ishikawa (2003), Exact optimization for
       Markov random fields with convex priors, IEEE PAMI 25, 1333-1336 (both from memory).
    """
    if not all(np.isfinite(gain[inside]).all() for gain in gains):
        raise ValueError("benefit: found a value that is not finite inside the field. Give every cell inside a number.")
    flat = np.stack([_round_significant(gain[inside]) for gain in gains])
    chosen = [np.zeros_like(inside) for _ in gains]
    # A graph without source arcs has no cut to find: nothing gains. Without sink arcs all is chosen.
    if not (flat > 0).any():
        return chosen
    if (flat > 0).all():
        return [inside.copy() for _ in gains]
    sides = _source_side(_graph(flat, inside, [price.arc_weights(cell) for price in prices], links))
    for layer, side in zip(chosen, sides.reshape(flat.shape), strict=True):
        layer[inside] = side
    return chosen


def _round_significant(values: FloatArray) -> FloatArray:
    mantissa, exponent = np.frexp(values)
    rounded: FloatArray = np.ldexp(np.rint(np.ldexp(mantissa, SIGNIFICANT_BITS)), exponent - SIGNIFICANT_BITS)
    return rounded


def _graph(
    gains: FloatArray, inside: BoolArray, weights: Sequence[tuple[float, ...]], links: Sequence[Link]
) -> sparse.csr_array:
    """Capacities between the cells of all layers, layer by layer, the source and the sink (the last two nodes)."""
    gains = _held(gains, weights, [float(link.on(inside).max()) for link in links])
    total = max(gains[gains > 0].sum(), -gains[gains < 0].sum())
    # A power of two, so that scaling itself rounds nothing.
    scale = math.ldexp(1.0, FLOW_BITS - math.frexp(total)[1])
    layers, cells = gains.shape
    source, sink = gains.size, gains.size + 1
    number = np.zeros(inside.shape, dtype=np.intp)
    number[inside] = np.arange(cells)

    tails, heads, capacities = [], [], []
    for layer in range(layers):
        for (start, end), weight in zip(ARCS, weights[layer], strict=True):
            both = inside[start] & inside[end]
            here, there = number[start][both] + layer * cells, number[end][both] + layer * cells
            tails += [here, there]
            heads += [there, here]
            # No best set cuts an arc dearer than all there is to gain, so a lower price decides the same.
            capacities.append(np.full(2 * here.size, min(weight, total)))
    for link in links:
        tails.append(np.arange(cells) + link.first * cells)
        heads.append(np.arange(cells) + link.second * cells)
        capacities.append(np.minimum(link.on(inside), total))
    flat = gains.ravel()
    winners, losers = np.flatnonzero(flat > 0), np.flatnonzero(flat < 0)
    tails += [np.full(winners.size, source), losers]
    heads += [winners, np.full(losers.size, sink)]
    capacities += [flat[winners], -flat[losers]]

    units = np.rint(np.concatenate(capacities) * scale).astype(np.int32)
    arcs = np.concatenate(tails, dtype=np.int32), np.concatenate(heads, dtype=np.int32)
    return sparse.csr_array((units, arcs), shape=(sink + 1, sink + 1))


def _held(gains: FloatArray, weights: Sequence[tuple[float, ...]], dearest: Sequence[float]) -> FloatArray:
    """Gains without digits that decide nothing.

    A gain beyond all arcs and links of its cell decides it alone. Held at twice that it still does, and
    leaves the digits of the whole numbers to the cells in doubt. A link that forbids can carry anything,
    so with one nothing is held.
    """
    if any(math.isinf(price) for price in dearest):
        return gains
    linked = sum(dearest)
    most = np.array([[4.0 * sum(layer) + 2.0 * linked] for layer in weights])
    least = np.abs(gains[gains != 0]).min()
    return np.clip(gains, -np.maximum(most, least), np.maximum(most, least))


def _source_side(graph: sparse.csr_array) -> BoolArray:
    """Nodes that the source still reaches in the residual graph: the smallest of the best sets."""
    source, sink = graph.shape[0] - 2, graph.shape[0] - 1
    residual = graph - maximum_flow(graph, source, sink).flow
    residual.eliminate_zeros()
    reached = np.zeros(graph.shape[0], dtype=bool)
    reached[breadth_first_order(residual, source, return_predecessors=False)] = True
    return reached[:source]
