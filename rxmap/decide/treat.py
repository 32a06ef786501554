"""Where one pass treats: the exact cut on the decision cells, then what the machine can follow."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from rxmap.decide.benefit import Benefit
from rxmap.decide.cut import treated_area
from rxmap.decide.edge import EdgePrice, edge_price
from rxmap.decide.options import PassOption
from rxmap.decide.shape import keep_paying, machine_footprint, widen_or_drop
from rxmap.grid import M2_PER_HA, BoolArray, FloatArray, Grid, block_sum
from rxmap.plan import Machine

MOST_DECISION_CELLS = 40_000  # the exact cut stays below half a second


@dataclass(frozen=True, slots=True, kw_only=True)
class Ground:
    """Decision cells: how much of each may be sprayed.

    Parameters
    ----------
    grid : Grid
        Of decision cells; its shares count the field.
    factor : int
        Cells of the field grid along a decision cell.
    free_ha : ndarray, shape (rows, columns)
        Area of each decision cell that is inside the field and outside every keep-out [ha].
    """

    grid: Grid
    factor: int
    free_ha: FloatArray

    @property
    def sprayable(self) -> BoolArray:
        """Decision cells with ground that may be treated."""
        return self.free_ha > 0


def decision_ground(grid: Grid, kept: FloatArray, machine: Machine) -> Ground:
    """Lay decision cells over the field: at least half a section wide, at most 40,000 of them.

    Parameters
    ----------
    grid : Grid
        The field grid.
    kept : ndarray, shape of the grid
        Share of each cell inside a keep-out.
    machine : Machine
        Its section width sets how fine a decision can be followed.
    """
    wanted = max(grid.cell, section_width(machine) / 2)
    factor = math.ceil(wanted / grid.cell - 1e-9)
    while np.count_nonzero(block_sum(grid.share, factor)) > MOST_DECISION_CELLS:
        factor += 1
    free = np.maximum(grid.share - kept, 0.0)
    return Ground(grid=grid.coarsened(factor), factor=factor, free_ha=block_sum(free, factor) * grid.cell_ha)


def section_width(machine: Machine) -> float:
    """Width that switches as a whole [m]."""
    return machine.swath.to("m") / machine.sections


def least_width(machine: Machine, cell: float) -> float:
    """Narrowest treated part [m]: a section, or two decision cells."""
    return max(section_width(machine), 2 * cell)


def least_run(machine: Machine) -> float:
    """Shortest treated run along the pass [m]: twice what the machine drives while it responds."""
    return 2 * machine.speed_m_s * (machine.delay.to("s") if machine.delay else 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Treatment:
    """Where a pass would treat, and what that is worth before the trip.

    Parameters
    ----------
    treated : ndarray of bool
        Decision cells to treat.
    worth : ndarray
        Benefit of each decision cell, for its free ground [currency].
    above : ndarray of bool
        Decision cells where the expected pressure reaches the threshold on most of the ground (the floor).
    price : EdgePrice
        Of a metre of treated edge.
    """

    treated: BoolArray
    worth: FloatArray
    above: BoolArray
    price: EdgePrice

    @property
    def gain(self) -> float:
        """Benefit over the treated cells [currency]; the edge price shapes the area and is not money spent."""
        return float(self.worth[self.treated].sum())


def treat(option: PassOption, benefit: Benefit, *, grid: Grid, ground: Ground, machine: Machine) -> Treatment:
    """Choose the treated area of a pass.

    The cut is exact; parts narrower than the machine can follow are then taken off, and parts that
    no longer pay for their own edge with them.
    """
    per_ha = _ground_mean(benefit.score, grid, ground)
    worth = per_ha * ground.free_ha
    above = _ground_mean(benefit.allowed.astype(float), grid, ground) >= 0.5
    price = machine_edge_price(option, per_ha[ground.sprayable], machine)
    cell = ground.grid.cell
    cut_on = np.where(above, worth, -_too_dear(worth, price, cell))
    treated = treated_area(cut_on, ground.sprayable, price, cell)
    footprint = machine_footprint(cell, least_width(machine, cell), least_run(machine), machine.heading)
    while True:
        shaped = widen_or_drop(treated, ground.sprayable, footprint)
        shaped = keep_paying(shaped, cut_on, price, cell, inside=ground.sprayable)
        if np.array_equal(shaped, treated):
            return Treatment(treated=shaped, worth=worth, above=above, price=price)
        treated = shaped


def machine_edge_price(option: PassOption, benefit_ha: FloatArray, machine: Machine) -> EdgePrice:
    """Price an edge: what the machine misplaces along it, at the pass's cost and the benefit it misses."""
    missed = float(np.mean(np.maximum(benefit_ha, 0.0))) if benefit_ha.size else 0.0
    return edge_price(
        section_width=section_width(machine),
        speed=machine.speed_m_s,
        delay=machine.delay.to("s") if machine.delay else 0.0,
        look_ahead=machine.look_ahead.to("s") if machine.look_ahead else 0.0,
        heading=machine.heading,
        cost_per_m2=option.cost_ha / M2_PER_HA,
        benefit_per_m2=missed / M2_PER_HA,
    )


def _ground_mean(values: FloatArray, grid: Grid, ground: Ground) -> FloatArray:
    """Area mean over each decision cell's ground inside the field."""
    area = block_sum(grid.share, ground.factor)
    total = block_sum(grid.spread(values, 0.0) * grid.share, ground.factor)
    return np.divide(total, area, out=np.zeros_like(total), where=area > 0)


def _too_dear(worth: FloatArray, price: EdgePrice, cell: float) -> float:
    """Loss that no cut takes for a cell: more than all its eight arcs can save, twice over."""
    return 4 * sum(price.arc_weights(cell)) + float(np.abs(worth).max(initial=0.0)) + 1.0
