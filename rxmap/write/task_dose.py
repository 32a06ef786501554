"""What a task controller is told to apply: one whole number for each polygon, inside the label.

A task holds one of two things, never both, so that no terminal can take one for the other:

spray
    product and water as they are mixed in the tank. The rule, because a machine with one tank meters
    its mix, and a lower rate is less of the same mix.
product
    the pass's first product alone, for a machine that meters it by itself (injection into the
    line, or a dry spreader).

References
----------
ISO 11783-11, data dictionary, from copies of it: entity 1, setpoint volume per area, in steps of
0.01 mm3/m2; entity 6, setpoint mass per area, in steps of 1 mg/m2; a value is a signed 32-bit integer.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from rxmap.errors import InputError
from rxmap.records import Part, PassResult
from rxmap.units import Quantity, convert, factor, numerator

Metered = Literal["spray", "product"]

VOLUME_PER_AREA, MASS_PER_AREA = 1, 6
# 1 L/ha = 1e6 mm3 on 1e4 m2 = 100 mm3/m2 = 10,000 steps; 1 kg/ha = 1e6 mg on 1e4 m2 = 100 steps
STEPS = {VOLUME_PER_AREA: ("L/ha", 10_000), MASS_PER_AREA: ("kg/ha", 100)}
MOST_VALUE = 2**31 - 1
MOST_OFF = 0.01  # share by which a step may move a rate; judgement, no source: a sprayer meters no better
NO_STEP = 1e-5  # share by which a limit may be missed where no step fits between two; a thousandth of the above
ROUNDING = 1e-12  # relative: what changing a unit may lose in binary


@dataclass(frozen=True, slots=True, kw_only=True)
class Dose:
    """What the zones of a task hold.

    Parameters
    ----------
    what : str
        The product as the operator reads it.
    held : str
        The same in words, without names.
    unit : str
        Of the rates as planned.
    entity : int
        Number in the data dictionary.
    rates : tuple of float
        As planned, one for each part; 0 on untreated ground.
    values : tuple of int
        The same in steps of the entity.
    """

    what: str
    held: str
    unit: str
    entity: int
    rates: tuple[float, ...]
    values: tuple[int, ...]


def dose_of(one: PassResult, metered: Metered) -> Dose:
    """Turn the parts of a pass into what a task holds.

    Parameters
    ----------
    one : PassResult
        A pass that goes out.
    metered : str
        ``spray`` or ``product``.

    Raises
    ------
    InputError
        If a rate cannot be told in steps of the data dictionary without leaving the label.
    """
    first = one.parts[0]
    lead = next(use for use in one.products if use.name == first.product)
    spray = metered == "spray"
    unit = first.vol_unit if spray else first.unit
    rates = tuple(part.volume if spray else part.rate for part in one.parts)
    values = []
    for part, rate in zip(one.parts, rates, strict=True):
        least, most = _spray_limits(part, one) if spray else (lead.least, lead.most)
        values.append(raw_value(rate, unit, least=least, most=most) if part.treat else 0)
    return Dose(
        what=f"Spray with {first.product}" if spray else first.product,
        held="the spray, product and water as they are mixed" if spray else "the product alone, without water",
        unit=unit,
        entity=entity_of(unit),
        rates=rates,
        values=tuple(values),
    )


def entity_of(unit: str) -> int:
    """Entity of the data dictionary for a rate in this unit.

    Examples
    --------
    >>> entity_of("gal/acre"), entity_of("lb/acre")
    (1, 6)
    """
    return VOLUME_PER_AREA if Quantity(1.0, numerator(unit)).is_like("L") else MASS_PER_AREA


def raw_value(rate: float, unit: str, *, least: float = 0.0, most: float = math.inf) -> int:
    """Rate in steps of its entity, rounded to the inside where the nearest step crosses a limit.

    Parameters
    ----------
    rate : float
        As planned, above 0.
    unit : str
        Of the rate and of the limits.
    least, most : float
        Limits.

    Raises
    ------
    InputError
        If no step lies inside, the nearest moves the rate by more than 1 %, or it needs more than 32 bits.

    Examples
    --------
    >>> raw_value(2.0, "gal/acre"), raw_value(10.0, "gal/acre"), raw_value(10.0, "gal/acre", most=10.0)
    (187079, 935396, 935395)
    """
    metric, per_metric = STEPS[entity_of(unit)]
    steps = factor(unit, metric) * per_metric
    low, exact, high = least * steps, rate * steps, most * steps
    below = math.floor(exact * (1 + ROUNDING))
    inside = [
        step
        for step in (round(exact), below, math.ceil(exact * (1 - ROUNDING)))
        if low * (1 - ROUNDING) <= step <= high * (1 + ROUNDING)
    ]
    value = inside[0] if inside else below
    far = abs(value - exact) > MOST_OFF * exact
    if far or value > MOST_VALUE or not low * (1 - NO_STEP) <= value <= high * (1 + ROUNDING):
        raise InputError(
            f"output.formats: task data: {rate:.6g} {unit} cannot be told in steps of {1 / steps:.3g} {unit} without "
            "leaving the label. Change the rate or the carrier by a step, or take task data out of output.formats."
        )
    return value


def _spray_limits(part: Part, one: PassResult) -> tuple[float, float]:
    """Volumes at which every product of the mix stays inside its label, in the unit of the volume."""
    least, most = 0.0, math.inf
    for use in one.products:
        rate = (part.rate if use.name == part.product else use.rate) or math.inf  # nothing on untreated ground
        least = max(least, part.volume * use.least / rate, convert(use.least_volume, "L/ha", part.vol_unit))
        most = min(most, part.volume * use.most / rate)
    return least, most
