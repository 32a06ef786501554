from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.affinity import rotate
from shapely.geometry import MultiPolygon, Point, box

from rxmap.decide.edge import edge_price
from rxmap.decide.lanes import pass_lanes
from rxmap.grid import make_grid
from rxmap.passes.applied import (
    AS_PLANNED,
    MISSED,
    NOTHING,
    OFF_TARGET,
    as_applied,
    best_heading,
    pass_raster,
    setback_caution,
)
from rxmap.passes.sweep import sweep
from rxmap.plan import Machine

FIELD = box(-1000, -1000, 1000, 1000)


GRID = make_grid(FIELD, 20.0)


def machine(swath, sections=1, *, delay=0.0, look_ahead=0.0, heading=0.0, speed=5.0):
    return Machine.model_validate(
        {"kind": "ground", "swath": f"{swath} m", "sections": sections, "carrier": "100 L/ha", "tank": "3000 L"}
        | {"speed": f"{speed} m/s", "delay": f"{delay} s", "look_ahead": f"{look_ahead} s", "heading": heading}
    )


def misplaced_m2(told):
    return (told.missed_ha + told.off_target_ha) * 1e4


def test_ground_on_the_pass_lines_is_applied_as_planned():
    told = as_applied([(0.9, box(0, 0, 96, 300))], field_ground=FIELD, grid=GRID, machine=machine(24))
    assert (told.missed_ha, told.off_target_ha, told.over_ha, told.under_ha) == (0, 0, 0, 0)
    assert told.treated_ha == told.applied_ha == pytest.approx(2.88, abs=96 * 1.5e-4)  # a row of 1.5 m cells
    assert told.product_difference == pytest.approx(0.0, abs=1e-6)  # rates are float32 on the raster


@pytest.mark.parametrize("heading", [0.0, 37.0, 90.0, 215.0])
def test_a_delay_moves_the_edges_across_the_pass_by_the_way_driven(heading):
    # 0.6 s at 5 m/s over 96 m at either end: as much missed at the start of the passes as sprayed beyond their ends
    patch = rotate(box(-48, -150, 48, 150), -heading, origin=(0, 0))
    told = as_applied([(1.0, patch)], field_ground=FIELD, grid=GRID, machine=machine(24, 8, delay=0.6, heading=heading))
    assert told.missed_ha * 1e4 == pytest.approx(96 * 3.0, rel=1e-6)
    assert told.off_target_ha * 1e4 == pytest.approx(96 * 3.0, rel=1e-6)
    assert told.product_difference == pytest.approx(0.0, abs=1e-6)


