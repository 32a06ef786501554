from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapely.geometry import Point, Polygon, box

from rxmap.grid import Frame
from rxmap.zones.polygons import coverage

FRAME = Frame(lon=-93.1, lat=42.0)
FIELD = FRAME.geometry_to_lonlat(box(-200, -100, 200, 100))
REST, TREATED, OTHER, KEEP_OUT = 0, 1, 2, 9


def areas(layers, **options) -> dict[int, float]:
    """Area of each label to whole square metres."""
    faces = coverage(FIELD, layers, FRAME, rest=REST, **options)
    return {label: round(sum(f.area_m2 for f in faces if f.label == label)) for label in {f.label for f in faces}}


def count(layers, **options) -> int:
    return len(coverage(FIELD, layers, FRAME, rest=REST, **options))


def test_small_face_goes_to_the_neighbour_with_the_longest_shared_edge():
    # 2 x 2 m in the corner of three: three sides border the treated half, one the rest.
    notch = [(OTHER, box(-2, 0, 0, 2)), (TREATED, box(-300, -300, 0, 300))]
    assert areas(notch, least_area_m2=3.9)[OTHER] == 4
    taken = areas(notch, least_area_m2=4.1)
    assert OTHER not in taken
    assert taken[TREATED] == pytest.approx(200 * 200, abs=5)  # rounding of a 200 m edge by 1 cm is 2 m2


@pytest.mark.parametrize("gap", [0.004, 0.012])
def test_hairline_between_layers_is_closed(gap):
    layers = [(TREATED, box(-300, -300, 0, 300)), (OTHER, box(gap, -300, 300, 300))]
    assert count(layers) == 2


def test_strip_of_five_centimetres_is_ground():
    layers = [(TREATED, box(-300, -300, 0, 300)), (OTHER, box(0.05, -300, 300, 300))]
    assert count(layers) == 3


def test_sliver_beside_a_protected_label_goes_there_and_not_to_the_longer_edge():
    layers = [(OTHER, box(-9, 0, 0, 0.1)), (KEEP_OUT, box(0, -300, 300, 300)), (TREATED, box(-300, -300, 0, 300))]
    kept = areas(layers, protected=[KEEP_OUT])
    assert OTHER not in kept
    longest = areas(layers)
    assert kept[KEEP_OUT] - longest[KEEP_OUT] == pytest.approx(0.9, abs=0.5)  # 9 x 0.1 m, whole square metres


def test_protected_ground_is_never_given_away_however_small():
    well = Point(0, 0).buffer(0.3)
    layers = [(KEEP_OUT, well), (TREATED, box(-300, -300, 300, 300))]
    assert count(layers, protected=[KEEP_OUT], least_area_m2=50.0) == 2
    assert count(layers, least_area_m2=50.0) == 1


def test_rest_may_be_protected_below_the_keep_outs():
    layers = [(KEEP_OUT, box(0, -300, 300, 300)), (TREATED, box(-300, -300, -0.01, 300))]
    assert set(areas(layers, protected=[KEEP_OUT, REST])) == {KEEP_OUT, TREATED}
    inside = [(REST, Point(-50, 0).buffer(0.3)), (TREATED, box(-300, -300, 300, 300))]
    assert set(areas(inside, protected=[KEEP_OUT, REST])) == {REST, TREATED}
    assert set(areas(inside, protected=[KEEP_OUT])) == {TREATED}


def test_chain_of_slivers_ends_in_the_ground_beside_it():
    chain = [(3 + i, box(0.5 * i, 0, 0.5 * (i + 1), 0.5)) for i in range(8)]
    assert areas([*chain, (TREATED, box(-300, -300, 300, 300))]) == areas([(TREATED, box(-300, -300, 300, 300))])


def test_slivers_without_a_neighbour_stay():
    islands = shapely.union_all([box(0, 0, 0.5, 0.5), box(10, 10, 10.5, 10.5)])
    assert len(coverage(FRAME.geometry_to_lonlat(islands), [], FRAME, rest=REST)) == 2


def test_needle_of_a_crossing_line_is_absorbed():
    needle = Polygon([(-300, 0), (300, 0.015), (300, 0)])
    assert count([(OTHER, needle), (TREATED, box(-300, -300, 300, 0))]) == 2


def test_result_keeps_its_soundness_when_hundreds_of_slivers_go():
    rng = np.random.default_rng(4)
    specks = [
        (int(label), Point(*place).buffer(0.4))
        for label, place in zip(rng.integers(3, 8, 300), rng.uniform([-200, -100], [200, 100], (300, 2)), strict=True)
    ]
    faces = coverage(FIELD, [*specks, (TREATED, box(-300, -300, 300, 300))], FRAME, rest=REST)
    assert shapely.coverage_is_valid([face.polygon for face in faces])
    assert {face.label for face in faces if face.area_m2 < 1} == set()
