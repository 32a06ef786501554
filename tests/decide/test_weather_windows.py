"""Spray windows: what each limit takes away, and what must hold of every window."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rxmap.decide.windows import WIND_MS, coming, pass_windows
from rxmap.plan import Label, Product
from rxmap.records_weather import WeatherTable
from rxmap.units import convert

DAY = dt.datetime(2026, 7, 18)


def table(**changed: np.ndarray) -> WeatherTable:
    """Make a mild, dry day and a half with a breeze, from midnight."""
    calm = {"low": 18.0, "humidity": 60.0, "rain": 0.0, "wind": 3.0}
    series = {name: np.full(36, value) for name, value in calm.items()} | changed
    return WeatherTable(
        name="weather.csv", step="hour", first=DAY, high=series["low"], wetness=np.full(36, np.nan),
        forecast_from=None, **series,
    )  # fmt: skip


def product(rainfast: str | None) -> Product:
    label = Label(min="1 L/ha", max="1 L/ha", rainfast=rainfast)
    return Product(name="Invented", rate="1 L/ha", label=label, cost="1 EUR/L")


def found(weather: WeatherTable, rainfast: str | None = "2 hour", end: int = 24):
    told = pass_windows(weather, "A", "a", [product(rainfast)], start=0, end=end)
    return [(one.start.hour, one.end.hour) for one in told.windows], told.lost


def spell(hour: int, last: int, inside: float, outside: float) -> np.ndarray:
    values = np.full(36, outside)
    values[hour:last] = inside
    return values


def test_a_mild_day_is_one_window_from_daybreak_to_night():
    assert found(table()) == ([(6, 21)], {"night": 9})


def test_the_wind_is_held_between_3_and_10_mph_ends_included():
    # the range of typical US labels; the label governs
    assert [convert(3, "mph", "m/s"), convert(10, "mph", "m/s")] == pytest.approx(WIND_MS, abs=1e-12)
    assert found(table(wind=np.full(36, 4.4704)))[0] == [(6, 21)]
    assert found(table(wind=np.full(36, 4.4705))) == ([], {"night": 9, "wind": 15})
    assert found(table(wind=np.full(36, 1.3411))) == ([], {"night": 9, "calm": 15})


def test_heat_counts_only_in_dry_air():
    # Ontario Ministry of Agriculture: not above 25 C with humidity below 40 %
    hot = spell(12, 16, 26.0, 18.0)
    assert found(table(low=hot))[0] == [(6, 21)]
    assert found(table(low=hot, humidity=np.full(36, 39.0)))[0] == [(6, 12), (16, 21)]
    assert found(table(low=hot, humidity=np.full(36, np.nan)))[1]["not known"] == 4


def test_rain_closes_its_hour_and_the_rainfast_hours_before():
    wet = spell(14, 15, 0.2, 0.0)
    assert found(table(rain=wet))[0] == [(6, 12), (15, 21)]
    assert found(table(rain=wet), rainfast=None)[0] == [(6, 14), (15, 21)]
    assert found(table(rain=wet), rainfast="90 minute")[0] == [(6, 12), (15, 21)]  # whole hours, rounded up


def test_the_longest_rainfast_in_the_tank_holds():
    wet = table(rain=spell(14, 15, 0.2, 0.0))
    told = pass_windows(wet, "A", "a", [product("1 hour"), product("4 hour")], start=0, end=24)
    assert (told.windows[0].end.hour, told.rainfast) == (10, 4.0)


def test_rain_that_nobody_knows_is_no_dry_weather():
    assert found(table(rain=spell(14, 15, np.nan, 0.0)))[1]["not known"] == 3
    # the table ends at 12:00 of the second day: the last two hours cannot be told
    told = pass_windows(table(), "A", "a", [product("2 hour")], start=30, end=36)
    assert (told.windows[0].end.hour, told.lost) == (10, {"not known": 2})


def test_a_single_hour_is_no_window():
    gusty = np.full(36, 6.0)
    gusty[10], gusty[13:15] = 3.0, 3.0
    assert found(table(wind=gusty))[0] == [(13, 15)]
    assert found(table(wind=gusty))[1]["too short"] == 1


def test_evening_and_early_morning_carry_the_warning_of_inversions():
    told = pass_windows(table(wind=spell(9, 18, 3.0, 6.0)), "A", "a", [], start=0, end=24)
    assert [one.twilight for one in told.windows] == [False]
    told = pass_windows(table(wind=spell(9, 19, 3.0, 6.0)), "A", "a", [], start=0, end=24)
    assert [one.twilight for one in told.windows] == [True]


def test_the_coming_hours_are_the_forecast_or_what_follows_the_walk():
    plain = table()
    assert coming(plain, None) == (0, 36)
    assert coming(plain, dt.date(2026, 7, 18)) == (24, 36)
    assert coming(plain, dt.date(2026, 7, 30)) == (36, 36)
    marked = WeatherTable(**{name: getattr(plain, name) for name in plain.__slots__} | {"forecast_from": 5})
    assert coming(marked, dt.date(2026, 7, 18)) == (5, 36)


SERIES = st.lists(st.sampled_from([0.0, 0.5, 2.0, 3.0, 5.0, np.nan]), min_size=36, max_size=36).map(np.array)


@given(wind=SERIES, rain=SERIES, wait=st.integers(0, 6))
def test_every_hour_is_in_one_window_or_lost_once_and_windows_keep_the_limits(wind, rain, wait):
    weather = table(wind=wind, rain=rain)
    told = pass_windows(weather, "A", "a", [product(f"{wait} hour" if wait else None)], start=3, end=36)
    assert sum(one.hours for one in told.windows) + sum(told.lost.values()) == 33
    for one in told.windows:
        first, last = weather.row(one.start), weather.row(one.end)
        assert WIND_MS[0] <= wind[first:last].min() <= wind[first:last].max() <= WIND_MS[1]
        assert (rain[first : last + wait] == 0).all()
        assert one.dry_hours >= wait
        assert one.hours >= 2


@given(wind=SERIES, rain=SERIES)
def test_a_longer_rainfast_never_adds_an_hour(wind, rain):
    weather = table(wind=wind, rain=rain)
    fit = [
        sum(one.hours for one in pass_windows(weather, "A", "a", [product(wait)], start=0, end=36).windows)
        for wait in (None, "1 hour", "3 hour", "8 hour")
    ]
    assert fit == sorted(fit, reverse=True)
