"""Ground decided by hand, the grid laid while reading, and the plan among the files."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pyproj
import pytest

from rxmap.grid import make_grid
from rxmap.plan import Plan
from rxmap.read import asked_cells
from rxmap.read.inputs import read_inputs

GEOD = pyproj.Geod(ellps="WGS84")
ENTRY = '[[override]]\nfile = "hand.geojson"\naction = "{}"\nreason = "looked again"\n'

MakePlan = Callable[..., Plan]


def square(lon: float, lat: float, side: float = 0.001) -> list[list[float]]:
    return [[lon, lat], [lon + side, lat], [lon + side, lat + side], [lon, lat + side], [lon, lat]]


def layer(*rings: list[list[float]], kind: str = "Polygon") -> str:
    features = [
        {
            "type": "Feature",
            "properties": {},
            "geometry": {"type": kind, "coordinates": [one] if kind == "Polygon" else one},
        }
        for one in rings
    ]
    return json.dumps({"type": "FeatureCollection", "features": features})


def test_ground_drawn_by_hand_is_in_metres_with_what_the_plan_says_of_it(make_plan: MakePlan) -> None:
    rest = ENTRY.format("treat") + ENTRY.format("skip") + 'pass = "Product A"\n'
    product = """
[[product]]
name = "Product A"
controls = { "reed aphid" = 0.8 }
rate = "1 L/ha"
label = { min = "0.5 L/ha", max = "2 L/ha" }
cost = "10 EUR/L"
[machine]
kind = "ground"
swath = "12 m"
carrier = "100 L/ha"
tank = "1000 L"
"""
    files = {"hand.geojson": layer(square(10.101, 50.101), square(10.2, 60.0))}
    treat, skip = read_inputs(make_plan(files, rest=rest + product)).by_hand
    assert (treat.action, treat.pass_name, treat.reason) == ("treat", None, "looked again")
    assert (skip.action, skip.pass_name) == ("skip", "Product A")
    # outside: area on the ellipsoid, Karney (2013); the second square is another field's
    area, _ = GEOD.polygon_area_perimeter(*zip(*square(10.101, 50.101), strict=True))
    assert treat.ground.area == pytest.approx(area, rel=1e-6)


REFUSED: dict[str, tuple[str, str]] = {
    "a line": (layer(square(10.101, 50.101), kind="LineString"), "feature 1 is a LineString; ground is a polygon"),
    "crossed": (layer([[10.1, 50.1], [10.2, 50.2], [10.2, 50.1], [10.1, 50.2], [10.1, 50.1]]), "Self-intersection"),
    "another field's": (layer(square(10.2, 50.2)), "nothing of it is within 5 km"),
    "beside the field": (layer(square(10.09, 50.1)), "none of it is in the field, so there is nothing to skip"),
    "touching the field": (layer(square(10.099, 50.101)), "none of it is in the field"),
}


@pytest.mark.parametrize(("text", "part"), REFUSED.values(), ids=REFUSED)
def test_what_would_do_nothing_by_hand_is_refused(refusal: Callable[..., str], text: str, part: str) -> None:
    assert part in refusal({"hand.geojson": text}, rest=ENTRY.format("skip"))


# --- the grid ---


def test_the_grid_is_that_of_the_field_and_the_cell_asked_for(make_plan: MakePlan) -> None:
    inputs = read_inputs(make_plan(rest='[output]\ncell = "20 ft"'))
    assert inputs.grid.cell == pytest.approx(6.096)  # international foot, 0.3048 m exactly
    assert (inputs.grid.share == make_grid(inputs.field.ground, inputs.grid.cell).share).all()
    assert inputs.grid.share.sum() * inputs.grid.cell_ha == pytest.approx(inputs.field.area_ha, rel=4e-3)
    # half a sub-cell, 0.38 m, along 1.8 km of edge is 0.34 % of 20 ha


def test_too_many_cells_are_refused_before_anything_is_allocated(
    refusal: Callable[..., str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(asked_cells, "make_grid", lambda *_: pytest.fail("allocated"))
    message = refusal({"stops.csv": "stop\n"}, rest='[output]\ncell = "0.01 m"')
    assert "plan.toml: output.cell: 0.01 m needs 2,0" in message  # thousand million: 20 ha in cells of 1 cm2
    assert "stops.csv: " in message  # told together


def test_parts_of_a_field_far_from_each_other_are_refused_before_anything_is_allocated(
    refusal: Callable[..., str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(asked_cells, "make_grid", lambda *_: pytest.fail("allocated"))
    far: list[Any] = [[square(10.1, 50.1)], [square(10.6, 50.4)]]
    files = {"boundary.geojson": json.dumps({"type": "MultiPolygon", "coordinates": far})}
    assert "field.boundary: its parts reach over 35.7 km by 33.5 km" in refusal(files)


def test_fine_cells_are_cautioned(make_plan: MakePlan) -> None:
    inputs = read_inputs(make_plan(rest='[output]\ncell = "1 m"'))
    assert "fine_cells" in [caution.code for caution in inputs.cautions]
    assert "fine_cells" not in [caution.code for caution in read_inputs(make_plan()).cautions]


def test_the_plan_is_the_first_file_with_its_hash(make_plan: MakePlan, tmp_path: Path) -> None:
    first = read_inputs(make_plan()).files[0]
    data = (tmp_path / "plan.toml").read_bytes()
    assert (first.name, first.bytes, first.sha256) == ("plan.toml", len(data), hashlib.sha256(data).hexdigest())
