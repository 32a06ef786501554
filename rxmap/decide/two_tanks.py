"""What one trip with two tanks would earn: each of two products only where it pays, the driving paid once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from rxmap.decide.cut import shared_areas
from rxmap.decide.decision import PassDecision
from rxmap.grid import FloatArray
from rxmap.records import TWO_TANKS, Money, WhatIf


def two_tanks(decisions: Sequence[PassDecision], money: Money | None, *, field_ha: float) -> WhatIf | None:
    """Weigh two passes as one trip whose products switch on their own.

    One tank has one mix, so this is no pass that the plan's machine can drive: it is what a second tank or
    injection would be worth. The areas come from one exact cut of both products together.

    Parameters
    ----------
    decisions : sequence of PassDecision
        All passes of the plan.
    money : Money or None
        As decided.
    field_ha : float
        Area of the field [ha].

    Returns
    -------
    WhatIf or None
        None unless exactly two passes go out, both weighed in money, that share a cost of driving.
    """
    out = [d for d in decisions if d.goes_out and d.treatment is not None]
    pair = [d for d in out if d.benefit is not None and d.benefit.money]
    if money is None or len(decisions) != 2 or len(pair) != 2:
        return None
    driven, trip = (min(getattr(d.option, cost) for d in pair) for cost in ("driven_ha", "fixed"))
    if driven == 0.0 and trip == 0.0:
        return None
    inside = pair[0].ground.sprayable & pair[1].ground.sprayable
    free = np.minimum(pair[0].ground.free_ha, pair[1].ground.free_ha)
    gains = [_before_driving(d, driven * free) for d in pair]
    cells = pair[0].ground.cells  # one machine, so those of both
    prices = [d.treatment.price.on_cells(cells.across, cells.along) for d in pair if d.treatment is not None]
    areas = shared_areas(gains, inside, prices, cells.along, once=driven * free)
    earned = sum(float(gain[area].sum()) for gain, area in zip(gains, areas, strict=True))
    either = areas[0] | areas[1]
    earned -= driven * float(free[either].sum())
    # Each pass has its own trip in `fixed`; together they leave the yard once.
    used = [d for d, area in zip(pair, areas, strict=True) if area.any()]
    fixed = sum(d.option.fixed for d in used) - (trip if len(used) == 2 else 0.0)
    return WhatIf(
        name=TWO_TANKS,
        treated_share={d.option.slug: float(free[a].sum()) / field_ha for d, a in zip(pair, areas, strict=True)},
        money=replace(money, map=money.none + earned - fixed, best="map", range=None, p_map=None),
    )


def _before_driving(decision: PassDecision, driving: FloatArray) -> FloatArray:
    """Worth of each cell at the full rate before it is driven over; ground below the threshold is never worth it."""
    if decision.treatment is None:
        return np.full_like(driving, -np.inf)
    worth = decision.treatment.worths[-1] + driving
    dear = 4 * float(np.abs(worth).sum()) + 1.0
    return np.where(decision.treatment.above, worth, -dear)
