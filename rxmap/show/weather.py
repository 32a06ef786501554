"""The weather block of the page: degree days, favourable hours and spray windows, beside the decision."""

from __future__ import annotations

import datetime as dt
import itertools
from collections.abc import Sequence

from rxmap.decide.windows import AGAINST, DRY_PCT, EVENING, HOT_C, MORNING, SHORTEST, WIND_MS
from rxmap.records import Result
from rxmap.records_weather import DegreeDays, Infection, PassWindows, SprayWindow, WeatherReport
from rxmap.show import text
from rxmap.show.markup import bullets, table, tag
from rxmap.units import convert

HEAD = ("Day", "Local clock", "Hours", "Wind", "Temperature", "Dry after", "Mind")
TWILIGHT = f"inversion before {MORNING}:00 or after {EVENING}:00"
LAST = (
    "These are hints from a table. The label and local rules come first; measure wind, temperature and humidity at the "
    "field before and while spraying, and never spray into an inversion."
)


def block(result: Result) -> list[str]:
    """Section of the page; none without a table."""
    report, units = result.weather, result.units
    if report is None:
        return []
    lines = bullets(sentences(report, units))
    inner = (tag("h2", "Weather"), lines, *_tables(report.passes, units), tag("p", LAST))
    return [tag("section", *inner, id="weather")]


def sentences(report: WeatherReport, units: text.Units) -> list[str]:
    """Say what the table holds and what follows from it, a line each."""
    lines = [_table_line(report)]
    if report.degree_days:
        lines.append(_degree_line(report.degree_days, units))
    lines += [_infection_line(one) for one in report.infections]
    lines += [_limits_line(units)] if report.passes else []
    return [*lines, *(_pass_line(one, report.spray_date) for one in report.passes)]


def _table_line(report: WeatherReport) -> str:
    first, last = (_clock(time, report.step) for time in (report.first, report.last))
    split = f", forecast from {_clock(report.forecast_from, report.step)}" if report.forecast_from else ""
    return (
        f"{text.safe(report.name)}: {report.step}s from {first} up to {last} by the local clock{split}. One table "
        "stands for the whole field and decides nothing."
    )


def _degree_line(told: DegreeDays, units: text.Units) -> str:
    factor = 9 / 5 if units == "us" else 1.0
    whole, seen = told.total(forecast=True) * factor, told.total(forecast=False) * factor
    upper = f", no more above {temperature(told.upper, units)}" if told.upper is not None else ""
    now = f", {seen:,.0f} of them before the forecast" if any(day.forecast for day in told.days) else ""
    return (
        f"{told.crop.capitalize()}: {whole:,.0f} degree days above {temperature(told.base, units)}{upper}, over "
        f"{text.counted(len(told.days), 'whole day')}{now} ({told.source}).{_left_out(told.left_out)}"
    )


def _infection_line(told: Infection) -> str:
    forecast = ", forecast included" if any(day.forecast for day in told.days) else ""
    return f"{text.safe(told.target)}{forecast}: {told.text} ({told.source}.){_left_out(told.left_out)}"


def _left_out(days: int) -> str:
    return f" {text.counted(days, 'day')} with a gap in the table: left out." if days else ""


def _limits_line(units: text.Units) -> str:
    wind = f"{speed(WIND_MS[0], units, word=False)} to {speed(WIND_MS[1], units)}"
    return (
        f"A spray window is {SHORTEST} hours or more by day with wind of {wind} (calmer air may lie in layers), at "
        f"most {temperature(HOT_C, units)} where the humidity is below {DRY_PCT:.0f} %, and no rain then or in the "
        "rainfast hours of the label after it."
    )


def _pass_line(told: PassWindows, sprayed: dt.date | None) -> str:
    fit, lost = sum(one.hours for one in told.windows), sum(told.lost.values())
    if not fit + lost:
        return f"{text.safe(told.name)}: the table has no hours to come, so no spray window is looked for."
    dry = "dry then; the plan has no rainfast"
    if told.rainfast is not None:
        dry = f"each dry for {told.rainfast:g} {'hour' if told.rainfast == 1 else 'hours'} after"
    others = text.listed([f"{why} {told.lost[why]}" for why in AGAINST if why in told.lost])
    return (
        f"{text.safe(told.name)}: {fit} of the {text.counted(fit + lost, 'hour')} to come are in windows, {dry}."
        f"{f' Hours outside them: {others}.' if others else ''}{_on_the_day(told, sprayed)}"
    )


def _on_the_day(told: PassWindows, sprayed: dt.date | None) -> str:
    if sprayed is None or not told.start.date() <= sprayed < told.end.date():
        return ""
    hours = _hours([one for one in told.windows if one.start.date() == sprayed])
    return f" On the spray date {sprayed}: {hours or 'none'}."


def _hours(windows: Sequence[SprayWindow]) -> str:
    return text.listed([f"{one.start:%H:%M} to {one.end:%H:%M}" for one in windows])


def _tables(passes: Sequence[PassWindows], units: text.Units) -> list[str]:
    """Make one table for all passes that have the same windows."""
    alike: dict[tuple[SprayWindow, ...], list[str]] = {}
    for one in passes:
        alike.setdefault(one.windows, []).append(text.safe(one.name))
    return [_table(windows, names, units) for windows, names in alike.items() if windows]


def _table(windows: Sequence[SprayWindow], names: list[str], units: text.Units) -> str:
    days = itertools.groupby(windows, key=lambda one: one.start.date())  # no window goes over midnight
    rows = [_row(day, list(some), units) for day, some in days]
    return table(f"Spray windows of {text.listed(names)}", HEAD, rows, numbers="  nnnn")


def _row(day: dt.date, windows: Sequence[SprayWindow], units: text.Units) -> tuple[str, ...]:
    wind = [end for one in windows for end in one.wind]
    warmth = [end for one in windows for end in one.temperature]
    return (
        f"{day:%Y-%m-%d}",
        _hours(windows),
        str(sum(one.hours for one in windows)),
        f"{speed(min(wind), units, word=False)} to {speed(max(wind), units)}",
        f"{temperature(min(warmth), units, word=False)} to {temperature(max(warmth), units)}",
        f"{min(one.dry_hours for one in windows)} h",
        TWILIGHT if any(one.twilight for one in windows) else "-",
    )


def _clock(time: dt.datetime, step: str) -> str:
    return f"{time:%Y-%m-%d %H:%M}" if step == "hour" else f"{time:%Y-%m-%d}"


def temperature(celsius: float, units: text.Units, *, word: bool = True) -> str:
    """Write a temperature in whole degrees.

    Examples
    --------
    >>> temperature(25.0, "us"), temperature(25.0, "metric")
    ('77 F', '25 C')
    >>> temperature(-0.3, "metric")
    '0 C'
    """
    value = celsius * 9 / 5 + 32 if units == "us" else celsius
    return f"{round(value)}{(' F' if units == 'us' else ' C') if word else ''}"


def speed(metres_per_second: float, units: text.Units, *, word: bool = True) -> str:
    """Write a wind speed to a tenth.

    Examples
    --------
    >>> speed(4.4704, "us"), speed(4.4704, "metric")
    ('10.0 mph', '4.5 m/s')
    """
    unit = "mph" if units == "us" else "m/s"
    return f"{convert(metres_per_second, 'm/s', unit):.1f}{f' {unit}' if word else ''}"
