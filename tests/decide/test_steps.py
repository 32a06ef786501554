"""Stepped rates, ground by hand, spread until the spray date: what the plan adds to the plain cut."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from shapely.geometry import box

from rxmap.decide.benefit import crop_value_ha, pass_benefit
from rxmap.decide.compare import _cell_shares, gain
from rxmap.decide.decision import decide_passes
from rxmap.decide.ground import decision_ground
from rxmap.decide.options import pass_options

STEPPED = {
    "product.0.rate": ["0.2 L/ha", "0.4 L/ha"],
    "product.0.response": {"0.2 L/ha": 0.7, "0.4 L/ha": 1.0},
}


def three_bands(high: float, middle: float, low: float) -> np.ndarray:
    pressure = np.full((60, 60), low)
    pressure[:, :40] = middle
    pressure[:, :20] = high
    return pressure.ravel()


def test_each_step_has_its_own_control_and_cost(plan_of):
    (option,) = pass_options(plan_of(STEPPED), 36.0)
    assert [step.control["midge"] for step in option.steps] == pytest.approx([0.8 * 0.7, 0.8])
    assert [step.cost_ha for step in option.steps] == pytest.approx([0.2 * 100 + 10, 0.4 * 100 + 10])


def test_a_shared_tank_goes_out_at_the_full_rate(plan_of):
    keys = STEPPED | {"product.1.name": "Elm", "product.1.rate": "0.3 L/ha", "product.1.response": None}
    (mix,) = pass_options(plan_of(keys | {"pass": [{"name": "mix", "products": ["Rowan", "Elm"]}]}), 36.0)
    assert len(mix.steps) == 1
    assert mix.steps[0].rate.magnitude == 0.4


def test_the_lower_rate_stands_where_the_last_bit_of_control_does_not_pay(plan_of, make_stake, decide):
    """At 1200 a hectare the step from 0.7 to 1.0 of 0.8 saves 288 x loss and costs 20: it pays from 6.9 %."""
    (one,) = decide(
        plan_of(STEPPED),
        make_stake(three_bands(40, 6, 0), loss=np.minimum(0.5, 0.01 * three_bands(40, 6, 0)), threshold=5.0),
    )
    factor = round(one.ground.cells.along / 10)
    assert one.kind == "map"
    assert (one.levels[:, : 18 // factor] == 2).all()
    assert (one.levels[:, 22 // factor : 38 // factor] == 1).all()
    assert (one.levels[:, 42 // factor :] == 0).all()


def test_the_gain_of_a_stepped_map_is_the_sum_over_its_cells(plan_of, make_stake, decide, field_grid):
    plan = plan_of(STEPPED | {"machine.trip": "7 EUR"})
    pressure = three_bands(40, 6, 0)
    stake = make_stake(pressure, threshold=5.0)
    (one,) = decide(plan, stake)
    shares = _cell_shares(one, one.levels)
    cells = np.full(3600, 0.01)
    money = gain(_case(shares), {"midge": stake.loss}, decisions=[one], area_ha=cells, value_ha=1200.0)
    by_hand = sum(
        float((share * 0.01 * (1200 * step.control["midge"] * stake.loss - step.cost_ha)).sum())
        for share, step in zip(shares, one.steps, strict=True)
    )
    assert float(money) == pytest.approx(by_hand - 7.0)
    assert float(money) == pytest.approx(one.treatment.gain - 7.0)


def _case(shares):
    from rxmap.decide.compare import Case

    return Case(treated={"rowan": shares})


def test_without_a_loss_only_the_full_rate_is_weighed(plan_of, make_stake):
    plan = plan_of(STEPPED | {"target.0.loss": None})
    (option,) = pass_options(plan, 36.0)
    benefit = pass_benefit(option, [make_stake(np.full(9, 20.0), loss=None)], value_ha=None)
    assert benefit.steps == option.steps[-1:]


def decided_by_hand(plan, stake, grid, drawn):
    options = pass_options(plan, 36.0)
    ground = decision_ground(grid, np.zeros((60, 60)), plan.machine, outline=box(*grid.bounds), by_hand=drawn)
    return decide_passes(
        options,
        [stake],
        grounds={option.slug: ground for option in options},
        machine=plan.machine,
        mapped=frozenset({"midge"}),
        value_ha=crop_value_ha(plan.field),
    )


def test_what_is_drawn_by_hand_goes_out_against_numbers_and_gates(plan_of, make_stake, field_grid):
    drawn = np.zeros((60, 60))
    drawn[10:20, 40:50] = 1.0
    for stake in (make_stake(np.zeros(3600)), make_stake(np.full(3600, 40.0), closed="stage R7 is too late")):
        (one,) = decided_by_hand(plan_of(), stake, field_grid, drawn)
        assert one.kind == "map"
        assert "by hand" in one.reason
        assert one.ground.field_ha[one.treated].sum() * 100 == pytest.approx(100, abs=40)  # whole decision cells


def test_ground_by_hand_inside_a_treated_part_changes_nothing(plan_of, make_stake, field_grid, patch):
    drawn = np.zeros((60, 60))
    drawn[10:20, 5:10] = 1.0
    stake = make_stake(patch(40.0, 0.0))
    (plain,) = decided_by_hand(plan_of(), stake, field_grid, np.zeros((60, 60)))
    (one,) = decided_by_hand(plan_of(), stake, field_grid, drawn)
    assert np.array_equal(one.levels, plain.levels)
    assert one.reason == plain.reason


def test_the_treated_area_grows_by_the_way_the_target_spreads(plan_of, make_stake, decide, patch):
    """Cells of 10 m: 25 m of spread is two more columns, 0 m is none."""
    still, spreading = make_stake(patch(40.0, 0.0)), make_stake(patch(40.0, 0.0))
    (one,) = decide(plan_of(), still)
    (grown,) = decide(plan_of(), replace(spreading, spread_m=25.0))
    more = (grown.treated & ~one.treated).any(axis=0)
    assert not (one.treated & ~grown.treated).any()
    assert more.sum() * one.ground.cells.across == pytest.approx(20.0, abs=10.0)


def test_growth_never_reaches_into_ground_that_may_not_be_sprayed(plan_of, make_stake, decide, patch):
    kept = np.zeros((60, 60))
    kept[:, 22:] = 1.0
    (grown,) = decide(plan_of(), replace(make_stake(patch(40.0, 0.0)), spread_m=500.0), kept=kept)
    assert not (grown.treated & ~grown.ground.sprayable).any()
