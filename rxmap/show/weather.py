"""The weather block of the page: degree days, favourable hours and spray windows, beside the decision."""

from __future__ import annotations

import datetime as dt
import itertools
from collections.abc import Sequence

from rxmap.decide.windows import AGAINST, DRY_PCT, HOT_C, WIND_MS
from rxmap.records import Result
from rxmap.records_weather import DegreeDays, Infection, PassWindows, SprayWindow, WeatherReport
from rxmap.show import text
from rxmap.show.markup import bullets, table, tag
from rxmap.units import convert

HEAD = ("Day", "Local clock", "Hours", "Wind", "Temperature", "Dry after, at least", "Mind")
TWILIGHT = "inversion in the evening or early morning"
LAST = (
    "These are hints from a table. The label and local rules come first; measure wind, temperature and humidity at the "
    "field before and while spraying, and never spray into an inversion."
)


def block(result: Result) -> list[str]:
    """Section of the page; none without a table."""
    report, units = result.weather, result.units
    if report is None:
        return []
    tables = [_table(one, units) for one in report.passes if one.windows]
    inner = (tag("h2", "Weather"), bullets(sentences(report, units)), *tables, tag("p", LAST))
    return [tag("section", *inner, id="weather")]


def sentences(report: WeatherReport, units: text.Units) -> list[str]:
    """Say what the table holds and what follows from it, a line each."""
    lines = [_table_line(report)]
    if report.degree_days:
        lines.append(_degree_line(report.degree_days, units))
    lines += [_infection_line(one) for one in report.infections]
    lines += [_pass_line(one, report.spray_date, units) for one in report.passes]
    return lines


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
    return f" {text.counted(days, 'day')} not whole in the table: left out." if days else ""


def _pass_line(told: PassWindows, sprayed: dt.date | None, units: text.Units) -> str:
    fit, lost = sum(one.hours for one in told.windows), sum(told.lost.values())
    if not fit + lost:
        return f"{text.safe(told.name)}: the table has no hours to come, so no spray window is looked for."
    against = text.listed([f"{_why(why, units)} ({told.lost[why]})" for why in AGAINST if why in told.lost])
    dry = (
        f"dry for {told.rainfast:g} hours after, as the label asks"
        if told.rainfast
        else "dry; the plan has no rainfast"
    )
    wind = f"wind {speed(WIND_MS[0], units, word=False)} to {speed(WIND_MS[1], units)}"
    return (
        f"{text.safe(told.name)}: in {fit} of the {text.counted(fit + lost, 'hour')} to come nothing in the table "
        f"speaks against spraying: {wind}, not hot and dry, {dry}."
        f"{f' Against the others: {against}.' if against else ''}{_on_the_day(told, sprayed)}"
    )


def _why(why: str, units: text.Units) -> str:
    words = {
        "night": "night, when inversions stand",
        "wind": f"wind above {speed(WIND_MS[1], units)}",
        "calm": f"calm below {speed(WIND_MS[0], units)}, when the air may lie in layers",
        "hot and dry": f"above {temperature(HOT_C, units)} with humidity below {DRY_PCT:.0f} %",
        "rain": "rain then or too soon after",
        "short": "a single hour",
    }
    return words.get(why, why)


def _on_the_day(told: PassWindows, sprayed: dt.date | None) -> str:
    if sprayed is None or not told.start.date() <= sprayed < told.end.date():
        return ""
    hours = _hours([one for one in told.windows if one.start.date() == sprayed])
    return f" On the spray date {sprayed}: {hours or 'none'}."


def _hours(windows: Sequence[SprayWindow]) -> str:
    return text.listed([f"{one.start:%H:%M} to {one.end:%H:%M}" for one in windows])


def _table(told: PassWindows, units: text.Units) -> str:
    days = itertools.groupby(told.windows, key=lambda one: one.start.date())  # no window goes over midnight
    rows = [_row(day, list(windows), units) for day, windows in days]
    return table(f"Spray windows of {text.safe(told.name)}", HEAD, rows, numbers="  nnnn")


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
    """
    value = celsius * 9 / 5 + 32 if units == "us" else celsius
    return f"{value + 0.0:.0f}{(' F' if units == 'us' else ' C') if word else ''}"


def speed(metres_per_second: float, units: text.Units, *, word: bool = True) -> str:
    """Write a wind speed to a tenth.

    Examples
    --------
    >>> speed(4.4704, "us"), speed(4.4704, "metric")
    ('10.0 mph', '4.5 m/s')
    """
    unit = "mph" if units == "us" else "m/s"
    return f"{convert(metres_per_second, 'm/s', unit):.1f}{f' {unit}' if word else ''}"