def test_every_second_pass_is_late_at_the_other_end():
    patch = box(0, 0, 96, 300)
    grid = make_grid(patch, 1.0)
    told = as_applied([(1.0, patch)], field_ground=FIELD, grid=grid, machine=machine(24, delay=0.6))
    easting, northing = np.meshgrid(*grid.axes())
    missed = told.classes == MISSED
    at_start = {int(e // 24): bool(n < 150) for e, n in zip(easting[missed], northing[missed], strict=True)}
    assert at_start == {0: True, 1: False, 2: True, 3: False}


def test_looking_ahead_as_long_as_the_delay_cancels_it():
    patch = rotate(box(-70, -150, 81, 150), 20)
    none = as_applied([(1.0, patch)], field_ground=FIELD, grid=GRID, machine=machine(24, 8))
    both = as_applied([(1.0, patch)], field_ground=FIELD, grid=GRID, machine=machine(24, 8, delay=0.7, look_ahead=0.7))
    assert np.array_equal(both.classes, none.classes)


def test_looking_too_far_ahead_misplaces_as_much_as_being_late():
    patch = box(0, 0, 96, 300)
    late = as_applied([(1.0, patch)], field_ground=FIELD, grid=GRID, machine=machine(24, delay=0.6))
    early = as_applied([(1.0, patch)], field_ground=FIELD, grid=GRID, machine=machine(24, look_ahead=0.6))
    assert misplaced_m2(early) == pytest.approx(misplaced_m2(late))


def exact_per_m(phi, width, way):
    """Ground misplaced per metre of a long straight edge [m2/m]: mean of |way - offset| over a section.

    Across a section of width w the edge runs from -h to h along the pass, h = w/2 |cot phi|, and the section
    switches for its middle. Derived here; without a way it is w/4 |cos phi|, without a width way |sin phi|.
    """
    sine, cosine = abs(math.sin(phi)), abs(math.cos(phi))
    half = width / 2 * cosine  # times sine, so that phi = 0 needs no care
    way = way * sine
    return way if way >= half else (half**2 + way**2) / (2 * half)


# Not 45 degrees: there rows of cells and sections keep step, and the sampling does not average out (15 %).
@pytest.mark.parametrize("turn", [8, 20, 33, 47, 62, 77])
@pytest.mark.parametrize(
    ("swath", "sections", "delay"), [(24, 1, 0.0), (24, 1, 0.4), (24, 8, 0.0), (24, 8, 0.4), (36, 48, 0.2)]
)
def test_misplaced_ground_per_metre_of_edge_follows_the_closed_form(turn, swath, sections, delay):
    width, way, side = swath / sections, 5.0 * delay, 700.0
    patch = rotate(box(-side / 2, -side / 2, side / 2, side / 2), turn)
    told = as_applied([(1.0, patch)], field_ground=FIELD, grid=GRID, machine=machine(swath, sections, delay=delay))
    found = misplaced_m2(told) / (4 * side)
    angles = [math.radians(turn), math.radians(90 - turn)]  # of two sides each
    # 3 %, and 1.5 m2 of every corner for each metre of section: there the edge is not straight
    loose = 4 * 1.5 * width / (4 * side) + 0.02
    assert found == pytest.approx(np.mean([exact_per_m(phi, width, way) for phi in angles]), rel=0.03, abs=loose)
    # The sum that the price of an edge is made of is never less, and at most half more.
    prices = [
        edge_price(
            section_width=width, speed=5, delay=delay, look_ahead=0, aligned=True, cost_per_m2=0.8, benefit_per_m2=0
        )
        for _ in angles
    ]
    summed = np.mean(
        [p.along * math.cos(phi) + p.across * math.sin(phi) for p, phi in zip(prices, angles, strict=True)]
    )
    assert found - loose <= 1.03 * summed
    assert summed <= 1.5 * 1.03 * found + loose


def test_an_edge_along_the_pass_misplaces_a_quarter_of_a_section_on_average():
    widths = 240 + np.arange(0.25, 24, 0.5)  # so that the edges fall anywhere in a section
    found = [
        misplaced_m2(as_applied([(1.0, box(0, 0, width, 300))], field_ground=FIELD, grid=GRID, machine=machine(24)))
        for width in widths
    ]
    # 24/4 m2 per metre of edge, on the 300 m in the east: in the west the edge lies on a pass; cells of 1.4 m across
    # a section, and edges up to 1.5 m short
    assert np.mean(found) / 300 == pytest.approx(6.0, rel=0.03)


def test_cells_follow_the_sections_where_a_metre_would_see_nothing():
    # a raster of 1 m under sections of 0.75 m would report nothing misplaced
    rig = machine(36, 48)
    patch = rotate(box(-100, -100, 100, 100), 30)
    raster = pass_raster([patch], rig, pass_lanes(rig, FIELD, [patch]))
    assert raster.across <= 0.75 / 2
    assert raster.samples % 2 == 1
    told = as_applied([(1.0, patch)], field_ground=FIELD, grid=GRID, machine=rig)
    expected = 0.75 / 4 * (math.cos(math.radians(30)) + math.sin(math.radians(30))) / 2
    assert misplaced_m2(told) / 800 == pytest.approx(expected, rel=0.1)  # 0.13 m2/m, not 0


@given(
    swath=st.floats(1, 60),
    sections=st.integers(1, 200),
    delay=st.floats(0, 3).map(lambda s: round(s, 3)),
    look_ahead=st.floats(0, 3).map(lambda s: round(s, 3)),
)
@settings(max_examples=80, deadline=None)
def test_a_raster_is_never_coarser_than_half_a_section(swath, sections, delay, look_ahead):
    rig = machine(swath, sections, delay=delay, look_ahead=look_ahead)
    raster = pass_raster([box(0, 0, 130, 170)], rig, pass_lanes(rig, FIELD, [box(0, 0, 130, 170)]))
    width = raster.across * raster.samples
    assert raster.across <= width / 2
    assert width * raster.sections == pytest.approx(swath)
    # what is driven during the delay, to an eighth of a metre
    assert abs(raster.late * raster.along - 5.0 * (delay - look_ahead)) <= 0.125 + 1e-9


def test_what_is_sprayed_outside_and_in_a_setback_is_reported():
    # 30 m of ground under a 24 m boom: 18 m stand out, 9 m on either side, each less than half a swath: all is sprayed
    ditch = box(30, -50, 60, 350)
    told = as_applied(
        [(1.0, box(0, 0, 30, 300))],
        field_ground=box(0, -50, 30, 350),
        grid=GRID,
        machine=machine(24),
        keep_outs=[ditch],
    )
    assert told.missed_ha == 0
    assert told.outside_ha == told.setback_ha == pytest.approx(9 * 300 / 1e4, abs=1.4 * 300 / 1e4)  # a cell wide
    assert told.off_target_ha == pytest.approx(told.outside_ha + told.setback_ha)
    caution = setback_caution("pass", told)
    assert caution.code == "setback_sprayed"
    assert f"about {told.setback_ha:.2f} ha of keep-outs" in caution.text
    assert f"about {told.setback_ha / 0.40468564:.2f} acres of keep-outs" in setback_caution("pass", told, "us").text
    assert told.product_difference == pytest.approx(18 / 30, rel=0.1)


def test_rates_are_averaged_over_a_section_and_late_at_a_step():
    low_then_full = [(6.0, box(0, 0, 96, 150)), (9.0, box(0, 150, 96, 300))]
    told = as_applied(low_then_full, field_ground=FIELD, grid=GRID, machine=machine(24, 8, delay=0.6))
    # two passes of four drive up and get the low rate 3 m into the full; two come down
    assert told.under_ha * 1e4 == pytest.approx(48 * 3.0)
    assert told.over_ha * 1e4 == pytest.approx(48 * 3.0)
    side_by_side = as_applied(
        [(6.0, box(0, 0, 12, 300)), (9.0, box(12, 0, 24, 300))], field_ground=FIELD, grid=GRID, machine=machine(24)
    )
    assert side_by_side.product_difference == pytest.approx(
        0.0, abs=0.01
    )  # 17 cells of 1.4 m: 9 of one, 8 of the other
    assert side_by_side.over_ha + side_by_side.under_ha == pytest.approx(0.72, abs=0.001)


@given(
    turn=st.floats(0, 90),
    heading=st.floats(0, 359).map(lambda degrees: round(degrees, 6)),
    sections=st.sampled_from([1, 4]),
    delay=st.sampled_from([0, 0.3, 1]),
)
@settings(max_examples=30, deadline=None)
def test_areas_add_up(turn, heading, sections, delay):
    patch = rotate(box(-60, -90, 70, 80), turn).difference(Point(0, 0).buffer(25))
    told = as_applied(
        [(2.0, patch)], field_ground=FIELD, grid=GRID, machine=machine(24, sections, delay=delay, heading=heading)
    )
    assert told.applied_ha == pytest.approx(told.treated_ha - told.missed_ha + told.off_target_ha)
    assert told.treated_ha == pytest.approx(patch.area / 1e4, rel=0.02)  # cells of 1.5 m along some 700 m of edge
    assert told.product_difference == pytest.approx(told.applied_ha / told.treated_ha - 1, abs=1e-5)
    assert told.misplaced_share == pytest.approx((told.missed_ha + told.off_target_ha) / told.treated_ha)


@pytest.mark.parametrize("heading", [0.0, 30.0, 250.0])
def test_classes_lie_where_the_ground_is(heading):
    patch = box(-200, -100, 100, 200)
    grid = make_grid(patch.buffer(20), 1.0)
    rig = machine(12, 4, delay=0.4, heading=heading)
    told = as_applied([(1.0, patch)], field_ground=FIELD, grid=grid, machine=rig)
    easting, northing = np.meshgrid(*grid.axes())
    deep = shapely.contains_xy(patch.buffer(-10), easting, northing)
    far = ~shapely.contains_xy(patch.buffer(10), easting, northing)
    assert (told.classes[deep] == AS_PLANNED).all()
    assert (told.classes[far] == NOTHING).all()
    # a cell shows the class at its centre: areas agree but for the sampling
    assert np.count_nonzero(told.classes == OFF_TARGET) * 1e-4 == pytest.approx(told.off_target_ha, rel=0.1)
    assert np.count_nonzero(told.classes == MISSED) * 1e-4 == pytest.approx(told.missed_ha, rel=0.1)


def test_passes_are_those_that_the_loads_are_driven_in():
    grounds = [rotate(box(0, 0, 130, 400), 25), Point(300, 200).buffer(60)]
    lanes = pass_lanes(machine(24, heading=25.0), FIELD, grounds)
    sides = lanes.sides(grounds)
    driven = {side for run in sweep(grounds, lanes) for side in (run.left, run.right)}
    assert all(np.abs(sides - side).min() < 1e-9 for side in driven)


def test_a_check_strip_on_a_pass_is_left_whole():
    strip = box(48, 100, 72, 250)
    told = as_applied(
        [(1.0, box(0, 0, 120, 400).difference(strip))], field_ground=FIELD, grid=GRID, machine=machine(24)
    )
    assert misplaced_m2(told) == 0
    assert setback_caution("pass", told) is None


def test_the_best_heading_is_along_the_edges():
    told = best_heading([(1.0, rotate(box(0, 0, 96, 400), -35))], machine(24))
    assert told.heading == 35.0
    assert told.misplaced_ha <= 0.01
    assert told.text.startswith("No heading misplaces clearly less than 35 degrees")


def test_a_better_heading_than_the_longest_side_is_proposed_in_words():
    # two patches, each as wide as four passes at 30 degrees, whose common rectangle lies otherwise
    patch = rotate(box(-48, -100, 48, 100), -30)
    spread = MultiPolygon([patch, shapely.affinity.translate(patch, 700, 90)])
    told = best_heading([(1.0, spread)], machine(24))
    assert told.misplaced_ha < told.default_ha
    assert told.text.startswith(f"A heading of {told.heading:g} degrees would misplace about")
    assert f"Set machine.heading to {told.heading:g} to drive it." in told.text
    assert " ha" in told.text
    assert " ha" not in best_heading([(1.0, spread)], machine(24), "us").text


def test_figures_are_plain_numbers_however_fine_the_sections():
    told = as_applied([(1.0, box(0, 0, 900, 1500))], field_ground=FIELD, grid=GRID, machine=machine(1.5, 6))
    assert {type(getattr(told, name)) for name in ("treated_ha", "missed_ha", "off_target_ha", "setback_ha")} == {float}
