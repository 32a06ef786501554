"""Expected benefit against published arithmetic.

The economic injury level is C / (V b K): Pedigo, Hutchins & Higley (1986), Annu. Rev. Entomol.
31:341-368. Worked examples are printed with rounded steps; here the arithmetic is exact and the printed
value stands beside it. All sources and printed values are from memory.
"""

from __future__ import annotations

from math import erf, exp, log, sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rxmap.decide.benefit import crop_value_ha, loss_fraction, pass_benefit, saved_share, stake_of
from rxmap.decide.options import pass_options
from rxmap.grid import Grid
from rxmap.plan import Loss
from rxmap.records import Surface
from rxmap.surface.links import Exponential
from rxmap.surface.predictive import Predictive
from rxmap.surface.target import TargetSurface
from rxmap.units import convert, currency, denominator

ACRE = 0.40468564224  # [ha] international acre, NIST Handbook 44 appendix C (from memory)


def example(plan_of, *, cost, price, goal, loss, control, growth=None):
    """A plan of a worked example: money per area of the yield goal's unit, loss per unit of pressure."""
    money, per = currency(price.split()[1]), denominator(goal)
    return plan_of(
        {
            "field.yield_goal": goal,
            "field.price": price,
            "target.0.threshold": 1e-6,
            "target.0.loss": {"per_unit": loss, "cap": 1, "source": "x"} | ({"growth": growth} if growth else {}),
            "product.0.controls": {"midge": control},
            "product.0.rate": f"1 L/{per}",
            "product.0.label": {"min": f"1 L/{per}", "max": f"1 L/{per}"},
            "product.0.cost": f"{cost} {money}/L",
            "machine.cost": None,
        }
    )


def benefit_at(plan, make_stake, pressure):
    pressure = np.atleast_1d(np.asarray(pressure, float))
    stake = make_stake(pressure, loss=loss_fraction(pressure, plan.target[0].loss), threshold=1e-6)
    (option,) = pass_options(plan, 1.0)
    return pass_benefit(option, [stake], value_ha=crop_value_ha(plan.field)).score


def injury_level(plan, make_stake):
    """Pressure at which the benefit crosses zero: it is a straight line below the cap."""
    nothing, something = benefit_at(plan, make_stake, [0.0, 1e-3])
    return -nothing / (something - nothing) * 1e-3


BORER = {"cost": 15, "price": "6 USD/bu", "goal": "150 bu/acre", "loss": 0.059, "control": 0.8}
EXAMPLES = {
    # Iowa State University, Tollefson (2008): 0.88 borers a plant printed; survival 0.4 from today's larvae
    "borer, first brood": (BORER | {"growth": 0.4}, 0.8828),
    # the same at 7 USD and 18 USD: nothing printed
    "borer, other price": (BORER | {"growth": 0.4, "price": "7 USD/bu", "cost": 18}, 0.9080),
    # Penn State table 14: 0.88 printed, in borers that survive
    "borer, Penn State": (
        BORER | {"cost": 15, "price": "3 USD/bu", "goal": "135 bu/acre", "control": 0.72},
        0.8719,
    ),
    # Iowa State University IC-476(21) (1996): egg masses, 4.5 borers from each
    "borer, second brood": (BORER | {"price": "3.50 USD/bu", "loss": 0.04, "growth": 4.5}, 0.19841),
    # soybean mites, Pesq. Agropec. Bras.: 4369 - 41.99 x kg/ha, printed as one mite per cm2
    "mites": (
        {"cost": 20, "price": "350 USD/t", "goal": "4369 kg/ha", "loss": 41.99 / 4369, "control": 1},
        1.3609,
    ),
    # economic damage threshold of a disease, C / (P Y D E): frogeye leaf spot
    "leaf spot": (
        {"cost": 62, "price": "0.40 USD/kg", "goal": "3719.9 kg/ha", "loss": 0.0051, "control": 0.6},
        13.617,
    ),
    # white mold, 0.25576 bu/acre for each percent of incidence, whatever the yield
    "white mold": (
        {"cost": 40, "price": "11 USD/bu", "goal": "60 bu/acre", "loss": 0.25576 / 60, "control": 0.5},
        28.436,
    ),
}


