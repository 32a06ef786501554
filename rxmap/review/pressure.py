"""Pressure after the pass: on the check strips against beside them, and over the season."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from rxmap.errors import InputError, shown
from rxmap.grid import FloatArray
from rxmap.plan import Plan, Target
from rxmap.read.planned import PlannedPass
from rxmap.records import Observation
from rxmap.review.grounds import Pair, StripGround, Unused
from rxmap.review.intervals import FEWEST_PAIRS, Interval, paired_interval, ratio_interval

BESIDE = 5.0  # widths of a strip within which a stop on treated ground is beside it; judgement
COLUMN = "strip"  # of the second visit: number of the strip that a stop is on, 0 for none
TREATED, STRIPS, REST = "treated ground", "check strips", "untreated ground"
Z = 1.645  # normal, 5-95 %


@dataclass(frozen=True, slots=True, kw_only=True)
class Fall:
    """What a pass did to the pressure of a target, strips against treated ground beside them.

    Parameters
    ----------
    target, unit : str
        Which, and the unit of its pressure.
    pairs, unused : sequence of Pair, sequence of Unused
        By strip.
    drop : Interval or None
        On the strips less beside them, in `unit`.
    control : Interval or None
        The same as a share of the pressure on the strips.
    planned : float
        Control that the plan expects.
    why : str
        Why there is no range; empty where there is one.
    """

    target: str
    unit: str
    pairs: tuple[Pair, ...]
    unused: tuple[Unused, ...]
    drop: Interval | None
    control: Interval | None
    planned: float
    why: str


@dataclass(frozen=True, slots=True, order=True, kw_only=True)
class Visit:
    """Mean pressure of a target on one kind of ground on one day; `error` is its standard error, if known."""

    target: str
    ground: str
    date: dt.date
    stops: int
    mean: float
    error: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """Pressure over time on one kind of ground, and the area under it [unit x day]."""

    target: str
    unit: str
    ground: str
    visits: tuple[Visit, ...]
    area: float
    range: Interval | None


def pressure_of(row: Observation, target: Target) -> float:
    """Pressure at a stop, in the target's unit.

    Examples
    --------
    >>> row = Observation(stop="1", lon=0, lat=0, easting=0, northing=0, target="a", n=10, value=4, place="")
    >>> made = {"name": "a", "threshold": 9, "source": "own"}
    >>> pressure_of(row, Target(measure="count", per=5, **made)), pressure_of(row, Target(measure="incidence", **made))
    (2.0, 40.0)
    """
    if target.measure == "count":
        return target.per * row.value / row.n
    return 100.0 * row.value / row.n if target.measure == "incidence" else row.value


def fall(
    target: Target, planned: float, grounds: Sequence[StripGround], *, rows: Sequence[Observation], near_m: float
) -> Fall:
    """Compare a second visit's stops on the strips with those beside them.

    A stop with a number in the column `strip` is on that strip, with 0 on none; without it, the place decides, and
    stops nearer to a strip's edge than a receiver can tell count for neither.

    Parameters
    ----------
    target : Target
        Controlled by the pass.
    planned : float
        Control that the plan expects.
    grounds : sequence of StripGround
        Strips of the pass.
    rows : sequence of Observation
        Used rows of this target on treated ground and strips.
    near_m : float [m]
        Error of a stop's position.
    """
    pairs: list[Pair] = []
    unused: list[Unused] = []
    places = shapely.points([(row.easting, row.northing) for row in rows])
    values = np.array([pressure_of(row, target) for row in rows])
    on = np.array([_strip_of(row, place, grounds) for row, place in zip(rows, places, strict=True)], int)
    away = np.array([shapely.distance(ground.whole, places) for ground in grounds]).T  # (stops, strips) [m]
    told = np.array([COLUMN in dict(row.extra) for row in rows], bool)
    for at, ground in enumerate(grounds):
        here = values[on == ground.number]
        free = (on == 0) & (told | (away[:, at] > near_m)) & (away.argmin(axis=1) == at)
        beside = values[free & (away[:, at] <= BESIDE * ground.width_m)]
        why = ground.why or _missing(len(here), len(beside))
        if why:
            unused.append(Unused(number=ground.number, why=why))
            continue
        counts = (len(here), len(beside))
        pairs.append(Pair(number=ground.number, on=float(here.mean()), beside=float(beside.mean()), points=counts))
    drops = [-pair.gain for pair in pairs]
    return Fall(
        target=target.name,
        unit=target.unit,
        pairs=tuple(pairs),
        unused=tuple(unused),
        drop=paired_interval(drops),
        control=ratio_interval(drops, [pair.on for pair in pairs]),
        planned=planned,
        why="" if len(pairs) >= FEWEST_PAIRS else too_few(len(pairs), unused),
    )


def too_few(pairs: int, unused: Sequence[Unused]) -> str:
    """Say that so many strips cannot tell, and what is wrong with the others."""
    if not pairs and not unused:
        return "there is no check strip, and nothing else can tell"
    have = {0: "none", 1: "one"}.get(pairs, str(pairs))
    others = "; ".join(f"strip {one.number}: {one.why}" for one in unused)
    reasons = f" ({others})" if others else ""
    return (
        f"of {pairs + len(unused)} check strips {have} can be used{reasons}, and fewer than {FEWEST_PAIRS} cannot tell"
    )


def _strip_of(row: Observation, place: BaseGeometry, grounds: Sequence[StripGround]) -> int:
    """Find the strip that a stop is on: told by the scout, else by its place; 0 for none."""
    told = dict(row.extra).get(COLUMN)
    if told is None:
        return next((ground.number for ground in grounds if ground.whole.contains(place)), 0)
    numbers = [ground.number for ground in grounds]
    if not told.isdecimal() or int(told) not in (0, *numbers):
        raise InputError(
            f"{row.place}, column {COLUMN}: found {shown(told)}: not a check strip. Write 0 or one of "
            f"{', '.join(map(str, numbers)) or 'none'}."
        )
    return int(told)


def _missing(on: int, beside: int) -> str:
    if on == 0:
        return "no stop on it"
    return "no stop beside it" if beside == 0 else ""


# Over the season ------------------------------------------------------------------------------


def visits(plan: Plan, rows: Iterable[Observation], passes: Sequence[PlannedPass]) -> list[Visit]:
    """Mean pressure of each target on each kind of ground, day by day.

    Before the spray date what was to be treated and its strips are one ground; a curve of the strips starts there.
    """
    known = {target.name: target for target in plan.target}
    sprayed = plan.field.spray_date
    groups: dict[tuple[str, str, dt.date], list[float]] = {}
    seen = [row for row in rows if row.target in known and row.date is not None and not row.edge]
    days = _visit_days([row.date for row in seen if row.date], sprayed)
    for row in seen:
        if row.date is None:
            continue
        target = known[row.target]
        for ground in _grounds_of(row, _controlling(plan, passes, target.name), sprayed):
            groups.setdefault((target.name, ground, days[row.date]), []).append(pressure_of(row, target))
    return sorted(_visit(key, values) for key, values in groups.items())


def _visit_days(dates: Sequence[dt.date], sprayed: dt.date | None) -> dict[dt.date, dt.date]:
    """Day of the visit that each date belongs to: a walk over following days is one, named by its fullest day."""
    walks: list[list[dt.date]] = []
    for date in sorted(set(dates)):
        follows = bool(walks) and (date - walks[-1][-1]).days == 1 and sprayed != walks[-1][-1]
        if follows:
            walks[-1].append(date)
        else:
            walks.append([date])
    return {date: max(walk, key=dates.count) for walk in walks for date in walk}


def _controlling(plan: Plan, passes: Sequence[PlannedPass], target: str) -> list[PlannedPass]:
    names = {product.name for product in plan.product if target in product.controls}
    return [one for one in passes if names.intersection(p["name"] for p in one.products)]


def _grounds_of(row: Observation, passes: Sequence[PlannedPass], sprayed: dt.date | None) -> list[str]:
    place = shapely.Point(row.easting, row.northing)
    told = dict(row.extra).get(COLUMN, "")
    on_strip = any(strip.contains(place) for one in passes for _, strip in one.strips)
    if told.isdecimal():
        on_strip = int(told) > 0
    inside = on_strip or any(one.treated.contains(place) for one in passes)
    if not inside:
        return [REST]
    if sprayed is None or (row.date is not None and row.date <= sprayed):
        return [STRIPS, TREATED]
    return [STRIPS if on_strip else TREATED]


def _visit(key: tuple[str, str, dt.date], values: list[float]) -> Visit:
    target, ground, date = key
    error = float(np.std(values, ddof=1)) / math.sqrt(len(values)) if len(values) > 1 else None
    return Visit(target=target, ground=ground, date=date, stops=len(values), mean=float(np.mean(values)), error=error)


def curves(plan: Plan, found: Iterable[Visit]) -> list[Curve]:
    """Put visits in order of time, by target and ground; a curve needs two days."""
    units = {target.name: target.unit for target in plan.target}
    groups: dict[tuple[str, str], dict[dt.date, Visit]] = {}
    for visit in found:
        if visit.target in units:
            groups.setdefault((visit.target, visit.ground), {})[visit.date] = visit
    return [
        Curve(
            target=target,
            unit=units[target],
            ground=ground,
            visits=(line := tuple(days[day] for day in sorted(days))),
            area=area_under([v.date for v in line], [v.mean for v in line]),
            range=area_range([v.date for v in line], [v.mean for v in line], [v.error for v in line]),
        )
        for (target, ground), days in sorted(groups.items())
        if len(days) > 1
    ]


def area_under(dates: Sequence[dt.date], means: Sequence[float]) -> float:
    """Area under pressure over time by the trapezoid: pest-days of a count, AUDPC of a severity [unit x day].

    References
    ----------
    Ruppel (1983), Cumulative insect-days, J. Econ. Entomol. 76:375-377; Shaner and Finney (1977), Phytopathology
    67:1051-1056 (both from memory).

    Examples
    --------
    >>> area_under([dt.date(2026, 7, day) for day in (1, 8, 15)], [50, 150, 400])
    2625.0
    """
    return float(_weights(dates) @ np.asarray(means, float))


def area_range(dates: Sequence[dt.date], means: Sequence[float], errors: Sequence[float | None]) -> Interval | None:
    """Range of the area under pressure, with visits independent and normal; None if one visit has no error known.

    Examples
    --------
    >>> days = [dt.date(2026, 7, day) for day in (1, 8, 15)]
    >>> told = area_range(days, [50, 150, 400], [10.0, 20.0, 50.0])
    >>> round(told.low), round(told.high)  # 1.645 x sqrt((3.5 x 10)^2 + (7 x 20)^2 + (3.5 x 50)^2)
    (2252, 2998)
    """
    known = [error for error in errors if error is not None]
    if len(known) < len(errors):
        return None
    value, half = area_under(dates, means), Z * float(np.linalg.norm(_weights(dates) * np.asarray(known)))
    return Interval(value=value, low=max(value - half, 0.0), high=value + half)


def _weights(dates: Sequence[dt.date]) -> FloatArray:
    """Days that each visit stands for: half of those to its neighbours."""
    day = np.array([date.toordinal() for date in dates], float)
    weights: FloatArray = np.convolve(np.diff(day), [0.5, 0.5])
    return weights
