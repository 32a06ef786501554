"""The passes that a plan offers: products that share a tank, what they control, what they cost."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import prod

from rxmap.plan import Machine, Plan, Product
from rxmap.records import slugs
from rxmap.units import Quantity, currency, denominator


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One rate of a pass.

    Parameters
    ----------
    rate : Quantity
        Of the lead product.
    control : mapping
        Share of the loss prevented, by target name.
    cost_ha : float
        Products and per-area machine cost on ground treated at this rate [currency/ha].
    """

    rate: Quantity
    control: Mapping[str, float]
    cost_ha: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PassOption:
    """One trip that could be made.

    Parameters
    ----------
    name, slug : str
        For people and for files.
    products : tuple of Product
        What is in the tank; the first that controls something gives the pass its rate.
    steps : tuple of Step
        Rates from low to full; one unless the product lists several and is alone in the tank.
    fixed : float
        What the pass costs once it goes out, wherever it treats [currency].
    driven_ha : float
        Machine's share of the cost on treated ground [currency/ha].
    """

    name: str
    slug: str
    products: tuple[Product, ...]
    steps: tuple[Step, ...]
    fixed: float
    driven_ha: float = 0.0

    @property
    def control(self) -> Mapping[str, float]:
        """Share of the loss prevented at the full rate, by target name."""
        return self.steps[-1].control

    @property
    def cost_ha(self) -> float:
        """Cost on treated ground at the full rate [currency/ha]."""
        return self.steps[-1].cost_ha

    @property
    def lead(self) -> Product:
        """The first product that controls something."""
        return next(product for product in self.products if product.controls)

    @property
    def currency(self) -> str:
        """Currency code of its costs."""
        return currency(self.lead.cost.unit) or ""


def pass_options(plan: Plan, field_ha: float) -> list[PassOption]:
    """List the passes of a plan: those it names, then each other product that controls something.

    Parameters
    ----------
    plan : Plan
        The plan.
    field_ha : float
        Area of the field [ha], for a machine cost that is charged on all of it.
    """
    if plan.machine is None:
        return []
    by_name = {product.name: product for product in plan.product}
    groups = [(section.name, tuple(by_name[name] for name in section.products)) for section in plan.pass_]
    named = {product.name for _, products in groups for product in products}
    groups += [(p.name, (p,)) for p in plan.product if p.controls and p.name not in named]
    groups = [(name, products) for name, products in groups if any(p.controls for p in products)]
    names = slugs([name for name, _ in groups], "pass")
    return [
        _option(name, slug, products, plan.machine, field_ha)
        for (name, products), slug in zip(groups, names, strict=True)
    ]


def _option(name: str, slug: str, products: tuple[Product, ...], machine: Machine, field_ha: float) -> PassOption:
    driven = machine.cost.to(f"{currency(machine.cost.unit)}/ha") if machine.cost else 0.0
    on_field = machine.cost_on == "field"
    return PassOption(
        name=name,
        slug=slug,
        products=products,
        steps=_steps(products, 0.0 if on_field else driven),
        driven_ha=0.0 if on_field else driven,
        fixed=(machine.trip.magnitude if machine.trip else 0.0) + (driven * field_ha if on_field else 0.0),
    )


def _steps(products: tuple[Product, ...], driven_ha: float) -> tuple[Step, ...]:
    """Rates of a tank: a product alone may step; products that share a tank have one mix, at full rate."""
    if len(products) == 1 and products[0].response and products[0].under_label is None:
        product = products[0]
        shares = sorted(product.response.values())  # the plan's rules hold them to the rates, low to full
        return tuple(
            Step(
                rate=rate,
                control={target: share * most for target, most in product.controls.items()},
                cost_ha=product_cost_ha(product, rate) + driven_ha,
            )
            for rate, share in zip(product.rates, shares, strict=True)
        )
    targets = dict.fromkeys(target for product in products for target in product.controls)
    lead = next(product for product in products if product.controls)
    full = Step(
        rate=lead.full_rate,
        # Products act one after the other on what the others left: Bliss (1939) independence.
        control={t: 1 - prod(1 - _reached(p) * p.controls.get(t, 0.0) for p in products) for t in targets},
        cost_ha=sum(product_cost_ha(product, product.full_rate) for product in products) + driven_ha,
    )
    return (full,)


def _reached(product: Product) -> float:
    """Share of `controls` that the full rate reaches."""
    return max(product.response.values(), default=1.0)


def product_cost_ha(product: Product, rate: Quantity) -> float:
    """Cost of a product at a rate [currency/ha].

    Examples
    --------
    2.10 USD/floz at 9 floz/acre is 18.90 USD/acre, 46.70 USD/ha.
    """
    sold = denominator(product.cost.unit)
    return product.cost.magnitude * rate.to(f"{sold}/ha")
