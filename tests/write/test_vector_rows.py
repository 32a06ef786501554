"""What the vector files say about their features."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from shapely.geometry import Polygon

from rxmap.records import Result
from rxmap.write.vectors import write_keep_outs, write_stops


def _rows(path: Path) -> list[dict[str, Any]]:
    return [feature["properties"] for feature in json.loads(path.read_text("utf-8"))["features"]]


def test_a_stop_keeps_its_scouting_row(written: Path, result: Result) -> None:
    row, stop = _rows(written / "stops.geojson")[0], result.observations[0]
    assert row == {
        "stop": "000", "lon": stop.lon, "lat": stop.lat, "date": "2031-07-14", "target": "Marsh leafhopper", "n": 25,
        "count": stop.value, "positives": None, "severity_pct": None, "rating": None, "edge": 0, "note": "",
        "scout": "K. & L.", "used": True, "why": "",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("measure", "column", "value"),
    [
        ("count", "count", 7.0),
        ("incidence", "positives", 3.0),
        ("severity", "severity_pct", 2.5),
        ("rating", "rating", 4.0),
    ],
)
def test_a_value_stands_in_the_column_of_its_measure(
    tmp_path: Path, result: Result, measure: str, column: str, value: float
) -> None:
    target = replace(result.targets[0], measure=measure)
    write_stops(tmp_path / "s.geojson", [replace(result.observations[0], value=value)], [target])
    (row,) = _rows(tmp_path / "s.geojson")
    filled = {name for name in ("count", "positives", "severity_pct", "rating") if row[name] is not None}
    assert filled == {column}
    assert row[column] == value


def test_a_note_column_named_like_ours_keeps_its_text(tmp_path: Path, result: Result) -> None:
    odd = replace(result.observations[0], extra=(("used", "by me"), ("field", "north")))
    write_stops(tmp_path / "s.geojson", [odd], result.targets)
    (row,) = _rows(tmp_path / "s.geojson")
    assert (row["used"], row["used_"], row["field"]) == (True, "by me", "north")


def test_a_stop_of_a_target_outside_the_plan_is_still_there(tmp_path: Path, result: Result) -> None:
    stray = replace(result.observations[0], target="Something else", used=False, why="not in the plan")
    write_stops(tmp_path / "s.geojson", [stray], result.targets)
    (row,) = _rows(tmp_path / "s.geojson")
    assert (row["count"], row["used"], row["why"]) == (None, False, "not in the plan")


def test_zones_explain_and_carry_no_rate(written: Path) -> None:
    for row in _rows(written / "zones.geojson"):
        assert list(row) == [
            "zone", "area_ha", "pressure_marsh-leafhopper", "pressure_ring-speck", "p_over_marsh-leafhopper",
            "p_over_ring-speck", "text",
        ]  # fmt: skip


def test_a_keep_out_says_why_and_how_far(written: Path) -> None:
    assert _rows(written / "keep_out.geojson") == [
        {"reason": "ditch", "setback_m": 30.0, "passes": "hopper-pass,speck-pass"}
    ]


def test_a_keep_out_that_misses_the_field_is_left_out(tmp_path: Path, result: Result) -> None:
    write_keep_outs(tmp_path / "k.geojson", [replace(result.keep_outs[0], polygon=Polygon())])
    assert _rows(tmp_path / "k.geojson") == []
