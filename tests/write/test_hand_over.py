"""The page that the operator gets, and the squares to try on the terminal."""

from __future__ import annotations

import copy
import hashlib
import json
from dataclasses import replace
from pathlib import Path

import pytest
import shapely

from rxmap.grid import geodesic_area_m2
from rxmap.passes.loads import LoadPlan, plan_loads, treated_ground
from rxmap.plan import Machine, Product
from rxmap.records import Field, PassResult, Result
from rxmap.write.folder import LAYERS
from rxmap.write.hand_over import TEST_BASE, hand_over_text, terminal_test, write_hand_over
from rxmap.write.mix_sheet import mix_lines
from rxmap.write.summary import ENDINGS
from rxmap.write.vectors import prescription


@pytest.fixture(scope="module")
def hopper(result: Result) -> PassResult:
    return result.passes[0]


@pytest.fixture(scope="module")
def loads(result: Result, hopper: PassResult) -> LoadPlan:
    machine = Machine.model_validate(result.plan["machine"] | {"reserve": "0.5 gal"})
    product = Product.model_validate(result.plan["product"][0] | {"pack": "1 gal"})
    treated = treated_ground(hopper, result.field.frame)
    return plan_loads(treated, [product], machine=machine, field=result.field)


@pytest.fixture
def page(tmp_path: Path, result: Result, hopper: PassResult, loads: LoadPlan) -> str:
    for name, write in LAYERS.items():
        ending = ENDINGS[name]
        write(tmp_path / "machine" / f"{hopper.base}{ending}", prescription(hopper.parts))
    write_hand_over(tmp_path / "hand_over.txt", result, hopper, loads)
    return (tmp_path / "hand_over.txt").read_text("ascii")


def test_it_is_one_page_of_ascii(page: str) -> None:
    lines = page.splitlines()
    assert len(lines) <= 60
    assert max(map(len, lines)) <= 78


def test_it_names_every_machine_file_with_its_digest(page: str, tmp_path: Path) -> None:
    files = list((tmp_path / "machine").iterdir())
    assert len(files) == 8  # the shapefile is five of them
    for file in files:
        assert file.name in page
        assert hashlib.sha256(file.read_bytes()).hexdigest() in page


def test_it_tells_the_spray_quality_of_the_label(result: Result, hopper: PassResult, loads: LoadPlan) -> None:
    assert "Droplets" not in hand_over_text(result, hopper, loads, {})
    plan = copy.deepcopy(dict(result.plan))
    plan["product"][0]["label"]["droplet"] = "coarse"
    told = hand_over_text(replace(result, plan=plan), hopper, loads, {})
    assert "Droplets     coarse, as the plan took it from the label" in told


def test_it_says_what_the_operator_sets_and_checks(page: str, hopper: PassResult) -> None:
    flat = " ".join(page.split())
    for words in (
        "Spray date 2031-07-15",
        f"{hopper.treated_ha:.4f} ha",
        "Exampline 200, 9 floz/acre:",
        "2 gal/acre of spray",
        "5, of these 2 with a rate above 0",
        "unit floz/acre of Exampline 200",
        "Rate outside the polygons = 0",
        "WGS84",
        "stays in the tank 0.5 gal",
        "Mix in the order that the label says",
        "Drift",
        "Re-entry: 12 hours after spraying ends on",
    ):
        assert words in flat


def test_what_is_filled_is_what_the_mix_sheet_adds_up_to(page: str, loads: LoadPlan) -> None:
    flat = " ".join(page.split())
    for item in ("Exampline 200", "water"):
        mine = [line for line in mix_lines(loads, "us") if line.item.startswith(item)]
        ground = sum(line.amount for line in mine if line.item == item)
        filled, unit = sum(line.amount for line in mine), mine[0].unit
        assert filled > ground  # half a gallon stays in the tank
        assert f"{ground} {unit} on the ground, {filled} {unit} to fill with the extra mix" in flat


def test_without_a_spray_date_there_is_a_line_to_write_on(result: Result, hopper: PassResult, loads: LoadPlan) -> None:
    undated = replace(result, plan={"field": {"name": "x"}})
    assert "Spray date   ____" in hand_over_text(undated, hopper, loads, {})


def test_the_longest_names_still_fit_the_page(result: Result, hopper: PassResult, loads: LoadPlan) -> None:
    long = "W\u00e4lder \u4e2d\u6587 " * 20
    uses = [replace(hopper.products[0], name=f"{number}{long}") for number in range(9)]
    need, load = loads.needs[0], loads.loads[0]
    items = (load.items[0], *(replace(load.items[1], item=use.name) for use in uses))
    many = replace(
        loads,
        loads=(replace(load, items=items),) * 40,
        needs=tuple(replace(need, item=use.name) for use in uses),
        extras=tuple(replace(extra, items=items) for extra in loads.extras),
    )
    crowded = replace(hopper, name=long, products=tuple(uses))
    named = replace(result, crop=long, field=replace(result.field, name=long))
    digests = {f"abcdefgh{ending}": "0" * 64 for ending in (".cpg", ".dbf", ".geojson", ".prj", ".shp", ".shx")}
    text = hand_over_text(named, crowded, many, digests)
    assert text.isascii()
    assert len(text.splitlines()) <= 60
    assert max(map(len, text.splitlines())) <= 78
    assert "and 6 more on the mix sheet" in text


def test_the_squares_lie_in_the_field_off_every_keep_out(result: Result, hopper: PassResult) -> None:
    parts = terminal_test(result, hopper)
    assert [(part.treat, part.rate) for part in parts] == [(0, 0.0), (1, 9.0)]
    both = shapely.union_all([part.polygon for part in parts])
    assert result.field.boundary.contains(both)
    assert not any(keep_out.polygon.intersects(both) for keep_out in result.keep_outs)


def test_the_squares_are_thirty_metres_and_share_an_edge(result: Result, hopper: PassResult) -> None:
    off, on = (part.polygon for part in terminal_test(result, hopper))
    for square in (off, on):
        assert geodesic_area_m2(square) == pytest.approx(900.0, rel=1e-3)  # 1.1 cm of rounding on a side of 30 m
    assert off.intersection(on).area == 0
    assert len(set(off.exterior.coords) & set(on.exterior.coords)) == 2


def test_a_narrow_field_gets_smaller_squares(result: Result, hopper: PassResult) -> None:
    strip = shapely.box(0, 0, 400, 24)
    field = result.field
    narrow = Field(
        name="x", boundary=field.frame.geometry_to_lonlat(strip), ground=strip, frame=field.frame, area_ha=0.96
    )
    parts = terminal_test(replace(result, field=narrow, keep_outs=()), hopper)
    assert all(strip.buffer(0.01).contains(field.frame.geometry_to_metres(part.polygon)) for part in parts)


def test_the_usual_writers_take_the_squares(tmp_path: Path, result: Result, hopper: PassResult) -> None:
    features = prescription(terminal_test(result, hopper))
    LAYERS["geojson"](tmp_path / f"{TEST_BASE}.geojson", features)
    LAYERS["shapefile"](tmp_path / f"{TEST_BASE}.shp", features)
    rows = json.loads((tmp_path / f"{TEST_BASE}.geojson").read_text("utf-8"))["features"]
    assert [row["properties"]["rate"] for row in rows] == [0.0, 9.0]
