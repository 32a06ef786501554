"""From a decision to the pass that is written: its layer, what it needs of each product, how many loads."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence

from shapely.geometry.base import BaseGeometry

from rxmap.decide.decision import PassDecision
from rxmap.passes.draw import draw_layer
from rxmap.passes.label import rate_limits, written_rate
from rxmap.passes.layer import Ledger
from rxmap.plan import CheckStrips, Machine, Product
from rxmap.plan_rules import usable_l
from rxmap.records import RESERVED, HandDrawn, Part, PassResult, ProductUse
from rxmap.units import convert, denominator, numerator

LONGEST_BASE = 8  # some terminals take 8.3 file names only; common practice, no source


def prescribe(
    decision: PassDecision,
    keep_outs: Sequence[tuple[str, BaseGeometry]],
    ledger: Ledger,
    *,
    machine: Machine,
    base: str,
    by_hand: Sequence[HandDrawn] = (),
    asked: CheckStrips | None = None,
) -> PassResult:
    """Turn a decision into the pass that is written: polygons, products, loads.

    Parameters
    ----------
    decision, keep_outs, ledger, machine, by_hand, asked
        As in `draw_layer`.
    base : str
        File name of the machine files.
    """
    drawn = None
    if decision.goes_out:
        drawn = draw_layer(decision, keep_outs, ledger, machine=machine, by_hand=by_hand, asked=asked)
    parts = drawn.parts if drawn else ()
    treated = [part for part in parts if part.treat]
    litres = math.fsum(convert(part.volume, part.vol_unit, "L/ha") * part.area_ha for part in treated)
    return PassResult(
        name=decision.option.name,
        slug=decision.option.slug,
        base=base,
        products=tuple(_product_use(product, treated, decision) for product in decision.option.products),
        decision=decision.kind,
        reason=decision.reason,
        next_look="",
        treated_ha=round(math.fsum(part.area_ha for part in treated), 4),
        loads=math.ceil(litres / usable_l(machine) - 1e-9),
        parts=parts,
        smallest_m=decision.smallest_patch_m,
        check_strips=drawn.strips.strips if drawn else (),
        strips_text=drawn.strips.text if drawn else "",
        applied=drawn.applied if drawn else None,
        heading_text=drawn.heading_text if drawn else "",
        given_up=drawn.given_up if drawn else 0.0,
        cautions=drawn.cautions if drawn else (),
    )


def _product_use(product: Product, treated: Sequence[Part], decision: PassDecision) -> ProductUse:
    """Amount of a product: rate as written times area, in the unit the rate counts; only the lead may step."""
    unit = product.full_rate.unit
    full = written_rate(product, product.full_rate)
    is_lead = product.name == decision.option.lead.name
    least, most = rate_limits(product, unit)
    areas: dict[float, float] = {}
    for part in treated:
        rate = part.rate if is_lead else full
        areas[rate] = areas.get(rate, 0.0) + part.area_ha
    return ProductUse(
        name=product.name,
        rate=max(areas, default=full),
        unit=unit,
        total=amount(areas, unit),
        total_unit=numerator(unit),
        rates=tuple(sorted(areas)),
        least=least,
        most=most,
        least_volume=product.label.carrier_min.to("L/ha") if product.label.carrier_min else 0.0,
    )


def amount(areas_ha: Mapping[float, float], unit: str) -> float:
    """Amount for areas treated at rates, in the unit the rate counts.

    Parameters
    ----------
    areas_ha : mapping of float to float
        Area at each rate [ha].
    unit : str
        Of the rates.

    Examples
    --------
    13.7 floz/acre on 42.6 acre:

    >>> round(amount({13.7: convert(42.6, "acre", "ha")}, "floz/acre"), 2)
    583.62
    """
    return math.fsum(rate * convert(area, "ha", denominator(unit)) for rate, area in areas_ha.items())


def base_names(slugs: Sequence[str]) -> list[str]:
    """Short file names for machine files, all different, none that Windows reserves.

    Examples
    --------
    >>> base_names(["product-alder", "product-alder-2", "x"])
    ['producta', 'product2', 'x']
    >>> base_names(["con"])
    ['con2']
    """
    names: list[str] = []
    for slug in slugs:
        plain = re.sub("[^a-z0-9]", "", slug)
        name, again = plain[:LONGEST_BASE], 2
        while name in names or name in RESERVED:
            name, again = plain[: LONGEST_BASE - len(str(again))] + str(again), again + 1
        names.append(name)
    return names
