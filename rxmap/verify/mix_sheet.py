"""The mix sheet: it adds up to what the layer takes, and no load is more than tank, battery and label hold."""

from __future__ import annotations

import csv
import io
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from rxmap.errors import shown
from rxmap.units import UNITS, convert, dimension
from rxmap.verify.crew import LOAD_ROUNDING, Crew, allowed, amount_on, crews, reach_ha, usable_l
from rxmap.verify.folder import SUMMARY, Folder
from rxmap.verify.prescription import treated
from rxmap.verify.report import Unreadable
from rxmap.verify.shapefile import decimal
from rxmap.verify.values import AREA_ROUNDING, decimals_of, near

COLUMNS = ["load", "area_ha", "item", "amount", "unit"]
WATER = "water"
LITTLE = 0.1  # of the fullest load
HALF = 0.500001  # of a step: a number half-way between two may be rounded either way
TOTAL_DECIMALS = 3  # of a total in the summary; a small one has more


@dataclass(frozen=True, slots=True)
class Line:
    """One row: an item of a load, or what is mixed beside it."""

    where: str
    load: int
    area_ha: Decimal
    item: str  # water or the product, as the plan has it
    amount: Decimal
    unit: str
    beside: bool  # on a line of its own, such as what stays in the tank

    @property
    def step(self) -> float:
        """What the last digit is worth."""
        return 10.0 ** -decimals_of(self.amount)

    @property
    def litres(self) -> float:
        """Room that it takes in the tank; a product by weight takes none."""
        return convert(float(self.amount), self.unit, "L") if dimension(self.unit) == dimension("L") else 0.0

    @property
    def step_l(self) -> float:
        """The last digit as room in the tank."""
        return convert(self.step, self.unit, "L") if dimension(self.unit) == dimension("L") else 0.0


def read_sheet(result: Folder, crew: Crew) -> list[Line]:
    """Read the rows of a pass, each with the item that it is about."""
    name = f"{crew.folder}/mix_sheet.csv"
    return result.once("sheet", name, lambda: _read(result.bytes(name), name, crew.told["products"]))  # type: ignore[no-any-return]


def _read(content: bytes, name: str, products: Sequence[Any]) -> list[Line]:
    try:
        rows = list(csv.reader(io.StringIO(content.decode("utf-8"), newline=""), strict=True))
    except (UnicodeDecodeError, csv.Error) as error:
        raise Unreadable(f"{name}: is not comma-separated text in UTF-8: {error}") from None
    if not rows or rows[0] != COLUMNS:
        raise Unreadable(f"{name}: columns {shown(','.join(rows[0]) if rows else '')}; should be {','.join(COLUMNS)}")
    known = [WATER, *(used["name"] for used in products)]
    return [_line(row, f"{name}: row {number}", known) for number, row in enumerate(rows[1:], 2)]


def _line(row: list[str], where: str, known: list[str]) -> Line:
    if len(row) != len(COLUMNS):
        raise Unreadable(f"{where}: {len(row)} cells; should be {len(COLUMNS)}")
    cell = next((text for text in row if computes(text)), None)
    if cell is not None:
        raise Unreadable(f"{where}: {shown(cell)} computes in a spreadsheet; should have an apostrophe before it")
    load, area_ha, amount = row[0], decimal(row[1]), decimal(row[3])
    if not load.isdecimal() or area_ha is None or amount is None or amount < 0 or row[4] not in UNITS:
        raise Unreadable(f"{where}: {shown(', '.join(row))}; should be a load, an area, an item, an amount and a unit")
    text = row[2][1:] if row[2].startswith("'") and computes(row[2][1:]) else row[2]
    fitting = [item for item in known if text == item or (text.startswith(f"{item} (") and text.endswith(")"))]
    if not fitting:
        raise Unreadable(f"{where}: item {shown(text)}; should be water or a product of the pass")
    item = max(fitting, key=len)
    return Line(where, int(load), area_ha, item, amount, row[4], beside=text != item)


def computes(text: str) -> bool:
    """Whether a spreadsheet takes a cell for a formula, also behind blanks, marks without width, or in full width.

    Examples
    --------
    >>> computes("=1+1"), computes(" +1"), computes("2.5"), computes("'=1+1")
    (True, True, False, False)
    """
    first = next((c for c in text if c in "\t\r\n" or not (c.isspace() or unicodedata.category(c) == "Cf")), "")
    return bool(first) and unicodedata.normalize("NFKC", first) in "=+-@\t\r\n"


def mix_sheets_right(result: Folder) -> Iterator[str]:
    """Add up each mix sheet, and hold every load against tank, battery and label."""
    machine = result.plan.get("machine") or {}
    for crew in crews(result):
        lines = read_sheet(result, crew)
        yield from _whole(crew, lines)
        yield from _areas(crew, lines)
        for used in crew.told["products"]:
            own = [line for line in lines if line.item == used["name"] and not line.beside]
            limits = allowed(result, used["name"])
            yield from _label_faults(own, limits)
            yield from _total_fault(own, used, limits)
        yield from _water_fault(crew, [line for line in lines if not line.beside])
        yield from _room_faults(lines, machine)


