"""The coverage builder: nothing overlaps, nothing is left out, whatever the shapes are."""

from __future__ import annotations

import json
import math

import numpy as np
import pyproj
import pytest
import shapely
from geojson_validator import validate_geometries, validate_structure
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from shapely.geometry import GeometryCollection, LineString, MultiPolygon, Point, Polygon, box

from rxmap.errors import CheckError
from rxmap.grid import Frame, geodesic_area_m2, make_grid
from rxmap.zones.polygons import UNITS_PER_DEGREE, Face, _check, coverage, label_polygons
from rxmap.zones.slivers import THINNEST

FRAME = Frame(lon=10.0, lat=50.0)
KEEP_OUT, REST = 9, 0
ROUNDING = 0.011  # [m] one unit of 7 decimals on the ground, 1e-7 degrees x 111.3 km
FIELD_M = box(-200, -100, 200, 100)


def lonlat(geometry, frame=FRAME):
    return frame.geometry_to_lonlat(geometry)


def metres(faces: list[Face], label: int, frame=FRAME) -> shapely.Geometry:
    """Ground of a label in metres; points are added first because edges are straight in lon/lat."""
    parts = [frame.geometry_to_metres(shapely.segmentize(f.polygon, 5e-4)) for f in faces if f.label == label]
    return shapely.union_all(parts)


def assert_sound(faces: list[Face], boundary: shapely.Geometry) -> None:
    """Valid coverage, overlap 0, gap 0, coordinates and rings as the files need them."""
    polygons = [face.polygon for face in faces]
    assert all(type(polygon) is Polygon and polygon.is_valid for polygon in polygons)
    assert shapely.coverage_is_valid(polygons)
    one, other = shapely.STRtree(polygons).query(polygons, predicate="overlaps")
    assert not len(one), (one, other)
    whole = shapely.union_all(polygons)
    # Degrees squared: 1e-17 is 1e-7 m2.
    assert sum(polygon.area for polygon in polygons) == pytest.approx(whole.area, rel=1e-9, abs=1e-17)
    # Rounding moves a line by 0.7 units, and a needle's tip narrower than one unit closes: what differs is thin.
    differs = shapely.transform(
        whole.symmetric_difference(boundary), lambda xy: (xy - boundary.bounds[:2]) * UNITS_PER_DEGREE
    )
    assert differs.buffer(-1.0).is_empty
    points = shapely.get_coordinates(polygons)
    assert np.array_equal(np.round(points, 7), points)
    assert all(_turn(p.exterior) > 0 and all(_turn(hole) < 0 for hole in p.interiors) for p in polygons)
    assert faces == sorted(faces, key=lambda face: (face.label, -face.area_m2))


def _turn(ring) -> float:
    """Signed area by the shoelace formula; positive is counter-clockwise (RFC 7946, 3.1.6)."""
    x, y = (np.asarray(ring.coords) - ring.coords[0]).T
    return float(np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]))


@st.composite
def stars(draw, reach: float, centre=(0.0, 0.0)):
    """A star-shaped polygon; its radii make needles, notches and near-collinear points."""
    count = draw(st.integers(3, 14))
    radii = draw(st.lists(st.floats(0.15, 1.0), min_size=count, max_size=count))
    angle = 2 * math.pi * np.arange(count) / count + 0.1
    return Polygon(np.add(centre, reach * np.column_stack([np.cos(angle), np.sin(angle)]) * np.array(radii)[:, None]))


@st.composite
def cases(draw):
    """Boundary with holes or two parts, labels, keep-outs: 5 m to 5 km, any latitude that is farmed."""
    reach = draw(st.sampled_from([3.0, 40.0, 300.0, 2500.0]))
    frame = Frame(lon=draw(st.sampled_from([-93.1, 10.0, 178.9])), lat=draw(st.sampled_from([-45.0, 0.01, 50.0, 67.0])))
    near = st.floats(-0.5 * reach, 0.5 * reach)
    boundary = draw(stars(reach))
    for _ in range(draw(st.integers(0, 2))):
        boundary = boundary.difference(draw(stars(0.2 * reach, (draw(near), draw(near)))))
    if draw(st.booleans()):
        boundary = boundary.union(draw(stars(0.3 * reach, (1.4 * reach, 0.0))))
    parts = [part for part in shapely.get_parts(boundary) if part.area > 1e-3 * reach**2]
    assume(parts)
    boundary = shapely.transform(lonlat(MultiPolygon(parts), frame), lambda xy: np.round(xy, 7))
    assume(boundary.is_valid)  # rounding can make a needle cross itself: reading refuses it
    kind = st.sampled_from(["disc", "strip", "square", "everything", "margin"])
    keep_outs = draw(st.lists(st.tuples(kind, near, near, st.floats(0.002, 0.3)), max_size=3))
    return (
        frame,
        reach,
        boundary,
        [_keep_out(*keep_out, reach, parts) for keep_out in keep_outs],
        draw(st.integers(0, 99)),
    )


