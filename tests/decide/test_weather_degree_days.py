"""Degree days against published worked examples, and what must always hold of them."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rxmap.decide.weather import WARMTHS, degree_days, weather_report
from rxmap.plan import Plan
from rxmap.records_weather import WeatherTable

DEGREES = st.floats(-40, 50)
CORN = next(one for one in WARMTHS if one.crop == "corn")


def celsius(fahrenheit: float) -> float:
    return (fahrenheit - 32) * 5 / 9


def plan_of(crop: str) -> Plan:
    target = {"name": "rust", "measure": "severity", "threshold": 5.0, "source": "own"}
    field = {"name": "A", "boundary": "b.geojson", "crop": crop}
    return Plan.model_validate({"field": field, "scouting": {"stops": "s.csv"}, "target": [target]})


def hours(temperature: np.ndarray, first: dt.datetime, *, forecast_from: int | None = None) -> WeatherTable:
    unknown = np.full(len(temperature), np.nan)
    return WeatherTable(
        name="weather.csv", step="hour", first=first, low=temperature, high=temperature, humidity=unknown,
        wetness=unknown, rain=unknown, wind=unknown, forecast_from=forecast_from,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("high", "low", "published"),
    [
        # Iowa State University, Agronomy 541, lesson 2b: a day of 70 and 50 F has 10; no day more than 36
        (70, 50, 10.0),
        (100, 90, 36.0),
        # Ohio State University Extension, corn growing degree days (Karhoff 2023), 86/50 method: 87 and 63 F give 24.5
        (87, 63, 24.5),
        # Waushara Argus of 2018-04-25, calculating growing degree days: three days, 43 in all
        (90, 65, 25.5),
        (72, 46, 11.0),
        (63, 42, 6.5),
    ],
)
def test_corn_reproduces_the_worked_examples_of_extension_pages(high, low, published):
    # 1e-9: the way through Celsius and back
    assert degree_days(celsius(low), celsius(high), CORN.base, CORN.upper) * 9 / 5 == pytest.approx(published, abs=1e-9)


def test_the_base_is_set_before_the_mean_is_taken():
    # McMaster and Wilhelm (1997), abstract: where the low alone is below the base, method 1 has fewer than method 2
    assert degree_days(-4.0, 10.0, 0.0) == 5.0
    assert (-4.0 + 10.0) / 2 - 0.0 < 5.0


@given(one=DEGREES, other=DEGREES, base=st.floats(-5, 15), span=st.none() | st.floats(1, 30))
def test_degree_days_are_never_negative_and_never_more_than_the_limits_leave(one, other, base, span):
    found = degree_days(min(one, other), max(one, other), base, None if span is None else base + span)
    assert 0 <= found <= max(max(one, other) - base, 0) + 1e-9
    assert span is None or found <= span + 1e-9


@given(low=DEGREES, width=st.floats(0, 20), warmer=st.floats(0, 10), base=st.floats(-5, 15))
def test_a_warmer_day_has_no_fewer_degree_days(low, width, warmer, base):
    for upper in (None, base + 20):
        cool = degree_days(low, low + width, base, upper)
        assert degree_days(low, low + width + warmer, base, upper) >= cool - 1e-9
        assert degree_days(low + warmer, low + width + warmer, base, upper) >= cool - 1e-9


def test_hours_give_the_degree_days_of_their_lowest_and_highest():
    day = 20 + 8 * np.sin(np.arange(48) / 24 * 2 * np.pi)  # 12 to 28 C
    told = weather_report(hours(day, dt.datetime(2026, 6, 1), forecast_from=24), plan_of("Maize"), [], None).degree_days
    assert [one.degree_days for one in told.days] == pytest.approx([10.0, 10.0])
    assert (told.total(forecast=False), told.total(forecast=True)) == pytest.approx((10.0, 20.0))


def test_a_day_with_a_gap_has_no_degree_days_and_is_counted():
    day = np.full(60, 20.0)
    day[30] = np.nan
    told = weather_report(hours(day, dt.datetime(2026, 6, 1, 12)), plan_of("corn"), [], None).degree_days
    # half a day at which the table begins, a day with hour 30 (18:00) missing, a whole day
    assert ([one.date.day for one in told.days], told.left_out) == ([3], 1)


@pytest.mark.parametrize("crop", ["sunflower", "popcorn", "corn salad", "buckwheat"])
def test_a_crop_without_published_limits_under_its_name_gets_none(crop):
    report = weather_report(hours(np.full(24, 20.0), dt.datetime(2026, 6, 1)), plan_of(crop), [], None)
    assert report.degree_days is None


def test_a_spray_date_outside_the_table_is_told():
    plan = plan_of("corn")
    plan = plan.model_copy(update={"field": plan.field.model_copy(update={"spray_date": dt.date(2026, 6, 3)})})
    (caution,) = weather_report(hours(np.full(48, 20.0), dt.datetime(2026, 6, 1)), plan, [], None).cautions
    assert caution.code == "weather_span"
    assert "2026-06-01 to 2026-06-02" in caution.text
