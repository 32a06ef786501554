"""Stops near, beside and far from the field."""

from __future__ import annotations

import json
from collections.abc import Callable

import pyproj
import pytest

from rxmap.plan import Plan
from rxmap.read.inputs import read_inputs
from rxmap.records import Inputs

RING = [[10.1, 50.1], [10.107, 50.1], [10.107, 50.1036], [10.1, 50.1036], [10.1, 50.1]]
POND = [[10.103, 50.101], [10.103, 50.102], [10.104, 50.102], [10.104, 50.101], [10.103, 50.101]]
WITH_POND = json.dumps({"type": "Polygon", "coordinates": [RING, POND]})
GEOD = pyproj.Geod(ellps="WGS84")

MakePlan = Callable[..., Plan]


def stops(*places: tuple[float, float]) -> str:
    lines = ["stop,lon,lat,target,n,count,severity_pct"]
    for number, (lon, lat) in enumerate([(10.1012, 50.1011), *places]):
        lines += [f"S{number},{lon:.7f},{lat:.7f},reed aphid,10,4,", f"S{number},{lon:.7f},{lat:.7f},lake rust,,,2"]
    return "\n".join(lines)


def west_of_the_field(metres: float) -> tuple[float, float]:
    lon, lat, _ = GEOD.fwd(10.1, 50.1018, 270, metres)
    return lon, lat


def why(inputs: Inputs, stop: str = "S1") -> set[str]:
    return {one.why for one in inputs.observations if one.stop == stop}


# 15 m of scatter without a gps_error in the plan; the field's own edge is 10.1 degrees east
NEARNESS = [
    ("", 14.9, ""),
    ("", 15.1, "outside the field"),
    ('gps_error = "5 m"', 5.1, "outside the field"),
    ('gps_error = "100 ft"', 30.4, ""),
]


@pytest.mark.parametrize(("scouting", "metres", "expected"), NEARNESS)
def test_a_stop_within_the_gps_error_is_used(make_plan: MakePlan, scouting: str, metres: float, expected: str) -> None:
    inputs = read_inputs(make_plan({"stops.csv": stops(west_of_the_field(metres))}, scouting=scouting))
    assert why(inputs) == {expected}
    assert [c.code for c in inputs.cautions] == (["stops_outside"] if expected else [])


def test_a_stop_outside_is_named_with_its_distance(make_plan: MakePlan) -> None:
    inputs = read_inputs(make_plan({"stops.csv": stops(west_of_the_field(400.0))}))
    assert "Unused stops, outside the field" in inputs.cautions[0].text
    assert "'S1' (400 m)" in inputs.cautions[0].text


def test_a_stop_in_a_pond_is_kept_as_unused(make_plan: MakePlan) -> None:
    files = {"boundary.geojson": WITH_POND, "stops.csv": stops((10.1035, 50.1015), (10.10301, 50.1015))}
    inputs = read_inputs(make_plan(files))
    assert why(inputs) == {"in a hole of the field"}
    assert why(inputs, "S2") == {""}  # a step from the bank: scatter
    assert [c.code for c in inputs.cautions] == ["stops_in_hole"]


def test_stops_that_are_all_elsewhere_are_refused(refusal: Callable[..., str]) -> None:
    elsewhere = stops().replace("10.1012", "10.2012")
    message = refusal({"stops.csv": elsewhere})
    assert "no stop is in the field, the nearest is" in message
    assert "another field's boundary?" in message


def test_eastings_and_northings_are_those_of_the_fields_frame(make_plan: MakePlan) -> None:
    inputs = read_inputs(make_plan())
    one = inputs.observations[0]
    # distance from the frame's centre by the ellipsoid (Karney 2013); at 200 m both agree to a millimetre
    _, _, metres = GEOD.inv(inputs.field.frame.lon, inputs.field.frame.lat, one.lon, one.lat)
    assert (one.easting**2 + one.northing**2) ** 0.5 == pytest.approx(metres, abs=1e-3)


@pytest.mark.parametrize("mark", [lambda lon, lat: (lat, lon), lambda lon, lat: (-lon, lat)])
def test_a_whole_file_with_one_mistake_is_told_which(
    refusal: Callable[..., str], mark: Callable[[float, float], tuple[float, float]]
) -> None:
    lines = ["stop,lon,lat,target,n,count"]
    lines += [f"S{i},{lon},{lat},reed aphid,1,1" for i, (lon, lat) in enumerate([mark(10.1012, 50.1011)] * 3)]
    message = refusal({"stops.csv": "\n".join(lines)})
    assert all("look" in line and line.startswith("stops.csv: row ") for line in message.splitlines())


def test_a_neighbours_stop_that_mirrors_into_the_field_is_no_mistake(make_plan: MakePlan) -> None:
    # a field just east of the zero meridian; the stop lies 350 m west of it, and 5 m off when its sign is turned
    ring = [[0.0001, 50.1], [0.007, 50.1], [0.007, 50.1036], [0.0001, 50.1036], [0.0001, 50.1]]
    files = {
        "boundary.geojson": json.dumps({"type": "Polygon", "coordinates": [ring]}),
        "stops.csv": stops((-0.005, 50.1011)).replace("10.1012", "0.0012"),
    }
    assert why(read_inputs(make_plan(files))) == {"outside the field"}
