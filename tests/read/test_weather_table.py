"""The weather table: one reading or a refusal with row and column, nothing filled in."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rxmap.errors import InputError
from rxmap.read.door import Source
from rxmap.read.weather import read_weather

HOURS = "time,temp_c,rh_pct,rain_mm,wind_ms\n"


def read(text: str | bytes):
    data = text.encode() if isinstance(text, str) else text
    return read_weather(Source(name="weather.csv", data=data, side_cars={}, files=()))


def faults(text: str | bytes) -> list[str]:
    with pytest.raises(InputError) as caught:
        read(text)
    return list(caught.value.faults)


def test_hours_are_read_in_si_units_from_any_unit_in_the_name():
    us, _ = read("time,temp_f,wind_mph,rain_in\n2026-07-18 06:00,68,10,0.1\n")
    metric, _ = read("time,temp_c,wind_kmh,rain_mm\n2026-07-18T06:00,20,16.09344,2.54\n")
    for table in (us, metric):
        # 10 mph = 4.4704 m/s and 0.1 in = 2.54 mm, exact definitions (NIST Handbook 44 appendix C, from memory)
        assert (table.low[0], table.wind[0], table.rain[0]) == (20.0, 4.4704, 2.54)


def test_days_have_a_lowest_and_a_highest_temperature():
    table, cautions = read("date,tmin_c,tmax_c,wet_h\n2026-07-18,10,22.5,24\n2026-07-19,11,21,0\n")
    assert (table.step, len(table), cautions) == ("day", 2, [])
    assert table.high.tolist() == [22.5, 21.0]
    assert table.wetness.tolist() == [24.0, 0.0]


def test_other_columns_are_passed_over_and_what_is_absent_is_not_known():
    table, _ = read("time,temp_c,wind_dir,wind_max,tmean_c\n2026-07-18T06:00,10,SW,=1+1,x\n")
    assert np.isnan([table.humidity[0], table.wind[0], table.rain[0], table.wetness[0]]).all()


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize("start", [b"", b"\xef\xbb\xbf"])
def test_dialects_of_one_table_give_the_same(delimiter, end, start):
    text = f"{HOURS}2026-07-18T06:00,10.5,80,0,2\n".replace(",", delimiter).replace("\n", end)
    table, _ = read(start + text.encode())
    assert (table.low[0], table.humidity[0]) == (10.5, 80.0)


def test_a_decimal_comma_is_read_where_all_numbers_have_it():
    table, _ = read("time;temp_c;wind_ms\n2026-07-18T06:00;10,5;2\n")
    assert table.low[0] == 10.5
    assert "found '2.5'" in faults("time;temp_c;wind_ms\n2026-07-18T06:00;10,5;2.5\n")[0]


def test_missing_hours_and_blank_cells_stay_missing_and_are_told():
    table, (caution,) = read(f"{HOURS}2026-07-18T06:00,10,80,0,2\n2026-07-18T09:00,12,,0,2\n")
    assert len(table) == 4
    assert np.isnan(table.low).tolist() == [False, True, True, False]
    assert caution.code == "weather_gaps"
    assert "2 hours are missing, the first after 2026-07-18 06:00; rh_pct is blank in 1 of 2 rows" in caution.text


def test_the_forecast_begins_where_the_file_says():
    table, _ = read("time,temp_c,forecast\n2026-07-18T06:00,10,\n2026-07-18T07:00,10,0\n2026-07-18T09:00,10,1\n")
    assert table.forecast_from == 3  # on the axis with the missing hour
    assert [table.is_forecast(row) for row in range(4)] == [False, False, False, True]
    assert read("time,temp_c\n2026-07-18T06:00,10\n")[0].forecast_from is None


def test_all_faults_come_at_once_with_row_and_column():
    text = (
        f"{HOURS}2026-07-18T06:00,ten,101,0,2\n2026-07-18T06:00,10,80,-1,2\n2026-07-18T05:00,10,80,0,200\n"
        "2026-07-18 08:30,10,80,0,2\n"
    )
    found = faults(text)
    for words in (
        "row 2, column temp_c: found 'ten'",
        "row 2, column rh_pct: found '101': not possible",
        "row 3, column rain_mm: found '-1'",
        "row 4, column wind_ms: found '200'",
        "row 5, column time: found '2026-07-18 08:30': not a full hour",
        "row 3: the same hour as row 2",
        "row 4: is before the row above",
    ):
        assert any(words in line for line in found), words
    assert len(found) == 7


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("2026-07-18T06:00Z,1", "carries a time zone"),
        ("2026-07-18T06:00+02:00,1", "carries a time zone"),
        ("2026-07-18 06:00 CEST,1", "carries a time zone"),
        ("2026-07-18,1", "a day among hours"),
        ("18.07.2026 06:00,1", "not an ISO time"),
        ("2026-07-18T24:00,1", "no such time"),
        ("2026-02-30T06:00,1", "no such day"),
        ("1926-07-18T06:00,1", "the year is not between"),
        (",1", "is blank"),
        ("2026-07-18T06:00,NA", "not a plain number"),
        ("2026-07-18T06:00,99", "not possible in this unit"),
    ],
)
def test_a_time_or_number_that_is_no_such_thing_is_refused(row, words):
    assert words in faults(f"time,temp_c\n{row}\n")[0]


@pytest.mark.parametrize(
    ("header", "words"),
    [
        ("time,temp_c,wind", "column 'wind' does not say its unit. Write wind_ms or wind_kmh or wind_mph."),
        ("time,temperature", "Write temp_c or temp_f."),
        ("time,temp_c,rain_m", "column 'rain_m' is close to 'rain_mm'"),
        ("time,temp_c,temp_f", "columns temp_c and temp_f hold the same"),
        ("time,date,temp_c", "the header has both time (for hours) and date (for days)"),
        ("temp_c,rh_pct", "the header has neither time"),
        ("date,temp_c", "belongs to a table of hours"),
        ("time,rh_pct", "column temp_c or temp_f is missing"),
        ("date,tmin_c", "column tmax_c or tmax_f is missing"),
        ("time,temp_c,temp_c", "column 'temp_c' stands twice"),
    ],
)
def test_a_header_that_leaves_a_doubt_is_refused(header, words):
    row = ",".join(["1"] * len(header.split(",")))
    assert any(words in line for line in faults(f"{header}\n{row}\n"))


def test_days_refuse_times_wet_hours_beyond_24_and_a_low_above_the_high():
    found = faults("date,tmin_c,tmax_c,wet_h\n2026-07-18 06:00,1,2,3\n2026-07-19,1,2,25\n2026-07-20,9,2,1\n")
    assert "a time among days" in found[0]
    assert "column wet_h: found '25'" in found[1]
    assert "row 4: the lowest temperature is above the highest" in found[2]


def test_an_observation_after_a_forecast_is_refused():
    (line,) = faults("time,temp_c,forecast\n2026-07-18T06:00,1,1\n2026-07-18T07:00,1,0\n")
    assert "row 3: an observation after a forecast" in line


def test_a_table_that_is_none_is_refused_in_its_own_words():
    assert "one row for each hour or day" in faults("")[0]
    assert "one row for each hour or day" in faults("time,temp_c\n")[0]
    assert "Needed: time or date" in faults("time\n")[0]


def test_a_slip_of_the_year_does_not_make_a_table_of_a_million_hours():
    text = "time,temp_c\n2026-07-18T06:00,1\n2036-07-18T06:00,1\n"
    assert "more than 20000 hours after the first row" in faults(text)[0]


@given(kept=st.sets(st.integers(0, 200), min_size=1, max_size=40))
def test_every_row_is_found_again_at_its_time_and_no_other_hour_has_a_value(kept):
    start = dt.datetime(2026, 7, 1)
    rows = [f"{start + dt.timedelta(hours=hour):%Y-%m-%dT%H:%M},{hour % 30}" for hour in sorted(kept)]
    table, _ = read("time,temp_c\n" + "\n".join(rows) + "\n")
    known = {table.time(row): table.low[row] for row in range(len(table)) if np.isfinite(table.low[row])}
    assert known == {start + dt.timedelta(hours=hour): hour % 30 for hour in kept}
