"""Spray windows: hours of the table in which neither wind, heat nor rain speaks against spraying.

They are hints for a plan of the day. The label and local rules come first, and what is measured at the field counts.
"""

from __future__ import annotations

import datetime as dt
import math
from collections import Counter
from collections.abc import Sequence

import numpy as np

from rxmap.plan import Product
from rxmap.records_weather import PassWindows, SprayWindow, WeatherTable

# Wind: the range of typical US labels; below it, air may stand still in layers (an inversion). The label governs.
WIND_MS = (1.34112, 4.4704)  # [m/s] 3 and 10 mph, exactly
# Ontario Ministry of Agriculture, How weather conditions affect spray applications: do not spray above 25 degrees
# Celsius where the humidity is below 40 percent.
HOT_C, DRY_PCT = 25.0, 40.0
SHORTEST = 2  # [hour] judgement: less is no window to plan with
# Inversions stand most nights from one to two hours before sunset until an hour after sunrise (GRDC, Spray application
# manual, module 10). A clock without a zone does not know the sun: these hours are judgement. The night is left out,
# what lies beside it carries a warning.
NIGHT, DAYBREAK = 21, 6  # [hour of the clock]
EVENING, MORNING = 18, 9

UNKNOWN, DARK, WINDY, CALM, HOT, WET, SHORT = "not known", "night", "wind", "calm", "heat", "rain", "too short"
AGAINST = (UNKNOWN, DARK, WINDY, CALM, HOT, WET, SHORT)


def pass_windows(
    table: WeatherTable, name: str, slug: str, products: Sequence[Product], *, start: int, end: int
) -> PassWindows:
    """Find the spray windows of one pass.

    Parameters
    ----------
    table : WeatherTable
        Of hours.
    name, slug : str
        Of the pass.
    products : sequence of Product
        In the tank; the longest `rainfast` of their labels holds.
    start, end : int
        Rows to look at, the end not included.
    """
    limits = [product.label.rainfast.to("hour") for product in products if product.label.rainfast]
    rainfast = max(limits, default=None)
    after = math.ceil(rainfast or 0.0)
    against = [_against(table, row, after) for row in range(start, end)]
    windows = []
    for first, last in _runs(against):
        if last - first < SHORTEST:
            against[first:last] = [SHORT] * (last - first)
        else:
            windows.append(_window(table, start + first, start + last))
    lost = Counter(why for why in against if why)
    return PassWindows(
        name=name,
        slug=slug,
        rainfast=rainfast,
        start=table.time(start),
        end=table.time(max(start, end)),
        windows=tuple(windows),
        lost={why: lost[why] for why in AGAINST if lost[why]},
    )


def _against(table: WeatherTable, row: int, after: int) -> str:
    """First thing that speaks against spraying in an hour; nothing where it is fit."""
    wind, warmth, humidity = table.wind[row], table.low[row], table.humidity[row]
    rain = table.rain[row : row + after + 1]
    if math.isnan(wind) or math.isnan(warmth) or (warmth > HOT_C and math.isnan(humidity)):
        return UNKNOWN
    if not DAYBREAK <= table.time(row).hour < NIGHT:
        return DARK
    if wind > WIND_MS[1]:
        return WINDY
    if wind < WIND_MS[0]:
        return CALM
    if warmth > HOT_C and humidity < DRY_PCT:
        return HOT
    if (rain > 0).any():
        return WET
    return UNKNOWN if len(rain) <= after or np.isnan(rain).any() else ""


def _runs(against: Sequence[str]) -> list[tuple[int, int]]:
    """First hour of each run of fit hours, and the hour behind its last."""
    fit = np.array([False, *(not why for why in against), False])
    ends = np.flatnonzero(fit[1:] != fit[:-1])
    return [(int(first), int(last)) for first, last in ends.reshape(-1, 2)]


def _window(table: WeatherTable, first: int, last: int) -> SprayWindow:
    wind, warmth = table.wind[first:last], table.low[first:last]
    behind = table.rain[last:]
    wet = np.flatnonzero(~(behind == 0))  # a gap ends what is known
    start, end = table.time(first), table.time(last)
    return SprayWindow(
        start=start,
        end=end,
        wind=(float(wind.min()), float(wind.max())),
        temperature=(float(warmth.min()), float(warmth.max())),
        dry_hours=int(wet[0]) if len(wet) else len(behind),
        twilight=start.hour < MORNING or end.hour > EVENING,  # no window goes over midnight
    )


def coming(table: WeatherTable, walked: dt.date | None) -> tuple[int, int]:
    """Rows that lie ahead: the forecast, else what follows the day of the walk, else the whole table."""
    if table.forecast_from is not None:
        return table.forecast_from, len(table)
    if walked is None:
        return 0, len(table)
    start = table.row(dt.datetime.combine(walked + dt.timedelta(days=1), dt.time()))
    return min(max(start, 0), len(table)), len(table)
