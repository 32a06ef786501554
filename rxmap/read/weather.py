"""The weather table: hours or days of observations and forecast, read strictly.

The unit stands in the name of a column. Times are those of the local clock: no zone is read and none is guessed.
What is missing stays missing, and a caution says how much.
"""

from __future__ import annotations

import datetime as dt
import itertools
import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from rxmap.errors import Caution, Faults, InputError, shown
from rxmap.grid import FloatArray
from rxmap.read import cells
from rxmap.read.columns import EDITS, SHORTEST_NEAR_MISS, canonical, edits
from rxmap.read.door import Source
from rxmap.read.places_table import Columns
from rxmap.read.table import MOST_ROWS, Table, read_table
from rxmap.records_weather import STEPS, Step, WeatherTable

MM_PER_INCH = 25.4  # exact
DECIMALS = 6  # of our units: 10 mph must be what a limit of 10 mph is
MS_PER_KMH, MS_PER_MPH = 1 / 3.6, 1609.344 / 3600  # exact


class Column(NamedTuple):
    """A column: what it measures, how its numbers become ours, and between what they must lie."""

    quantity: str
    ours: Callable[[float], float]
    least: float
    most: float


def _same(value: float) -> float:
    return value


def _celsius(fahrenheit: float) -> float:
    return (fahrenheit - 32) * 5 / 9


def _times(factor: float) -> Callable[[float], float]:
    return lambda value: value * factor


# Ends in our units. Our limits but those of humidity and wet hours: what lies beyond was never measured near a crop,
# and is another unit or a slip of the hand.
COLD, HOT, GALE = -60.0, 60.0, 75.0  # [degree Celsius], [m/s]
CLOUDBURST: dict[Step, float] = {"hour": 400.0, "day": 2000.0}  # [mm]
WET: dict[Step, float] = {"hour": 1.0, "day": 24.0}  # [hour] no hour is longer


def columns_of(step: Step) -> dict[str, Column]:
    """Columns that a table of hours or of days may have beside its time.

    Examples
    --------
    >>> list(columns_of("hour"))[:3]
    ['temp_c', 'temp_f', 'rh_pct']
    """
    warmth = ("temp",) if step == "hour" else ("tmin", "tmax")
    found = {}
    for name in warmth:
        found[f"{name}_c"] = Column(name, _same, COLD, HOT)
        found[f"{name}_f"] = Column(name, _celsius, COLD, HOT)
    return found | {
        "rh_pct": Column("rh", _same, 0.0, 100.0),
        "wet_h": Column("wet", _same, 0.0, WET[step]),
        "rain_mm": Column("rain", _same, 0.0, CLOUDBURST[step]),
        "rain_in": Column("rain", _times(MM_PER_INCH), 0.0, CLOUDBURST[step]),
        "wind_ms": Column("wind", _same, 0.0, GALE),
        "wind_kmh": Column("wind", _times(MS_PER_KMH), 0.0, GALE),
        "wind_mph": Column("wind", _times(MS_PER_MPH), 0.0, GALE),
    }


TIMES: dict[str, Step] = {"time": "hour", "date": "day"}
FORECAST = "forecast"
KNOWN = (*TIMES, *dict.fromkeys((*columns_of("hour"), *columns_of("day"))), FORECAST)
# Names that say what is measured and not in which unit, or that we call otherwise.
BARE = {
    "temp": "temp", "temperature": "temp", "air_temperature": "temp", "tmin": "tmin", "tmax": "tmax", "rh": "rh",
    "humidity": "rh", "relative_humidity": "rh", "wet": "wet", "wetness": "wet", "leaf_wetness": "wet", "rain": "rain",
    "rainfall": "rain", "precip": "rain", "precipitation": "rain", "wind": "wind", "wind_speed": "wind",
    "windspeed": "wind",
}  # fmt: skip

OTHERS = frozenset({"tmean_c", "tmean_f", "wind_max"})  # of many a station, and two edits from ours

_HOUR = re.compile(r"([0-9]{4}-[0-9]{2}-[0-9]{2})[T ]([0-9]{2}):([0-9]{2})(?::00)?")
_ZONE = re.compile(r".*[0-9](?:\s*(?:Z|UTC|GMT|[A-Z]{3,4}T)|[+-][0-9]{2}:?[0-9]{2})", re.IGNORECASE)
_WITH_COMMA = re.compile(r"-?[0-9]+,[0-9]+")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Line:
    """One row: its place for messages, when it begins, its values by quantity, and what it is."""

    place: str
    time: dt.datetime
    values: dict[str, float]
    forecast: bool