@pytest.mark.parametrize("name", EXAMPLES)
def test_benefit_crosses_zero_at_the_economic_injury_level(plan_of, make_stake, name):
    keys, printed = EXAMPLES[name]
    value = (
        float(keys["price"].split()[0]) * float(keys["goal"].split()[0]) * (0.001 if "USD/t" in keys["price"] else 1)
    )
    level = keys["cost"] / (value * keys["loss"] * keys.get("growth", 1) * keys["control"])
    assert level == pytest.approx(printed, rel=6e-5)  # worked by hand, to the digits given
    assert injury_level(example(plan_of, **keys), make_stake) == pytest.approx(level, rel=1e-9)


@given(st.floats(0.1, 9), st.floats(0.1, 9))
def test_the_injury_level_goes_with_cost_over_value(plan_of, make_stake, cost, price):
    # bean leaf beetle: 6.08 at 7.50 USD, 3.04 at 15 USD (Hunt, Higley & Witkowski 1995, Agron. J. 87:183)
    plans = [
        example(plan_of, **BORER | {"cost": cost * k, "price": f"{price * v} USD/bu"})
        for k, v in ((1, 1), (3, 1), (1, 2))
    ]
    one, dearer, worthier = (injury_level(plan, make_stake) for plan in plans)
    assert dearer == pytest.approx(3 * one)
    assert worthier == pytest.approx(one / 2)


def per_acre(plan_of, make_stake, pressure, **keys):
    return float(benefit_at(example(plan_of, **keys), make_stake, pressure)[0]) * ACRE


def test_first_brood_of_penn_state_loses_money(plan_of, make_stake):
    # 0.6 borers a plant: loss 14.337, preventable 10.323, net -4.677; printed 14.18, 10.21, -4.79
    keys = BORER | {"cost": 15, "price": "3 USD/bu", "goal": "135 bu/acre", "control": 0.72}
    assert per_acre(plan_of, make_stake, 0.6, **keys) == pytest.approx(-4.67736, abs=1e-5)


def test_second_brood_of_iowa_state_earns_more_than_printed(plan_of, make_stake):
    # 0.3 masses: loss 28.35, saved 22.68, net 7.68; printed 6.00 after rounding 0.054 to 0.05
    keys = BORER | {"price": "3.50 USD/bu", "loss": 0.04, "growth": 4.5}
    assert per_acre(plan_of, make_stake, 0.3, **keys) == pytest.approx(7.68, abs=1e-9)


@pytest.mark.parametrize(
    ("goal", "slope", "pressure", "lost"),
    [
        (4369.0, 41.99, 1.0, 4369 - 4327.01),  # mites, kg/ha
        (3719.9, 0.0051 * 3719.9, 10.0, 189.7149),  # frogeye leaf spot, Barro et al. (2023): printed 190
        (3000.0, 0.006 * 3000, 3.0, 54.0),  # soybean rust, Dalla Lana et al. (2015)
        (4.10, 0.038, 10.0, 0.38),  # head blight, Madden & Paul (2009): 3.72 t/ha left, 90.73 %
        (200.0, 0.48, 40.0, 19.2),  # tar spot, Crop Protection Network: bu/acre
        (200.0, 0.48, 35.0, 16.8),
    ],
)
def test_loss_of_a_published_slope(goal, slope, pressure, lost):
    loss = Loss(per_unit=slope / goal, cap=1, source="x")
    assert float(loss_fraction(np.array([pressure]), loss)[0]) * goal == pytest.approx(lost, rel=1e-6)


