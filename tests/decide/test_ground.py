"""Decision cells in the passes: what they hold, and where they lie."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.affinity import rotate
from shapely.geometry import box

from rxmap.decide.ground import decision_ground
from rxmap.decide.lanes import Lanes, lanes_over, turned
from rxmap.grid import make_grid

FIELD = rotate(box(-200, -150, 200, 150), 12).difference(box(-40, -30, 30, 25))


def ground_of(plan_of, cell=3.0, outline=FIELD, kept=None, **machine):
    grid = make_grid(outline, cell)
    plan = plan_of({f"machine.{key}": value for key, value in machine.items()})
    kept = np.zeros(grid.shape) if kept is None else grid.covered(kept)
    return decision_ground(grid, kept, plan.machine, outline=outline), grid


@settings(deadline=None, max_examples=20)
@given(
    heading=st.integers(0, 3599).map(lambda tenths: tenths / 10),
    swath=st.integers(6, 40),
    sections=st.integers(1, 12),
    seed=st.integers(0, 99),
)
def test_money_and_ground_are_conserved_whatever_the_heading(plan_of, heading, swath, sections, seed):
    ground, grid = ground_of(plan_of, 5.0, heading=heading, swath=f"{swath} m", sections=sections)
    benefit = np.random.default_rng(seed).normal(0.0, 30.0, np.count_nonzero(grid.inside))
    area = grid.share[grid.inside] * grid.cell_ha
    assert (ground.mean(benefit) * ground.field_ha).sum() == pytest.approx(benefit @ area, abs=1e-9)
    assert ground.field_ha.sum() == pytest.approx(area.sum())
    treated = np.random.default_rng(seed).random(ground.cells.shape) < 0.4
    assert ground.on_field(treated) @ area == pytest.approx(ground.free_ha[treated].sum())


@pytest.mark.parametrize(
    ("swath", "sections", "across", "along"), [(24, 8, 3.0, 3.0), (9, 1, 9.0, 4.5), (36, 72, 3.0, 3.0)]
)
def test_in_the_passes_a_cell_is_as_wide_as_sections_that_a_field_cell_fits_in(plan_of, swath, sections, across, along):
    ground, _ = ground_of(plan_of, heading=30, swath=f"{swath} m", sections=sections)
    assert (ground.cells.across, ground.cells.along) == (across, along)


@pytest.mark.parametrize("heading", [0.0, 30.0, 301.0])
def test_sides_of_cells_lie_on_sides_of_passes(plan_of, heading):
    ground, _ = ground_of(plan_of, heading=heading, swath="24 m", sections=2)
    cells = ground.cells
    first = lanes_over([FIELD], 24.0, heading).left
    assert (cells.left - first) % 12.0 == pytest.approx(0.0, abs=1e-9) or (cells.left - first) % 12.0 > 12 - 1e-9
    # the raster holds the whole field
    west, south, east, north = turned(FIELD, heading).bounds
    assert cells.left <= west
    assert east <= cells.left + cells.across * cells.shape[1]
    assert cells.far - cells.along * cells.shape[0] <= south
    assert north <= cells.far


@pytest.mark.parametrize("heading", [0.0, 77.0])
def test_a_cell_holds_the_ground_under_it(plan_of, heading):
    ground, _ = ground_of(plan_of, 3.0, heading=heading, swath="12 m")
    cells = ground.cells
    for row, column in ((10, 12), (30, 20), (20, 3)):
        square = cells.to_metres(box(column, -row - 1, column + 1, -row))
        # shared out in parts of at most a quarter of a cell: half of one may be on the wrong side of a side
        assert ground.field_ha[row, column] * 1e4 == pytest.approx(square.intersection(FIELD).area, abs=0.125 * 72)


def test_a_keep_out_takes_the_ground_of_its_cells(plan_of):
    kept = rotate(box(60, -100, 90, 100), 12)
    ground, _ = ground_of(plan_of, 3.0, kept=kept, heading=20, swath="12 m")
    taken = (ground.field_ha.sum() - ground.free_ha.sum()) * 1e4
    assert taken == pytest.approx(kept.intersection(FIELD).area, rel=0.01)
    assert not ground.sprayable.all()


def test_passes_lie_in_the_middle_of_the_field_and_the_same_for_any_part_of_it():
    field, patch = box(0, 0, 100, 300), box(30, 50, 55, 80)
    lanes = lanes_over([field], 24.0, 0.0)
    assert lanes.sides([field]).tolist() == [-10.0, 14.0, 38.0, 62.0, 86.0, 110.0]
    assert lanes.sides([patch]).tolist() == [14.0, 38.0, 62.0]


def test_a_hair_of_rounding_needs_no_pass():
    lanes = Lanes(heading=0.0, left=0.0, swath=10.0)
    assert lanes.sides([box(9.99, 0, 20.01, 50)]).tolist() == [10.0, 20.0]
    assert lanes.sides([box(9.0, 0, 9.02, 50)]).tolist() == [0.0, 10.0]
    assert lanes.sides([box(9.99, 0, 10.01, 50)]).size >= 2  # a hair of ground alone still has a pass
