"""What the pass earned at today's prices, against all and none, and whether the threshold was right."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from rxmap.decide.benefit import loss_fraction, saved_share
from rxmap.decide.options import PassOption
from rxmap.grid import M2_PER_HA, FloatArray, Grid
from rxmap.plan import Plan, Target
from rxmap.read.planned import Planned, PlannedPass
from rxmap.records import Field
from rxmap.review.as_applied import Delivered
from rxmap.review.grounds import Pair
from rxmap.review.intervals import Interval, added, certain, ratio_interval
from rxmap.units import Quantity, convert, currency, denominator


def at_todays_prices(plan: Plan, costs: Mapping[str, Quantity]) -> Plan:
    """Put today's prices in the place of the plan's."""
    machine = plan.machine
    if machine is not None:
        now = {key: costs[item] for item, key in (("machine", "cost"), ("trip", "trip")) if item in costs}
        machine = machine.model_copy(update=now)
    return plan.model_copy(
        update={
            "machine": machine,
            "field": plan.field.model_copy(update={"price": costs["crop"]} if "crop" in costs else {}),
            "scouting": plan.scouting.model_copy(update={"cost": costs["scouting"]} if "scouting" in costs else {}),
            "product": tuple(
                product.model_copy(update={"cost": costs[product.name]} if product.name in costs else {})
                for product in plan.product
            ),
        }
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Earned:
    """Money of what was done, of all and of none, over treating nothing [currency]; scouting is in all of them.

    Parameters
    ----------
    currency : str
        Code.
    map, all : Interval or None
        None where `why` or `why_all` says why it cannot be reckoned.
    none : float
        Minus the scouting.
    less_none, less_all : Interval or None
        What was done, less treating nothing and less treating all.
    cost : float
        Of what was done, scouting left out.
    """

    currency: str
    map: Interval | None
    all: Interval | None
    none: float
    less_none: Interval | None
    less_all: Interval | None
    cost: float
    why: str = ""
    why_all: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PassMoney:
    """What one pass cost and earned, before scouting [currency]."""

    cost: float
    earned: Interval | None
    rest: Interval | None  # what treating the rest of the ground would have earned
    why_rest: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ThresholdCheck:
    """Benefit per unit of pressure as the strips show it, and the pressure that would just have paid.

    Parameters
    ----------
    target, unit : str
        Which, and the unit of its pressure.
    threshold : float
        Of the plan.
    found : Interval or None
        Gain per unit of pressure, in `yield_unit`.
    planned : float or None
        The same by the plan's loss; None without one.
    break_even : Interval or None
        Pressure at which today's cost would just be earned; `high` is infinite where `found` may be zero.
    verdict : str
        ``in line``, ``too low``, ``too high`` or ``cannot tell``.
    """

    target: str
    unit: str
    threshold: float
    yield_unit: str
    found: Interval | None
    planned: float | None
    break_even: Interval | None
    verdict: str
    why: str = ""


def pass_money(
    plan: Plan,
    planned: PlannedPass,
    option: PassOption,
    gain: Interval | None,
    *,
    done: Delivered | None,
    expected: tuple[float, float] | None,
    rest_ha: float,
) -> PassMoney:
    """Reckon one pass.

    Parameters
    ----------
    plan : Plan
        At today's prices.
    planned, option : PlannedPass, PassOption
        The pass, and its costs.
    gain : Interval or None
        Of the treated ground [currency/ha].
    done : Delivered, optional
        As applied; without it the pass counts as planned.
    expected : (float, float), optional
        Saved share of the yield that the plan expects on the treated ground and on the rest.
    rest_ha : float [ha]
        Ground that treating all would have treated beside.
    """
    hit = done.hit_ha if done else planned.treated.area / M2_PER_HA
    sprayed = done.sprayed_ha if done else hit
    used = {p.name: p.used.value for p in done.products} if done else {p["name"]: p["total"] for p in planned.products}
    bought = math.fsum(_cost(plan, told, used[told["name"]], str(told["total_unit"])) for told in planned.products)
    cost = bought + sprayed * option.driven_ha + option.fixed
    earned = None if gain is None else gain.times(hit).plus(-cost)
    if gain is None or expected is None or expected[0] <= 0:
        return PassMoney(cost=cost, earned=earned, rest=None, why_rest="the plan has no loss to carry the gain there")
    rest_cost = rest_ha * (
        option.driven_ha + math.fsum(_cost(plan, told, told["rate"], str(told["unit"])) for told in planned.products)
    )
    return PassMoney(
        cost=cost, earned=earned, rest=gain.times(expected[1] / expected[0] * rest_ha).plus(-rest_cost), why_rest=""
    )


def _cost(plan: Plan, told: Mapping[str, object], amount: float, unit: str) -> float:
    """Cost of an amount [currency], or of a rate [currency/ha]."""
    price = next(product.cost for product in plan.product if product.name == told["name"])
    sold = denominator(price.unit)
    return price.magnitude * convert(amount, unit, f"{sold}/ha" if "/" in unit else sold)


def expected_shares(
    plan: Plan, planned: Planned, one: PlannedPass, option: PassOption, *, grid: Grid, field: Field
) -> tuple[tuple[float, float] | None, float]:
    """Return what share of the yield the plan expects to save on treated ground and on the rest; the rest's area [ha].

    Taken at the mean pressure of each cell. The rest is what treating all would have treated beside: check strips
    and untreated ground, without keep-outs.
    """
    treated = grid.covered(one.treated)
    open_ground = grid.covered(field.ground.difference(one.keep_out))
    rest = np.clip(open_ground - treated, 0.0, None)
    rest_ha = float(rest.sum()) * grid.cell_ha
    losses = _losses(plan, planned)
    if not set(option.control) & set(losses):
        return None, rest_ha
    saved = np.nan_to_num(saved_share(losses, option.control))
    return (_mean(saved, treated), _mean(saved, rest)), rest_ha


def _losses(plan: Plan, planned: Planned) -> dict[str, FloatArray]:
    return {
        target.name: loss_fraction(planned.pressure[target.name], target.loss)
        for target in plan.target
        if target.loss is not None and target.decides == "this crop" and target.name in planned.pressure
    }


def _mean(values: FloatArray, weight: FloatArray) -> float:
    return float((values * weight).sum() / weight.sum()) if weight.sum() else 0.0


def all_money(plan: Plan, passes: Sequence[PassMoney], field_ha: float, why: str) -> Earned:
    """Add the passes up: what was done, all, and none.

    What the rest of the ground would have brought follows the plan's loss, scaled by what the strips show: it is
    an assumption that pressure and gain go together there too.
    """
    code = next((currency(product.cost.unit) or "" for product in plan.product), "")
    scouting = plan.scouting.cost.to(f"{code}/ha") * field_ha if plan.scouting.cost and code else 0.0
    earned = [one.earned for one in passes if one.earned is not None]
    rest = [one.rest for one in passes if one.rest is not None]
    whole = bool(passes) and len(earned) == len(passes)
    known = whole and len(rest) == len(passes)
    done = added(earned) if whole else None
    beside = added(rest) if known else None
    both = added([_together(one) for one in passes]) if known else None
    return Earned(
        currency=code,
        map=None if done is None else done.plus(-scouting),
        all=None if both is None else both.plus(-scouting),
        none=-scouting + 0.0,
        less_none=done,
        less_all=None if beside is None else beside.times(-1.0),
        cost=math.fsum(one.cost for one in passes),
        why="" if whole else why,
        why_all="" if known else (why if not whole else next((p.why_rest for p in passes if p.why_rest), "")),
    )


def _together(one: PassMoney) -> Interval:
    """Treated ground and the rest of one pass: both follow the same gain, so their ranges add plainly."""
    done, rest = one.earned or certain(0.0), one.rest or certain(0.0)
    return Interval(value=done.value + rest.value, low=done.low + rest.low, high=done.high + rest.high)


def threshold_check(
    plan: Plan, target: Target, option: PassOption, pairs: Sequence[Pair], pressures: Sequence[float], *, unit: str
) -> ThresholdCheck:
    """Hold the plan's threshold against the pressure that would just have paid.

    Parameters
    ----------
    plan : Plan
        At today's prices.
    target : Target
        The only one that the pass controls.
    option : PassOption
        The pass: control and cost on treated ground.
    pairs : sequence of Pair
        Gain at each strip [unit].
    pressures : sequence of float
        Mean pressure at each strip before the pass.
    unit : str
        Of the yield, per area.
    """
    found = ratio_interval([pair.gain for pair in pairs], pressures)
    planned = None
    goal, loss = plan.field.yield_goal, target.loss
    if goal is not None and loss is not None and goal.is_like(unit):
        planned = loss.per_unit * (loss.growth or 1.0) * option.control[target.name] * goal.to(unit)
    price = yield_value(plan, unit)
    told = {"target": target.name, "unit": target.unit, "threshold": target.threshold, "yield_unit": unit}
    if found is None or price is None:
        why = "too few strips to tell" if found is None else "the yield has no price in its unit"
        return ThresholdCheck(**told, found=found, planned=planned, break_even=None, verdict="cannot tell", why=why)  # type: ignore[arg-type]
    due = option.cost_ha / price
    break_even = Interval(
        value=due / found.value if found.value > 0 else math.inf,
        low=due / found.high if found.high > 0 else math.inf,
        high=due / found.low if found.low > 0 else math.inf,
    )
    verdict = "in line"
    if target.threshold < break_even.low:
        verdict = "too low"
    elif target.threshold > break_even.high:
        verdict = "too high"
    elif math.isinf(break_even.high):
        verdict = "cannot tell"
    return ThresholdCheck(**told, found=found, planned=planned, break_even=break_even, verdict=verdict)  # type: ignore[arg-type]


def yield_value(plan: Plan, unit: str) -> float | None:
    """Money per hectare of one unit of yield, such as of 1 bu/acre; None where there is no price for it."""
    price = plan.field.price
    if price is None:
        return None
    sold = denominator(price.unit)
    one = Quantity(1.0, unit)
    return one.to(f"{sold}/ha") * price.magnitude if one.is_like(f"{sold}/ha") else None
