"""Loads: where each filling of the tank goes, and what goes into it.

A load ends with the usable tank or with the battery or fuel, whichever comes first. Nothing is added for
overlap or hoses unless it is asked for; what stays in the tank is mixed once and stands on lines of its own.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from rxmap.decide.lanes import pass_lanes, turned
from rxmap.errors import InputError
from rxmap.grid import M2_PER_HA, Frame
from rxmap.passes.label import rate_limits
from rxmap.passes.sweep import (
    ROUNDING,
    Order,
    Place,
    Run,
    driving_orders,
    share_out,
    shortest_trips,
    trip_m,
    way_m,
    whole_passes,
)
from rxmap.passes.work import pace
from rxmap.plan import Machine, Product
from rxmap.plan_rules import usable_l
from rxmap.records import Extra, Field, Load, LoadItem, LoadPlan, PassResult, ProductNeed
from rxmap.units import convert, denominator, dimension, numerator

WATER = "water"
FIXED_S = 300.0  # [s] to land or stop, mix and start again; common practice, no source
LEAST_SHARE = 0.01  # [load] a last part below is shared with the load before; judgement: too little to mix
DEGREE_STEP = 1e-7


@dataclass(frozen=True, slots=True, kw_only=True)
class Treated:
    """Treated ground with one rate of each product.

    Parameters
    ----------
    ground : Polygon
        In metres.
    area_ha : float [ha]
        As the prescription layer has it, on the ellipsoid.
    volume : float [L/ha]
        Total spray.
    rates : tuple of float
        As written, of each product in the unit of its own rate.
    """

    ground: Polygon
    area_ha: float
    volume: float
    rates: tuple[float, ...]


def treated_ground(one: PassResult, frame: Frame) -> list[Treated]:
    """Take the treated parts of a pass, each with its own rate of the first product.

    Parameters
    ----------
    one : PassResult
        A pass that goes out.
    frame : Frame
        Turns its parts into metres.
    """
    return [
        Treated(
            ground=frame.geometry_to_metres(part.polygon),
            area_ha=part.area_ha,
            volume=convert(part.volume, part.vol_unit, "L/ha"),
            rates=tuple(part.rate if use.name == part.product else use.rate for use in one.products),
        )
        for part in one.parts
        if part.treat
    ]


def plan_loads(
    treated: Sequence[Treated],
    products: Sequence[Product],
    *,
    machine: Machine,
    field: Field,
) -> LoadPlan:
    """Divide treated ground into loads.

    Passes are driven from one side of the field to the other, or patch by patch where that is a shorter way.
    Without a refill point loads are equal in what they take out of the tank, or full with a last part, as
    ``machine.fill`` says. With one, loads end at the end of a pass where that makes the ways shorter; the ways
    are never longer than by filling up and driving until the tank is empty.

    Parameters
    ----------
    treated : sequence of Treated
        At least one; check strips and keep-outs are not in it.
    products : sequence of Product
        In the tank, in the order of the rates.
    machine : Machine
        Tank, reserve, allowance (mixed once), endurance, swath, speed, heading, refill point and fill.
    field : Field
        Passes along the plan's heading are laid over it.

    Raises
    ------
    InputError
        If the products alone are more than the spray.
    """
    _check_room(treated, products)
    weights, limit = _weights(treated, machine)
    grounds = [one.ground for one in treated]
    lanes = pass_lanes(machine, field.ground, grounds)
    refill = _refill(machine, field.frame, lanes.heading)
    groups, order = lay_out(driving_orders(grounds, lanes, refill), weights, machine, refill)
    lying = [turned(ground, lanes.heading) for ground in grounds]
    loads = tuple(
        _load(number, group, treated, products, polygon=_polygon(group, lying, lanes.heading, field.frame))
        for number, group in enumerate(groups, start=1)
    )
    extras = (
        _extra("stays in the tank", machine.reserve.to("L") if machine.reserve else 0.0, loads[0]),
        _extra("hoses and overlap", machine.allowance.to("L") if machine.allowance else 0.0, loads[0]),
    )
    return LoadPlan(
        loads=loads,
        extras=extras,
        needs=tuple(_need(number, product, loads, extras) for number, product in enumerate(products, start=1)),
        area_ha=math.fsum(one.area_ha for one in treated),
        volume_l=math.fsum(one.area_ha * one.volume for one in treated),
        heading=lanes.heading,
        limit=limit,
        order=order,
        pace=pace(machine, {one.volume for one in treated}),
    )


def _check_room(treated: Sequence[Treated], products: Sequence[Product]) -> None:
    """Refuse spray that would be more than all product: the rate of one of them is wrong, or the carrier."""
    for one in treated:
        liquids = sum(_litres(r, p.full_rate.unit, "L/ha") for r, p in zip(one.rates, products, strict=True))
        if liquids > one.volume:
            raise InputError(
                f"machine.carrier: {one.volume:.4g} L/ha of spray is less than the {liquids:.4g} L/ha of product in "
                "it. Raise the carrier or check the rates."
            )


def _weights(treated: Sequence[Treated], machine: Machine) -> tuple[list[float], str]:
    """Work on a square metre of each ground [load/m2]: by the tank or by the battery, whichever is more."""
    usable = usable_l(machine)
    by_tank = [one.volume * one.area_ha / one.ground.area / usable for one in treated]
    tank = f"{convert(usable, 'L', machine.tank.unit):.4g} {machine.tank.unit} of spray, the tank less what stays in it"
    if machine.endurance is None:
        return by_tank, tank
    reach_m2 = machine.endurance.to("s") * machine.speed_m_s * machine.swath.to("m")
    by_battery = [one.area_ha * M2_PER_HA / one.ground.area / reach_m2 for one in treated]
    weights = [max(pair) for pair in zip(by_tank, by_battery, strict=True)]
    if weights == by_tank:
        return weights, tank
    area = denominator(machine.carrier.unit)
    reach = convert(reach_m2 / M2_PER_HA, "ha", area)
    return weights, f"{machine.endurance.words} of work, {reach:.4g} {area}, turns and ways left out"


def _refill(machine: Machine, frame: Frame, heading: float) -> Place | None:
    if machine.refill is None:
        return None
    easting, northing = frame.to_metres(*([value] for value in machine.refill))
    place = turned(shapely.Point(float(easting[0]), float(northing[0])), heading)
    return place.x, place.y


def lay_out(
    orders: Sequence[Order], weights: Sequence[float], machine: Machine, refill: Place | None
) -> tuple[list[list[Run]], str]:
    """Take the shortest way and cut it into loads, and say how; with a refill point what costs the least time.

    Parameters
    ----------
    orders : sequence of Order
        Ways over the same ground; of equal ones the first is taken.
    weights : sequence of float [load/m2]
        Work on each ground.
    machine : Machine
        Fill and speed.
    refill : (float, float) or None [m]
        In the turned frame.
    """
    total = math.fsum(run.work(weights) for run in orders[0].runs)
    shares = {fill: load_shares(total, fill) for fill in ("equal", "full")}
    words = {"equal": "equal loads", "full": "full loads, then what is left"}
    if refill is None:
        order = min(orders, key=lambda one: round(way_m(one.runs)))  # to the metre: of equal ones the first
        return share_out(order.runs, weights, shares[machine.fill]), f"{words[machine.fill]}, {order.name}"
    fixed_m = FIXED_S * machine.speed_m_s
    layouts = []
    for order in orders:
        whole = shortest_trips(whole_passes(order.runs, weights), weights, refill, fixed_m=fixed_m)
        shared, full = (share_out(order.runs, weights, shares[fill]) for fill in (machine.fill, "full"))
        layouts += [
            (whole, f"each ends with a pass, {order.name}"),
            (shared, f"{words[machine.fill]}, {order.name}"),
            (full, f"{words['full']}, {order.name}"),
        ]
    groups, how = min(layouts, key=lambda one: round(sum(trip_m(load, refill) + fixed_m for load in one[0])))
    return (
        groups,
        f"{how}, for the shortest ways to the refill point; {FIXED_S / 60:g} minutes reckoned for each refill",
    )


def load_shares(total: float, fill: str) -> list[float]:
    """Work of each load, for the work of the pass counted in loads.

    Examples
    --------
    >>> load_shares(2.5, "equal"), load_shares(2.5, "full")
    ([0.8333, 0.8333, 0.8333], [1.0, 1.0, 0.5])
    """
    count = max(1, math.ceil(total - ROUNDING))
    shares = [total / count] * count if fill == "equal" else [1.0] * (count - 1) + [total - (count - 1)]
    if count > 1 and shares[-1] < LEAST_SHARE:
        shares[-2:] = [sum(shares[-2:]) / 2] * 2
    return shares


def _load(
    number: int, runs: Sequence[Run], treated: Sequence[Treated], products: Sequence[Product], *, polygon: Polygon
) -> Load:
    hectares = [
        one.area_ha * math.fsum(areas) / one.ground.area
        for one, areas in zip(treated, zip(*(run.areas for run in runs), strict=True), strict=True)
    ]
    volume = math.fsum(area * one.volume for area, one in zip(hectares, treated, strict=True))
    items = tuple(
        _product_item(product, hectares, [one.rates[index] for one in treated])
        for index, product in enumerate(products)
    )
    return Load(
        load=number,
        order=number,
        area_ha=math.fsum(hectares),
        volume_l=volume,
        items=(_water(volume, items), *items),
        polygon=polygon,
    )


def _product_item(product: Product, hectares: Sequence[float], rates: Sequence[float]) -> LoadItem:
    """Rate x area of a product in a load, and what its label asks for and allows there."""
    unit = product.full_rate.unit
    areas = [convert(area, "ha", denominator(unit)) for area in hectares]
    least, most = rate_limits(product, unit)
    return LoadItem(
        item=product.name,
        amount=math.fsum(rate * area for rate, area in zip(rates, areas, strict=True)),
        unit=numerator(unit),
        least=least * math.fsum(areas),
        most=most * math.fsum(areas),
    )


def _litres(amount: float, unit: str, litres: str = "L") -> float:
    """Room that a product takes in the tank; a product by weight is reckoned to take none."""
    return convert(amount, unit, litres) if dimension(unit) == dimension(litres) else 0.0


def _water(volume_l: float, items: Sequence[LoadItem]) -> LoadItem:
    """Fill up the spray with water: liquid products take their own room."""
    return LoadItem(
        item=WATER, amount=max(volume_l - sum(_litres(one.amount, one.unit) for one in items), 0.0), unit="L"
    )


def _extra(why: str, volume_l: float, first: Load) -> Extra:
    """Mix as strong as the first load."""
    share = volume_l / first.volume_l
    items = tuple(
        replace(one, amount=one.amount * share, least=one.least * share, most=one.most * share) for one in first.items
    )
    return Extra(why=why, volume_l=volume_l, items=items)


def _need(number: int, product: Product, loads: Sequence[Load], extras: Sequence[Extra]) -> ProductNeed:
    unit = numerator(product.full_rate.unit)
    total = math.fsum(load.items[number].amount for load in loads)
    extra = math.fsum(one.items[number].amount for one in extras)
    size = product.pack.to(unit) if product.pack else None
    packs = math.ceil((total + extra) / size - ROUNDING) if size else None
    return ProductNeed(
        item=product.name,
        total=total,
        extra=extra,
        unit=unit,
        packs=packs,
        pack=str(product.pack) if product.pack else None,
        left=max(packs * size - total - extra, 0.0) if packs and size else None,
    )


def _polygon(
    runs: Sequence[Run], lying: Sequence[BaseGeometry], heading: float, frame: Frame
) -> Polygon | MultiPolygon:
    """Ground of a load on the 1e-7 degree grid; the strips are joined first, so that none shows in it."""
    swept = shapely.union_all([run.box for run in runs])
    touched = np.any([run.areas for run in runs], axis=0)
    pieces = [shapely.intersection(ground, swept) for ground, here in zip(lying, touched, strict=True) if here]
    lonlat = [frame.geometry_to_lonlat(turned(piece, -heading)) for piece in pieces]
    # A union rounds what it joins; one piece alone comes out as it went in.
    joined = shapely.set_precision(shapely.union_all(lonlat, grid_size=DEGREE_STEP), DEGREE_STEP)
    parts = [part for part in shapely.get_parts(joined) if isinstance(part, Polygon)]
    return parts[0] if len(parts) == 1 else MultiPolygon(parts)
