"""Today's prices: a table of items and what they cost now, over those of the plan."""

from __future__ import annotations

from collections.abc import Mapping

from rxmap.errors import Faults, InputError, shown
from rxmap.plan import Plan
from rxmap.read.door import Source
from rxmap.read.places_table import Columns
from rxmap.read.table import read_table
from rxmap.units import Kind, Quantity, currency, denominator, parse

# Items beside the products: what they are, and the key of the plan that they stand for.
ITEMS: Mapping[str, tuple[Kind, str]] = {
    "crop": ("price", "field.price"),
    "machine": ("money_per_area", "machine.cost"),
    "trip": ("money", "machine.trip"),
    "scouting": ("money_per_area", "scouting.cost"),
}


def read_costs(source: Source, plan: Plan) -> dict[str, Quantity]:
    """Read the columns item and cost; an item is `crop`, `machine`, `trip`, `scouting` or a product of the plan.

    Raises
    ------
    InputError
        With every faulty row, one line each.
    """
    table = read_table(source, form="one row for each item", needed=("item", "cost"))
    faults = Faults()
    columns = Columns(table, faults)
    columns.require("item", "what it is the price of")
    columns.require("cost", "an amount with its unit")
    products = {product.name: product for product in plan.product}
    code = next((currency(product.cost.unit) for product in plan.product), None)
    found: dict[str, Quantity] = {}
    for row in table.rows:
        item, text = columns.text(row, "item"), columns.text(row, "cost")
        place = f"{table.place(row)}, column"
        if item not in ITEMS and item not in products:
            known = ", ".join([*ITEMS, *products])
            faults.add(f"{place} item: found {shown(item)}: not one of {known}.")
            continue
        if item in found:
            faults.add(f"{place} item: {shown(item)} stands twice. Remove one of them.")
        try:
            cost = parse(text, ITEMS[item][0] if item in ITEMS else "money_per_amount")
        except InputError as error:
            faults.add(f"{place} cost: {error}")
            continue
        found[item] = cost
        wrong = _mismatch(item, cost, plan, code)
        if wrong:
            faults.add(f"{place} cost: found {shown(text)}: {wrong}")
    faults.raise_if_any()
    return found


def _mismatch(item: str, cost: Quantity, plan: Plan, code: str | None) -> str:
    """Say why a cost does not fit the plan, if it does not."""
    if code is not None and currency(cost.unit) != code:
        return f"the plan counts in {code}. Use one currency."
    product = next((one for one in plan.product if one.name == item), None)
    if product is not None and not product.rates[0].is_like(f"{denominator(cost.unit)}/ha"):
        return f"the rate is {product.rates[0]}: one is a volume, the other a mass."
    goal = plan.field.yield_goal
    if item == "crop" and goal is not None and not goal.is_like(f"{denominator(cost.unit)}/ha"):
        return f"not in the unit of field.yield_goal {goal}."
    if cost.magnitude < 0:
        return "must not be negative."
    return ""
