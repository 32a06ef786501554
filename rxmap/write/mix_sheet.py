"""The mix sheet: what goes into the tank for each load, in units that a jug or a scale shows.

The lines of an item add up to its rounded total, so that nobody is one step short at the last load. The label goes
before that sum: no load gets more of a product than the label's maximum on its ground, nor less than the minimum.
"""

from __future__ import annotations

import csv
import io
import math
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import ROUND_FLOOR, Decimal
from pathlib import Path
from typing import Literal

from rxmap.errors import CheckError
from rxmap.passes.label import MOST_OFF, ROUNDING
from rxmap.records import LoadItem, LoadPlan
from rxmap.units import convert, dimension
from rxmap.write.files import write_bytes

COLUMNS = ("load", "area_ha", "item", "amount", "unit")
AREA_STEP = Decimal("0.0001")  # [ha] as in every file of a result

# Units of jugs and scales from large to small, each with its step; common practice, no source.
STEPS = {
    "us": {
        "L": {"gal": "0.01", "qt": "0.01", "pt": "0.01", "floz": "0.1"},
        "kg": {"lb": "0.01", "oz_wt": "0.1"},
    },
    "metric": {"L": {"L": "0.01", "mL": "1"}, "kg": {"kg": "0.01", "g": "1"}},
}
IMPERIAL = {"impgal": "0.01"}  # who writes imperial gallons has no US jugs
FINEST = Decimal("1e-6")
LITTLE = 0.1  # of the fullest load: what holds less has a step of its own; judgement

FORMULA = frozenset("=+-@\t\r\n")  # what makes a spreadsheet compute (OWASP, CSV Injection; from memory)


@dataclass(frozen=True, slots=True)
class MixLine:
    """One row of the mix sheet."""

    load: int
    area_ha: Decimal
    item: str
    amount: Decimal
    unit: str


def write_mix_sheet(path: Path, plan: LoadPlan, *, units: Literal["us", "metric"]) -> None:
    """Write the mix sheet of a pass as comma-separated text, and read it back.

    Parameters
    ----------
    path : Path
        The ``.csv``.
    plan : LoadPlan
        From `rxmap.passes.loads.plan_loads`.
    units : str
        What people read.

    Raises
    ------
    CheckError
        If the file does not hold what was meant.
    """
    rows = [
        [str(line.load), f"{line.area_ha:f}", neutral(line.item), f"{line.amount:f}", line.unit]
        for line in mix_lines(plan, units)
    ]
    text = io.StringIO(newline="")
    csv.writer(text, lineterminator="\r\n").writerows([COLUMNS, *rows])  # RFC 4180
    write_bytes(path, text.getvalue().encode("utf-8"))
    found = list(csv.reader(io.StringIO(path.read_bytes().decode("utf-8"), newline=""), strict=True))
    if found != [list(COLUMNS), *rows]:
        raise CheckError(f"{path.name}: what was written is not what was meant.")


def mix_lines(plan: LoadPlan, units: Literal["us", "metric"]) -> list[MixLine]:
    """Rows of the mix sheet: water and each product for every load.

    What is mixed beside that stands with the first load under a name of its own, so that the rows of a product
    add up to rate x area.

    Parameters
    ----------
    plan : LoadPlan
        Loads in the order in which they are driven.
    units : str
        What people read.
    """
    areas = apportioned([load.area_ha for load in plan.loads], AREA_STEP)
    columns = [measured([load.items[index] for load in plan.loads], units) for index in range(len(plan.loads[0].items))]
    lines = []
    for index, (load, area_ha) in enumerate(zip(plan.loads, areas, strict=True)):
        for item, (amounts, unit) in zip(load.items, columns, strict=True):
            lines.append(MixLine(load.load, area_ha, item.item, amounts[index], unit))
        lines += _extra_lines(plan, area_ha, columns) if index == 0 else []
    return lines


def mix_totals(lines: Sequence[MixLine]) -> dict[str, tuple[Decimal, str]]:
    """Amount and unit of each item in all loads, in the order of the sheet."""
    totals: dict[str, tuple[Decimal, str]] = {}
    for line in lines:
        totals[line.item] = (totals.get(line.item, (Decimal(0), ""))[0] + line.amount, line.unit)
    return totals


def mix_filled(plan: LoadPlan, lines: Sequence[MixLine]) -> dict[str, Decimal]:
    """Amount of each item that is filled in all: the loads, and what is mixed beside them."""
    totals = mix_totals(lines)
    return {
        item.item: sum(
            (totals.get(f"{item.item} ({extra.why})", (Decimal(0),))[0] for extra in plan.extras),
            start=totals[item.item][0],
        )
        for item in plan.loads[0].items
    }


def _extra_lines(plan: LoadPlan, area_ha: Decimal, columns: Sequence[tuple[list[Decimal], str]]) -> list[MixLine]:
    """Lines for spray beside what the treated area takes; one line says so where there is none."""
    lines = []
    for extra in plan.extras:
        for item, (amounts, unit) in zip(extra.items, columns, strict=True):
            (amount,) = _apportioned_items([item], unit, Decimal(1).scaleb(int(max(amounts).as_tuple().exponent)))
            if extra.volume_l or item is extra.items[0]:
                lines.append(MixLine(plan.loads[0].load, area_ha, f"{item.item} ({extra.why})", amount, unit))
    return lines