def test_loss_stops_at_its_cap():
    loss = Loss(per_unit=0.005, cap=0.35, source="x", growth=3.0)
    assert loss_fraction(np.array([0.0, 10.0, 23.0, 24.0, 1e6]), loss).tolist() == pytest.approx(
        [0, 0.15, 0.345, 0.35, 0.35]
    )


@pytest.mark.parametrize(("chance", "gain"), [(0.40, -1.0), (0.45, 2.0), (25 / 60, 0.0)])
def test_without_a_loss_the_cost_loss_rule_decides(plan_of, make_stake, chance, gain):
    # p* = C / (L K): C 25, L K 60 gives 0.4167, and the expected net benefit is p L K - C (Murphy 1977; Madden,
    # Hughes & van den Bosch 2007, ch. 11)
    plan = plan_of({"target.0.loss": None, "product.0.cost": "50 EUR/L"})
    (option,) = pass_options(plan, 1.0)
    assert option.cost_ha == 25
    stake = make_stake([9.0], loss=None, p_over=np.array([chance]), break_even=25 / 60)
    benefit = pass_benefit(option, [stake], value_ha=None)
    assert benefit.score == pytest.approx(gain, abs=1e-9)
    assert not benefit.money


def test_break_even_is_the_share_of_wrong_calls_that_cost(plan_of):
    treat_in_vain, leave_in_vain = 25, 60 - 25
    assert treat_in_vain / (treat_in_vain + leave_in_vain) == pytest.approx(0.416667, abs=5e-7)


def test_a_pass_without_a_loss_and_without_a_price_still_follows_the_chance(plan_of, make_stake):
    (option,) = pass_options(plan_of({"product.0.cost": "0 EUR/L", "machine.cost": None}), 1.0)
    stake = make_stake([9.0, 9.0], loss=None, p_over=np.array([0.4, 0.6]))
    assert (pass_benefit(option, [stake], value_ha=None).score > 0).tolist() == [False, True]


def surface_of(plan, centre, spread):
    grid = Grid(west=0.0, north=10.0, cell=10.0, share=np.ones((1, len(centre))))
    predictive = Predictive(np.ones(1), np.array([centre]), np.array([spread]), Exponential(1.0))
    flat = np.zeros(grid.shape)
    surface = Surface(
        grid=grid,
        mean=grid.spread(predictive.mean),
        sd=flat,
        p_over=grid.spread(predictive.p_over(plan.target[0].threshold)),
        q05=flat,
        q95=flat,
    )
    return TargetSurface(
        target=plan.target[0],
        slug="midge",
        model=None,
        predictive=predictive,
        surface=surface,
        observations=(),
        setting=None,
    )


def phi(z):
    return (1 + erf(z / sqrt(2))) / 2


@pytest.mark.parametrize("spread", [0.1, 0.5, 1.0])
def test_expected_loss_is_taken_over_the_whole_distribution(plan_of, spread):
    # E min(cap, b X) of a log-normal X with a kink at k = cap / b, in closed form (Johnson, Kotz & Balakrishnan 1994,
    # ch. 14: partial expectation): b E X Phi((ln k - m - s2) / s) + cap (1 - Phi((ln k - m) / s))
    centre, per_unit, cap = log(45.0), 0.01, 0.5
    kink = (log(cap / per_unit) - centre) / spread
    exact = per_unit * exp(centre + spread**2 / 2) * phi(kink - spread) + cap * (1 - phi(kink))
    plan = plan_of({"target.0.loss.per_unit": per_unit, "target.0.loss.cap": cap})
    stake = stake_of(surface_of(plan, [centre], [spread]), None)
    at_mean = min(cap, per_unit * exp(centre + spread**2 / 2))
    assert stake.loss[0] == pytest.approx(exact, rel=0.01)  # quadrature across a kink
    assert stake.loss[0] < at_mean - 0.002  # Jensen (1906): a loss with a cap is concave
    assert at_mean - exact > 0.003


