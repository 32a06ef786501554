"""Numbers and quantities as people read them, in the units that the plan asks for."""

from __future__ import annotations

import math
from typing import Literal

from rxmap.errors import printable
from rxmap.records import ProductUse
from rxmap.units import convert

Units = Literal["us", "metric"]

LONGEST_TEXT = 300  # what a cell of a table or a line of the panel shows of one text from a file
LONGEST_SENTENCE = 600  # what a sentence of the result may hold, names from files included

# What people read for each unit system: unit of the closed list, and the word on the page.
AREA = {"us": ("acre", "acres"), "metric": ("ha", "ha")}
LENGTH = {"us": ("ft", "ft"), "metric": ("m", "m")}


def safe(value: object, most: int = LONGEST_TEXT) -> str:
    r"""Text from a file without control or direction characters, and not endless.

    Examples
    --------
    >>> safe("North\u202e field")
    'North\\u202e field'
    """
    return printable(str(value), most)


def number(value: float, digits: int = 3) -> str:
    """Write a number with `digits` significant digits, all of its whole part, and no exponent.

    Examples
    --------
    >>> number(1240.4), number(0.034567), number(18.24), number(-0.0001, 1), number(-0.0)
    ('1,240', '0.0346', '18.2', '-0.0001', '0')
    """
    if not math.isfinite(value):
        return "unknown"
    if value == 0:
        return "0"
    places = max(digits - 1 - math.floor(math.log10(abs(value))), 0)
    text = f"{value:,.{places}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def area(ha: float, units: Units, *, word: bool = True) -> str:
    """Write an area in acres or hectares, to one decimal, two where it is small.

    Examples
    --------
    >>> area(7.365, "us"), area(0.2, "metric"), area(64.7, "metric", word=False)
    ('18.2 acres', '0.20 ha', '64.7')
    """
    unit, name = AREA[units]
    value = convert(ha, "ha", unit)
    text = f"{value:,.{1 if value >= 1 or value == 0 else 2}f}"
    return f"{text} {name}" if word else text


def length(metres: float, units: Units) -> str:
    """Write a length in feet or metres, whole where it is long.

    Examples
    --------
    >>> length(30.0, "us"), length(4.5, "metric")
    ('98 ft', '4.5 m')
    """
    unit, name = LENGTH[units]
    return f"{number(convert(metres, 'm', unit), 2)} {name}"


def money(amount: float, currency: str) -> str:
    """Write a sum: whole from 100 on, else three digits, but never less than a hundredth.

    Examples
    --------
    >>> money(1240.4, "USD"), money(-7.5, "EUR")
    ('1,240 USD', '-7.5 EUR')
    """
    return f"{number(round(amount, 2))} {currency}"


def money_per_area(per_ha: float, currency: str, units: Units) -> str:
    """Write a sum per area in the reader's unit.

    Examples
    --------
    >>> money_per_area(100.0, "USD", "us")
    '40.5 USD/acre'
    """
    unit = AREA[units][0]
    return f"{number(convert(per_ha, f'{currency}/ha', f'{currency}/{unit}'))} {currency}/{unit}"


def pressure(value: float, unit: str) -> str:
    """Write a pressure or threshold in the unit of its measure.

    Examples
    --------
    >>> pressure(3.44, "percent"), pressure(14.0, "per 25 sweeps")
    ('3.44 %', '14 per 25 sweeps')
    """
    return f"{number(value)} {'%' if unit == 'percent' else safe(unit)}".rstrip()


def chance(share: float) -> str:
    """Write a probability in whole percent; never 0 or 100, which no sample can give.

    Examples
    --------
    >>> chance(0.823), chance(0.0), chance(0.9999), chance(float("nan"))
    ('82 %', 'under 1 %', 'over 99 %', 'unknown')
    """
    if not math.isfinite(share):
        return "unknown"
    if share < 0.01:
        return "under 1 %"
    return "over 99 %" if share > 0.99 else f"{100 * share:.0f} %"


def rate(use: ProductUse) -> str:
    """Write the rates of a product in a pass, low to high.

    Examples
    --------
    >>> rate(ProductUse(name="A", rate=0.5, unit="L/ha", total=9.0, total_unit="L", rates=(0.3, 0.5)))
    '0.3 or 0.5 L/ha'
    """
    rates = use.rates or (use.rate,)
    return f"{' or '.join(number(one) for one in rates)} {use.unit}"


def percent(share: float) -> str:
    """Write a share of something counted in whole percent, with a decimal where it is small.

    Examples
    --------
    >>> percent(0.281), percent(0.004), percent(0.0)
    ('28 %', '0.4 %', '0 %')
    """
    return f"{number(100 * share, 2 if abs(share) >= 0.1 else 1)} %"


def difference(share: float) -> str:
    """Write a relative difference with its sign, to a tenth of a percent.

    Examples
    --------
    >>> difference(0.0214), difference(-0.0004), difference(-0.03)
    ('+2.1 %', '0.0 %', '-3.0 %')
    """
    percent = round(100 * share, 1)
    return f"{percent:+.1f} %" if percent else "0.0 %"


def listed(items: list[str]) -> str:
    """Join words as a sentence does.

    Examples
    --------
    >>> listed(["a"]), listed(["a", "b"]), listed(["a", "b", "c"])
    ('a', 'a and b', 'a, b and c')
    """
    return " and ".join([", ".join(items[:-1]), items[-1]] if len(items) > 1 else items)


def counted(how_many: int, thing: str) -> str:
    """Write a number of things.

    Examples
    --------
    >>> counted(1, "stop"), counted(0, "load"), counted(1200, "stop")
    ('1 stop', '0 loads', '1,200 stops')
    """
    return f"{how_many:,} {thing}{'' if how_many == 1 else 's'}"
