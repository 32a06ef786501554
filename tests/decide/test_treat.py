from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage
from shapely.geometry import box

from rxmap.decide.benefit import Benefit
from rxmap.decide.ground import MOST_DECISION_CELLS, decision_ground, section_width
from rxmap.decide.options import pass_options
from rxmap.decide.treat import least_run, least_width, machine_edge_price, treat
from rxmap.grid import Grid

NONE_KEPT = np.zeros((60, 60))


def treatment_of(plan, grid, score, allowed=None, kept=NONE_KEPT):
    ground = decision_ground(grid, kept, plan.machine, outline=box(*grid.bounds))
    allowed = np.ones(len(score), dtype=bool) if allowed is None else allowed
    (option,) = pass_options(plan, 36.0)
    benefit = Benefit(steps=option.steps, scores=np.atleast_2d(score), money=True, allowed=allowed, targets=("midge",))
    return treat(benefit, ground=ground, machine=plan.machine), ground


def factor(ground):
    """Field cells along a decision cell."""
    return round(ground.cells.along / 10)


def field_of(columns: slice, inside: float, outside: float) -> np.ndarray:
    score = np.full((60, 60), outside)
    score[:, columns] = inside
    return score.ravel()


@pytest.mark.parametrize(
    ("machine", "cell", "factor"),
    [
        ({"swath": "12 m"}, 3.0, 2),
        ({"swath": "36 m", "sections": 12}, 3.0, 1),
        ({"swath": "36 m", "sections": 1}, 3.0, 6),
        ({"swath": "9 m"}, 3.0, 2),
        ({"swath": "9 m"}, 10.0, 1),
    ],
)
def test_a_decision_cell_is_half_a_section_or_a_cell(plan_of, machine, cell, factor):
    plan = plan_of({f"machine.{key}": value for key, value in machine.items()})
    grid = Grid(0.0, 90.0, cell, np.ones((40, 40)))
    ground = decision_ground(grid, np.zeros((40, 40)), plan.machine, outline=box(*grid.bounds))
    assert (ground.cells.across, ground.cells.along) == (cell * factor, cell * factor)


@pytest.mark.parametrize("heading", [{}, {"machine.heading": 33}], ids=["blocks", "in the passes"])
def test_decision_cells_are_never_too_many(plan_of, heading):
    grid = Grid(0.0, 0.0, 1.0, np.ones((400, 500)))
    machine = plan_of({"machine.swath": "1 m"} | heading).machine
    ground = decision_ground(grid, np.zeros(grid.shape), machine, outline=box(*grid.bounds))
    assert np.count_nonzero(ground.field_ha) <= MOST_DECISION_CELLS
    assert ground.free_ha.sum() == pytest.approx(20.0)


def test_free_ground_is_the_field_without_its_keep_outs(plan_of, field_grid):
    kept = NONE_KEPT.copy()
    kept[:, :15] = 1.0
    kept[:, 15] = 0.25
    ground = decision_ground(field_grid, kept, plan_of().machine, outline=box(*field_grid.bounds))
    assert ground.free_ha.sum() == pytest.approx(36.0 * (1 - 15.25 / 60))
    assert not ground.sprayable[:, 0].any()


def test_widths_and_runs_of_the_machine(plan_of):
    machine = plan_of({"machine.swath": "36 m", "machine.sections": 12, "machine.delay": "0.4 s"}).machine
    assert section_width(machine) == 3.0
    grid = Grid(0.0, 90.0, 3.0, np.ones((30, 30)))
    fine, wide = machine, plan_of({"machine.swath": "36 m"}).machine
    for rig, least in ((fine, 6.0), (wide, 36.0)):
        assert least_width(rig, decision_ground(grid, np.zeros((30, 30)), rig, outline=box(*grid.bounds))) == least
    assert least_run(machine) == pytest.approx(2 * 5.0 * 0.4)
    assert least_run(plan_of().machine) == 0.0


def test_worth_adds_up_to_the_benefit_of_the_field(plan_of, field_grid):
    score = np.random.default_rng(3).normal(0, 30, 3600)
    treatment, _ = treatment_of(plan_of(), field_grid, score)
    assert treatment.worth.sum() == pytest.approx(score.sum() * 0.01)  # cells of a hundredth of a hectare
    assert treatment.gain == pytest.approx(treatment.worth[treatment.treated].sum())