def _whole(crew: Crew, lines: Sequence[Line]) -> Iterator[str]:
    """Look for one line of each item in each load, in one unit, and for extra mix with the first load alone."""
    name, items = f"{crew.folder}/mix_sheet.csv", [WATER, *(used["name"] for used in crew.told["products"])]
    wanted = [(load, item) for load in range(1, crew.told["loads"] + 1) for item in items]
    found = [(line.load, line.item) for line in lines if not line.beside]
    if found != wanted:
        odd = next((pair for pair in (*found, *wanted) if found.count(pair) != wanted.count(pair)), found[:1])
        raise Unreadable(
            f"{name}: load and item {shown(odd)} do not stand there once; {SUMMARY} has {crew.told['loads']} loads, "
            "each with water and every product"
        )
    for item in items:
        mine = [line for line in lines if line.item == item]
        if len({line.unit for line in mine}) > 1:
            yield f"{name}: {shown(item)} has several units; should have one"
        fullest = max(mine, key=lambda line: line.amount)  # what is little beside it may have more decimals
        usual, little = decimals_of(fullest.amount), LITTLE * float(fullest.amount) + fullest.step
        for line in mine:
            if decimals_of(line.amount) < usual or (decimals_of(line.amount) > usual and float(line.amount) > little):
                yield f"{line.where}: {line.amount} {line.unit} of {shown(item)}; should have {usual} decimals"
    yield from (f"{line.where}: extra mix with load {line.load}" for line in lines if line.beside and line.load != 1)


def _areas(crew: Crew, lines: Sequence[Line]) -> Iterator[str]:
    areas = {line.load: line.area_ha for line in lines}
    total = float(sum(areas.values()))
    if not near(crew.told["treated_ha"], total, 4, absolute=AREA_ROUNDING * (1 + len(treated(crew.layer)))):
        name, told = f"{crew.folder}/mix_sheet.csv", crew.told["treated_ha"]
        yield f"{name}: areas add up to {total:.4f} ha; {SUMMARY} has {told} ha treated"
    yield from (
        f"{line.where}: another area for load {line.load}" for line in lines if line.area_ha != areas[line.load]
    )


def _label_faults(lines: Sequence[Line], limits: tuple[Any, Any]) -> Iterator[str]:
    """Hold each amount against the label on the ground of its load; where no step lies between, the maximum holds."""
    for line in lines:
        area, amount = float(line.area_ha), float(line.amount)
        most = amount_on(area + LOAD_ROUNDING, limits[1], line.unit)
        least = amount_on(area - LOAD_ROUNDING, limits[0], line.unit)
        told = f"{line.where}: {line.amount} {line.unit} of {shown(line.item)} on {line.area_ha} ha"
        if amount > most * (1 + 1e-9):
            yield f"{told}; should be at most {most:.6g}, the label's maximum"
        if amount < least and amount + line.step <= amount_on(area - LOAD_ROUNDING, limits[1], line.unit):
            yield f"{told}; should be at least {least:.6g}, the label's minimum"


def _total_fault(lines: Sequence[Line], used: Any, limits: tuple[Any, Any]) -> Iterator[str]:
    """Hold the sum of a product against rate x area; a step may be missing only where the label allows no other."""
    unit, step = lines[0].unit, lines[0].step
    half = HALF * sum({line.step for line in lines})  # each kind of step adds up by itself
    total = float(sum(line.amount for line in lines))
    wanted = convert(float(used["total"]), used["total_unit"], unit)
    off = total - wanted
    told = HALF * 10.0 ** -max(TOTAL_DECIMALS, decimals_of(Decimal(used["total"])))
    if abs(off) <= half + convert(told, used["total_unit"], unit):
        return
    at, way = (limits[1], 1) if off < 0 else (limits[0], -1)
    bound = [way * amount_on(float(line.area_ha) - way * LOAD_ROUNDING, at, unit) for line in lines]
    held = all(way * float(line.amount) + step > limit for line, limit in zip(lines, bound, strict=True))
    if not held or abs(off) > step * len(lines):
        name = lines[0].where.rpartition(":")[0]
        yield f"{name}: loads of {shown(used['name'])} add up to {total:.6g} {unit}; {SUMMARY} has {wanted:.6g}"


def _water_fault(crew: Crew, lines: Sequence[Line]) -> Iterator[str]:
    """Hold water and liquid products together against the spray volume."""
    parts = [feature.properties for feature in treated(crew.layer)]
    rates = [convert(float(part["volume"]), part["vol_unit"], "L/ha") for part in parts]
    spray = sum(rate * float(part["area_ha"]) for rate, part in zip(rates, parts, strict=True))
    mixed = sum(line.litres for line in lines)
    slack = sum(line.step_l for line in lines if line.item != WATER) + lines[0].step_l + AREA_ROUNDING * sum(rates)
    if abs(mixed - spray) > slack:
        name = f"{crew.folder}/mix_sheet.csv"
        yield f"{name}: water and products add up to {mixed:.6g} L; spray volume x area is {spray:.6g} L"


def _room_faults(lines: Sequence[Line], machine: Any) -> Iterator[str]:
    """Hold each load against what the tank holds beside its reserve, and against the battery."""
    usable, reach = usable_l(machine), reach_ha(machine)
    for load in sorted({line.load for line in lines}):
        own = [line for line in lines if line.load == load and not line.beside]
        litres, slack = sum(line.litres for line in own), sum(line.step_l for line in own)
        told = f"{own[0].where}: load {load}"
        if litres > usable + slack:
            yield f"{told} of {litres:.6g} L; the tank takes {usable:.6g} L beside its reserve"
        if reach is not None and float(own[0].area_ha) > reach + LOAD_ROUNDING:
            yield f"{told} on {own[0].area_ha} ha; the machine's endurance is {reach:.6g} ha"
