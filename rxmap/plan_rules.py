"""What must fit together in a plan: the faults that no single key shows."""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable, Iterator

from rxmap.errors import InputError
from rxmap.plan import Label, Machine, Plan, Product, Target
from rxmap.units import Quantity, currency, denominator, numerator, parse

MOST_YIELD = 1000.0  # [t/ha] sugar cane has up to about 200 (common practice, no source): a slip of the unit


def contradictions(plan: Plan) -> list[str]:
    """List the faults of a plan that is well formed, one line each: key, what was found, what to do."""
    return [line for rule in RULES for line in rule(plan)]


def usable_l(machine: Machine) -> float:
    """Spray that a load may hold [L]: the tank less what stays in it, and less what hoses and overlap take."""
    taken = [one.to("L") for one in (machine.reserve, machine.allowance) if one]
    return machine.tank.to("L") - sum(taken)


def _names(plan: Plan) -> Iterator[str]:
    groups = {
        "target": [t.name for t in plan.target],
        "product": [p.name for p in plan.product],
        "pass": [p.name for p in plan.pass_],
    }
    for key, names in groups.items():
        for name in sorted({name for name in names if names.count(name) > 1}):
            yield f"{key}: the name '{name}' stands more than once. Give each its own."
    targets, products = set(groups["target"]), set(groups["product"])
    columns = [column.strip().casefold() for column in plan.scouting.columns.values()]
    for name in plan.scouting.columns.keys() - targets:
        yield f"scouting.columns: '{name}' is not a target of this plan. Targets: {_list(targets)}."
    for column in sorted({column for column in columns if columns.count(column) > 1}):
        yield f"scouting.columns: the column '{column}' is given to several targets. Give each its own."
    for number, product in enumerate(plan.product, start=1):
        for name in product.controls.keys() - targets:
            yield f"product[{number}].controls: '{name}' is not a target of this plan. Targets: {_list(targets)}."
    for number, section in enumerate(plan.pass_, start=1):
        for name in dict.fromkeys(section.products):
            if name not in products:
                yield f"pass[{number}].products: '{name}' is not a product of this plan. Products: {_list(products)}."
            if section.products.count(name) > 1:
                yield f"pass[{number}].products: '{name}' stands more than once. Name it once."
    # Without [[pass]] each product is a pass of its own, under its own name.
    passes = set(groups["pass"]) or products
    for number, override in enumerate(plan.override, start=1):
        if override.pass_ and override.pass_ not in passes:
            yield f"override[{number}].pass: '{override.pass_}' is not a pass of this plan. Passes: {_list(passes)}."


def in_machine_unit(plan: Plan) -> Plan:
    """Turn the rates of the products into the unit that the plan asks for, for a terminal that knows no other.

    Products that are measured in something else, weight beside volume, keep their own.
    """
    unit = plan.machine.rate_unit if plan.machine else None
    if unit is None:
        return plan
    return plan.model_copy(update={"product": tuple(_turned(product, unit) for product in plan.product)})


def _turned(product: Product, unit: str) -> Product:
    if not product.full_rate.is_like(unit):
        return product
    rates = tuple(Quantity(rate.to(unit), unit) for rate in product.rates)
    under = product.under_label
    if under is not None:
        under = under.model_copy(update={"rate": Quantity(under.rate.to(unit), unit)})
    return product.model_copy(
        update={"rate": rates if isinstance(product.rate, tuple) else rates[0], "under_label": under}
    )


def _rate_unit(plan: Plan) -> Iterator[str]:
    unit = plan.machine.rate_unit if plan.machine else None
    if unit is not None and not any(product.full_rate.is_like(unit) for product in plan.product):
        rates = _list({product.full_rate.unit for product in plan.product}) or "none"
        yield f"machine.rate_unit: no product is measured in anything like {unit}. Rates are in: {rates}."


def _idle(plan: Plan) -> Iterator[str]:
    """Products and passes that could never go out: more likely a slip than a wish."""
    in_pass = {name for section in plan.pass_ for name in section.products}
    controls = {product.name for product in plan.product if product.controls}
    for number, product in enumerate(plan.product, start=1):
        if not product.controls and product.name not in in_pass:
            yield f"product[{number}].controls: is missing, and no [[pass]] takes the product along. Add one of them."
    for number, section in enumerate(plan.pass_, start=1):
        if not controls.intersection(section.products):
            yield f"pass[{number}].products: none of them controls a target. Add controls to one, or remove the pass."


