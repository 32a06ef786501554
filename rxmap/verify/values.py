"""Numbers as the files write them: decimal text, its rounding, and quantities with units."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from rxmap.units import Quantity, dimension, factor

AREA_ROUNDING = 5e-5  # [ha] of every area_ha, written with four decimals
TIGHT = 1e-9  # relative: what converting a limit between two units may lose in binary


def rounding(number: Any) -> float:
    """Half a unit in the last place that a number is written with.

    Examples
    --------
    >>> rounding(Decimal("12.40")), rounding(3)
    (0.005, 0.5)
    """
    exponent = int(number.as_tuple().exponent) if isinstance(number, Decimal) else 0
    return 0.5 * 10.0**exponent


def near(found: Any, wanted: float, *, relative: float = 0.0, absolute: float = 0.0) -> bool:
    """Whether a written number is the wanted one, within its own rounding and a tolerance."""
    # 1.000001: a number half-way between two texts may be rounded either way
    return abs(float(found) - wanted) <= 1.000001 * rounding(found) + relative * abs(wanted) + absolute


def quantity(value: Any) -> Quantity:
    """Read a quantity of the recorded plan: its parts, or text such as ``9 floz/acre``.

    Examples
    --------
    >>> quantity("9 floz/acre").magnitude
    9.0
    """
    if isinstance(value, str):
        number, _, unit = value.partition(" ")
        return Quantity(float(number), unit)
    return Quantity(float(value["magnitude"]), value["unit"])


def at_most(number: Decimal | float, unit: str, limit: Quantity) -> bool:
    """Whether a written number stays within a limit; digit by digit where the units are the same."""
    if unit == limit.unit:
        return Decimal(str(number)) <= Decimal(repr(limit.magnitude))
    if dimension(unit) != dimension(limit.unit):
        return False
    return float(number) * factor(unit, limit.unit) <= limit.magnitude * (1 + TIGHT)


def at_least(number: Decimal | float, unit: str, limit: Quantity) -> bool:
    """Whether a written number reaches a limit; digit by digit where the units are the same."""
    if unit == limit.unit:
        return Decimal(str(number)) >= Decimal(repr(limit.magnitude))
    if dimension(unit) != dimension(limit.unit):
        return False
    return float(number) * factor(unit, limit.unit) >= limit.magnitude * (1 - TIGHT)
