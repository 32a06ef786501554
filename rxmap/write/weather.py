"""What the weather table says, in figures for the summary.

Decimals: 2, and 3 for the temperature that a rule looks at. Times are those of the local clock.
"""

from __future__ import annotations

import datetime as dt
from typing import Any

from rxmap.records_weather import DegreeDays, Infection, PassWindows, SprayWindow, WeatherReport
from rxmap.write.files import rounded


def weather_figures(report: WeatherReport) -> dict[str, Any]:
    """Figures of a weather table under the names that readers rely on."""
    return {
        "file": report.name,
        "step": report.step,
        "first": _clock(report.first),
        "last": _clock(report.last),
        "forecast_from": _clock(report.forecast_from) if report.forecast_from else None,
        "degree_days": _degree_days(report.degree_days) if report.degree_days else None,
        "infections": [_infection(one) for one in report.infections],
        "passes": [_pass(one) for one in report.passes],
    }


def _clock(time: dt.datetime) -> str:
    return time.isoformat(timespec="minutes")


def _degree_days(told: DegreeDays) -> dict[str, Any]:
    return {
        "crop": told.crop,
        "base_c": rounded(told.base, 2),
        "upper_c": None if told.upper is None else rounded(told.upper, 2),
        "source": told.source,
        "observed": rounded(told.total(forecast=False), 2),
        "total": rounded(told.total(forecast=True), 2),
        "left_out": told.left_out,
        "days": [
            {
                "date": day.date.isoformat(),
                "low_c": rounded(day.low, 2),
                "high_c": rounded(day.high, 2),
                "degree_days": rounded(day.degree_days, 2),
                "forecast": day.forecast,
            }
            for day in told.days
        ],
    }


def _infection(told: Infection) -> dict[str, Any]:
    return {
        "target": told.target,
        "rule": told.rule,
        "source": told.source,
        "adds_up": told.adds_up,
        "observed": told.total(forecast=False),
        "total": told.total(forecast=True),
        "left_out": told.left_out,
        "text": told.text,
        "days": [
            {
                "date": day.date.isoformat(),
                "hours": rounded(day.hours, 2),
                "temp_c": None if day.temperature is None else rounded(day.temperature, 3),
                "count": day.count,
                "forecast": day.forecast,
            }
            for day in told.days
        ],
    }


def _pass(told: PassWindows) -> dict[str, Any]:
    return {
        "pass": told.name,
        "slug": told.slug,
        "rainfast_h": None if told.rainfast is None else rounded(told.rainfast, 2),
        "from": _clock(told.start),
        "until": _clock(told.end),
        "windows": [_window(one) for one in told.windows],
        "lost": dict(told.lost),
    }


def _window(one: SprayWindow) -> dict[str, Any]:
    return {
        "from": _clock(one.start),
        "until": _clock(one.end),
        "hours": one.hours,
        "wind_ms": [rounded(end, 2) for end in one.wind],
        "temp_c": [rounded(end, 2) for end in one.temperature],
        "dry_h": one.dry_hours,
        "twilight": one.twilight,
    }