def _machine(plan: Plan) -> Iterator[str]:
    if plan.product and plan.machine is None:
        yield "machine: is missing. A plan with a product needs the machine that applies it."
    if plan.machine is None:
        return
    machine = plan.machine
    if not machine.carrier.is_like("L/ha"):
        yield f"machine.carrier: found '{machine.carrier}': the carrier is a volume per area, such as 2 gal/acre."
    if usable_l(machine) <= 0.0:
        taken = {f"machine.{key}": value for key in ("reserve", "allowance") if (value := getattr(machine, key))}
        sums = " + ".join(map(str, taken.values()))
        yield f"{' and '.join(taken)}: {sums} leaves nothing of the tank ({machine.tank}). Lower it."
    for number, product in enumerate(plan.product, start=1):
        least = product.label.carrier_min
        if least and not least.is_like("L/ha"):
            yield f"product[{number}].label.carrier_min: found '{least}': a volume per area is needed."


def _target(plan: Plan) -> Iterator[str]:
    for number, target in enumerate(plan.target, start=1):
        for line in itertools.chain(_measure(target), _loss(plan, target), _gates(target)):
            yield f"target[{number}].{line}"


def _measure(target: Target) -> Iterator[str]:
    percent = target.measure in ("incidence", "severity") or (target.measure == "rating" and target.scale is not None)
    if percent and target.threshold >= 100:
        yield f"threshold: found {target.threshold:g}: percent, so it must be below 100."
    if target.measure != "count" and target.per != 1:
        yield f"per: found {target.per:g}: only a count is per sample units. Remove it."
    if target.measure != "rating" and target.scale is not None:
        yield f"scale: only a rating has classes; this target is a {target.measure}. Remove it."
    if isinstance(target.scale, dict) and not target.scale:
        yield "scale: has no class. Write for example { 1 = 0.0, 2 = 1.5 }."


def _loss(plan: Plan, target: Target) -> Iterator[str]:
    loss = target.loss
    if loss is None:
        return
    for key in ("yield_goal", "price"):
        if getattr(plan.field, key) is None:
            yield f"loss: needs field.{key}, which is missing. Add it, or remove the loss."
    lost = loss.per_unit * (loss.growth or 1.0) * target.threshold
    if lost >= 1.0:
        yield (
            f"loss.per_unit: found {loss.per_unit:g}: at the threshold of {target.threshold:g} that is "
            f"{100 * lost:.0f} % of the crop. It is a share of the yield: write {loss.per_unit / 100:g} for "
            f"{loss.per_unit:g} %."
        )
    if loss.stage is not None and loss.growth is None and loss.stage != (plan.field.stage or ""):
        today = f"'{plan.field.stage}'" if plan.field.stage else "not given"
        yield (
            f"loss.stage: the loss holds at {loss.stage}, field.stage is {today}. Add loss.growth: the expected "
            f"untreated pressure at {loss.stage} over today's."
        )


def _gates(target: Target) -> Iterator[str]:
    gates = target.gates
    if gates.stage:
        for code in gates.stage:
            if stage_rank(code) is None:
                yield f"gates.stage: '{code}' has no place in an order of stages. List it in gates.stages instead."
        yield from _backwards("gates.stage", gates.stage)
    if gates.infested_share is not None and target.measure not in ("count", "incidence"):
        yield f"gates.infested_share: needs a count or an incidence; this target is a {target.measure}."


def _backwards(key: str, codes: tuple[str, ...]) -> Iterator[str]:
    first, last = (stage_rank(code) for code in codes)
    if first is None or last is None:
        return
    if (first[0] == NUMBERS) != (last[0] == NUMBERS):
        yield f"{key}: {codes[0]} and {codes[1]} are not of one scale of stages. Write both in one."
    elif first > last:
        yield f"{key}: {codes[0]} comes after {codes[1]}. Write the earlier stage first."