def _keep_out(kind, easting, northing, size, reach, parts):
    place = Point(easting, northing)
    if kind == "everything":
        return place.buffer(3 * reach)
    if kind == "margin":
        return shapely.union_all(parts).boundary.buffer(size * 0.3 * reach)
    if kind == "strip":
        return LineString([(-reach, easting), (easting, northing), (reach, northing)]).buffer(0.2 * size * reach)
    return place.buffer(size * reach, cap_style="square" if kind == "square" else "round")


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much])
@given(cases(), st.sampled_from([0.0, 1.0, 2.0]), st.booleans())
def test_any_field_becomes_a_sound_coverage(case, tolerance, patchy):
    frame, reach, boundary, keep_outs, seed = case
    field = frame.geometry_to_metres(shapely.segmentize(boundary, 5e-4))
    grid = make_grid(field, reach / 12)
    labels = np.where(grid.inside, np.random.default_rng(seed).integers(1, 6 if patchy else 2, grid.shape), 0)
    drawn = label_polygons(labels, grid, tolerance=tolerance * grid.cell)
    layers = [(KEEP_OUT, keep_out) for keep_out in keep_outs] + drawn
    faces = coverage(boundary, layers, frame, rest=REST, protected=[KEEP_OUT], least_area_m2=0.0)
    assert_sound(faces, boundary)
    kept = shapely.union_all(keep_outs) if keep_outs else Polygon()
    assert {face.label for face in faces} <= {label for label, _ in layers}
    for label in {label for label, _ in layers}:
        ground = shapely.union_all([polygon for same, polygon in layers if same == label]).intersection(field)
        expected = ground if label == KEEP_OUT else ground.difference(kept)
        found = metres(faces, label, frame)
        # A sliver that changed hands holds no disc of radius 2 A / P (its mean width); rounding widens it by a unit.
        assert found.symmetric_difference(expected).buffer(-THINNEST - ROUNDING).is_empty, label


def test_areas_close_to_the_boundary_as_written():
    field = lonlat(FIELD_M.difference(Point(50, 20).buffer(30)))
    faces = coverage(field, [(1, box(-300, -300, 0, 300)), (2, Point(30, 0).buffer(70))], FRAME, rest=REST)
    assert_sound(faces, field)
    # 1e-5 of the field: rounding of its corners, and the points that noding adds to its edges.
    assert sum(face.area_m2 for face in faces) == pytest.approx(geodesic_area_m2(field), rel=1e-5)


def test_area_does_not_depend_on_where_an_edge_was_cut():
    """A geodesic between the ends of this 2 km edge runs 9 cm north of the straight edge in lon/lat."""
    field = shapely.transform(lonlat(Polygon([(-1000, 0), (1000, 0), (0, -900)])), lambda xy: np.round(xy, 7))
    whole, cut = (coverage(field, layers, FRAME, rest=REST) for layers in ([], [(1, box(0, -2000, 2000, 2000))]))
    straight = geodesic_area_m2(shapely.segmentize(field, 1e-4))
    assert sum(face.area_m2 for face in whole) == pytest.approx(straight, rel=5e-6)
    assert sum(face.area_m2 for face in cut) == pytest.approx(straight, rel=5e-6)


def test_area_of_a_face_is_ellipsoidal():
    """Karney (2013), J. Geodesy 87:43-55, through pyproj.Geod."""
    faces = coverage(lonlat(FIELD_M), [(1, box(-300, -300, 0, 300))], FRAME, rest=REST)
    for face in faces:
        area, _ = pyproj.Geod(ellps="WGS84").polygon_area_perimeter(*face.polygon.exterior.xy)
        assert face.area_m2 == pytest.approx(area, rel=1e-9)
        assert area == pytest.approx(200 * 200, rel=1e-4)  # rounding: 4 sides x 200 m x 5 mm