def test_a_note_has_no_loss_at_stake(plan_of):
    plan = plan_of({"target.0.decides": "next crop"})
    assert stake_of(surface_of(plan, [1.0], [0.1]), "a note").loss is None


SHARES = st.floats(0, 1)


@given(SHARES, SHARES, SHARES, SHARES)
def test_targets_together_take_no_more_than_each_alone(a, b, k, other):
    losses, control = {"a": np.array([a]), "b": np.array([b])}, {"a": k, "b": other}
    saved = float(saved_share(losses, control)[0])
    # by hand: what is left when treated, minus what is left untreated
    assert saved == pytest.approx((1 - (1 - k) * a) * (1 - (1 - other) * b) - (1 - a) * (1 - b), abs=1e-12)
    assert -1e-12 <= saved <= k * a + other * b + 1e-12
    assert float(saved_share(losses, {})[0]) == 0


def test_a_target_that_is_gated_or_done_does_not_pay_for_a_pass(plan_of, make_stake):
    (option,) = pass_options(plan_of(), 1.0)
    assert pass_benefit(option, [make_stake([20.0], closed="stage")], value_ha=1200.0) is None
    assert pass_benefit(option, [make_stake([20.0])], value_ha=1200.0, done=frozenset({"midge"})) is None
    assert pass_benefit(option, [make_stake([20.0], name="moth")], value_ha=1200.0) is None


def test_a_second_target_is_worth_its_share_of_what_the_first_leaves(plan_of, make_stake):
    plan = plan_of({"target.1.name": "moth", "product.0.controls": {"midge": 0.8, "moth": 0.5}})
    (option,) = pass_options(plan, 1.0)
    stakes = [make_stake([20.0]), make_stake([10.0], name="moth")]
    both = pass_benefit(option, stakes, value_ha=1000.0)
    assert both.targets == ("midge", "moth")
    assert both.score == pytest.approx(1000 * ((1 - 0.04) * (1 - 0.05) - 0.8 * 0.9) - option.cost_ha)
    first = pass_benefit(option, [stakes[0], make_stake([10.0], name="moth", closed="x")], value_ha=1000.0)
    assert first.score == pytest.approx(1000 * ((1 - 0.04) * 0.9 - 0.8 * 0.9) - option.cost_ha)


@pytest.mark.parametrize(
    ("threshold", "pressure", "treated"),
    [
        (250, 300, True),  # soybean aphids per plant, Ragsdale et al. (2007)
        (250, 240, False),
        (3, 5, True),  # stink bugs per 25 sweeps, Georgia
        (9, 5, False),  # the same bugs in Tennessee: thresholds belong to a place
        (3, 2, False),  # mites on the scale of 0 to 5
        (3, 3, True),
        (30, 25, False),  # percent defoliation before bloom
        (20, 25, True),  # and from bloom on
        (0.5, 0.6, True),  # leafhoppers per sweep on alfalfa of 6 in
        (1.0, 0.6, False),  # and of 10 in
    ],
)
def test_the_threshold_is_a_floor_under_the_money(plan_of, make_stake, threshold, pressure, treated):
    # thresholds of extension bulletins, from memory; where money would always say yes
    (option,) = pass_options(plan_of(), 1.0)
    stake = make_stake([pressure], threshold=threshold, loss=np.array([0.5]))
    benefit = pass_benefit(option, [stake], value_ha=1e6)
    assert benefit.score > 0
    assert benefit.allowed.tolist() == [treated]


def test_value_of_the_crop_in_mixed_units(plan_of):
    field = plan_of({"field.yield_goal": "2000 lb/acre", "field.price": "240 EUR/t"}).field
    assert crop_value_ha(field) == pytest.approx(convert(2000, "lb/acre", "t/ha") * 240)
    assert crop_value_ha(plan_of({"field.yield_goal": "60 bu/acre", "field.price": "11 EUR/bu"}).field) * ACRE == (
        pytest.approx(660)
    )
    assert crop_value_ha(plan_of({"field.price": None}).field) is None
