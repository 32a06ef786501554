"""Keep-outs: points, lines and polygons near the field, and layers that belong elsewhere."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pyproj
import pytest

from rxmap.plan import Plan
from rxmap.read.inputs import read_inputs
from rxmap.records import KeepOutSource

GEOD = pyproj.Geod(ellps="WGS84")
ENTRY = '[[keep_out]]\nfile = "{}.geojson"\nsetback = "{}"\nreason = "{}"\n'

MakePlan = Callable[..., Plan]


def feature(kind: str, coordinates: Any) -> dict[str, Any]:
    return {"type": "Feature", "properties": {}, "geometry": {"type": kind, "coordinates": coordinates}}


def layer(*features: dict[str, Any]) -> str:
    return json.dumps({"type": "FeatureCollection", "features": features})


HOUSE = feature("Point", [10.098, 50.1018])
DITCH = feature("LineString", [[10.1075, 50.09], [10.1075, 50.11]])
POND = feature("Polygon", [[[10.103, 50.101], [10.104, 50.101], [10.104, 50.102], [10.103, 50.102], [10.103, 50.101]]])


@pytest.fixture
def keep_out(make_plan: MakePlan) -> Callable[..., KeepOutSource]:
    def read(*features: dict[str, Any], setback: str = "30 m") -> KeepOutSource:
        plan = make_plan({"k.geojson": layer(*features)}, rest=ENTRY.format("k", setback, "open water"))
        (source,) = read_inputs(plan).keep_outs
        return source

    return read


def test_points_lines_and_polygons_are_one_ground_in_metres(keep_out: Callable[..., KeepOutSource]) -> None:
    source = keep_out(HOUSE, DITCH, POND, setback="100 ft")
    assert {part.geom_type for part in source.ground.geoms} == {"Point", "LineString", "Polygon"}
    assert (source.reason, round(source.setback_m, 2)) == ("open water", 30.48)


def test_the_pond_has_its_area_on_the_ellipsoid(keep_out: Callable[..., KeepOutSource]) -> None:
    ring = POND["geometry"]["coordinates"][0]
    area, _ = GEOD.polygon_area_perimeter(*zip(*ring, strict=True))  # Karney (2013)
    assert keep_out(POND).ground.area == pytest.approx(area, rel=1e-6)


def test_each_entry_of_the_plan_is_a_source_of_its_own(make_plan: MakePlan) -> None:
    rest = ENTRY.format("a", "10 m", "house") + ENTRY.format("b", "0 m", "ditch") + ENTRY.format("a", "50 m", "school")
    inputs = read_inputs(make_plan({"a.geojson": layer(HOUSE), "b.geojson": layer(DITCH)}, rest=rest))
    assert [(k.reason, k.setback_m) for k in inputs.keep_outs] == [("house", 10), ("ditch", 0), ("school", 50)]
    assert [file.name for file in inputs.files] == [
        "plan.toml", "boundary.geojson", "stops.csv", "a.geojson", "b.geojson",
    ]  # fmt: skip


def test_what_cannot_reach_the_field_is_left_out_and_the_rest_unchanged(
    keep_out: Callable[..., KeepOutSource],
) -> None:
    far = [feature("Point", [-70.0, -33.0]), feature("LineString", [[-179.0, 80.0], [-178.0, 80.0]])]
    assert keep_out(HOUSE, *far).ground.equals(keep_out(HOUSE).ground)


def test_a_river_across_the_country_is_cut_to_the_surroundings(keep_out: Callable[..., KeepOutSource]) -> None:
    long = keep_out(feature("LineString", [[10.1075, -80.0], [10.1075, 80.0]])).ground
    assert long.length < 15_000  # 5 km and the setback on both sides of a field 400 m high
    near = keep_out(DITCH).ground
    assert near.hausdorff_distance(long.intersection(near.envelope.buffer(1))) < 1.1


# our limit is 5 km; a degree of latitude is about 111 km
@pytest.mark.parametrize("lat", [50.1036 + 0.046, 50.2, -50.1])
def test_a_layer_of_another_field_is_refused(refusal: Callable[..., str], lat: float) -> None:
    files = {"k.geojson": layer(feature("Point", [10.1035, lat]))}
    assert "k.geojson: nothing of it is within 5 km" in refusal(files, rest=ENTRY.format("k", "30 m", "house"))


def test_a_layer_within_five_kilometres_is_kept(keep_out: Callable[..., KeepOutSource]) -> None:
    assert not keep_out(feature("Point", [10.1035, 50.1036 + 0.0445])).ground.is_empty


REFUSED = {
    "latitude first": (layer(feature("Point", [50.1018, 10.098])), "are longitude and latitude swapped?"),
    "invalid": (
        layer(HOUSE, feature("Polygon", [[[10.1, 50.1], [10.2, 50.2], [10.2, 50.1], [10.1, 50.2], [10.1, 50.1]]])),
        "feature 2 is not valid: Self-intersection",
    ),
    "null": (layer({**HOUSE, "geometry": None}), "feature 1 has no geometry"),
    "no feature": (layer(), "holds no feature"),
}


@pytest.mark.parametrize(("data", "part"), REFUSED.values(), ids=REFUSED)
def test_a_faulty_layer_is_refused(refusal: Callable[..., str], data: str, part: str) -> None:
    assert part in refusal({"k.geojson": data}, rest=ENTRY.format("k", "30 m", "house"))
