"""The layer of loads."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import shapely

from rxmap.grid import geodesic_area_m2
from rxmap.passes.loads import LoadPlan, plan_loads, treated_ground
from rxmap.plan import Machine, Product
from rxmap.records import Result
from rxmap.write.loads import write_loads


@pytest.fixture
def plan(result: Result) -> LoadPlan:
    machine = Machine.model_validate(result.plan["machine"])
    product = Product.model_validate(result.plan["product"][0])
    treated = treated_ground(result.passes[0], result.field.frame)
    return plan_loads(treated, [product], machine=machine, field=result.field)


def test_it_holds_each_load_in_driving_order(tmp_path: Path, plan: LoadPlan) -> None:
    write_loads(tmp_path / "loads.geojson", plan)
    rows = [row["properties"] for row in json.loads((tmp_path / "loads.geojson").read_text("utf-8"))["features"]]
    assert [list(row) for row in rows] == [["load", "order", "area_ha", "volume_l"]] * 5
    assert [row["order"] for row in rows] == [1, 2, 3, 4, 5]
    assert sum(row["area_ha"] for row in rows) == pytest.approx(plan.area_ha, abs=0.5e-4 + 1e-9)
    assert sum(row["volume_l"] for row in rows) == pytest.approx(plan.volume_l, abs=0.5e-2 + 1e-9)


def test_its_areas_are_those_on_the_ellipsoid(tmp_path: Path, plan: LoadPlan) -> None:
    write_loads(tmp_path / "loads.geojson", plan)
    for row in json.loads((tmp_path / "loads.geojson").read_text("utf-8"))["features"]:
        ground = shapely.from_geojson(json.dumps(row["geometry"]))
        # 7 decimals move an outline by up to 6 mm: 6 m2 along 1 km of it, and the file has 4 decimals
        assert geodesic_area_m2(ground) / 1e4 == pytest.approx(row["properties"]["area_ha"], abs=7e-4)


def test_no_load_leaves_the_treated_ground(plan: LoadPlan, result: Result) -> None:
    treated = shapely.union_all([part.polygon for part in result.passes[0].parts if part.treat])
    for load in plan.loads:
        assert treated.buffer(1.5e-7).contains(load.polygon)  # the grid of the files
