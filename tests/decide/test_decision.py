from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

# On these plans a hectare is worth 1200 EUR, treating it costs 40 EUR and prevents 0.8 of the loss; each midge
# takes 1 %. So treating breaks even at 40 / (1200 x 0.8 x 0.01) = 4.17 midges, below the threshold of 8.
ELM = {"product.1.name": "Elm", "product.1.controls": {"midge": 0.8}, "product.1.cost": "90 EUR/L"}
MOTH = {"target.1.name": "moth"}


def test_part_of_the_field_is_treated_where_only_part_pays(plan_of, make_stake, decide, patch):
    (one,) = decide(plan_of(), make_stake(patch(30, 0)))
    assert one.kind == "map"
    assert one.goes_out
    assert one.treated.mean() == pytest.approx(1 / 3, abs=0.05)
    assert one.reason == "only part of the field is above the level where treating pays"


def test_a_map_says_how_much_more_it_earns_than_treating_all(plan_of, make_stake, decide, patch):
    # with two midges in the east, above a threshold of one: 24 ha that would each lose 40 - 1200 x 0.8 x 0.02 = 20.80
    (one,) = decide(plan_of(), make_stake(patch(30, 2), threshold=1.0))
    assert one.reason == "treating only where it pays is expected to earn 499.20 EUR more than treating all"


def test_everything_is_treated_where_everything_pays(plan_of, make_stake, decide, patch):
    (one,) = decide(plan_of(), make_stake(patch(30, 20)))
    assert (one.kind, one.reason) == ("all", "treating pays over the whole field")
    assert np.array_equal(one.treated, one.ground.sprayable)


def test_without_support_for_a_map_the_field_gets_one_decision(plan_of, make_stake, decide, patch):
    (one,) = decide(plan_of(), make_stake(patch(20, 20)), mapped=())
    assert (one.kind, one.reason[:26]) == ("all", "treating pays on average, ")
    (one,) = decide(plan_of(), make_stake(patch(3, 3)), mapped=())
    assert one.kind == "none"


def test_a_map_without_support_is_never_decided(plan_of, make_stake, decide, patch):
    (one,) = decide(plan_of(), make_stake(patch(30, 0)), mapped=())
    assert one.kind in ("all", "none")


def test_below_the_threshold_nobody_goes_out(plan_of, make_stake, decide, patch):
    (one,) = decide(plan_of(), make_stake(patch(7.9, 6)))  # above break-even, below the threshold
    assert (one.kind, one.reason) == ("none", "expected pressure is below the threshold everywhere")
    assert not one.treated.any()


def test_a_trip_that_costs_more_than_it_saves_stays_at_home_with_the_sum(plan_of, make_stake, decide, patch):
    # 12 ha x (1200 x 0.8 x 0.3 - 40) = 2976
    (one,) = decide(plan_of({"machine.trip": "5000 EUR"}), make_stake(patch(30, 0)))
    assert one.kind == "none"
    assert one.reason == "treating would earn 2,976.00 EUR before the trip, and the trip costs 5,000.00 EUR"
    (one,) = decide(plan_of({"machine.trip": "2900 EUR"}), make_stake(patch(30, 0)))
    assert one.kind == "map"


def test_what_never_pays_is_said_to_be_so(plan_of, make_stake, decide, patch):
    (one,) = decide(plan_of({"product.0.cost": "9000 EUR/L"}), make_stake(patch(30, 9)))
    assert (one.kind, one.reason) == ("none", "treating is not expected to pay for itself")


def test_keep_outs_over_the_whole_field_leave_nothing(plan_of, make_stake, decide, patch):
    (one,) = decide(plan_of(), make_stake(patch(30, 20)), kept=np.ones((60, 60)))
    assert (one.kind, one.reason) == ("none", "keep-outs and setbacks leave no ground to treat")


def test_ground_below_the_threshold_inside_a_keep_out_does_not_count(plan_of, make_stake, decide, patch):
    kept = np.zeros((60, 60))
    kept[:, 20:] = 1.0
    (one,) = decide(plan_of(), make_stake(patch(30, 0)), kept=kept)
    assert one.kind == "all"


def test_products_for_one_target_are_alternatives(plan_of, make_stake, decide, patch):
    rowan, elm = decide(plan_of(ELM), make_stake(patch(30, 0)))
    assert (rowan.kind, elm.kind) == ("none", "map")  # elm does the same for less
    assert rowan.reason == "Elm is used against midge, at a better return for this field"


def test_equal_products_are_taken_in_the_order_of_the_plan(plan_of, make_stake, decide, patch):
    equal = ELM | {"product.1.cost": "100 EUR/L"}
    rowan, elm = decide(plan_of(equal), make_stake(patch(30, 0)))
    assert (rowan.kind, elm.kind) == ("map", "none")


@pytest.mark.parametrize("order", list(itertools.permutations(range(3))))
def test_decisions_do_not_depend_on_the_order_of_products(plan_of, make_stake, decide, patch, order):
    keys = {**MOTH, **ELM, "product.2.name": "Ash", "product.2.cost": "95 EUR/L", "product.2.controls": {"moth": 0.9}}
    plan = plan_of(keys)
    plan = plan.model_copy(update={"product": tuple(plan.product[i] for i in order)})
    decided = decide(plan, make_stake(patch(30, 0)), make_stake(patch(2, 25), name="moth"))
    assert {d.option.name: d.kind for d in decided} == {"Rowan": "none", "Elm": "map", "Ash": "map"}


