"""Where one pass treats: the exact cut on the decision cells, then what the machine can follow."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from rxmap.decide.benefit import Benefit
from rxmap.decide.cut import stepped_areas
from rxmap.decide.edge import EdgePrice, edge_price
from rxmap.decide.ground import Ground, section_width
from rxmap.decide.options import Step
from rxmap.decide.shape import keep_paying, machine_footprint, widen_or_drop
from rxmap.grid import M2_PER_HA, BoolArray, FloatArray
from rxmap.plan import Machine

IntArray = NDArray[np.int64]


def least_width(machine: Machine, ground: Ground) -> float:
    """Narrowest treated part [m]: a section, or two decision cells."""
    return max(section_width(machine), 2 * ground.cells.along)


def least_run(machine: Machine) -> float:
    """Shortest treated run along the pass [m]: twice what the machine drives while it responds."""
    return 2 * machine.speed_m_s * (machine.delay.to("s") if machine.delay else 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Treatment:
    """Where a pass would treat, and what that is worth before the trip.

    Parameters
    ----------
    levels : ndarray of int
        Rate of each decision cell: 0 untreated, 1 the lowest rate, and so on.
    worths : ndarray, shape (steps, rows, columns)
        Benefit of each decision cell at each rate, for its free ground [currency].
    above : ndarray of bool
        Decision cells where the expected pressure reaches the threshold on most of the ground (the floor).
    price : EdgePrice
        Of a metre of edge between untreated ground and the lowest rate.
    """

    levels: IntArray
    worths: FloatArray
    above: BoolArray
    price: EdgePrice

    @property
    def treated(self) -> BoolArray:
        """Decision cells to treat at any rate."""
        return self.levels > 0

    @property
    def worth(self) -> FloatArray:
        """Benefit of each decision cell: at its rate where treated, else at the rate that would be best [currency]."""
        at_rate = np.take_along_axis(self.worths, np.maximum(self.levels - 1, 0)[np.newaxis], axis=0)[0]
        chosen: FloatArray = np.where(self.treated, at_rate, self.worths.max(axis=0))
        return chosen

    def best_uniform(self, sprayable: BoolArray) -> int:
        """Rate that is best over the whole field."""
        return int(np.argmax([worth[sprayable].sum() for worth in self.worths])) + 1

    @property
    def gain(self) -> float:
        """Benefit over the treated cells [currency]; the edge price shapes the area and is not money spent."""
        return float(self.worth[self.treated].sum())


def treat(benefit: Benefit, *, ground: Ground, machine: Machine) -> Treatment:
    """Choose the treated area of a pass.

    The cut is exact; parts narrower than the machine can follow are then taken off, and parts that
    no longer pay for their own edge with them.
    """
    per_ha = np.stack([ground.mean(score) for score in benefit.scores])
    above = ground.mean(benefit.allowed) >= 0.5
    worths = per_ha * ground.free_ha
    cells, inside = ground.cells, ground.sprayable
    prices = _step_prices(benefit.steps, per_ha[:, inside], machine)
    on_cells = [price.on_cells(cells.across, cells.along) for price in prices]
    gains = list(np.diff(worths, axis=0, prepend=0.0))
    gains[0] = np.where(above, gains[0], -_too_dear(worths, on_cells, cells.along))
    steps = stepped_areas(gains, inside, on_cells, cells.along)
    footprint = machine_footprint(
        cells.across,
        cells.along,
        width=least_width(machine, ground),
        run=least_run(machine),
        aligned=ground.aligned,
    )
    steps = _shaped(steps, gains, on_cells, cells.along, inside=inside, footprint=footprint)
    levels = _filled(np.sum(steps, axis=0, dtype=np.int64), above, inside, footprint.size)
    levels = _grown(levels, benefit.spread_m, ground)
    return Treatment(levels=levels, worths=worths, above=above, price=prices[0])


def _shaped(
    steps: Sequence[BoolArray],
    gains: Sequence[FloatArray],
    prices: Sequence[EdgePrice],
    cell: float,
    *,
    inside: BoolArray,
    footprint: BoolArray,
) -> list[BoolArray]:
    """Take off every step what the machine cannot follow and what no longer pays, each within the one below."""
    now = list(steps)
    while True:
        before = [step.copy() for step in now]
        for number, price in enumerate(prices):
            within = now[number] & now[number - 1] if number else now[number]
            wide = widen_or_drop(within, inside, footprint)
            # A step that loses may carry one above it that pays for both.
            carried = sum(np.where(now[above], gains[above], 0.0) for above in range(number + 1, len(now)))
            now[number] = keep_paying(wide, gains[number] + carried, price, cell, inside=inside)
        if all(np.array_equal(a, b) for a, b in zip(before, now, strict=True)):
            return now


def _filled(levels: IntArray, above: BoolArray, inside: BoolArray, least: int) -> IntArray:
    """Treat gaps of fewer cells than the machine's footprint, unless the threshold forbids it.

    No machine leaves out what is smaller than the smallest it can treat; common practice, no source.
    """
    gap, count = ndimage.label((levels == 0) & inside)
    cells = np.bincount(gap.ravel(), minlength=count + 1)
    may = ndimage.minimum(above, gap, np.arange(count + 1)).astype(bool)
    small = (cells < least) & may
    small[0] = False  # what is treated or may not be
    if not small.any() or not levels.any():
        return levels
    _, nearest = ndimage.distance_transform_edt(levels == 0, return_indices=True)
    return np.where(small[gap], levels[tuple(nearest)], levels)


def _grown(levels: IntArray, spread_m: float, ground: Ground) -> IntArray:
    """Grow the treated area by the way that the target spreads; new ground gets the rate of its neighbour."""
    if spread_m == 0.0 or not levels.any():
        return levels
    sides = ground.cells.along, ground.cells.across
    distance, nearest = ndimage.distance_transform_edt(levels == 0, sampling=sides, return_indices=True)
    reached = (distance <= spread_m) & ground.sprayable
    grown: IntArray = np.where(reached, levels[tuple(nearest)], levels)
    return grown


def _step_prices(steps: Sequence[Step], per_ha: FloatArray, machine: Machine) -> list[EdgePrice]:
    """Price the edge of each step by what it adds over the step below: its cost and the benefit it misses."""
    costs = np.diff([step.cost_ha for step in steps], prepend=0.0)
    added = np.diff(per_ha, axis=0, prepend=0.0)
    return [
        machine_edge_price(max(float(cost), 0.0), benefit, machine) for cost, benefit in zip(costs, added, strict=True)
    ]


def machine_edge_price(cost_ha: float, benefit_ha: FloatArray, machine: Machine) -> EdgePrice:
    """Price an edge: what the machine misplaces along it, at the cost and the benefit it misses."""
    missed = float(np.mean(np.maximum(benefit_ha, 0.0))) if benefit_ha.size else 0.0
    return edge_price(
        section_width=section_width(machine),
        speed=machine.speed_m_s,
        delay=machine.delay.to("s") if machine.delay else 0.0,
        look_ahead=machine.look_ahead.to("s") if machine.look_ahead else 0.0,
        aligned=machine.heading is not None,
        cost_per_m2=cost_ha / M2_PER_HA,
        benefit_per_m2=missed / M2_PER_HA,
    )


def _too_dear(worths: FloatArray, prices: Sequence[EdgePrice], cell: float) -> float:
    """Loss that no cut takes for a cell: more than all its arcs and all its steps can gain, twice over."""
    arcs = sum(sum(price.arc_weights(cell)) for price in prices)
    return 4 * arcs + 2 * float(np.abs(worths).max(initial=0.0)) + 1.0
