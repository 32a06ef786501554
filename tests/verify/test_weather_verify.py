"""`verify` works the weather out again: what was changed by hand is found."""

from __future__ import annotations

import datetime as dt
import json
import re
import shutil
from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rxmap.decide.weather import weather_report
from rxmap.plan import Plan
from rxmap.records import Result
from rxmap.records_weather import WeatherTable
from rxmap.verify import verify
from rxmap.verify import weather as check
from rxmap.write.weather import weather_figures

HOURS = 24 * 6
RULES = {
    "potato": ["late blight"],
    "grape": ["powdery mildew"],
    "peanut": ["leaf spot"],
    "corn": ["tar spot"],
    "wheat": ["head blight"],
}


def table() -> WeatherTable:
    """Six invented days: warm, humid nights, one shower, a breeze; the last two a forecast."""
    hour = np.arange(HOURS)
    warmth = 21 + 6 * np.sin((hour - 9) / 24 * 2 * np.pi) + 0.37 * np.sin(hour)
    return WeatherTable(
        name="weather.csv", step="hour", first=dt.datetime(2031, 7, 12), low=warmth, high=warmth,
        humidity=np.clip(150 - 3 * warmth, 0, 100), wetness=1.0 * (warmth < 20),
        rain=np.where(hour == 100, 1.2, 0.0), wind=2.8 + 1.5 * np.sin(hour / 5), forecast_from=96,
    )  # fmt: skip


def plan_of(crop: str) -> Plan:
    targets = [{"name": n, "measure": "severity", "threshold": 5.0, "source": "own"} for n in RULES[crop]]
    labels = {"Exampline 200": {"rainfast": "2 hour"}, "Samplazole": {}}
    products = [
        {
            "name": name, "rate": "1 L/ha", "cost": "1 EUR/L", "controls": {},
            "label": {"min": "1 L/ha", "max": "1 L/ha", **limits},
        }
        for name, limits in labels.items()
    ]  # fmt: skip
    field = {"name": "A", "boundary": "b.geojson", "crop": crop, "spray_date": dt.date(2031, 7, 16)}
    plan = {"field": field, "scouting": {"stops": "s.csv"}, "target": targets, "product": products}
    return Plan.model_validate(plan)


@pytest.fixture(scope="session")
def weathered(coherent: Result, written: Callable[[Result], Path]) -> Callable[[str], Path]:
    """Result folders with weather, one for each crop that has a rule; never change them."""
    made: dict[str, Path] = {}

    def folder(crop: str) -> Path:
        if crop not in made:
            plan = {**coherent.plan, "weather": {"file": "weather.csv"}}
            made[crop] = written(
                replace(coherent, plan=plan, weather=weather_report(table(), plan_of(crop), coherent.passes, None))
            )
        return made[crop]

    return folder


def about_weather(folder: Path) -> list[str]:
    return [
        line for line in verify(folder).findings if "weather" in line or "Spray windows" in line or "Weather" in line
    ]


@pytest.mark.parametrize("crop", RULES)
def test_a_result_with_weather_passes(weathered, crop):
    assert verify(weathered(crop)).findings == ()


def test_the_scenario_is_not_empty(weathered):
    totals = {}
    for crop in RULES:
        told = json.loads((weathered(crop) / "summary.json").read_text())["weather"]
        totals[crop] = [one["total"] for one in told["infections"]]
        assert len(told["passes"][0]["windows"]) >= 2
    assert all(total > 0 for (total,) in totals.values()), totals


# Where rules and limits change their mind, in both units, and what three decimals could hide.
EDGES = [(edge - 32) * 5 / 9 for edge in (44.5, 53.5, 59.5, 61, 70, 80.5, 85, 90, 95, 94.9991, 99)] + [15.0, 20.0, 30.0]
HUMID = [39.9, 79.9, 80.0, 90.0, 95.0, 100.0]
SPELLS = st.lists(
    st.tuples(st.sampled_from(EDGES), st.sampled_from(HUMID), st.integers(4, 16)), min_size=36, max_size=36
)