def read_weather(source: Source) -> tuple[WeatherTable, list[Caution]]:
    """Read hours or days of weather.

    Parameters
    ----------
    source : Source
        Delimited text, from the door.

    Returns
    -------
    table : WeatherTable
        Without a gap in time; NaN where the file says nothing.
    cautions : list of Caution
        What is missing.

    Raises
    ------
    InputError
        With every fault of the table, one line each.
    """
    table = read_table(source, form="one row for each hour or day", needed=("time or date", "temp_c", "..."))
    names = [canonical(name) for name in table.header]
    wrong = _header_faults(names)
    if wrong:
        raise InputError([f"{table.name}: {line}" for line in wrong])
    step = TIMES["time" if "time" in names else "date"]
    known = {name: column for name, column in columns_of(step).items() if name in names}
    faults = Faults()
    reader = Columns(replace(table, mark=_mark(table, names, known)), faults)
    lines = _lines(reader, step, known, faults)
    faults.extend(_order_faults(lines, step))
    faults.raise_if_any()
    return _even(lines, table.name, step), _missing(lines, table.name, step, known)


def _header_faults(names: Sequence[str]) -> list[str]:
    """List the faults of a header, without the file: columns twice, near misses, no unit, missing or of two kinds."""
    times = [name for name in TIMES if name in names]
    step = TIMES[times[0]] if times else "hour"
    wanted = columns_of(step)
    faults = [f"column {shown(name)} stands twice. Remove one." for name in KNOWN if names.count(name) > 1]
    for name in names:
        if name in BARE:
            choices = [one for one, column in (columns_of("hour") | columns_of("day")).items()
                       if column.quantity == BARE[name]]  # fmt: skip
            faults.append(f"column {shown(name)} does not say its unit. Write {' or '.join(choices)}.")
        elif name not in KNOWN and (near := _near(name)):
            faults.append(f"column {shown(name)} is close to '{near}'. Write '{near}', or give it another name.")
        elif name in KNOWN and name not in (*wanted, *TIMES, FORECAST):
            whose = "days, with a column date" if step == "hour" else "hours, with a column time"
            faults.append(f"column {shown(name)} belongs to a table of {whose}. Write one kind of table.")
    if len(times) != 1:
        found = "has both" if times else "has neither"
        faults.append(f"the header {found} time (for hours) and date (for days). Write one of them.")
    for quantity in dict.fromkeys(column.quantity for column in wanted.values()):
        given = [name for name in wanted if name in names and wanted[name].quantity == quantity]
        if len(given) > 1:
            faults.append(f"columns {' and '.join(given)} hold the same. Remove one.")
        if not given and quantity in ("temp", "tmin", "tmax") and quantity not in (BARE.get(name) for name in names):
            faults.append(f"column {quantity}_c or {quantity}_f is missing. Add it.")
    return faults


def _near(name: str) -> str | None:
    """Known column that a name comes too close to."""
    if len(name) < SHORTEST_NEAR_MISS or name in OTHERS:
        return None
    long_names = (known for known in KNOWN if len(known) >= SHORTEST_NEAR_MISS)
    return min(
        (known for known in long_names if edits(name, known) <= EDITS), key=lambda k: edits(name, k), default=None
    )


def _mark(table: Table, names: Sequence[str], known: dict[str, Column]) -> str:
    """Decimal mark: a comma where a number has one; no number of a weather table has thousands."""
    places = [names.index(name) for name in known]
    return "," if any(_WITH_COMMA.fullmatch(row.cells[place]) for row in table.rows for place in places) else "."


def _lines(reader: Columns, step: Step, known: dict[str, Column], faults: Faults) -> list[_Line]:
    """Read every row; what cannot be read is noted, and a row without a time is left out."""
    lines = []
    when = "time" if step == "hour" else "date"
    for row in reader.table.rows:
        time = reader.value(row, when, _hour if step == "hour" else _day, None)
        values = {}
        for name, column in known.items():
            if reader.text(row, name):
                values[column.quantity] = reader.value(row, name, _within(column), math.nan)
        forecast = bool(reader.text(row, FORECAST)) and reader.value(row, FORECAST, _flag, False)
        if step == "day" and values.get("tmin", -math.inf) > values.get("tmax", math.inf):
            faults.add(f"{reader.table.place(row)}: the lowest temperature is above the highest. Mend them.")
        if time is not None:
            lines.append(_Line(place=reader.table.place(row), time=time, values=values, forecast=forecast))
    return lines


