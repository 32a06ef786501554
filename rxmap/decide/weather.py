"""What a weather table says beside the decision: degree days, favourable hours, spray windows. It decides nothing."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from rxmap.decide.infection import infections, plain
from rxmap.decide.infection_rules import CORN, WHEAT
from rxmap.decide.windows import coming, pass_windows
from rxmap.errors import Caution
from rxmap.plan import Plan
from rxmap.records import PassResult
from rxmap.records_weather import DegreeDays, PassWindows, WarmDay, WeatherReport, WeatherTable

HOURS = 24


class Warmth(NamedTuple):
    """Temperatures between which a crop grows faster the warmer it is [degree Celsius]."""

    crop: str
    names: frozenset[str]
    base: float
    upper: float | None
    source: str


# McMaster and Wilhelm (1997), abstract and methods: base 0 for wheat; base 10, upper limit 30 for corn (50 and 86 F).
WARMTHS = (
    Warmth("corn", CORN, 10.0, 30.0, "McMaster and Wilhelm 1997, method 2"),
    Warmth("wheat", WHEAT, 0.0, None, "McMaster and Wilhelm 1997, method 2"),
)


def degree_days(low: float, high: float, base: float, upper: float | None = None) -> float:
    """Degree days of one day: the mean of its two ends, each first brought between base and upper limit, less the base.

    Parameters
    ----------
    low, high : float [degree Celsius]
        Lowest and highest temperature of the day.
    base, upper : float [degree Celsius]
        Limits; no upper one where it is None.

    References
    ----------
    McMaster and Wilhelm (1997), Growing degree-days: one equation, two interpretations, Agricultural and Forest
    Meteorology 87:291-300, method 2.

    Examples
    --------
    >>> degree_days(6.0, 24.0, 10.0, 30.0)
    7.0
    """
    ends = [max(low, base), max(high, base)]
    if upper is not None:
        ends = [min(end, upper) for end in ends]
    return sum(ends) / 2 - base


def weather_report(
    table: WeatherTable, plan: Plan, passes: Sequence[PassResult], walked: dt.date | None
) -> WeatherReport:
    """Say what the table tells about the crop, the targets and the passes that go out.

    Parameters
    ----------
    table : WeatherTable
        From `read`.
    plan : Plan
        Crop, targets, products and spray date.
    passes : sequence of PassResult
        Windows are looked for where one goes out.
    walked : date or None
        Newest visit.
    """
    going = [one for one in passes if one.decision != "none"]
    windows = tuple(_windows(table, plan, one, walked) for one in going) if table.step == "hour" else ()
    return WeatherReport(
        name=table.name,
        step=table.step,
        first=table.first,
        last=table.time(len(table)),
        forecast_from=None if table.forecast_from is None else table.time(table.forecast_from),
        spray_date=plan.field.spray_date,
        degree_days=_crop_warmth(table, plan.field.crop),
        infections=infections(table, plan.field.crop, [target.name for target in plan.target], plan.field.spray_date),
        passes=windows,
        cautions=(*_outside(table, plan.field.spray_date), *_no_window(table, going, windows)),
    )


def _windows(table: WeatherTable, plan: Plan, one: PassResult, walked: dt.date | None) -> PassWindows:
    names = {use.name for use in one.products}
    products = [product for product in plan.product if product.name in names]
    start, end = coming(table, walked)
    return pass_windows(table, one.name, one.slug, products, start=start, end=end)


def _crop_warmth(table: WeatherTable, crop: str) -> DegreeDays | None:
    """Degree days of the crop, where limits were published under its name."""
    warmth = next((each for each in WARMTHS if plain(crop) in each.names), None)
    if warmth is None:
        return None
    days, left_out = [], 0
    step = HOURS if table.step == "hour" else 1
    for start in range(-table.first.hour, len(table), step):  # whole days of the clock
        if start < 0 or start + step > len(table):
            continue  # the table begins or ends within the day
        low, high = table.low[start : start + step], table.high[start : start + step]
        if np.isnan(low + high).any():
            left_out += 1
            continue
        ends = float(low.min()), float(high.max())
        days.append(
            WarmDay(
                date=table.time(start).date(),
                low=ends[0],
                high=ends[1],
                degree_days=degree_days(*ends, warmth.base, warmth.upper),
                forecast=table.is_forecast(start + step - 1),
            )
        )
    return DegreeDays(
        crop=warmth.crop, base=warmth.base, upper=warmth.upper, source=warmth.source, days=tuple(days),
        left_out=left_out,
    )  # fmt: skip


def _outside(table: WeatherTable, sprayed: dt.date | None) -> list[Caution]:
    last = table.time(len(table) - 1).date()
    if sprayed is None or table.first.date() <= sprayed <= last:
        return []
    text = f"The spray date {sprayed} is not in {table.name}, which runs from {table.first.date()} to {last}."
    return [Caution("weather_span", text)]


def _no_window(table: WeatherTable, going: Sequence[PassResult], windows: Sequence[PassWindows]) -> list[Caution]:
    if going and table.step == "day":
        return [Caution("weather_daily", f"{table.name}: days cannot tell the hours in which to spray. Give hours.")]
    absent = [word for word, series in (("wind", table.wind), ("rain", table.rain)) if np.isnan(series).all()]
    why = f": it has no {' and no '.join(absent)}" if absent else ""
    return [
        Caution("weather_no_window", f"{one.name}: {table.name} has no spray window in the coming hours{why}.")
        for one in windows
        if not one.windows
    ]