def test_rings_pass_a_geojson_validator():
    """RFC 7946 as read by geojson-validator; it calls 7 decimals and holes problematic, which we want."""
    field = lonlat(FIELD_M.difference(Point(50, 20).buffer(30)))
    faces = coverage(field, [(1, Point(60, 20).buffer(60)), (2, box(-300, -300, -50, 300))], FRAME, rest=REST)
    features = [
        {"type": "Feature", "properties": {}, "geometry": json.loads(shapely.to_geojson(face.polygon))}
        for face in faces
    ]
    collection = {"type": "FeatureCollection", "features": features}
    assert validate_structure(collection) == {}
    assert validate_geometries(collection)["invalid"] == {}


def test_first_layer_wins_and_the_rest_is_named():
    faces = coverage(lonlat(FIELD_M), [(5, box(-50, -50, 50, 50)), (6, box(0, -50, 150, 50))], FRAME, rest=REST)
    found = {face.label: face.area_m2 for face in faces}
    assert found == pytest.approx({5: 100 * 100, 6: 100 * 100, REST: 400 * 200 - 2 * 100 * 100}, rel=1e-3)


def test_three_labels_meet_in_one_place():
    layers = [(1, box(-300, 0, 300, 300)), (2, box(-300, -300, 0, 0)), (3, box(0, -300, 300, 0))]
    faces = coverage(lonlat(FIELD_M), layers, FRAME, rest=REST)
    assert_sound(faces, lonlat(FIELD_M))
    meeting = shapely.intersection_all([face.polygon for face in faces])
    assert shapely.get_coordinates(meeting) == pytest.approx(np.array([[10.0, 50.0]]), abs=1e-7)
    for face in faces:
        assert any(math.dist(point, (10.0, 50.0)) < 1e-7 for point in face.polygon.exterior.coords)


@pytest.mark.parametrize(
    ("layers", "labels"),
    [
        ([], [REST]),
        ([(KEEP_OUT, Polygon())], [REST]),
        ([(KEEP_OUT, box(-900, -900, 900, 900))], [KEEP_OUT]),
        ([(KEEP_OUT, box(500, 500, 600, 600))], [REST]),
        ([(KEEP_OUT, box(200, 100, 300, 300))], [REST]),  # touches in a corner
        ([(KEEP_OUT, Polygon([(0, 100), (50, 150), (-50, 150)]))], [REST]),  # touches an edge in a point
        ([(KEEP_OUT, Polygon([(0, 100), (50, 0), (-50, 0)]))], [REST, KEEP_OUT]),  # from inside
        ([(KEEP_OUT, GeometryCollection([Point(0, 0), LineString([(0, 0), (9, 9)])]))], [REST]),
        ([(KEEP_OUT, GeometryCollection([MultiPolygon([box(0, 0, 9, 9)]), Point(0, 0)]))], [REST, KEEP_OUT]),
        ([(1, FIELD_M)], [1]),  # follows the boundary, up to the bow of its edges
        ([(1, box(-200, -100, 0, 100)), (2, box(0, -100, 200, 100))], [1, 2]),
    ],
)
def test_borderline_layers(layers, labels):
    faces = coverage(lonlat(FIELD_M), layers, FRAME, rest=REST, protected=[KEEP_OUT])
    assert_sound(faces, lonlat(FIELD_M))
    assert [face.label for face in faces] == labels


@pytest.mark.parametrize("half", [2.5, 2500.0])
def test_very_small_and_very_large_fields(half):
    field = lonlat(shapely.segmentize(box(-half, -half, half, half), 250.0))
    faces = coverage(
        field, [(1, Point(0, 0).buffer(half / 2)), (2, box(-half * 2, 0, half * 2, half * 2))], FRAME, rest=REST
    )
    assert_sound(faces, field)
    disc = 32 * math.sin(math.pi / 32) * (half / 2) ** 2  # of the 64-gon that buffer draws: n/2 r2 sin(2 pi/n)
    assert faces[1].area_m2 == pytest.approx(disc, rel=4 * ROUNDING / half + 1e-5)


def test_parts_that_touch_in_a_point_stay_two_faces():
    field = lonlat(MultiPolygon([box(0, 0, 50, 50), box(50, 50, 100, 100)]))
    faces = coverage(field, [], FRAME, rest=REST)
    assert_sound(faces, field)
    assert len(faces) == 2


