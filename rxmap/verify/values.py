"""Numbers as the files write them: decimal text, its rounding, and quantities with units."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from rxmap.units import Quantity, dimension, factor

AREA_ROUNDING = 5e-5  # [ha] of every area_ha, written with four decimals
TIGHT = 1e-9  # relative: what converting a limit between two units may lose in binary


def decimals_of(number: Decimal) -> int:
    """How many decimals a number is written with.

    Examples
    --------
    >>> decimals_of(Decimal("12.40")), decimals_of(Decimal("1240"))
    (2, 0)
    """
    return max(-int(number.as_tuple().exponent), 0)


def near(found: Any, wanted: float, decimals: int, *, relative: float = 0.0, absolute: float = 0.0) -> bool:
    """Whether a number written with so many decimals is the wanted one, within a tolerance.

    Examples
    --------
    >>> near(Decimal("0.5"), 0.50004, 4), near(Decimal("0.5"), 0.504, 4)
    (True, False)
    """
    # 0.500001: a number half-way between two texts may be rounded either way
    return abs(float(found) - wanted) <= 0.500001 * 10.0**-decimals + relative * abs(wanted) + absolute


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
