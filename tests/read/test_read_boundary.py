"""Boundaries: harmless forms give one field, faulty ones are refused with the place."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from shapely.geometry import Polygon, mapping

from rxmap.errors import InputError
from rxmap.grid import geodesic_area_m2
from rxmap.plan import Plan
from rxmap.read.boundary import make_field
from rxmap.read.inputs import read_field
from rxmap.read.vector import Feature, Layer
from rxmap.records import Field

Ring = list[list[float]]
RING: Ring = [[10.1, 50.1], [10.107, 50.1], [10.107, 50.1036], [10.1, 50.1036], [10.1, 50.1]]
POND: Ring = [[10.103, 50.101], [10.103, 50.102], [10.104, 50.102], [10.104, 50.101], [10.103, 50.101]]

MakePlan = Callable[..., Plan]


def box(west: float, south: float, east: float, north: float) -> Ring:
    return [[west, south], [east, south], [east, north], [west, north], [west, south]]


def polygon(*rings: Ring, **properties: Any) -> dict[str, Any]:
    return {"type": "Feature", "properties": properties, "geometry": {"type": "Polygon", "coordinates": rings}}


def of_kind(kind: str, coordinates: Any) -> dict[str, Any]:
    return {"type": "Feature", "properties": {}, "geometry": {"type": kind, "coordinates": coordinates}}


def text(*features: dict[str, Any]) -> str:
    return json.dumps({"type": "FeatureCollection", "features": features})


@pytest.fixture
def field_of(make_plan: MakePlan) -> Callable[..., Field]:
    return lambda *features: read_field(make_plan({"boundary.geojson": text(*features)}))


HARMLESS = {
    "clockwise": RING[::-1],
    "elevations": [[*place, 312.5] for place in RING],
    "repeated vertices": [place for place in RING for _ in (0, 1)],
    "another start": [*RING[2:], *RING[1:3]],
    "below the grid of the files": [[lon + 3e-8, lat - 3e-8] for lon, lat in RING],
}


@pytest.mark.parametrize("ring", HARMLESS.values(), ids=HARMLESS)
def test_harmless_forms_give_the_same_field(field_of: Callable[..., Field], ring: Ring) -> None:
    field = field_of(polygon(ring))
    assert field.boundary.wkb == field_of(polygon(RING)).boundary.wkb
    assert field.boundary.exterior.is_ccw


def test_a_bare_geometry_is_a_field(make_plan: MakePlan) -> None:
    field = read_field(make_plan({"boundary.geojson": json.dumps(polygon(RING)["geometry"])}))
    assert field.boundary.equals(Polygon(RING))


def test_area_and_frame_are_those_of_the_ellipsoid(field_of: Callable[..., Field]) -> None:
    field = field_of(polygon(RING, POND))
    assert field.area_ha == geodesic_area_m2(field.boundary) / 1e4
    assert (field.frame.lon, field.frame.lat) == (10.1035, 50.1018)
    # within a few km of its centre the frame agrees with the ellipsoid to 1e-6 (see rxmap.grid)
    assert field.ground.area / 1e4 == pytest.approx(field.area_ha, rel=1e-6)


def test_a_pond_is_a_hole(field_of: Callable[..., Field]) -> None:
    field = field_of(polygon(RING, POND))
    assert field.area_ha == pytest.approx(field_of(polygon(RING)).area_ha - field_of(polygon(POND)).area_ha, rel=1e-9)


def test_separate_parts_are_one_field_in_either_form(field_of: Callable[..., Field]) -> None:
    east = box(10.108, 50.1, 10.11, 50.102)
    two = field_of(polygon(RING, name="north"), polygon(east))
    one = field_of(of_kind("MultiPolygon", [[RING], [east]]))
    assert two.boundary.wkb == one.boundary.wkb
    assert len(two.boundary.geoms) == 2


def test_parts_that_share_an_edge_become_one_piece(field_of: Callable[..., Field]) -> None:
    field = field_of(polygon(box(10.1, 50.1, 10.103, 50.1036)), polygon(box(10.103, 50.1, 10.107, 50.1036)))
    assert field.boundary.geom_type == "Polygon"
    assert field.area_ha == pytest.approx(field_of(polygon(RING)).area_ha, rel=1e-9)


def test_parts_may_overlap_by_what_rounding_does_along_a_shared_edge(field_of: Callable[..., Field]) -> None:
    # a vertex that only one part has on the shared edge of 400 m, 1 cm inside the other part: 2 m2 of 20 ha
    west = [[10.1, 50.1], [10.103, 50.1], [10.1030001, 50.1018], [10.103, 50.1036], [10.1, 50.1036], [10.1, 50.1]]
    field = field_of(polygon(west), polygon(box(10.103, 50.1, 10.107, 50.1036)))
    assert field.area_ha == pytest.approx(field_of(polygon(RING)).area_ha, rel=1e-9)


BOW_TIE = [[10.1, 50.1], [10.107, 50.1036], [10.107, 50.1], [10.1, 50.1036], [10.1, 50.1]]
SPIKE = [*RING[:2], [10.12, 50.1], [10.107, 50.1], *RING[2:]]
# OGC Simple Features (06-103r4) 6.1.11: rings do not cross, holes lie inside, the interior is connected
REFUSED = {
    "self-crossing": ([polygon(BOW_TIE)], "feature 1 is not a valid polygon: Self-intersection[10.1035 50.1018]"),
    "zero-width spike": ([polygon(SPIKE)], "feature 1 is not a valid polygon"),
    "hole outside": ([polygon(RING, box(10.2, 50.1, 10.201, 50.101))], "Hole lies outside shell"),
    "hole as large as the field": ([polygon(RING, RING[::-1])], "feature 1 is not a valid polygon"),
    "no area": ([polygon([RING[0], RING[1], RING[0], RING[0]])], "feature 1 is not a valid polygon"),
    "one place": ([polygon([RING[0]] * 4)], "feature 1 is not a valid polygon"),
    "overlapping parts": (
        [of_kind("MultiPolygon", [[RING], [box(10.103, 50.1, 10.11, 50.103)]])],
        "feature 1 is not a valid polygon",
    ),
    "overlapping features": ([polygon(RING), polygon(box(10.103, 50.1, 10.11, 50.103))], "2 features overlap"),
    "one field drawn twice": ([polygon(RING), polygon(RING)], "2 features overlap"),
    "several fields": (
        [polygon(RING, Name="Long acre"), polygon(box(10.2, 50.1, 10.21, 50.11), Name="Wet end")],
        "holds several fields ('Long acre', 'Wet end')",
    ),
    "a line": ([of_kind("LineString", RING)], "feature 1 is a LineString"),
    "a point": ([of_kind("Point", RING[0])], "feature 1 is a Point"),
    "a line beside it": ([polygon(RING), of_kind("LineString", RING)], "feature 2 is a LineString"),
    "no feature": ([], "holds no feature"),
    "a few square metres": ([polygon(box(10.1, 50.1, 10.1001, 50.10005))], "its area is 0.003979 ha"),
    "a county": ([polygon(box(10.0, 50.0, 10.5, 50.5))], "a field has 100 m2 to 20000 ha"),
    "across the 180th meridian": (
        [polygon(box(179.99, 50.1, 180, 50.11)), polygon(box(-180, 50.1, -179.99, 50.11))],
        "across the 180th meridian",
    ),
    "latitude first": ([polygon([[lat, lon - 105] for lon, lat in RING])], "longitude and latitude look swapped"),
    "metres without a system": ([polygon(box(578825, 5550500, 579325, 5551000))], "look like metres or feet"),
}  # fmt: skip


@pytest.mark.parametrize(("features", "part"), REFUSED.values(), ids=REFUSED)
def test_a_faulty_boundary_is_refused(refusal: Callable[..., str], features: list[Any], part: str) -> None:
    message = refusal({"boundary.geojson": text(*features)})
    assert part in message
    assert message.startswith("boundary.geojson: ")


def test_a_neck_narrower_than_the_grid_of_the_files_is_refused_not_closed(refusal: Callable[..., str]) -> None:
    west, east = box(10.1, 50.1, 10.103, 50.1036), box(10.104, 50.1, 10.107, 50.1036)
    neck = 2e-8  # degree, about 2 mm
    ring = [
        *west[:2], [10.103, 50.102], [10.104, 50.102], *east[:3], east[3], [10.104, 50.102 + neck],
        [10.103, 50.102 + neck], west[2], west[3], west[0],
    ]  # fmt: skip
    assert "a part narrower than 1 cm closes up" in refusal({"boundary.geojson": text(polygon(ring))})


def test_a_pond_smaller_than_the_grid_of_the_files_is_refused(refusal: Callable[..., str]) -> None:
    pond = box(10.103, 50.101, 10.103 + 2e-8, 50.101 + 2e-8)
    assert "a part narrower than 1 cm closes up" in refusal({"boundary.geojson": text(polygon(RING, pond))})


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=20, deadline=None)
@given(
    corners=st.integers(3, 40),
    start=st.integers(0, 39),
    centre=st.tuples(st.floats(-170, 170), st.floats(-60, 60)),
    seed=st.integers(0, 2**32 - 1),
)
def test_any_star_gives_one_valid_field_on_the_grid_of_the_files(
    make_plan: MakePlan, corners: int, start: int, centre: tuple[float, float], seed: int
) -> None:
    rng = np.random.default_rng(seed)
    angles = np.linspace(0, 2 * np.pi, corners, endpoint=False)
    radii = rng.uniform(0.002, 0.006, corners)
    places = np.column_stack([centre[0] + radii * np.cos(angles), centre[1] + radii * np.sin(angles)])
    turned = np.roll(places, -start, axis=0)[:: rng.choice([-1, 1])]
    fields = [
        read_field(make_plan({"boundary.geojson": json.dumps(mapping(Polygon(ring)))})) for ring in (places, turned)
    ]
    boundary = fields[0].boundary
    assert boundary.wkb == fields[1].boundary.wkb
    assert boundary.is_valid
    on_grid = shapely.get_coordinates(boundary)
    assert np.array_equal(on_grid, np.round(on_grid, 7))
    # rounding moves each vertex by at most 8 mm on a perimeter of at least 1 km: 1e-4 is generous
    assert fields[0].area_ha == pytest.approx(geodesic_area_m2(Polygon(places)) / 1e4, rel=1e-4)


STEP = st.one_of(st.integers(-3, 3).map(lambda k: k * 0.002), st.integers(-4, 4).map(lambda k: k * 2e-8))
PLACES = st.lists(st.tuples(STEP, STEP), min_size=3, max_size=7)


@given(st.lists(PLACES, min_size=1, max_size=3), st.booleans())
def test_any_rings_are_a_valid_field_or_refused(rings: list[list[tuple[float, float]]], as_holes: bool) -> None:
    closed = [[(10 + x, 50 + y) for x, y in [*ring, ring[0]]] for ring in rings]
    shapes = [Polygon(closed[0], closed[1:])] if as_holes else [Polygon(ring) for ring in closed]
    features = tuple(Feature(number=i, geometry=shape, properties={}) for i, shape in enumerate(shapes, start=1))
    told = ["field.geojson: "]
    try:
        field = make_field("any", Layer(name="field.geojson", features=features, cautions=()))
        assert field.boundary.is_valid
        assert field.ground.is_valid
    except InputError as error:
        told = error.lines()
    assert all(line.startswith("field.geojson: ") for line in told)
