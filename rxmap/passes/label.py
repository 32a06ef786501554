"""Label arithmetic: a broken limit refuses the build and shows the sum.

The limits are those that the user took from the product's label; nothing here knows a label.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal

from rxmap.plan import Plan, Product
from rxmap.plan_rules import stage_rank
from rxmap.units import Quantity, convert

RATE_STEP = Decimal("0.001")  # rates are written with three decimals
SECONDS_PER_DAY = 86_400.0


def label_faults(plan: Plan) -> list[str]:
    """List every limit that the plan breaks, with the sum that shows it.

    Returns
    -------
    list of str
        One line each: the key, the numbers, what to do. Empty when the labels are kept.
    """
    return [
        f"product[{number}] '{product.name}': {line}"
        for number, product in enumerate(plan.product, start=1)
        for rule in (_range, _season, _times, _interval, _harvest, _stage, _carrier)
        for line in rule(product, plan)
    ]


def written_rate(product: Product, rate: Quantity) -> float:
    """Return a rate as files carry it: three decimals, rounded so that it never crosses a label limit.

    Examples
    --------
    A maximum of 1.2345 L/ha is written as 1.234, a minimum of 1.2345 as 1.235.
    """
    exact = Decimal(repr(rate.magnitude))
    nearest = exact.quantize(RATE_STEP)
    least = product.under_label.rate if product.under_label else product.label.min
    if nearest > Decimal(repr(product.label.max.to(rate.unit))):
        return float(exact.quantize(RATE_STEP, ROUND_FLOOR))
    if nearest < Decimal(repr(least.to(rate.unit))):
        return float(exact.quantize(RATE_STEP, ROUND_CEILING))
    return float(nearest)


def _range(product: Product, plan: Plan) -> Iterator[str]:
    label = product.label
    for rate in product.rates:
        if rate.to(label.max.unit) > label.max.magnitude * (1 + 1e-12):
            yield f"rate {rate} is above the label's maximum {label.max}. Lower it."
        if rate.to(label.min.unit) < label.min.magnitude * (1 - 1e-12):
            yield (
                f"rate {rate} is below the label's minimum {label.min}. Raise it, or give the rate and the reason "
                "in under_label."
            )
    if product.under_label and product.under_label.rate.to(label.min.unit) >= label.min.magnitude:
        yield f"under_label.rate {product.under_label.rate} is not below the minimum {label.min}. Use rate instead."


def _season(product: Product, plan: Plan) -> Iterator[str]:
    limit = product.label.season_max
    if limit is None:
        return
    earlier = [applied.rate.to(limit.unit) for applied in product.applied]
    now = product.full_rate.to(limit.unit)
    total = sum(earlier) + now
    if total > limit.magnitude * (1 + 1e-12):
        terms = " + ".join(f"{rate:.6g}" for rate in [*earlier, now])
        yield f"season total {terms} = {total:.6g} {limit.unit} is above label.season_max {limit}."


def _times(product: Product, plan: Plan) -> Iterator[str]:
    limit = product.label.applications
    if limit is not None and len(product.applied) + 1 > limit:
        earlier = len(product.applied)
        yield f"{earlier} applied + 1 now = {earlier + 1} is above label.applications {limit}."


def _interval(product: Product, plan: Plan) -> Iterator[str]:
    limit, spray = product.label.interval, plan.field.spray_date
    if limit is None or spray is None or not product.applied:
        return
    newest = max(applied.date for applied in product.applied)
    due = newest + dt.timedelta(days=_days(limit))
    if spray < due:
        yield (
            f"applied on {newest} + label.interval {limit} = {due}, field.spray_date {spray} is "
            f"{(due - spray).days} day too early."
        )


def _harvest(product: Product, plan: Plan) -> Iterator[str]:
    limit, spray, harvest = product.label.phi, plan.field.spray_date, plan.field.harvest
    if limit is None or spray is None or harvest is None:
        return
    earliest = spray + dt.timedelta(days=_days(limit))
    if harvest < earliest:
        yield f"field.spray_date {spray} + label.phi {limit} = {earliest}, field.harvest {harvest} is earlier."


def _stage(product: Product, plan: Plan) -> Iterator[str]:
    codes, stage = product.label.stages, plan.field.stage
    if codes and stage is not None and not stage_within(stage, codes):
        yield f"field.stage {stage} is outside label.stages {' to '.join(codes)}."


def _carrier(product: Product, plan: Plan) -> Iterator[str]:
    limit = product.label.carrier_min
    if limit is None or plan.machine is None:
        return
    carrier = plan.machine.carrier
    if carrier.to("L/ha") < limit.to("L/ha") * (1 - 1e-12):
        yield (
            f"machine.carrier {carrier} = {convert(carrier.magnitude, carrier.unit, limit.unit):.6g} {limit.unit} is "
            f"below label.carrier_min {limit}."
        )


def _days(limit: Quantity) -> int:
    """Whole days of a waiting time, rounded up: a label counts days, not hours."""
    return -int(-limit.to("s") // SECONDS_PER_DAY)


def stage_within(stage: str, codes: tuple[str, ...]) -> bool:
    """Whether a stage lies in a list of codes; two ordered codes are an inclusive range.

    Examples
    --------
    >>> stage_within("R4", ("R1", "R5")), stage_within("R6.5", ("R1", "R5")), stage_within("bud", ("bud", "bloom"))
    (True, False, True)
    """
    ranks = [stage_rank(code) for code in codes]
    here = stage_rank(stage)
    if len(codes) == 2 and here is not None and ranks[0] is not None and ranks[1] is not None:
        return ranks[0] <= here <= ranks[1]
    return stage in codes
