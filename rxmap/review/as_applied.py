"""What the machine did, held against what it was given: area, rate, ground off target, product used."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from rxmap.errors import InputError
from rxmap.grid import M2_PER_HA, FloatArray
from rxmap.plan import Plan
from rxmap.read.applied_layer import AppliedLayer, Parts
from rxmap.read.planned import PlannedPass
from rxmap.records import Field
from rxmap.review.intervals import Interval, certain
from rxmap.units import Quantity, dimension

OFF_RATE = 0.1  # share by which a rate counts as over or under, as in the simulation before the pass
METERED = 0.05  # share by which a machine's counter may be off; common practice, no source
CLEAR = 4.0  # times that one reading of a rate has to be nearer to the plan than the other; judgement


@dataclass(frozen=True, slots=True, kw_only=True)
class ProductUsed:
    """Product on the ground by the machine's log, and as planned."""

    name: str
    used: Interval
    planned: float
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivered:
    """A pass as it was applied.

    Parameters
    ----------
    logged : str
        What the layer's rate is: the name of a product, or ``spray volume``.
    planned_ha, sprayed_ha, hit_ha : float [ha]
        Planned to be treated; sprayed; both.
    missed, off_target : Interval [ha]
        Planned and not sprayed; sprayed and not planned; over the position error of the edges.
    over_ha, under_ha : float [ha]
        Of the ground hit: rate more than a tenth above or below the planned one.
    twice_ha, setback_ha, outside_ha : float [ha]
        Sprayed twice; inside keep-outs and setbacks; outside the field.
    rate : Interval
        Mean rate of the ground hit, and the rates that 5 and 95 % of it got at most, in `rate_unit`.
    planned_rate : float
        Mean of the plan on the same ground.
    products : tuple of ProductUsed
        In the order of the pass.
    ground : geometry [m]
        Sprayed.
    how : str
        How ground was made of the file.
    """

    logged: str
    planned_ha: float
    sprayed_ha: float
    hit_ha: float
    missed: Interval
    off_target: Interval
    over_ha: float
    under_ha: float
    twice_ha: float
    setback_ha: float
    outside_ha: float
    rate: Interval
    planned_rate: float
    rate_unit: str
    products: tuple[ProductUsed, ...]
    ground: BaseGeometry
    how: str

    @property
    def hit_share(self) -> float:
        """Share of the planned ground that was sprayed."""
        return self.hit_ha / self.planned_ha if self.planned_ha else 0.0


def delivered(plan: Plan, planned: PlannedPass, layer: AppliedLayer, field: Field) -> Delivered:
    """Hold an applied layer against the pass that was planned.

    Raises
    ------
    InputError
        If it cannot be told whether its rate is of the product or of the spray volume.
    """
    logged, factor = _logged(plan, planned, layer)
    ground, due = layer.ground, planned.treated
    hit = ground.intersection(due)
    rates, due_rates, areas = _pieces(layer.parts, planned.parts, factor)
    amount = math.fsum(rate * part.area for rate, part in layer.parts) / M2_PER_HA
    asked = math.fsum(factor * rate * part.area for rate, part in planned.parts) / M2_PER_HA
    return Delivered(
        logged=logged,
        planned_ha=_ha(due),
        sprayed_ha=_ha(ground),
        hit_ha=_ha(hit),
        missed=_spread(due, ground, layer.error_m),
        off_target=_spread(ground, due, layer.error_m),
        over_ha=float(areas[rates > (1 + OFF_RATE) * due_rates].sum()) / M2_PER_HA,
        under_ha=float(areas[rates < (1 - OFF_RATE) * due_rates].sum()) / M2_PER_HA,
        twice_ha=max(math.fsum(part.area for _, part in layer.parts) - ground.area, 0.0) / M2_PER_HA,
        setback_ha=_ha(ground.intersection(planned.keep_out)),
        outside_ha=_ha(ground.difference(field.ground)),
        rate=_weighted(rates, areas),
        planned_rate=float(due_rates @ areas / areas.sum()) if areas.sum() else 0.0,
        rate_unit=layer.unit,
        products=tuple(
            ProductUsed(
                name=told["name"],
                used=_metered(told["total"] * amount / asked if asked else 0.0),
                planned=told["total"],
                unit=told["total_unit"],
            )
            for told in planned.products
        ),
        ground=ground,
        how=layer.how,
    )


def _ha(ground: BaseGeometry) -> float:
    return float(ground.area) / M2_PER_HA


def _metered(amount: float) -> Interval:
    return Interval(value=amount, low=amount * (1 - METERED), high=amount * (1 + METERED))


def _spread(one: BaseGeometry, less: BaseGeometry, error_m: float) -> Interval:
    """Area of ground less other ground, with the edges of the other moved out and in by their error."""
    value = _ha(one.difference(less))
    low, high = (_ha(one.difference(shapely.buffer(less, by, quad_segs=2))) for by in (error_m, -error_m))
    return Interval(value=value, low=min(low, value), high=max(high, value))


def _logged(plan: Plan, planned: PlannedPass, layer: AppliedLayer) -> tuple[str, float]:
    """Say what the layer's rate is of, the lead product or the spray volume, and what it is for 1 of the lead's."""
    lead, full = planned.products[0], max(rate for rate, _ in planned.parts)
    found = float(np.median([rate for rate, _ in layer.parts]))
    choices: dict[str, float] = {}
    for name, rate, unit in (
        (str(lead["name"]), full, str(lead["unit"])),
        ("spray volume", planned.volume, planned.vol_unit),
    ):
        if dimension(unit) == dimension(layer.unit) and rate > 0:
            choices[name] = Quantity(rate, unit).to(layer.unit) / full
    if not choices:
        raise InputError(
            f"review.applied.unit: {layer.unit} is neither of the product ({lead['unit']}) nor of the spray volume "
            f"({planned.vol_unit}). Check it."
        )
    off = {name: abs(math.log(found / (factor * full))) for name, factor in choices.items()}
    best = min(off, key=lambda name: off[name])
    if any(off[name] - off[best] < math.log(CLEAR) for name in off if name != best):
        raise InputError(
            f"review.applied.unit: a rate of {found:.3g} {layer.unit} could be of {' or of '.join(choices)}. Export "
            "the other one of the two."
        )
    return best, choices[best]


def _pieces(applied: Parts, planned: Parts, factor: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Rate, rate due and area of every piece of ground that is both sprayed and planned."""
    grounds = [ground for _, ground in applied]
    tree = shapely.STRtree(grounds)
    rows = []
    for due, part in planned:
        near = tree.query(part, predicate="intersects")
        areas = shapely.area(shapely.intersection([grounds[i] for i in near], part)) if len(near) else []
        rows += [(applied[i][0], factor * due, float(area)) for i, area in zip(near, areas, strict=True)]
    table = np.array(rows, float).reshape(-1, 3)
    return table[:, 0], table[:, 1], table[:, 2]


def _weighted(values: FloatArray, weights: FloatArray) -> Interval:
    """Mean, and the values below which 5 and 95 % of the weight lies."""
    if not weights.sum():
        return certain(0.0)
    order = np.argsort(values)
    share = np.cumsum(weights[order]) / weights.sum()
    ends = np.minimum(np.searchsorted(share, [0.05, 0.95]), len(order) - 1)
    low, high = (float(value) for value in values[order][ends])
    return Interval(value=float(values @ weights / weights.sum()), low=low, high=high)