def test_one_product_may_pay_for_two_targets_together(plan_of, make_stake, decide, patch):
    # each target alone takes 9 %: worth 1200 x 0.4 x 0.09 = 43; at 60 EUR only both together pay
    keys = MOTH | {"product.0.controls": {"midge": 0.4, "moth": 0.4}, "machine.cost": "30 EUR/ha"}
    both = [make_stake(patch(9, 9)), make_stake(patch(9, 9), name="moth")]
    (one,) = decide(plan_of(keys), *both)
    assert one.kind == "all"
    assert one.benefit.targets == ("midge", "moth")
    (one,) = decide(plan_of(keys), both[0], make_stake(patch(9, 9), name="moth", closed="moth is gated"))
    assert one.kind == "none"


def test_two_products_for_two_targets_go_out_each_where_it_pays(plan_of, make_stake, decide, patch):
    keys = MOTH | ELM | {"product.1.controls": {"moth": 0.8}}
    east = patch(0, 30)
    rowan, elm = decide(plan_of(keys), make_stake(patch(30, 0)), make_stake(east, name="moth"))
    assert (rowan.kind, elm.kind) == ("map", "map")
    assert not (rowan.treated & elm.treated)[:, :9].any()


def test_a_pass_whose_targets_are_gated_says_which_gate(plan_of, make_stake, decide, patch):
    (one,) = decide(plan_of(), make_stake(patch(30, 30), closed="stage R6 is outside R1 to R5"))
    assert (one.kind, one.reason, one.benefit) == ("none", "stage R6 is outside R1 to R5", None)


def test_a_product_goes_out_once_whatever_pass_it_is_in(plan_of, make_stake, decide, patch):
    keys = MOTH | ELM | {"product.1.controls": {"moth": 0.8}}
    keys["pass"] = [{"name": "alone", "products": ["Rowan"]}, {"name": "mix", "products": ["Rowan", "Elm"]}]
    alone, mix = decide(plan_of(keys), make_stake(patch(40, 40)), make_stake(patch(9, 9), name="moth"))
    assert (alone.kind, mix.kind) == ("none", "all")
    assert alone.reason == "Rowan goes out with mix already"


def test_a_mix_that_controls_more_beats_its_parts(plan_of, make_stake, decide, patch):
    keys = MOTH | ELM | {"product.1.controls": {"moth": 0.8}, "machine.trip": "500 EUR"}
    keys["pass"] = [
        {"name": "rowan", "products": ["Rowan"]},
        {"name": "elm", "products": ["Elm"]},
        {"name": "mix", "products": ["Rowan", "Elm"]},
    ]
    decided = decide(plan_of(keys), make_stake(patch(20, 20)), make_stake(patch(20, 20), name="moth"))
    assert [d.kind for d in decided] == ["none", "none", "all"]


NO_LOSS = {"target.0.loss": None, "field.price": None, "field.yield_goal": None, "machine.trip": "9999 EUR"}


def chance(patch, west, east):
    return {"loss": None, "p_over": patch(west, east)}


def test_without_a_loss_the_chance_alone_decides(plan_of, make_stake, decide, patch):
    (one,) = decide(plan_of(NO_LOSS), make_stake(patch(30, 0), **chance(patch, 0.9, 0.1)))
    assert (one.kind, one.benefit.money) == ("map", False)
    (one,) = decide(plan_of(NO_LOSS), make_stake(patch(30, 0), **chance(patch, 0.9, 0.6)))
    assert one.kind == "all"
    (one,) = decide(plan_of(NO_LOSS), make_stake(patch(30, 0), **chance(patch, 0.45, 0.1)))
    assert one.kind == "none"
    assert "nowhere more than break_even" in one.reason


def test_the_smallest_patch_that_pays_is_four_edge_prices_over_the_margin(plan_of, make_stake, decide, patch):
    (one,) = decide(plan_of(), make_stake(patch(30, 0)))
    margin = 1200 * 0.8 * 0.3 - 40  # per hectare
    assert one.smallest_patch_m == pytest.approx(4 * one.treatment.price.mean / (margin / 1e4), rel=1e-6)
    (one,) = decide(plan_of(), make_stake(patch(3, 0)))
    assert one.smallest_patch_m is None


@given(st.integers(0, 10_000), st.floats(1, 40), st.floats(0, 3000))
@settings(max_examples=20, deadline=None)
def test_a_decision_never_gains_less_than_staying_at_home(plan_of, make_stake, decide, seed, level, trip):
    pressure = ndimage.gaussian_filter(np.random.default_rng(seed).exponential(level, (60, 60)), 5).ravel()
    (one,) = decide(plan_of({"machine.trip": f"{trip:.2f} EUR"}), make_stake(pressure))
    gained = float(one.treatment.worth[one.treated].sum())
    assert one.kind == "none" or gained > round(trip, 2)
    assert one.treated.any() == one.goes_out
    assert one.reason
    floor = ndimage.uniform_filter(pressure.reshape(60, 60), 1)
    if one.goes_out and one.ground.cells.along == 10.0:
        assert (floor[one.treated] >= 8.0).all()
