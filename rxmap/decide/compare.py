"""What the decision is worth against treating all and treating nothing, and how sure that is."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from rxmap.decide.benefit import Stake, loss_fraction, saved_share
from rxmap.decide.decision import PassDecision
from rxmap.decide.treat import IntArray
from rxmap.grid import BoolArray, FloatArray, Grid, block_sum
from rxmap.records import DecisionKind, Money, PassResult
from rxmap.surface.target import TargetSurface

DRAWS = 400  # Monte Carlo error of a 5 % quantile near 0.1 standard deviations
MOST_BLOCKS = 900  # whole surfaces are drawn on blocks; more would cost time and not change a field total


@dataclass(frozen=True, slots=True, kw_only=True)
class Draws:
    """Surfaces drawn from the posterior, on blocks of the field.

    Parameters
    ----------
    factor : int
        Cells of the field grid along a block.
    blocks : ndarray of bool
        Blocks with ground in the field.
    area_ha : ndarray, shape (b,)
        Ground of each block [ha].
    pressure : mapping of str to ndarray, shape (draws, b)
        By target name.
    """

    factor: int
    blocks: BoolArray
    area_ha: FloatArray
    pressure: Mapping[str, FloatArray]

    def p_mean_over(self, name: str, threshold: float) -> float:
        """Share of the drawn surfaces whose field mean is above a threshold."""
        means = self.pressure[name] @ (self.area_ha / self.area_ha.sum())
        return float(np.mean(means > threshold))

    def mean_range(self, name: str, share: FloatArray, mean: float) -> tuple[float, float]:
        """5 and 95 % of the mean pressure of some ground over the drawn surfaces.

        Parameters
        ----------
        name : str
            Of the target.
        share : ndarray, shape (rows, columns)
            Share of each cell of the field grid that is this ground.
        mean : float
            Expected mean there. Draws are few and stand on blocks: they are shifted to it.
        """
        ground = block_sum(share, self.factor)[self.blocks]
        means = self.pressure[name] @ (ground / ground.sum())
        low, high = np.quantile(means - means.mean(), (0.05, 0.95)) + mean
        return max(float(low), 0.0), float(high)


def draw_surfaces(surfaces: Sequence[TargetSurface], grid: Grid, *, seed: int) -> Draws:
    """Draw whole surfaces of every target; targets are drawn independently."""
    factor = max(1, math.ceil(math.sqrt(np.count_nonzero(grid.inside) / MOST_BLOCKS)))
    area = block_sum(grid.share, factor)
    blocks = area > 0
    while np.count_nonzero(blocks) > MOST_BLOCKS:
        factor += 1
        area = block_sum(grid.share, factor)
        blocks = area > 0
    easting, northing = grid.axes()
    middle = [
        block_sum(grid.share * axis, factor)[blocks] / area[blocks] for axis in (easting[None, :], northing[:, None])
    ]
    places = np.column_stack(middle)
    return Draws(
        factor=factor,
        blocks=blocks,
        area_ha=area[blocks] * grid.cell_ha,
        pressure={s.target.name: s.simulate(places, DRAWS, seed=seed + number) for number, s in enumerate(surfaces)},
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One way to treat the field: the share of each cell that each pass treats at each rate, by pass slug."""

    treated: Mapping[str, FloatArray]

    def on_blocks(self, grid: Grid, draws: Draws) -> Case:
        """Bring the case to the blocks of drawn surfaces."""
        area = block_sum(grid.share, draws.factor)[draws.blocks]
        return Case(
            treated={
                slug: np.stack(
                    [
                        block_sum(grid.spread(share, 0.0) * grid.share, draws.factor)[draws.blocks] / area
                        for share in shares
                    ]
                )
                for slug, shares in self.treated.items()
            }
        )


def gain(
    case: Case,
    losses: Mapping[str, FloatArray],
    *,
    decisions: Sequence[PassDecision],
    area_ha: FloatArray,
    value_ha: float,
) -> FloatArray:
    """Money gained over treating nothing, before scouting [currency].

    Parameters
    ----------
    case : Case
        What is treated.
    losses : mapping of str to ndarray, shape (..., places)
        Fraction of the yield lost untreated, by target.
    decisions : sequence of PassDecision
        For the control and the costs of each pass.
    area_ha : ndarray, shape (places,)
        Ground at each place [ha].
    value_ha : float
        Value of the expected yield [currency/ha].

    Returns
    -------
    ndarray, shape (...)
        One number for each leading index of the losses.
    """
    control: dict[str, FloatArray | float] = {}
    cost = 0.0
    for decision in decisions:
        shares = case.treated.get(decision.option.slug)
        if shares is None or not shares.any():
            continue
        treated_ha = shares @ area_ha
        cost += sum(step.cost_ha * float(ha) for step, ha in zip(decision.steps, treated_ha, strict=True))
        cost += decision.option.fixed
        for name in decision.benefit.targets if decision.benefit else ():
            reached = np.array([step.control[name] for step in decision.steps]) @ shares
            control[name] = 1 - (1 - control.get(name, 0.0)) * (1 - reached)
    saved = saved_share(losses, control) @ area_ha if losses else np.zeros(1)
    result: FloatArray = saved * value_ha - cost
    return result


