"""What if: the decision again under one changed assumption, with the fitted pressure as it is."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from rxmap.decide.benefit import Stake
from rxmap.decide.decision import PassDecision
from rxmap.decide.options import PassOption
from rxmap.records import Money, WhatIf
from rxmap.surface.target import TargetSurface

Decide = Callable[[Sequence[PassOption], Sequence[Stake], float | None], list[PassDecision]]
Weigh = Callable[[Sequence[PassDecision], Sequence[Stake], float | None], Money | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Assumption:
    """One assumption changed by a factor.

    Parameters
    ----------
    name : str
        For people.
    price, threshold, efficacy, cost : float
        Factors on the crop's price, on every threshold, on every product's control, and on what
        products and per-area machine work cost.
    """

    name: str
    price: float = 1.0
    threshold: float = 1.0
    efficacy: float = 1.0
    cost: float = 1.0


ASSUMPTIONS = (
    Assumption(name="price of the crop -20 %", price=0.8),
    Assumption(name="price of the crop +20 %", price=1.2),
    Assumption(name="threshold x 0.5", threshold=0.5),
    Assumption(name="threshold x 2", threshold=2.0),
    Assumption(name="efficacy -20 %", efficacy=0.8),
    Assumption(name="cost of treating +20 %", cost=1.2),
)


def what_if(
    options: Sequence[PassOption],
    stakes: Sequence[Stake],
    surfaces: Sequence[TargetSurface],
    *,
    value_ha: float | None,
    field_ha: float,
    decide: Decide,
    weigh: Weigh,
) -> list[WhatIf]:
    """Decide again under each assumption; nothing is refitted.

    Parameters
    ----------
    options, stakes, surfaces
        As decided on.
    value_ha : float or None
        Value of the expected yield [currency/ha].
    field_ha : float
        Area of the field [ha].
    decide, weigh : callable
        The decision and its money for given options, stakes and value of the yield.
    """
    rows = []
    for assumption in ASSUMPTIONS:
        changed_options = [_option(option, assumption) for option in options]
        changed_stakes = [_stake(s, fitted, assumption) for s, fitted in zip(stakes, surfaces, strict=True)]
        changed_value = None if value_ha is None else value_ha * assumption.price
        decisions = decide(changed_options, changed_stakes, changed_value)
        treated = {d.option.slug: float(d.ground.free_ha[d.treated].sum()) / field_ha for d in decisions}
        money = weigh(decisions, changed_stakes, changed_value)
        rows.append(WhatIf(name=assumption.name, treated_share=treated, money=money))
    return rows


def _option(option: PassOption, assumption: Assumption) -> PassOption:
    steps = tuple(
        replace(
            step,
            control={name: share * assumption.efficacy for name, share in step.control.items()},
            cost_ha=step.cost_ha * assumption.cost,
        )
        for step in option.steps
    )
    return replace(option, steps=steps)


def _stake(stake: Stake, fitted: TargetSurface, assumption: Assumption) -> Stake:
    if assumption.threshold == 1.0:
        return stake
    threshold = stake.threshold * assumption.threshold
    return replace(stake, threshold=threshold, p_over=fitted.predictive.p_over(threshold))