def test_hole_that_touches_the_boundary_is_not_covered():
    field = lonlat(FIELD_M.difference(Polygon([(0, 100), (40, 20), (-40, 20)])))
    faces = coverage(field, [(1, box(-300, 0, 300, 300))], FRAME, rest=REST)
    assert_sound(faces, field)
    assert not any(face.polygon.contains(lonlat(Point(0, 50))) for face in faces)


def test_pond_inside_a_treated_patch_is_never_covered():
    pond = Point(50, 20).buffer(30)
    faces = coverage(lonlat(FIELD_M.difference(pond)), [(1, Point(50, 20).buffer(60))], FRAME, rest=REST)
    assert metres(faces, 1).intersection(pond.buffer(-2 * ROUNDING)).is_empty


def test_order_and_doubling_of_layers_do_not_change_the_result():
    layers = [(1, box(-300, -300, -50, 300)), (2, box(50, -300, 300, 300)), (3, Point(0, 0).buffer(40))]
    one = coverage(lonlat(FIELD_M), layers, FRAME, rest=REST)
    assert coverage(lonlat(FIELD_M), [*layers[::-1], *layers], FRAME, rest=REST) == one


@pytest.mark.parametrize("seed", [152, 1449])
def test_hairs_along_the_boundary_belong_to_the_field(seed):
    """Layers that run within 3 cm of the edges of a needle; a hair dropped would double the loss of area."""
    rng = np.random.default_rng(seed)
    corners = rng.uniform([-30, -30], [30, 30], (3, 2))
    layers = []
    for one, other in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        across = np.array([one[1] - other[1], other[0] - one[0]]) / math.dist(one, other)
        near = rng.uniform(-0.03, 0.03, 2)
        layers.append((1, Polygon([one + near[0] * across, other + near[1] * across, other + across, one + across])))
    field = lonlat(Polygon(corners))
    area = sum(face.area_m2 for face in coverage(field, layers, FRAME, rest=REST, least_area_m2=0.0))
    # Single points are rounded by up to 5 mm, to either side: over a whole edge less than 1 mm is left.
    assert abs(area - geodesic_area_m2(field)) < 0.001 * Polygon(corners).length


def test_a_hole_of_less_than_a_square_metre_stays_a_hole():
    """Found by drawing random fields: its ring has a spike, next to which the place that spoke for it fell."""
    shell = [(0, 242), (84, 440), (341, 538), (620, 478), (758, 296), (674, 98), (417, 0), (138, 60)]
    hole = [
        (444, 297), (418, 312), (384, 296), (367, 295), (326, 308), (361, 274), (313, 264), (367, 264), (338, 224),
        (374, 242), (403, 218), (432, 230), (415, 260), (417, 272),
    ]  # fmt: skip
    frame = Frame(lon=-93.1, lat=-45.0)
    corner = np.array([-930_000_379, -450_000_269])
    units = [np.add(ring, corner) / UNITS_PER_DEGREE for ring in (shell, hole)]
    field = Polygon(np.round(units[0], 7), [np.round(units[1], 7)])
    faces = coverage(field, [(1, box(-9, -9, 9, 9))], frame, rest=REST, least_area_m2=0.0)
    assert_sound(faces, field)


def test_faces_that_overlap_are_refused():
    with pytest.raises(CheckError, match="overlap or leave a gap"):
        _check([box(0, 0, 2, 2), box(1, 1, 3, 3)])


@settings(max_examples=300, deadline=None, suppress_health_check=list(HealthCheck))
@given(cases(), st.sampled_from([0.0, 1.0, 25.0]))
@pytest.mark.long
def test_many_fields_with_slivers_taken_away(case, least_area_m2):
    frame, reach, boundary, keep_outs, seed = case
    grid = make_grid(frame.geometry_to_metres(boundary), reach / 20)
    labels = np.where(grid.inside, np.random.default_rng(seed).integers(1, 5, grid.shape), 0)
    layers = [(KEEP_OUT, k) for k in keep_outs] + label_polygons(labels, grid, tolerance=grid.cell)
    faces = coverage(boundary, layers, frame, rest=REST, protected=[KEEP_OUT], least_area_m2=least_area_m2)
    assert_sound(faces, boundary)
    for label in range(1, 5):  # no sliver of a keep-out has gone to anything else
        lost = metres(faces, label, frame).intersection(shapely.union_all(keep_outs))
        assert lost.buffer(-ROUNDING).is_empty