def test_only_ground_that_pays_is_treated(plan_of, field_grid):
    treatment, ground = treatment_of(plan_of(), field_grid, field_of(slice(0, 20), 30.0, -30.0))
    assert treatment.treated[:, : 20 // factor(ground)].all()
    assert not treatment.treated[:, 20 // factor(ground) + 1 :].any()


def test_a_strip_narrower_than_the_machine_is_left(plan_of, field_grid):
    plan = plan_of({"machine.swath": "60 m"})
    narrow, _ = treatment_of(plan, field_grid, field_of(slice(26, 30), 500.0, -5.0))
    assert not narrow.treated[:, :5].any()
    filled = ndimage.binary_opening(narrow.treated, np.ones((2, 2)))
    assert np.array_equal(filled, narrow.treated)  # two decision cells of 30 m are a section


def test_ground_below_the_threshold_is_never_treated_whatever_it_is_worth(plan_of, field_grid):
    allowed = (np.arange(3600) % 60) < 30
    treatment, ground = treatment_of(plan_of(), field_grid, np.full(3600, 1e5), allowed)
    assert treatment.treated[:, : 30 // factor(ground)].all()
    assert not treatment.treated[:, 30 // factor(ground) :].any()
    assert np.array_equal(treatment.above, treatment.treated)


def test_keep_outs_are_not_treated_and_earn_nothing(plan_of, field_grid):
    kept = NONE_KEPT.copy()
    kept[20:40, 20:40] = 1.0
    treatment, ground = treatment_of(plan_of(), field_grid, np.full(3600, 50.0), kept=kept)
    assert np.array_equal(treatment.treated, ground.sprayable)
    assert treatment.gain == pytest.approx(50 * 32.0)


def test_an_edge_costs_what_the_machine_misplaces(plan_of):
    # a quarter of a section, and a quarter more for curved edges; cost 40 and mean benefit 10 a hectare
    plan = plan_of({"machine.heading": 0, "machine.delay": "0.4 s", "machine.look_ahead": "0.1 s"})
    (option,) = pass_options(plan, 36.0)
    price = machine_edge_price(option.cost_ha, np.array([20.0, -90.0]), plan.machine)
    assert price.along == pytest.approx(1.25 * 12 / 4 * 50 / 1e4)
    assert price.across == pytest.approx(1.25 * 5 * 0.3 * 50 / 1e4)


@given(st.integers(0, 10_000), st.sampled_from(["12 m", "27 m", "45 m"]), st.sampled_from([None, 30.0]))
@settings(max_examples=25, deadline=None)
def test_what_is_treated_can_be_driven_and_pays(plan_of, field_grid, seed, swath, heading):
    rng = np.random.default_rng(seed)
    score = ndimage.gaussian_filter(rng.normal(0, 1, (60, 60)), 4).ravel() * 400 - 5
    plan = plan_of({"machine.swath": swath, "machine.heading": heading} if heading else {"machine.swath": swath})
    treatment, ground = treatment_of(plan, field_grid, score)
    again, _ = treatment_of(plan, field_grid, score)
    assert np.array_equal(treatment.treated, again.treated)
    assert not (treatment.treated & ~ground.sprayable).any()
    part, count = ndimage.label(treatment.treated)
    gains = ndimage.sum(treatment.worth, part, range(1, count + 1))
    assert (np.asarray(gains) > 0).all()


@pytest.mark.parametrize("delay", [0.5, 2.0, 4.0])
def test_no_run_along_the_pass_is_shorter_than_the_machine_answers(plan_of, field_grid, delay):
    score = ndimage.gaussian_filter(np.random.default_rng(5).normal(0, 1, (60, 60)), 2).ravel() * 900 - 20
    plan = plan_of({"machine.heading": 30, "machine.delay": f"{delay} s", "machine.look_ahead": f"{delay} s"})
    treatment, ground = treatment_of(plan, field_grid, score)
    rows = int(np.ceil(2 * 5.0 * delay / ground.cells.along))
    opened = ndimage.binary_opening(treatment.treated, np.ones((rows, 1)))
    # the boundary may clip a run; there the machine stops anyway
    away = ndimage.binary_erosion(ground.sprayable, np.ones((2 * rows + 1, 1)))
    assert treatment.treated[away].any()
    assert np.array_equal(opened[away], treatment.treated[away])


@pytest.mark.parametrize("allowed", [True, False])
def test_a_gap_smaller_than_the_machine_is_treated_unless_the_threshold_forbids(plan_of, field_grid, allowed):
    score, floor = np.full((60, 60), 50.0), np.ones((60, 60), dtype=bool)
    score[30:32, 30:32] = -400.0  # one decision cell of 20 m, of the four that the 36 m boom takes at once
    floor[30:32, 30:32] = allowed
    treatment, _ = treatment_of(plan_of({"machine.swath": "36 m"}), field_grid, score.ravel(), floor.ravel())
    assert treatment.treated.all() == allowed
    assert treatment.treated.sum() >= 900 - 1
