"""The summary holds the names that readers rely on, and figures that agree with each other."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from rxmap.records import Money, Result
from rxmap.write.summary import summary


@pytest.fixture(scope="module")
def figures(written: Path) -> dict[str, Any]:
    return json.loads((written / "summary.json").read_text("utf-8"))


def test_the_promised_names_are_there(figures: dict[str, Any]) -> None:
    assert {"name", "area_ha", "crs"} <= figures["field"].keys()
    for target in figures["targets"]:
        assert {
            "name", "slug", "measure", "unit", "stops", "threshold", "mean", "p_over", "model", "skill", "verdict",
            "reason", "surface",
        } <= target.keys()  # fmt: skip
        assert target["stops"].keys() == {"read", "used", "unused"}
    for one in figures["passes"]:
        assert {
            "name", "slug", "products", "decision", "reason", "treated_ha", "share", "polygons", "loads", "files",
        } <= one.keys()  # fmt: skip
        assert all({"name", "rate", "unit", "total", "total_unit"} <= row.keys() for row in one["products"])
    assert {"currency", "map", "all", "none", "best", "range"} <= figures["money"].keys()
    assert all(caution.keys() == {"code", "text"} for caution in figures["cautions"])


def test_every_path_leads_to_a_file(figures: dict[str, Any], written: Path) -> None:
    paths = [target["surface"] for target in figures["targets"]]
    paths += [path for one in figures["passes"] for path in (one["files"] or {}).values()]
    assert len(paths) == 4
    assert all((written / path).is_file() and not path.startswith("/") and "\\" not in path for path in paths)


def test_no_stop_is_lost_between_read_used_and_unused(figures: dict[str, Any], written: Path) -> None:
    rows = [row["properties"] for row in json.loads((written / "stops.geojson").read_text("utf-8"))["features"]]
    for target in figures["targets"]:
        mine = [row for row in rows if row["target"] == target["name"]]
        used = sum(row["used"] for row in mine)
        assert target["stops"] == {"read": len(mine), "used": used, "unused": len(mine) - used}
        assert all(row["used"] != bool(row["why"]) for row in mine)


def test_treated_area_share_and_total_agree_with_the_layer(figures: dict[str, Any], written: Path) -> None:
    one = figures["passes"][0]
    rows = [row["properties"] for row in json.loads((written / one["files"]["geojson"]).read_text("utf-8"))["features"]]
    treated_ha = sum(row["area_ha"] for row in rows if row["treat"])
    assert one["treated_ha"] == pytest.approx(treated_ha, abs=1e-4 * len(rows))  # areas carry 4 decimals
    assert one["share"] == pytest.approx(treated_ha / figures["field"]["area_ha"], abs=1e-4)
    # 1 ha = 2.4710538 acre (NIST Handbook 44, from memory); floz/acre x acre
    assert one["products"][0]["total"] == pytest.approx(9.0 * treated_ha * 2.4710538, rel=1e-5)


def test_a_pass_that_stays_home_has_no_files_and_no_folder(figures: dict[str, Any], written: Path) -> None:
    home = figures["passes"][1]
    assert home["decision"] == "none"
    assert home["files"] is None
    assert home["reason"]
    assert home["next_look"]
    assert not (written / "passes" / home["slug"]).exists()


def test_hostile_text_stays_text(figures: dict[str, Any], result: Result) -> None:
    assert figures["field"]["name"] == result.field.name
    assert [row["text"] for row in figures["cautions"]] == [caution.text for caution in result.cautions]


def test_what_to_wait_for_and_what_if_are_in_the_files_too(figures: dict[str, Any]) -> None:
    """What is on the screen is in the files."""
    assert figures["passes"][0]["dates"]["harvest_from"] == "2031-08-05"
    assert figures["passes"][1]["dates"] is None
    changed, dearer = figures["what_if"]
    assert (changed["treated_share"], changed["money"]["map"]) == ({"hopper-pass": 0.31}, 290.0)
    assert dearer["money"] is None


def test_without_a_product_there_is_no_money(result: Result) -> None:
    figures = summary(replace(result, passes=(), money=None))
    assert figures["passes"] == []
    assert figures["money"] is None


def test_without_a_map_the_gain_of_one_is_null(result: Result) -> None:
    money = Money(currency="EUR", map=None, all=10.126, none=-60.0, best="all", range=None, p_map=None)
    figures = summary(replace(result, money=money))["money"]
    assert figures == {
        "currency": "EUR", "map": None, "all": 10.13, "none": -60.0, "best": "all", "range": None, "p_map": None,
    }  # fmt: skip
