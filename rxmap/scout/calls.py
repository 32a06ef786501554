"""From decisions to calls: the margin of every block of ground, and how it moves with what a stop may show."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rxmap.decide.benefit import Benefit, Stake, crop_value_ha, loss_fraction
from rxmap.decide.decision import PassDecision
from rxmap.grid import BoolArray, FloatArray, Grid, block_sum
from rxmap.passes.keep_outs import kept_ground, kept_share, product_setback_m
from rxmap.plan import Plan, Target
from rxmap.records import Inputs
from rxmap.scout.value import Call
from rxmap.surface.joint import Joint
from rxmap.surface.links import NODE_WEIGHTS, NODES
from rxmap.surface.target import TargetSurface, layer_values

MOST_PLACES = 500  # blocks of ground that are weighed and may be stops: a dozen joint covariances take 25 MB


@dataclass(frozen=True, slots=True, kw_only=True)
class Blocks:
    """Blocks of the field grid: ground that one stop may stand for.

    Parameters
    ----------
    grid : Grid
        Of the field.
    factor : int
        Cells along a block.
    here : ndarray of bool
        Blocks with ground in the field.
    places : ndarray, shape (m, 2) [m]
        Middle of the ground of each.
    """

    grid: Grid
    factor: int
    here: BoolArray
    places: FloatArray

    def total(self, cells: FloatArray) -> FloatArray:
        """Sum of the cells of the field grid over each block, shape (m,)."""
        return block_sum(cells, self.factor)[self.here]

    def mean(self, inside: FloatArray, weights: FloatArray) -> FloatArray:
        """Mean of values on the inside cells over each block, 0 where it has no weight."""
        weight = self.total(weights)
        total = self.total(self.grid.spread(inside, 0.0) * weights)
        return np.divide(total, weight, out=np.zeros_like(total), where=weight > 0)


def blocks_of(grid: Grid, most: int = MOST_PLACES) -> Blocks:
    """Lay at most so many blocks over a field."""
    factor = max(1, math.ceil(math.sqrt(np.count_nonzero(grid.inside) / most)))
    area = block_sum(grid.share, factor)
    while np.count_nonzero(area) > most:
        factor += 1
        area = block_sum(grid.share, factor)
    here = area > 0
    easting, northing = grid.axes()
    middles = [
        block_sum(grid.share * axis, factor)[here] / area[here] for axis in (easting[None, :], northing[:, None])
    ]
    return Blocks(grid=grid, factor=factor, here=here, places=np.column_stack(middles))


def joints_of(surfaces: Sequence[TargetSurface], blocks: Blocks) -> list[Joint]:
    """Joint distribution of each target at the blocks."""
    return [s.model.joint(blocks.places, layer_values(s.setting, blocks.places)) for s in surfaces]


def call_of(
    plan: Plan,
    inputs: Inputs,
    decision: PassDecision,
    fitted: Sequence[tuple[TargetSurface, Stake, Joint]],
    blocks: Blocks,
) -> Call:
    """Say what a pass gains on each block and how that moves with each target.

    Parameters
    ----------
    plan : Plan
    inputs : Inputs
        For the keep-outs and what is decided by hand, where no stop changes anything.
    decision : PassDecision
        With a benefit.
    fitted : sequence of (TargetSurface, Stake, Joint)
        Every target of the plan.
    blocks : Blocks
    """
    benefit = decision.benefit
    if benefit is None:  # for the type checker: such passes have no call
        return Call(margin=np.zeros(len(blocks.places)), slopes=(), fixed=0.0)
    free = _free(inputs, decision, fitted, benefit)
    area = blocks.total(free) * blocks.grid.cell_ha
    value_ha = crop_value_ha(plan.field) or 0.0
    margin = benefit.scores.max(axis=0)
    if benefit.money:
        margin = np.minimum(margin, _above_floor(decision, fitted, value_ha))
        slopes = _money_slopes(benefit, fitted, blocks, free, value_ha)
    else:
        slopes = _chance_slopes(decision.option.cost_ha or 1.0, benefit, fitted, blocks, free)
    return Call(
        margin=blocks.mean(margin, free) * area,
        slopes=tuple(slope * joint.known * area for slope, (_, _, joint) in zip(slopes, fitted, strict=True)),
        fixed=decision.option.fixed,
    )


def _free(
    inputs: Inputs,
    decision: PassDecision,
    fitted: Sequence[tuple[TargetSurface, Stake, Joint]],
    benefit: Benefit,
) -> FloatArray:
    """Share of each cell that stops inside the field decide: no keep-out, nothing by hand, no edge strip."""
    grid, option = inputs.grid, decision.option
    taken = kept_share(kept_ground(inputs.keep_outs, product_setback_m(option)), grid)
    for hand in inputs.by_hand:
        if hand.pass_name in (None, option.name):
            taken = taken + grid.covered(hand.ground)
    free = np.maximum(grid.share - taken, 0.0)
    for surface, _, _ in fitted:
        if surface.edge is not None and surface.target.name in benefit.targets:
            free[grid.spread(surface.edge.cells, 0.0) > 0] = 0.0
    return free


def _above_floor(
    decision: PassDecision, fitted: Sequence[tuple[TargetSurface, Stake, Joint]], value_ha: float
) -> FloatArray:
    """Money per hectare by which the expected pressure of some target is above its threshold, which is a floor.

    Where the threshold lies above the pressure that pays, only what is gained beyond it counts: the floor, not the
    money, then turns the call, and to value it by all of the money would prize stops for a rule.
    """
    control = decision.option.control
    above = [
        value_ha
        * control[target.name]
        * target.loss.per_unit
        * (target.loss.growth or 1.0)
        * (stake.mean - stake.threshold)
        for target, stake in ((surface.target, stake) for surface, stake, _ in fitted)
        if target.loss is not None and decision.benefit is not None and target.name in decision.benefit.targets
    ]
    highest: FloatArray = np.max(above, axis=0)
    return highest


def _money_slopes(
    benefit: Benefit,
    fitted: Sequence[tuple[TargetSurface, Stake, Joint]],
    blocks: Blocks,
    free: FloatArray,
    value_ha: float,
) -> list[FloatArray]:
    """Money per hectare by which the benefit moves with each latent value: the derivative of `saved_share`."""
    control = {name: benefit.steps[-1].control[name] for name in benefit.targets}
    lost = {stake.name: blocks.mean(stake.loss, free) for _, stake, _ in fitted if stake.loss is not None}
    slopes = []
    for surface, stake, joint in fitted:
        if stake.loss is None or surface.target.loss is None:
            slopes.append(np.zeros_like(joint.centre))
            continue
        left, treated = np.ones(len(blocks.places)), np.ones(len(blocks.places))
        for name, loss in lost.items():
            if name != stake.name:
                left = left * (1 - loss)
                treated = treated * (1 - (1 - control.get(name, 0.0)) * loss)
        saved = left - (1 - control.get(stake.name, 0.0)) * treated
        slopes.append(value_ha * saved * loss_slope(joint, surface.target))
    return slopes


def loss_slope(joint: Joint, target: Target) -> FloatArray:
    """Change of the expected loss with the latent value, shape (k, m): E[loss x] / sd for a standard normal x.

    References
    ----------
    Stein (1981), Annals of Statistics 9:1135-1151, lemma 1 (from memory).
    """
    spread = joint.spread
    total = np.zeros_like(spread)
    if target.loss is None:
        return total
    for node, weight in zip(NODES, NODE_WEIGHTS, strict=True):
        total += weight * node * loss_fraction(joint.link.pressure(joint.centre + spread * node), target.loss)
    return total / spread


def _chance_slopes(
    cost_ha: float,
    benefit: Benefit,
    fitted: Sequence[tuple[TargetSurface, Stake, Joint]],
    blocks: Blocks,
    free: FloatArray,
) -> list[FloatArray]:
    """Without a loss the stand-in for money moves with the chance above the threshold of the target that counts."""
    ratios = [
        blocks.mean(stake.p_over / stake.break_even * (stake.name in benefit.targets), free) for _, stake, _ in fitted
    ]
    counts = np.argmax(ratios, axis=0)
    slopes = []
    for number, (_, stake, joint) in enumerate(fitted):
        z = (joint.link.latent(stake.threshold) - joint.centre) / joint.spread
        density = np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi) / joint.spread
        slopes.append(cost_ha / stake.break_even * density * (counts == number) * (stake.name in benefit.targets))
    return slopes