def _within(column: Column) -> Callable[[str, str], float]:
    def read(text: str, mark: str) -> float:
        value = round(column.ours(cells.number(text, mark)), DECIMALS)
        if not column.least <= value <= column.most:
            raise ValueError("not possible in this unit. Check the number and the unit in the column's name")
        return value

    return read


def _hour(text: str, mark: str) -> dt.datetime:
    advice = "Write the local clock time of a full hour as 2026-07-18T06:00"
    match = _HOUR.fullmatch(text)
    if match is None:
        if _ZONE.fullmatch(text):
            raise ValueError(f"carries a time zone, which is not read. {advice}")
        if re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", text):
            raise ValueError(f"a day among hours. {advice}, or make a table of days")
        raise ValueError(f"not an ISO time. {advice}")
    day = cells.day(match[1])
    hour, minute = int(match[2]), int(match[3])
    if hour > 23 or minute > 59:
        raise ValueError(f"no such time. {advice}")
    if minute:
        raise ValueError(f"not a full hour. {advice}, one row for each hour")
    return dt.datetime.combine(day, dt.time(hour))


def _day(text: str, mark: str) -> dt.datetime:
    if re.match(r"[0-9]{4}-[0-9]{2}-[0-9]{2}[T ]", text):
        raise ValueError("a time among days. Write the day alone, or make a table of hours")
    return dt.datetime.combine(cells.day(text), dt.time())


def _flag(text: str, mark: str) -> bool:
    if text not in ("0", "1"):
        raise ValueError("not 1, 0 or blank. Write 1 for a forecast")
    return text == "1"


def _order_faults(lines: Sequence[_Line], step: Step) -> list[str]:
    """List rows that stand twice or too early, and observations after a forecast."""
    faults: list[str] = []
    seen: dict[dt.datetime, str] = {}
    early = late = False
    for before, line in zip([None, *lines], lines, strict=False):
        if line.time in seen:
            change = " At the end of summer time keep one of the two." if step == "hour" else ""
            faults.append(f"{line.place}: the same {step} as {seen[line.time].split(': ')[-1]}. Remove one.{change}")
        elif before and line.time < before.time and not early:
            early = True  # a table the other way round is one fault
            faults.append(f"{line.place}: is before the row above. Sort the table by its time.")
        elif before and before.forecast and not line.forecast and not late:
            late = True
            faults.append(f"{line.place}: an observation after a forecast. Mark it as forecast, or mend the one above.")
        seen.setdefault(line.time, line.place)
    if len(lines) > 1 and (lines[-1].time - lines[0].time) // STEPS[step] >= MOST_ROWS:
        faults.append(f"{lines[-1].place}: more than {MOST_ROWS} {step}s after the first row. Check the dates.")
    return faults


def _even(lines: Sequence[_Line], name: str, step: Step) -> WeatherTable:
    """Lay the rows on an axis without gaps, NaN where there is none."""
    first = lines[0].time
    rows = [(line.time - first) // STEPS[step] for line in lines]

    def series(quantity: str) -> FloatArray:
        values = np.full(rows[-1] + 1, np.nan)
        values[rows] = [line.values.get(quantity, math.nan) for line in lines]
        return values

    low, high = ("temp", "temp") if step == "hour" else ("tmin", "tmax")
    return WeatherTable(
        name=name,
        step=step,
        first=first,
        low=series(low),
        high=series(high),
        humidity=series("rh"),
        wetness=series("wet"),
        rain=series("rain"),
        wind=series("wind"),
        forecast_from=next((row for row, line in zip(rows, lines, strict=True) if line.forecast), None),
    )


def _missing(lines: Sequence[_Line], name: str, step: Step, known: dict[str, Column]) -> list[Caution]:
    """Say how many rows are missing between the first and the last, and how many cells are blank."""
    told = []
    steps = [(after.time - before.time) // STEPS[step] - 1 for before, after in itertools.pairwise(lines)]
    if any(steps):
        before = lines[next(number for number, gap in enumerate(steps) if gap)]
        told.append(f"{sum(steps)} {step}s are missing, the first after {_clock(before.time, step)}")
    for column, one in known.items():
        blank = sum(one.quantity not in line.values for line in lines)
        if blank:
            told.append(f"{column} is blank in {blank} of {len(lines)} rows")
    if not told:
        return []
    return [Caution("weather_gaps", f"{name}: {'; '.join(told)}. Nothing is filled in: what needs them is left out.")]


def _clock(time: dt.datetime, step: Step) -> str:
    return f"{time:%Y-%m-%d %H:%M}" if step == "hour" else f"{time:%Y-%m-%d}"
