"""Weather through the whole run: beside the decision, never in it."""

from __future__ import annotations

import datetime as dt
import shutil
from pathlib import Path

import numpy as np
import pytest

from rxmap import pipeline
from rxmap.errors import InputError
from rxmap.records import Result
from rxmap.show.page import map_page
from rxmap.write.summary import summary

TEMPLATE = Path(pipeline.__file__).parent / "template"
SECTION = '\n[weather]\nfile = "weather.csv"\n'


def hours(days: int = 7) -> str:
    """Invented hours around the template's spray date: a mild breeze, a shower on the third day at noon."""
    rows = ["time,temp_c,rh_pct,rain_mm,wind_ms"]
    for hour in range(24 * days):
        time = dt.datetime(2026, 6, 8) + dt.timedelta(hours=hour)
        rows.append(f"{time:%Y-%m-%d %H:%M},{12 + hour % 24 / 3:.1f},70,{1.5 * (hour == 60)},3.1")
    return "\n".join(rows) + "\n"


def field(folder: Path, weather: str | None, *, section: str = SECTION) -> Path:
    """Copy the template's field, with a weather table."""
    shutil.copytree(TEMPLATE, folder)
    if weather is not None:
        (folder / "weather.csv").write_text(weather, encoding="utf-8")
        with (folder / "plan.toml").open("a", encoding="utf-8") as plan:
            plan.write(section)
    return folder / "plan.toml"


def solved(folder: Path, weather: str | None) -> Result:
    return pipeline.solve(*pipeline.check(field(folder, weather)))


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Result:
    return solved(tmp_path_factory.mktemp("plain") / "field", None)


def test_weather_adds_a_block_and_changes_nothing_else(plain, tmp_path):
    result = solved(tmp_path / "field", hours())
    found = summary(result)
    assert found.pop("weather")["passes"][0]["windows"]
    assert found == summary(plain)
    assert [file.name for file in result.inputs if file not in plain.inputs] == ["plan.toml", "weather.csv"]
    with_block, without = map_page(result), map_page(plain)
    start, end = (with_block.index(mark) for mark in ('<section id="weather">', '<section id="tables"'))
    assert with_block[:start] + with_block[end:] == without


def test_without_the_section_a_table_beside_the_plan_is_not_looked_at(plain, tmp_path):
    plan = field(tmp_path / "field", "not,a table", section="")
    result = pipeline.solve(*pipeline.check(plan))
    assert (result.weather, result.inputs) == (None, plain.inputs)


def test_faults_of_the_weather_come_with_those_of_the_stops(tmp_path):
    plan = field(tmp_path / "field", "time,temp_c\n2026-06-08 00:00,mild\n")
    stops = plan.parent / "stops.csv"
    stops.write_text(stops.read_text().replace("banded stem fly", "banded stem fli", 1))
    with pytest.raises(InputError) as caught:
        pipeline.check(plan)
    text = "\n".join(caught.value.faults)
    assert "weather.csv: row 2, column temp_c: found 'mild'" in text
    assert "stops.csv: row 2, column target" in text


def test_a_table_that_is_not_there_is_refused(tmp_path):
    plan = field(tmp_path / "field", hours())
    (plan.parent / "weather.csv").unlink()
    with pytest.raises(InputError, match=r"weather\.csv: no such file"):
        pipeline.check(plan)


def test_cautions_of_the_weather_reach_the_summary(tmp_path):
    lines = hours().splitlines()
    short = "\n".join([*lines[:20], *lines[22:24]]) + "\n"  # two hours missing, over before the spray date
    codes = {one.code for one in solved(tmp_path / "field", short).cautions}
    assert {"weather_gaps", "weather_span", "weather_no_window"} <= codes


def test_a_table_without_wind_or_rain_says_why_it_has_no_window(tmp_path):
    text = "".join(f"{','.join(line.split(',')[:3])}\n" for line in hours().splitlines())
    (told,) = [one.text for one in solved(tmp_path / "field", text).cautions if one.code == "weather_no_window"]
    assert "it has no wind and no rain" in told


def test_days_say_that_they_cannot_tell_hours(tmp_path):
    text = "date,tmin_c,tmax_c\n" + "".join(f"2026-06-{day:02d},9,21\n" for day in range(8, 15))
    result = solved(tmp_path / "field", text)
    assert result.weather.passes == ()
    assert "weather_daily" in {one.code for one in result.cautions}


def test_line_ends_marks_and_delimiters_of_the_table_change_no_figure(tmp_path):
    other = "\ufeff" + hours().replace(".", ";").replace(",", "\t").replace(";", ",").replace("\n", "\r\n")
    tables = [
        pipeline.check(field(tmp_path / str(number), text))[1].weather for number, text in enumerate((hours(), other))
    ]
    for name in ("low", "humidity", "rain", "wind"):
        assert np.array_equal(*(getattr(table, name) for table in tables))