def _stage_given(plan: Plan) -> Iterator[str]:
    asked: list[tuple[str, tuple[str, ...]]] = []
    for number, target in enumerate(plan.target, start=1):
        asked += [(f"target[{number}].gates.stage", target.gates.stage or ())]
        asked += [(f"target[{number}].gates.stages", target.gates.stages)]
    asked += [(f"product[{number}].label.stages", p.label.stages) for number, p in enumerate(plan.product, start=1)]
    for key, codes in asked:
        if codes and plan.field.stage is None:
            yield f"field.stage: is missing, and {key} needs it. Add it."
        elif is_range(codes) and not _comparable(plan.field.stage or "", codes[0]):
            yield f"field.stage: '{plan.field.stage}' cannot be placed between {' and '.join(codes)} of {key}."


def _comparable(stage: str, code: str) -> bool:
    here, there = stage_rank(stage), stage_rank(code)
    return here is not None and there is not None and (here[0] == NUMBERS) == (there[0] == NUMBERS)


def _product(plan: Plan) -> Iterator[str]:
    for number, product in enumerate(plan.product, start=1):
        for line in itertools.chain(_label(product.label), _rates(product), _response(product)):
            yield f"product[{number}].{line}"


def _rates(product: Product) -> Iterator[str]:
    label = product.label
    quantities: list[tuple[str, Quantity | None]] = [("rate", rate) for rate in product.rates]
    quantities += [("label.season_max", label.season_max)]
    quantities += [("applied.rate", earlier.rate) for earlier in product.applied]
    quantities += [("under_label.rate", product.under_label.rate if product.under_label else None)]
    for key, quantity in quantities:
        if quantity is not None and not quantity.is_like(label.min.unit):
            yield f"{key}: {quantity} cannot be compared with the label ({label.min} to {label.max})."
    sold = denominator(product.cost.unit)
    if not product.rates[0].is_like(f"{sold}/ha"):
        yield f"cost: {product.cost} is per {sold}, the rate is {product.rates[0]}: one is a volume, the other a mass."
    if product.pack and not product.rates[0].is_like(f"{product.pack.unit}/ha"):
        yield f"pack: {product.pack} and the rate {product.rates[0]}: one is a volume, the other a mass."


def _response(product: Product) -> Iterator[str]:
    if product.under_label and len(product.rates) > 1:
        yield "under_label: gives the one rate to use, rate lists several. Write one rate, with its share in controls."
    if len(product.rates) == 1:
        if product.response:
            yield "response: only a list of rates has a response. Remove it, or list the rates."
        return
    unit = product.rates[0].unit
    if any(rate.unit != unit for rate in product.rates):
        yield "rate: a list of rates is written in one unit."
        return
    wanted = {rate.magnitude for rate in product.rates}
    if sorted(wanted) != [rate.magnitude for rate in product.rates]:
        yield "rate: list the rates from low to full, each once."
    shares = _response_shares(product)
    if set(shares) != set(product.rates):
        rates = ", ".join(f'"{rate}"' for rate in product.rates)
        yield f"response: needs the share of the control at each rate: {rates}."
    elif list(shares.values()) != sorted(shares.values()):
        yield "response: a higher rate cannot control less. Mend the shares."


def _response_shares(product: Product) -> dict[Quantity | None, float]:
    """Share reached at each rate, low to full; None for what is not a rate."""
    shares: dict[Quantity | None, float] = {}
    for text, share in product.response.items():
        try:
            shares[parse(text, "rate")] = share
        except InputError:
            shares[None] = share
    return dict(sorted(shares.items(), key=lambda pair: pair[0].magnitude if pair[0] else 0.0))


def _label(label: Label) -> Iterator[str]:
    if not label.min.is_like(label.max.unit):
        yield f"label: min {label.min} and max {label.max} are not both volumes, or both masses, per area."
    elif label.min.to(label.max.unit) > label.max.magnitude:
        yield f"label: min {label.min} is above max {label.max}."
    if is_range(label.stages):
        yield from _backwards("label.stages", label.stages)


