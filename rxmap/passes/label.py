"""Label arithmetic: a broken limit refuses the build and shows the sum.

The limits are those that the user took from the product's label; nothing here knows a label.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal

from rxmap.plan import Machine, Plan, Product
from rxmap.plan_rules import is_range, stage_within
from rxmap.units import Quantity

STEP = Decimal("0.001")  # rates and volumes are written with three decimals
MOST_OFF = 0.01  # share by which that may move a rate; judgement, no source: a sprayer meters no better
ROUNDING = 1e-12  # relative: what changing a unit may lose in binary
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
        for rule in (_range, _decimals, _season, _times, _interval, _harvest, _stage, _carrier, _room)
        for line in rule(product, plan)
    ]


def written_rate(product: Product, rate: Quantity) -> float:
    """Return a rate as files carry it: three decimals, rounded so that it never crosses a label limit.

    Examples
    --------
    A maximum of 1.2345 L/ha is written as 1.234, a minimum of 1.2345 as 1.235.
    """
    least, _ = rate_limits(product, rate.unit)
    return _inwards(rate, least, _most(product, rate.unit))


def rate_limits(product: Product, unit: str) -> tuple[float, float]:
    """Return the least and the most that may go out now: a reasoned rate counts as the least, as the label's does."""
    least = product.under_label.rate if product.under_label else product.label.min
    return least.to(unit), float(_most(product, unit))


def written_volume(machine: Machine, products: Sequence[Product], share: float = 1.0) -> float:
    """Return the carrier as files carry it: three decimals, never below the least of the products' labels.

    Parameters
    ----------
    machine : Machine
        Its carrier is the spray volume at the full rate.
    products : sequence of Product
        In the tank.
    share : float
        Of the full rate; a lower rate is less of the same mix.
    """
    unit = machine.carrier.unit
    limits = [product.label.carrier_min.to(unit) for product in products if product.label.carrier_min]
    # The mix has one strength, so a volume is a dose of each product: that dose stays on the label too.
    limits += [machine.carrier.magnitude * _least_share(product) for product in products if share < 1.0]
    volume = Quantity(machine.carrier.magnitude * share, unit)
    return _inwards(volume, max(limits, default=0.0))


def _least_share(product: Product) -> float:
    """Label minimum as a share of the full rate."""
    return product.label.min.to(product.full_rate.unit) / product.full_rate.magnitude


def _inwards(value: Quantity, least: float, most: Decimal | None = None) -> float:
    """Round to a step, to the inside where the nearest step crosses a limit."""
    exact = Decimal(repr(value.magnitude))
    nearest = exact.quantize(STEP)
    if most is not None and nearest > most:
        return float(exact.quantize(STEP, ROUND_FLOOR))
    if nearest < Decimal(repr(least)):
        return float(exact.quantize(STEP, ROUND_CEILING))
    return float(nearest)


def _most(product: Product, unit: str) -> Decimal:
    """Most that may go out now: the label's maximum, or what earlier applications leave of the season's."""
    most = Decimal(repr(product.label.max.to(unit)))
    if product.label.season_max is None:
        return most
    earlier = sum(Decimal(repr(applied.rate.to(unit))) for applied in product.applied)
    return min(most, Decimal(repr(product.label.season_max.to(unit))) - earlier)


def _range(product: Product, plan: Plan) -> Iterator[str]:
    label = product.label
    for rate in product.rates:
        if rate.to(label.max.unit) > label.max.magnitude * (1 + ROUNDING):
            yield f"rate {rate} is above the label's maximum {label.max}. Lower it."
        if rate.to(label.min.unit) < label.min.magnitude * (1 - ROUNDING):
            yield (
                f"rate {rate} is below the label's minimum {label.min}. Raise it, or give the rate and the reason "
                "in under_label."
            )
    if product.under_label and product.under_label.rate.to(label.min.unit) >= label.min.magnitude:
        yield f"under_label.rate {product.under_label.rate} is not below the minimum {label.min}. Use rate instead."


def _decimals(product: Product, plan: Plan) -> Iterator[str]:
    """Refuse a rate so small that its three decimals no longer say it."""
    if any(_range(product, plan)):  # said already
        return
    rate = product.full_rate
    written = written_rate(product, rate)
    limits = (product.label.min, product.label.max)
    least, most = (limit.to(rate.unit) for limit in limits)
    outside = not least * (1 - ROUNDING) <= written <= most * (1 + ROUNDING) and product.under_label is None
    if outside or abs(written - rate.magnitude) > MOST_OFF * rate.magnitude:
        yield (
            f"rate {rate} would be written with three decimals, as {written:.3f}. Write the rate in a smaller unit, "
            "such as mL or g."
        )


def _season(product: Product, plan: Plan) -> Iterator[str]:
    limit = product.label.season_max
    if limit is None:
        return
    earlier = [applied.rate.to(limit.unit) for applied in product.applied]
    now = product.full_rate.to(limit.unit)
    total = sum(earlier) + now
    if total > limit.magnitude * (1 + ROUNDING):
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
    due = _after(newest, limit)
    if spray < due:
        yield f"applied on {newest} + label.interval {limit} = {due}; field.spray_date {spray} is earlier. Wait."


def _harvest(product: Product, plan: Plan) -> Iterator[str]:
    limit, spray, harvest = product.label.phi, plan.field.spray_date, plan.field.harvest
    if limit is None or spray is None or harvest is None:
        return
    earliest = _after(spray, limit)
    if harvest < earliest:
        yield f"field.spray_date {spray} + label.phi {limit} = {earliest}; field.harvest {harvest} is earlier."


def _stage(product: Product, plan: Plan) -> Iterator[str]:
    codes, stage = product.label.stages, plan.field.stage
    if codes and stage is not None and not stage_within(stage, codes):
        allowed = f"outside {' to '.join(codes)}" if is_range(codes) else f"not one of {', '.join(codes)}"
        yield f"field.stage {stage} is {allowed} (label.stages)."


def _carrier(product: Product, plan: Plan) -> Iterator[str]:
    limit = product.label.carrier_min
    if limit is None or plan.machine is None:
        return
    carrier, (low, full) = plan.machine.carrier, (product.rates[0], product.rates[-1])
    # A lower rate is less of the same mix, so the volume falls with it.
    least = carrier.to(limit.unit) * low.magnitude / full.magnitude
    if least < limit.magnitude * (1 - ROUNDING):
        at = f" at the rate {low} (of {full})" if low != full else ""
        yield (
            f"machine.carrier {carrier} = {least:.6g} {limit.unit}{at} is below label.carrier_min {limit}. Raise it."
        )


def _room(product: Product, plan: Plan) -> Iterator[str]:
    rate = product.full_rate
    if plan.machine is None or not rate.is_like("L/ha"):
        return
    carrier = plan.machine.carrier
    if rate.to(carrier.unit) > carrier.magnitude * (1 + ROUNDING):
        yield (
            f"rate {rate} = {rate.to(carrier.unit):.6g} {carrier.unit} of product is more than machine.carrier "
            f"{carrier}, the spray that it is part of. Check the rate and its unit, or raise the carrier."
        )


def _after(day: dt.date, wait: Quantity) -> dt.date:
    """Day on which a waiting time is over, rounded up: a label counts days, not hours."""
    days = -int(-wait.to("s") // SECONDS_PER_DAY)
    return day + dt.timedelta(days=min(days, (dt.date.max - day).days))
