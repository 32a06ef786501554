"""One trip with two tanks: what it would earn beside two trips."""

from __future__ import annotations

import numpy as np
import pytest

from rxmap.decide.two_tanks import two_tanks
from rxmap.records import Money

MONEY = Money(currency="EUR", map=0.0, all=0.0, none=-30.0, best="map", range=None, p_map=None)
TWO = {"target.1.name": "moth", "product.1.name": "Elm", "product.1.controls": {"moth": 0.8}}


def weighed(decide, plan, *stakes):
    return two_tanks(decide(plan, *stakes), MONEY, field_ha=36.0)


def test_ground_that_both_products_need_is_driven_once(plan_of, make_stake, decide):
    """Both pay everywhere: the second trip over 36 ha at 10 a hectare and its 50 for the way are saved."""
    plan = plan_of(TWO | {"machine.trip": "50 EUR"})
    high = np.full(3600, 40.0)
    stakes = [make_stake(high), make_stake(high, name="moth")]
    decisions = decide(plan, *stakes)
    apart = sum(d.treatment.gain - d.option.fixed for d in decisions)
    together = weighed(decide, plan, *stakes)
    assert together.treated_share == pytest.approx({"rowan": 1.0, "elm": 1.0})
    assert together.money.map == pytest.approx(-30.0 + apart + 36 * 10 + 50)


def test_products_that_need_different_ground_save_the_way_only(plan_of, make_stake, decide, patch):
    plan = plan_of(TWO | {"machine.trip": "50 EUR"})
    west = patch(40.0, 0.0)
    east = west.reshape(60, 60)[:, ::-1].ravel()
    stakes = [make_stake(west), make_stake(east, name="moth")]
    apart = sum(d.treatment.gain - d.option.fixed for d in decide(plan, *stakes))
    assert weighed(decide, plan, *stakes).money.map == pytest.approx(-30.0 + apart + 50)


def test_it_never_earns_less_than_two_trips(plan_of, make_stake, decide):
    """Whatever the pressure: the two trips' areas are one of the choices of the joint cut."""
    plan = plan_of(TWO | {"machine.trip": "20 EUR"})
    for seed in range(4):
        draw = np.random.default_rng(seed)
        ramp = np.tile(np.linspace(0, 1, 60), (60, 1)).ravel()
        stakes = [make_stake(ramp * draw.uniform(15, 40)), make_stake(ramp[::-1] * draw.uniform(15, 40), name="moth")]
        apart = sum(d.treatment.gain - d.option.fixed for d in decide(plan, *stakes))
        assert weighed(decide, plan, *stakes).money.map >= -30.0 + apart - 1e-6


def test_where_one_pass_stays_at_home_no_second_tank_is_weighed(plan_of, make_stake, decide):
    plan = plan_of(TWO | {"machine.trip": "50 EUR"})
    decisions = decide(plan, make_stake(np.full(3600, 40.0)), make_stake(np.zeros(3600), name="moth"))
    assert [d.goes_out for d in decisions] == [True, False]
    assert two_tanks(decisions, MONEY, field_ha=36.0) is None


def test_without_money_or_with_one_product_there_is_nothing_to_weigh(plan_of, make_stake, decide):
    assert weighed(decide, plan_of(), make_stake(np.full(3600, 40.0))) is None
    decisions = decide(plan_of(TWO), make_stake(np.full(3600, 40.0)), make_stake(np.full(3600, 40.0), name="moth"))
    assert two_tanks(decisions, None, field_ha=36.0) is None
