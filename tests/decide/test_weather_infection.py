"""Published rules for infection against their printed tables; names decide where they apply."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rxmap.decide.infection import infections, rule_for
from rxmap.decide.infection_rules import RULES, blight_count, mildew_count
from rxmap.records_weather import WeatherTable

NOON = dt.datetime(2026, 6, 1, 12)
MIDNIGHT = dt.datetime(2026, 6, 1)


def fahrenheit(celsius: float) -> float:
    return celsius * 9 / 5 + 32


def hours(first: dt.datetime, warm_f: np.ndarray, humid: np.ndarray | None = None) -> WeatherTable:
    celsius = np.round((np.asarray(warm_f, float) - 32) * 5 / 9, 6)  # as the reader rounds
    unknown = np.full(len(celsius), np.nan)
    humidity = unknown if humid is None else np.asarray(humid, float)
    return WeatherTable(
        name="weather.csv", step="hour", first=first, low=celsius, high=celsius, humidity=humidity, wetness=unknown,
        rain=unknown, wind=unknown, forecast_from=None,
    )  # fmt: skip


# --- late blight of potato ---


@pytest.mark.parametrize(("celsius", "humid", "count"), [(16, 14, 2), (9, 20, 2), (20, 19, 4)])
def test_late_blight_counts_days_as_worked_by_hand(celsius, humid, count):
    # three days worked from the table below
    assert blight_count(humid, fahrenheit(celsius)) == count


# Table of Michigan State University after Baker et al. (2002): hours of humidity above 80 % for 0, 1, 2, 3 and 4.
@pytest.mark.parametrize(
    ("warmth", "table"),
    [
        ((45, 53), [(0, 15), (16, 18), (19, 21), (22, 24), None]),
        ((54, 59), [(0, 12), (13, 15), (16, 18), (19, 21), (22, 24)]),
        ((60, 80), [(0, 9), (10, 12), (13, 15), (16, 18), (19, 21)]),
    ],
)
def test_late_blight_reproduces_the_whole_published_table(warmth, table):
    for mean in range(warmth[0], warmth[1] + 1):
        for count, ends in enumerate(table):
            for humid in ends or ():
                assert blight_count(humid, mean) == count


def test_a_humid_night_is_one_day_for_late_blight():
    humid = np.full(48, 50.0)
    humid[8:22] = 85.0  # from 20:00 to 10:00: 14 hours over midnight
    (told,) = infections(hours(NOON, np.full(48, 61.0), humid), "potato", ["Late blight"])
    assert [(day.hours, day.count) for day in told.days] == [(14, 2), (0, 0)]
    assert told.total(forecast=True) == 2
    assert "1 of 2 days" in told.text


@given(humid=st.integers(0, 24), mean=st.floats(20, 110), more=st.integers(0, 5))
def test_more_humid_hours_never_count_less(humid, mean, more):
    assert 0 <= blight_count(humid, mean) <= blight_count(min(humid + more, 24), mean) <= 4


# --- powdery mildew of grape ---


def test_powdery_mildew_follows_the_worked_days():
    # Gubler et al. (1999): three warm days start it at 60; then 6 hours, fewer, and 6 hours with 96 F
    count, seen = None, []
    for number, (warm, hot) in enumerate([(1, 0), (1, 0), (1, 0), (1, 0), (0, 0), (1, 1)], start=1):
        count = mildew_count(count, number if number < 5 else 0, warm=bool(warm), hot=bool(hot))
        seen.append(count)
    assert seen == [None, None, 60, 80, 70, 80]


def test_powdery_mildew_reads_hours_in_a_row_and_heat_from_the_table():
    warm, cool = np.full(24, 60.0), np.full(24, 60.0)
    warm[10:16] = 70.0  # six hours, both ends of the range
    warm[14] = 85.0
    cool[10:15], cool[17] = 75.0, 75.0  # six, but not in a row
    hot = warm.copy()
    hot[18] = 95.0
    days = np.concatenate([warm, warm, warm, warm, cool, hot])
    (told,) = infections(hours(MIDNIGHT, days), "Wine  grapes", ["powdery mildew"])
    assert [day.count for day in told.days] == [0, 0, 60, 80, 70, 80]
    assert "pressure is high" in told.text


def test_a_day_with_a_gap_breaks_the_three_days_that_start_powdery_mildew():
    warm = np.full(24 * 4, 60.0)
    warm.reshape(4, 24)[:, 10:16] = 75.0
    warm[30] = np.nan
    (told,) = infections(hours(MIDNIGHT, warm), "grape", ["powdery mildew"])
    assert ([day.count for day in told.days], told.left_out) == ([0, 0, 0], 1)


@given(before=st.integers(0, 100), warm=st.booleans(), hot=st.booleans())
def test_powdery_mildew_stays_between_0_and_100_and_moves_by_20_up_and_10_down_at_most(before, warm, hot):
    after = mildew_count(before, 0, warm=warm, hot=hot)
    assert 0 <= after <= 100
    assert -10 <= after - before <= 20


# --- leaf spot of peanut ---


def test_leaf_spot_counts_humid_warm_hours_to_the_published_ends():
    # NC State University leaf spot advisory: humidity at least 95 %, temperature between 61 and 90 F
    warm = np.array([61.0, 90.0, 60.9, 90.1, 75.0, 75.0] + [50.0] * 18)
    humid = np.array([95.0, 100.0, 99.0, 99.0, 94.9, 95.0] + [60.0] * 18)
    (told,) = infections(hours(MIDNIGHT, warm, humid), "peanuts", ["Early leaf spot"])
    assert (told.days[0].hours, told.total(forecast=True)) == (3, 3)


@pytest.mark.parametrize(
    ("warmth", "humidity", "in_a_row", "left"),
    [(99.0, 50.0, 5, 0), (99.0, 50.0, 4, 10), (98.9, 50.0, 9, 10), (80.0, 39.9, 8, 0), (80.0, 39.9, 7, 10)],
)
def test_leaf_spot_begins_again_after_killing_heat_or_dryness(warmth, humidity, in_a_row, left):
    # the same page: 99 F or more for 5 straight hours, or humidity below 40 % for 8
    warm, humid = np.full(24, 75.0), np.full(24, 60.0)
    humid[:10] = 96.0
    warm[12 : 12 + in_a_row], humid[12 : 12 + in_a_row] = warmth, humidity
    (told,) = infections(hours(MIDNIGHT, warm, humid), "peanut", ["leaf spot"])
    assert told.total(forecast=True) == left


# --- tar spot of corn ---


def test_tar_spot_counts_nights_of_seven_wet_hours():
    # Webster et al. (2023), introduction: 7 hours of leaf wetness a night, monthly means of 17 to 22 C
    wet = np.zeros(72)
    wet[9:16] = 1.0  # seven hours over midnight
    wet[33:40] = 0.99
    table = replace(hours(NOON, np.full(72, 68.0)), wetness=wet)
    (told,) = infections(table, "corn", ["tar spot"])
    assert [(day.hours, day.count) for day in told.days] == [(7.0, 1), (6.93, 0), (0.0, 0)]
    assert "the mean temperature was 20 C (68 F)" in told.text


# --- head blight of wheat ---


def test_head_blight_counts_hours_of_the_ten_days_from_the_spray_date():
    # De Wolf et al. (2003), abstract: hours of 15 to 30 C with humidity of 90 % or more, 10 days from flowering
    warm, humid = np.full(24 * 14, 20.0), np.full(24 * 14, 90.0)
    warm[:240] = 30.0  # degrees Celsius; the hot end counts, so does the cold one
    warm[240:264] = 15.0
    warm[264:] = 14.9
    told = wheat(warm, humid, dt.date(2026, 6, 3))
    assert [day.date.day for day in told.days] == list(range(3, 13))
    assert told.total(forecast=True) == 24 * 9
    assert wheat(warm, humid - 0.1, dt.date(2026, 6, 3)).total(forecast=True) == 0


def test_head_blight_needs_a_spray_date():
    table = hours(MIDNIGHT, np.full(48, 70.0), np.full(48, 95.0))
    assert infections(table, "wheat", ["fusarium head blight"]) == ()


def wheat(celsius: np.ndarray, humid: np.ndarray, sprayed: dt.date):
    table = hours(MIDNIGHT, celsius * 9 / 5 + 32, humid)
    (told,) = infections(table, "Winter wheat", ["Fusarium head blight"], sprayed)
    return told


# --- where rules apply ---


@pytest.mark.parametrize(
    ("crop", "target"),
    [
        ("tomato", "late blight"),
        ("potato", "early blight"),
        ("wheat", "powdery mildew"),
        ("sugar beet", "leaf spot"),
        ("sweet potato", "late blight"),
        ("sunflower", "amber seed weevil"),
    ],
)
def test_a_rule_applies_to_no_other_crop_and_no_other_target(crop, target):
    assert rule_for(crop, target) is None


def test_names_of_the_rules_do_not_overlap():
    names = [(crop, target) for rule in RULES for crop in rule.crops for target in rule.targets]
    assert len(names) == len(set(names))


def test_days_cannot_tell_hours_and_get_no_rule():
    ends = np.full(3, 20.0)
    table = WeatherTable(
        name="w.csv", step="day", first=MIDNIGHT, low=ends, high=ends, humidity=ends, wetness=ends, rain=ends,
        wind=ends, forecast_from=None,
    )  # fmt: skip
    assert infections(table, "potato", ["late blight"]) == ()


def test_a_table_without_humidity_says_so_instead_of_counting_nothing():
    (told,) = infections(hours(NOON, np.full(48, 61.0)), "potato", ["late blight"])
    assert (told.days, told.text) == ((), "no day of the table is whole in what the rule needs.")
