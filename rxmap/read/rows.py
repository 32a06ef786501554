"""Rows of the scouting file to observations, one at a time, before anybody asks where they are."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from typing import TypeVar

from rxmap.errors import Faults, shown
from rxmap.plan import Target
from rxmap.read import cells
from rxmap.read.columns import COLUMN_OF, KNOWN, MEASURES, canonical, edits, header_faults, missing
from rxmap.read.table import Row, Table
from rxmap.records import Measure, Observation

LONGEST_ID = 200  # [letter] as long as a name in the plan may be

_SEXAGESIMAL = re.compile(r"[0-9].*[°'\"NSEW]|[NSEW].*[0-9]")

T = TypeVar("T")


def observations_of(table: Table, targets: Mapping[str, Target], faults: Faults) -> list[Observation]:
    """Read the rows of one table; faulty rows are noted and left out.

    Parameters
    ----------
    table : Table
        Scouting rows in long form.
    targets : mapping of str to Target
        Targets of the plan by name.
    faults : Faults
        Takes what is wrong, every row of it.

    Returns
    -------
    list of Observation
        Not yet placed: easting and northing are NaN.
    """
    wrong = header_faults(table.header) or _missing_columns(table, targets)
    faults.extend(f"{table.name}: {line}" for line in wrong)
    if wrong:
        return []
    found = (_observation(_Reader(table, row, faults), targets) for row in table.rows)
    return [observation for observation in found if observation is not None]


def _missing_columns(table: Table, targets: Mapping[str, Target]) -> list[str]:
    """Columns that the targets in this table need by their measure."""
    names = [canonical(name) for name in table.header]
    here = {row.cells[names.index("target")] for row in table.rows}
    measures = dict.fromkeys(target.measure for name, target in targets.items() if name in here)
    needed = dict.fromkeys(COLUMN_OF[measure] for measure in measures)
    if any(_is_counted(measure) for measure in measures):
        needed["n"] = None
    lines = [missing(column, table.header) for column in needed if column not in names]
    for position, name in enumerate(names):
        if not name and any(row.cells[position] for row in table.rows):
            lines.append(f"column {position + 1} has no name. Give it one.")
    return lines


def _is_counted(measure: Measure) -> bool:
    return measure in ("count", "incidence")


class _Reader:
    """One row, asked column by column; what cannot be read is noted as a fault."""

    def __init__(self, table: Table, row: Row, faults: Faults) -> None:
        self.place = table.place(row)
        self.mark = table.mark
        self.sound = True
        self._faults = faults
        self._written = table.written
        self._cells = {canonical(name): cell for name, cell in zip(table.header, row.cells, strict=True)}
        self.extra = tuple(
            sorted(
                (name, cell)
                for name, cell in zip(table.header, row.cells, strict=True)
                if cell and canonical(name) not in KNOWN
            )
        )

    def text(self, column: str) -> str:
        return self._cells.get(column, "")

    def fault(self, column: str, found: str) -> None:
        self.sound = False
        self._faults.add(f"{self.place}, column {self._written.get(column, column)}: {found}.")

    def optional(self, column: str, read: Callable[[str, str], T], blank: T) -> T:
        if not self.text(column):
            return blank
        try:
            return read(self.text(column), self.mark)
        except ValueError as error:
            self.fault(column, f"found {shown(self.text(column))}: {error}")
            return blank

    def required(self, column: str, read: Callable[[str, str], T], blank: T, why: str = "Fill it in") -> T:
        if not self.text(column):
            self.fault(column, f"is blank. {why}")
            return blank
        return self.optional(column, read, blank)


def _observation(row: _Reader, targets: Mapping[str, Target]) -> Observation | None:
    stop = row.required("stop", _identity, "")
    lon, lat = row.required("lon", _degrees, 0.0), row.required("lat", _degrees, 0.0)
    _check_degrees(row, lon, lat)
    name = row.required("target", _identity, "")
    target = targets.get(name)
    near = _near_target(name, targets) if target is None and name else None
    if near is not None:
        row.fault("target", f"found {shown(name)}: close to the plan's '{near}'. Write it the same way")
    measure = _measure(row, target)
    if measure is None:
        return None
    n = _sample_units(row, measure, target)
    value, positives = _value(row, measure, target, n)
    date = row.optional("date", cells.day, None)
    edge = row.optional("edge", cells.edge, False)
    if not row.sound:
        return None
    return Observation(
        stop=stop, lon=lon, lat=lat, easting=math.nan, northing=math.nan, target=name, n=n, value=value,
        positives=positives, place=row.place, date=date, edge=edge, note=row.text("note"), extra=row.extra,
    )  # fmt: skip


def _identity(text: str, mark: str) -> str:
    if len(text) > LONGEST_ID:
        raise ValueError(f"longer than {LONGEST_ID} letters. Shorten it")
    return text


def _degrees(text: str, mark: str) -> float:
    try:
        return cells.number(text, mark)
    except ValueError as error:
        if _SEXAGESIMAL.search(text.upper()):
            raise ValueError("degrees, minutes or a compass letter. Write decimal degrees, minus for W and S") from None
        raise ValueError(str(error)) from None


def _check_degrees(row: _Reader, lon: float, lat: float) -> None:
    """Say which mistake coordinates outside their range look like."""
    found = f"found {shown(row.text('lon'))} with lat {shown(row.text('lat'))}"
    if row.sound and lon == 0 and lat == 0:
        row.fault("lon", f"{found}: a receiver without a fix. Remove the row, or fill in the place")
    elif abs(lon) <= 180 and abs(lat) <= 90:
        return
    elif abs(lon) <= 90 and abs(lat) <= 180:
        row.fault("lon", f"{found}: longitude and latitude look swapped. Swap them back")
    elif 180 < lon <= 360 and abs(lat) <= 90:
        row.fault("lon", f"{found}: longitude counted eastward past 180. Subtract 360")
    else:
        row.fault("lon", f"{found}: metres, or degrees and minutes run together. Write WGS84 decimal degrees")


def _near_target(name: str, targets: Mapping[str, Target]) -> str | None:
    """Target of the plan that a name misspells: other case or spaces, or two edits in a long name."""

    def plain(text: str) -> str:
        return "".join(letter for letter in text.casefold() if letter.isalnum())

    def close(one: str, other: str) -> bool:
        return one == other or (min(len(one), len(other)) >= 5 and edits(one, other) <= 2)

    return next((target for target in targets if close(plain(name), plain(target))), None)


def _measure(row: _Reader, target: Target | None) -> Measure | None:
    """Which measure a row carries: the target's own, or for a target not in the plan the one that is there."""
    found = [column for column in MEASURES if row.text(column)]
    wanted = COLUMN_OF[target.measure] if target else next(iter(found), "count")
    if wanted not in found:
        measured = "the target is measured by it" if target else "so is every other measure"
        row.fault(wanted, f"is blank, and {measured}. Write 0 where nothing was found")
        return None
    # count rows may say how many of the units were infested
    others = [column for column in found if column not in (wanted, "positives" if wanted == "count" else wanted)]
    if others:
        row.fault(others[0], f"a second measure beside {wanted}. Leave one per row")
        return None
    return MEASURES[wanted]


def _sample_units(row: _Reader, measure: Measure, target: Target | None) -> int:
    if target is not None and _is_counted(measure):
        return row.required("n", cells.at_least_one, 1, "Write how many plants or sweeps were looked at")
    return row.optional("n", cells.at_least_one, 1)


def _value(row: _Reader, measure: Measure, target: Target | None, n: int) -> tuple[float, int | None]:
    """Value in the unit of the measure, and positives where the row tells them."""
    column = COLUMN_OF[measure]
    if not _is_counted(measure):
        return row.required(column, _reader_of(target, measure), 0.0), None
    value = row.required(column, cells.whole, 0)
    positives = value if measure == "incidence" else row.optional("positives", cells.whole, None)
    if positives is not None and positives > n:
        row.fault("positives", f"found {positives} of n = {n}: more than were looked at. Check both")
    elif positives is not None and positives > value:
        row.fault("positives", f"found {positives} units with at least one, but {value} in all. Check both")
    return float(value), positives


def _reader_of(target: Target | None, measure: Measure) -> Callable[[str, str], float]:
    if measure == "severity":
        return cells.percent
    if target is None or target.scale is None:
        return cells.score
    scale = target.scale
    return lambda text, mark: cells.rating(text, scale, mark)
