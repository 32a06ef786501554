"""The weather block of the page: sentences a grower understands, there without script, absent without a table."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import pytest
from matplotlib.text import Text

from rxmap.records import Result
from rxmap.records_weather import (
    DegreeDays,
    FavourableDay,
    Infection,
    PassWindows,
    SprayWindow,
    WarmDay,
    WeatherReport,
)
from rxmap.show.page import map_page
from rxmap.show.paper import plain_settings
from rxmap.show.report import report_paper
from rxmap.show.weather import LAST, block, sentences
from rxmap.write.summary import summary

JULY = dt.datetime(2031, 7, 14)


def at(day: int, hour: int) -> dt.datetime:
    return JULY + dt.timedelta(days=day, hours=hour)


def window(day: int, first: int, last: int) -> SprayWindow:
    return SprayWindow(
        start=at(day, first), end=at(day, last), wind=(1.5, 4.0), temperature=(12.0, 24.4), dry_hours=9,
        twilight=first < 9 or last > 18,
    )  # fmt: skip


@pytest.fixture
def report() -> WeatherReport:
    dates = [dt.date(2031, 7, 14), dt.date(2031, 7, 15)]
    return WeatherReport(
        name="<b>weather</b>.csv",
        step="hour",
        first=JULY,
        last=at(3, 0),
        forecast_from=at(1, 0),
        spray_date=dt.date(2031, 7, 15),
        degree_days=DegreeDays(
            crop="corn", base=10.0, upper=30.0, source="source A", left_out=1,
            days=tuple(
                WarmDay(date=day, low=10.0, high=30.0, degree_days=10.0, forecast=day.day == 15) for day in dates
            ),
        ),
        infections=(
            Infection(
                target="late blight", rule="late blight of potato", source="source B", adds_up=True, left_out=0,
                days=(FavourableDay(date=dates[0], hours=14, temperature=16.0, count=2, forecast=False),),
                text="1 of 1 days let it infect.",
            ),
        ),
        passes=tuple(
            PassWindows(
                name=name, slug=name.lower(), rainfast=rainfast, start=at(1, 0), end=at(3, 0),
                windows=(window(1, 7, 9), window(1, 15, 18), window(2, 10, 13)), lost={"night": 18, "wind": 22},
            )
            for name, rainfast in (("First", 2.0), ("Second", None))
        ),
        cautions=(),
    )  # fmt: skip


def test_without_a_table_there_is_no_block_and_no_key(result: Result):
    assert block(result) == []
    assert "weather" not in summary(result)
    assert 'id="weather"' not in map_page(result)


def test_the_sentences_say_what_how_much_until_when_and_by_whom(report):
    told = sentences(report, "metric")
    assert "from 2031-07-14 00:00 up to 2031-07-17 00:00 by the local clock, forecast from 2031-07-15 00:00" in told[0]
    assert told[1] == (
        "Corn: 20 degree days above 10 C, no more above 30 C, over 2 whole days, 10 of them before the forecast "
        "(source A). 1 day with a gap in the table: left out."
    )
    assert told[2] == "late blight: 1 of 1 days let it infect. (source B.)"
    assert "wind of 1.3 to 4.5 m/s" in told[3]
    assert told[4] == (
        "First: 8 of the 48 hours to come are in windows, each dry for 2 hours after. Hours outside them: night 18 and "
        "wind 22. On the spray date 2031-07-15: 07:00 to 09:00 and 15:00 to 18:00."
    )
    assert "the plan has no rainfast" in told[5]


def test_american_readers_get_fahrenheit_and_miles_per_hour(report):
    told = "\n".join(sentences(report, "us"))
    # 18 Fahrenheit degrees for each 10 Celsius degrees
    assert "36 degree days above 50 F, no more above 86 F" in told
    assert "wind of 3.0 to 10.0 mph" in told
    assert "at most 77 F" in told


def test_passes_with_the_same_windows_share_a_table_of_days(report, result):
    page = map_page(replace(result, weather=report))
    assert page.count("Spray windows of First and Second</caption>") == 1
    assert '<td class="words">07:00 to 09:00 and 15:00 to 18:00</td>' in page
    assert page.count("inversion before 9:00 or after 18:00") == 1


def test_a_pass_without_a_window_says_none_on_its_day(report):
    empty = replace(report.passes[0], windows=(), lost={"wind": 48})
    told = sentences(replace(report, passes=(empty,)), "metric")
    assert told[-1].endswith("Hours outside them: wind 48. On the spray date 2031-07-15: none.")


def test_a_table_that_ends_before_the_hours_to_come_says_so(report):
    over = replace(report.passes[0], windows=(), lost={}, end=report.passes[0].start)
    assert "no hours to come" in sentences(replace(report, passes=(over,)), "metric")[-1]


def test_the_block_stands_in_the_html_itself_and_text_from_files_is_inert(report, result):
    page = map_page(replace(result, weather=report))
    body = page[page.index('id="weather"') : page.index('id="tables"')]
    assert "<b>weather</b>" not in body
    assert "&lt;b&gt;weather" in body
    assert "The label and local rules come first" in body


def test_the_report_says_the_same_sentences(report, result):
    with plain_settings():
        sheets = report_paper(replace(result, weather=report)).sheets
    words = " ".join(" ".join(artist.get_text().split()) for sheet in sheets for artist in sheet.findobj(Text))
    for line in (*sentences(report, result.units), LAST):
        assert line in words


def test_the_summary_has_the_figures_under_plain_names(report, result):
    told = summary(replace(result, weather=report))["weather"]
    assert told["degree_days"]["total"] == 20.0
    assert told["infections"][0]["total"] == 2
    assert told["passes"][0]["windows"][0]["from"] == "2031-07-15T07:00"
    assert told["passes"][1]["rainfast_h"] is None