def compare(
    decisions: Sequence[PassDecision],
    stakes: Sequence[Stake],
    surfaces: Sequence[TargetSurface],
    *,
    grid: Grid,
    draws: Draws | None,
    value_ha: float | None,
    scouting: float,
    currency: str,
) -> Money | None:
    """Compare the map with treating all and nothing, by expectation and, given drawn surfaces, over those.

    `all` applies, over the whole sprayable field, every pass that goes out; where none does, the one
    pass that would earn most (or lose least).

    Returns
    -------
    Money or None
        None where no target has a loss, or a pass that could go out has one without: nothing to compare.
    """
    counted = {name for d in decisions if d.benefit is not None for name in d.benefit.targets}
    losses = {s.name: s.loss for s in stakes if s.loss is not None}
    if value_ha is None or not decisions or not losses or not counted <= losses.keys():
        return None
    area = grid.share[grid.inside] * grid.cell_ha
    cases = _cases(decisions, losses, area, value_ha)
    expected = {
        kind: float(gain(case, losses, decisions=decisions, area_ha=area, value_ha=value_ha).sum()) - scouting
        for kind, case in cases.items()
    }
    best = max(expected, key=lambda kind: (expected[kind], kind == "map", kind == "none"))
    spread = _spread(cases, expected, decisions, surfaces, grid=grid, draws=draws, value_ha=value_ha)
    return Money(
        currency=currency,
        map=expected.get("map"),
        all=expected["all"],
        none=expected["none"],
        best=best,
        range=None if spread is None else (float(np.quantile(spread, 0.05)), float(np.quantile(spread, 0.95))),
        p_map=None if spread is None else float(np.mean(spread > 0)),
    )


def less_given_up(money: Money | None, passes: Sequence[PassResult]) -> Money | None:
    """Take off what check strips and the machine's limits leave untreated on purpose.

    Treating all would have its check strips too, at the same expense; treating nothing has none.

    Parameters
    ----------
    money : Money or None
        As compared.
    passes : sequence of PassResult
        What goes out.
    """
    lost = math.fsum(one.given_up for one in passes)
    if money is None or lost == 0.0:
        return money
    uniform_is_none = money.none >= money.all - lost
    shift = lost if uniform_is_none else 0.0
    return replace(
        money,
        map=None if money.map is None else money.map - lost,
        all=money.all - lost,
        range=None if money.range is None else (money.range[0] - shift, money.range[1] - shift),
    )


def _cases(
    decisions: Sequence[PassDecision], losses: Mapping[str, FloatArray], area: FloatArray, value_ha: float
) -> dict[DecisionKind, Case]:
    out = [d for d in decisions if d.goes_out]
    whole = {d.option.slug: _cell_shares(d, _uniform(d)) for d in decisions}
    if out:
        every = Case(treated={d.option.slug: whole[d.option.slug] for d in out})
    else:
        singles = [Case(treated={d.option.slug: whole[d.option.slug]}) for d in decisions if d.benefit is not None]
        every = max(
            singles,
            key=lambda c: float(gain(c, losses, decisions=decisions, area_ha=area, value_ha=value_ha).sum()),
            default=Case(treated={}),
        )
    cases: dict[DecisionKind, Case] = {"none": Case(treated={}), "all": every}
    mapped = {d.option.slug: _cell_shares(d, d.levels) for d in out if d.kind == "map"}
    if mapped:
        cases["map"] = Case(treated={**every.treated, **mapped})
    return cases


def _uniform(decision: PassDecision) -> IntArray:
    """Levels of the whole sprayable field at the rate that is best for all of it."""
    sprayable = decision.ground.sprayable
    best = len(decision.steps) if decision.treatment is None else decision.treatment.best_uniform(sprayable)
    return best * sprayable.astype(np.int64)


def _cell_shares(decision: PassDecision, levels: IntArray) -> FloatArray:
    """Share of each inside cell that is treated at each rate: its decision cell's free share there."""
    return np.stack([decision.ground.on_field(levels == level) for level in range(1, len(decision.steps) + 1)])


def _spread(
    cases: Mapping[DecisionKind, Case],
    expected: Mapping[DecisionKind, float],
    decisions: Sequence[PassDecision],
    surfaces: Sequence[TargetSurface],
    *,
    grid: Grid,
    draws: Draws | None,
    value_ha: float,
) -> FloatArray | None:
    """Map minus the better uniform decision, one number per drawn surface [currency].

    Drawn surfaces stand on blocks and are few, so their mean is off by a little; the draws are
    shifted to the expectation, which is exact.
    """
    if "map" not in cases or draws is None:
        return None
    losses = {
        s.target.name: loss_fraction(draws.pressure[s.target.name], s.target.loss)
        for s in surfaces
        if s.target.loss is not None and s.target.decides == "this crop"
    }
    uniform: DecisionKind = "all" if expected["all"] >= expected["none"] else "none"
    drawn = [
        gain(
            cases[kind].on_blocks(grid, draws),
            losses,
            decisions=decisions,
            area_ha=draws.area_ha,
            value_ha=value_ha,
        )
        for kind in ("map", uniform)
    ]
    spread = drawn[0] - drawn[1]
    centred: FloatArray = spread - spread.mean() + (expected["map"] - expected[uniform])
    return centred