@given(spells=SPELLS, crop=st.sampled_from(list(RULES)))
@settings(max_examples=80)
def test_whatever_the_weather_both_ways_of_counting_agree(spells, crop):
    warmth, humidity = (np.repeat([one[place] for one in spells], [one[2] for one in spells]) for place in (0, 1))
    count = len(warmth)
    weather = WeatherTable(
        name="w.csv", step="hour", first=dt.datetime(2031, 7, 14), low=warmth, high=warmth, humidity=humidity,
        wetness=humidity / 100, rain=np.zeros(count), wind=np.full(count, 2.0), forecast_from=None,
    )  # fmt: skip
    report = weather_report(weather, plan_of(crop), [], None)
    told = json.loads(json.dumps(weather_figures(report)), parse_float=Decimal)
    assert [*check._degree_days(told["degree_days"]), *check._infections(told["infections"])] == []
    assert len(told["infections"]) == 1


def first_rule(weather: Any) -> Any:
    return weather["infections"][0]


def change_degree_day(weather: Any) -> None:
    weather["degree_days"]["days"][0]["degree_days"] += 1


def change_degree_total(weather: Any) -> None:
    weather["degree_days"]["total"] += 1


def change_count(weather: Any) -> None:
    first_rule(weather)["days"][-1]["count"] += 1


def change_total(weather: Any) -> None:
    first_rule(weather)["total"] += 1


def change_text(weather: Any) -> None:
    first_rule(weather)["text"] = "All is well."


def windy(weather: Any) -> None:
    weather["passes"][0]["windows"][0]["wind_ms"][1] = 6.0


def wet_after(weather: Any) -> None:
    weather["passes"][0]["windows"][0]["dry_h"] = 1


def longer(weather: Any) -> None:
    weather["passes"][0]["windows"][0]["until"] = "2031-07-16T20:00"


def no_wait(weather: Any) -> None:
    weather["passes"][0]["rainfast_h"] = None


def hour_gone(weather: Any) -> None:
    weather["passes"][0]["lost"]["night"] -= 1


def no_pass(weather: Any) -> None:
    weather["passes"] = []


@pytest.mark.parametrize(
    ("crop", "spoil", "words"),
    [
        ("corn", change_degree_day, "its temperatures give another sum"),
        ("corn", change_degree_total, "the days add up to"),
        ("potato", change_count, "does not follow from its day"),
        ("grape", change_count, "does not follow from its day"),
        ("peanut", change_count, "does not follow from its day"),
        ("corn", change_count, "does not follow from its day"),
        ("wheat", change_count, "does not follow from its day"),
        ("potato", change_total, "the days give"),
        ("peanut", change_text, "are not those of the summary"),
        ("corn", windy, "should be 3 to 10 mph"),
        ("corn", wet_after, "the label asks for 2"),
        ("corn", longer, "out of order"),
        ("corn", no_wait, "the labels say 2"),
        ("corn", hour_gone, "windows and lost hours are"),
        ("corn", no_pass, "should be for"),
    ],
)
def test_a_figure_changed_by_hand_is_found(weathered, tmp_path, crop, spoil, words):
    folder = Path(shutil.copytree(weathered(crop), tmp_path / "result"))
    path = folder / "summary.json"
    document = json.loads(path.read_text())
    spoil(document["weather"])
    path.write_text(json.dumps(document))
    assert any(words in line for line in about_weather(folder)), about_weather(folder)


def test_a_page_that_tells_other_hours_is_found(weathered, tmp_path):
    folder = Path(shutil.copytree(weathered("corn"), tmp_path / "result"))
    path = folder / "map.html"
    text = path.read_text(encoding="utf-8")
    at = text.index("Spray windows of", text.index('id="weather"'))
    path.write_text(text[:at] + re.sub(r"(\d\d):00 to", "05:00 to", text[at:], count=1), encoding="utf-8")
    assert any("05:00" in line for line in about_weather(folder))


def test_weather_that_no_plan_asked_for_and_weather_that_is_gone_are_found(weathered, good, tmp_path):
    told = json.loads((weathered("corn") / "summary.json").read_text())["weather"]
    folder = Path(shutil.copytree(good, tmp_path / "more"))
    document = json.loads((folder / "summary.json").read_text())
    (folder / "summary.json").write_text(json.dumps(document | {"weather": told}))
    assert any("the plan names no table" in line for line in about_weather(folder))
    folder = Path(shutil.copytree(weathered("corn"), tmp_path / "less"))
    document = json.loads((folder / "summary.json").read_text())
    del document["weather"]
    (folder / "summary.json").write_text(json.dumps(document))
    assert any("there is none; the plan asks for it" in line for line in about_weather(folder))