def measured(items: Sequence[LoadItem], units: Literal["us", "metric"]) -> tuple[list[Decimal], str]:
    """Amounts of one item in all loads as a jug or a scale shows them, and their unit.

    The unit is the largest of which the fullest load holds one; the step is that of `STEPS`, or finer where
    it would move a load by more than 1 %. A last load that holds little beside the fullest has a finer step of its
    own, so that the others stay as a jug shows them. Where rounding to the step would put more on a load's ground than
    the label's maximum times its area it rounds down, where less than the minimum times its area it rounds up.

    Examples
    --------
    640 fluid ounces are 5 gallons:

    >>> measured([LoadItem(item="Rowan", amount=640.0, unit="floz")], "us")
    ([Decimal('5.00')], 'gal')

    At the label's maximum 14.66 fluid ounces are 14.6, not 14.7:

    >>> measured([LoadItem(item="Rowan", amount=14.66, unit="floz", most=14.66)], "us")
    ([Decimal('14.6')], 'floz')

    A last load of little:

    >>> measured([LoadItem(item="Rowan", amount=each, unit="gal") for each in (5.0, 5.0, 0.1234)], "us")
    ([Decimal('5.00'), Decimal('5.00'), Decimal('0.123')], 'gal')
    """
    own, most = items[0].unit, max(item.amount for item in items)
    unit, step = _jug(own, most, units)
    amounts = [Decimal(0)] * len(items)
    for of_little in (False, True):
        numbers = [number for number, item in enumerate(items) if (0 < item.amount < LITTLE * most) == of_little]
        least = min((convert(items[i].amount, own, unit) for i in numbers if items[i].amount > 0), default=math.inf)
        rounded = _apportioned_items([items[i] for i in numbers], unit, _fine_enough(step, least))
        for number, amount in zip(numbers, rounded, strict=True):
            amounts[number] = amount
    return amounts, unit


def _fine_enough(step: Decimal, least: float) -> Decimal:
    """Take tenths of a step until it moves the least amount by no more than 1 %."""
    while float(step) > least * MOST_OFF and step > FINEST:
        step /= 10
    return step


def _apportioned_items(items: Sequence[LoadItem], unit: str, step: Decimal) -> list[Decimal]:
    amounts = [convert(item.amount, item.unit, unit) for item in items]
    limits = [(convert(item.least, item.unit, unit), convert(item.most, item.unit, unit)) for item in items]
    return apportioned(amounts, step, limits=limits)


def _jug(own: str, most: float, units: Literal["us", "metric"]) -> tuple[str, Decimal]:
    """Pick between the largest unit, the plan's own and the smallest."""
    steps = IMPERIAL if own in IMPERIAL else next(s for kind, s in STEPS[units].items() if _alike(kind, own))
    ladder = [unit for unit in steps if unit in (next(iter(steps)), own, [*steps][-1])]
    unit = next((unit for unit in ladder if convert(most, own, unit) >= 1 - 1e-9), ladder[-1])
    return unit, Decimal(steps[unit])


def _alike(unit: str, other: str) -> bool:
    return bool(dimension(unit) == dimension(other))


def apportioned(
    values: Sequence[float], step: Decimal, *, limits: Sequence[tuple[float, float]] | None = None
) -> list[Decimal]:
    """Round to whole steps so that the rounded values add up to the rounded sum, as far as limits allow.

    Each is rounded down, and the steps that are missing go to the largest remainders. With limits each value is
    rounded to their inside; where no step lies between the two, the upper one holds.

    Parameters
    ----------
    values : sequence of float
        Amounts, 0 or more.
    step : Decimal
        What a jug or a scale shows.
    limits : sequence of (float, float), optional
        Least and most that each rounded value may be.

    References
    ----------
    Balinski & Young (1982), Fair Representation: the method of largest remainders (from memory).

    Examples
    --------
    >>> [str(value) for value in apportioned([1.4, 1.4, 1.4], Decimal("1"))]
    ['2', '1', '1']
    >>> [str(value) for value in apportioned([1.4, 1.4], Decimal("1"), limits=[(1.0, 1.5), (1.0, 2.0)])]
    ['1', '2']
    """
    exact = [Decimal(repr(value)) / step for value in values]
    floors = [int(value.to_integral_value(ROUND_FLOOR)) for value in exact]
    missing = int((Decimal(repr(math.fsum(values))) / step).to_integral_value()) - sum(floors)
    # remainders to six decimals, so that equal loads are equal whatever the last bit says
    order = sorted(range(len(exact)), key=lambda index: round(floors[index] - exact[index], 6))
    bounds = limits or [(0.0, math.inf)] * len(exact)
    may = [i for i in order if (floors[i] + 1) * float(step) <= bounds[i][1] * (1 + ROUNDING)]
    must = [i for i in may if floors[i] * float(step) < bounds[i][0] * (1 - ROUNDING)]
    raised = {*must, *[i for i in may if i not in must][: max(missing - len(must), 0)]}
    return [step * (floor + (index in raised)) for index, floor in enumerate(floors)]


def neutral(text: str) -> str:
    """Text that no spreadsheet takes for a formula: an apostrophe before what would start one.

    Examples
    --------
    >>> neutral("=1+1"), neutral(" \u200b\uff1dcmd"), neutral("Rowan 200")
    ("'=1+1", "' \u200b\uff1dcmd", 'Rowan 200')
    """
    # of category Cf are the characters without width: a formula hides behind them
    seen = "".join(c for c in text if unicodedata.category(c) != "Cf" and (c in FORMULA or not c.isspace()))
    # NFKC turns the full-width forms into the plain ones
    return f"'{text}" if unicodedata.normalize("NFKC", seen[:1]) in FORMULA else text