def _money(plan: Plan) -> Iterator[str]:
    found: dict[str, list[str]] = {}
    for key, quantity in _priced(plan):
        code = currency(quantity.unit) if quantity else None
        if code:
            found.setdefault(code, []).append(key)
    if len(found) > 1:
        places = "; ".join(f"{code} in {', '.join(keys)}" for code, keys in sorted(found.items()))
        yield f"{next(iter(found.values()))[0]}: currencies are mixed: {places}. Use one."
    goal, price = plan.field.yield_goal, plan.field.price
    if goal and goal.is_like("t/ha") and goal.to("t/ha") > MOST_YIELD:
        yield f"field.yield_goal: found {goal}: more than any field bears. Is the unit the right one?"
    if goal and price and not goal.is_like(f"{denominator(price.unit)}/ha"):
        yield (
            f"field.price: {price} and field.yield_goal {goal} are not in one yield unit. Write the price per "
            f"{numerator(goal.unit)}."
        )


def _priced(plan: Plan) -> Iterator[tuple[str, Quantity | None]]:
    yield "field.price", plan.field.price
    yield "scouting.cost", plan.scouting.cost
    for number, product in enumerate(plan.product, start=1):
        yield f"product[{number}].cost", product.cost
    if plan.machine:
        yield "machine.cost", plan.machine.cost
        yield "machine.trip", plan.machine.trip


def _dates(plan: Plan) -> Iterator[str]:
    spray, harvest = plan.field.spray_date, plan.field.harvest
    if spray and harvest and harvest < spray:
        yield f"field.harvest: {harvest} is before field.spray_date {spray}."
    for number, product in enumerate(plan.product, start=1):
        for earlier in product.applied:
            if spray and earlier.date > spray:
                yield f"product[{number}].applied: {earlier.date} is after field.spray_date {spray}."
        needs = {"phi": product.label.phi, "interval": product.label.interval if product.applied else None}
        for key, limit in needs.items():
            if limit is not None and spray is None:
                yield f"field.spray_date: is missing, and product[{number}].label.{key} needs it. Add it."
        if product.label.phi is not None and harvest is None:
            yield f"field.harvest: is missing, and product[{number}].label.phi needs it. Add it."


def _list(names: set[str]) -> str:
    return ", ".join(sorted(names)) or "none"


NUMBERS = 0  # first part of the rank of a stage that is a number; letters follow in the order of a season


def is_range(codes: tuple[str, ...]) -> bool:
    """Whether stages are the two ends of a range: two codes that have a place in an order."""
    return len(codes) == 2 and all(stage_rank(code) is not None for code in codes)


def stage_within(stage: str, codes: tuple[str, ...]) -> bool:
    """Whether a stage lies in a list of codes; two codes that have an order are an inclusive range.

    Examples
    --------
    >>> stage_within("R4", ("R1", "R5")), stage_within("R6.5", ("R1", "R5")), stage_within("bud", ("bud", "bloom"))
    (True, False, True)
    """
    here = stage_rank(stage)
    if here is None or not is_range(codes):
        return stage in codes
    first, last = (stage_rank(code) or here for code in codes)
    return first <= here <= last


def stage_rank(code: str) -> tuple[int, float] | None:
    """Place of a growth stage in its order; None for a code that has none.

    Numbers go by value; letter codes run VE < VC < V1 .. < VT < R1 ..

    Examples
    --------
    >>> stage_rank("V12") < stage_rank("VT") < stage_rank("R1") < stage_rank("R6.5")
    True
    >>> stage_rank("65"), stage_rank("bloom")
    ((0, 65.0), None)
    """
    if re.fullmatch(r"\d+(\.\d+)?", code):
        return NUMBERS, float(code)
    named = {"VE": (1, -2.0), "VC": (1, -1.0), "VT": (2, 0.0)}
    if code in named:
        return named[code]
    match = re.fullmatch(r"([VR])(\d+(?:\.\d+)?)", code)
    return None if match is None else (1 if match[1] == "V" else 3, float(match[2]))


RULES: tuple[Callable[[Plan], Iterator[str]], ...] = (
    _names,
    _idle,
    _machine,
    _rate_unit,
    _target,
    _stage_given,
    _product,
    _money,
    _dates,
)
