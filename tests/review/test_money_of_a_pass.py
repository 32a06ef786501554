from __future__ import annotations

import math

import pytest
import shapely

from rxmap.decide.options import pass_options
from rxmap.plan import read_plan
from rxmap.read.planned import PlannedPass
from rxmap.review.grounds import Pair
from rxmap.review.intervals import Interval
from rxmap.review.money import PassMoney, all_money, at_todays_prices, pass_money, threshold_check, yield_value
from rxmap.units import parse

ACRE = 0.40468564224  # [ha] international acre, NIST Handbook 44 appendix C (from memory)


@pytest.fixture(scope="module")
def plan(sampled):
    return read_plan(sampled.plan)


def ten_acres() -> PlannedPass:
    told = {"name": "Product Alder", "rate": 3.2, "unit": "floz/acre", "total": 32.0, "total_unit": "floz"}
    side = math.sqrt(10 * ACRE * 1e4)
    return PlannedPass(
        name="A", slug="a", products=(told,), parts=((3.2, shapely.box(0, 0, side, side)),), volume=2.0,
        vol_unit="gal/acre", strips=(), keep_out=shapely.Polygon(),
    )  # fmt: skip


def test_a_pass_is_reckoned_as_on_paper(plan):
    option = pass_options(plan, 60.0)[0]
    gain = Interval(value=100.0, low=40.0, high=160.0).times(yield_value(plan, "lb/acre"))
    told = pass_money(plan, ten_acres(), option, gain, done=None, expected=(0.1, 0.05), rest_ha=20 * ACRE)
    # 32 floz x 2.60 + 10 acres x 10 + 150 for the trip
    assert told.cost == pytest.approx(83.2 + 100 + 150)
    # 10 acres x 100 lb x 0.24 USD, and the ends of the range at 40 and 160 lb
    assert told.earned.value == pytest.approx(240 - 333.2)
    assert (told.earned.low, told.earned.high) == pytest.approx((96 - 333.2, 384 - 333.2))
    # half of the gain on 20 acres more, at 3.2 x 2.60 + 10 USD/acre, no second trip
    assert told.rest.value == pytest.approx(240 - 20 * 18.32)


def test_without_a_loss_in_the_plan_all_cannot_be_reckoned(plan):
    option = pass_options(plan, 60.0)[0]
    told = pass_money(plan, ten_acres(), option, Interval(value=1, low=0, high=2), done=None, expected=None, rest_ha=9)
    assert told.rest is None
    assert "no loss" in told.why_rest


def test_scouting_is_in_every_choice(plan):
    passes = [
        PassMoney(
            cost=300.0, earned=Interval(value=500, low=200, high=800), rest=Interval(value=-90, low=-200, high=20)
        )
    ]
    money = all_money(plan, passes, 50 * ACRE, "")
    assert money.none == pytest.approx(-100.0)  # 2 USD/acre on 50 acres
    assert money.map.value == pytest.approx(400.0)
    assert money.all.value == pytest.approx(310.0)
    assert (money.all.low, money.all.high) == pytest.approx((-100.0, 720.0))  # one gain decides both
    assert (money.less_all.low, money.less_all.high) == pytest.approx((-20.0, 200.0))


def test_one_pass_without_a_gain_leaves_the_whole_untold(plan):
    known = PassMoney(cost=1.0, earned=Interval(value=1, low=0, high=2), rest=None)
    money = all_money(plan, [known, PassMoney(cost=1.0, earned=None, rest=None)], 10.0, "too few strips")
    assert money.map is None
    assert money.less_none is None
    assert money.why == "too few strips"


def test_todays_prices_stand_for_those_of_the_plan(plan):
    now = at_todays_prices(
        plan, {"crop": parse("0.30 USD/lb", "price"), "Product Alder": parse("3 USD/floz", "money_per_amount")}
    )
    assert yield_value(now, "lb/acre") == pytest.approx(0.30 / ACRE)
    # 3.2 x 3 + 10 USD/acre
    assert pass_options(now, 60.0)[0].cost_ha == pytest.approx(19.6 / ACRE)
    assert at_todays_prices(plan, {}) == plan


def pairs(*gains: float) -> list[Pair]:
    return [Pair(number=n, on=0.0, beside=gain, points=(9, 9)) for n, gain in enumerate(gains, start=1)]


@pytest.mark.parametrize(
    ("gains", "verdict"),
    [((84.0, 86.0, 85.0), "in line"), ((30.0, 31.0, 32.0), "too low"), ((250.0, 251.0, 252.0), "too high"),
     ((-40.0, 10.0, 60.0), "cannot tell")],
)  # fmt: skip
def test_the_threshold_is_held_against_the_pressure_that_would_just_have_paid(plan, gains, verdict):
    option, target = pass_options(plan, 60.0)[0], plan.target[0]
    told = threshold_check(plan, target, option, pairs(*gains), [10.0, 10.0, 10.0], unit="lb/acre")
    # 0.5 % of 2,000 lb/acre, of which 85 % are saved
    assert told.planned == pytest.approx(8.5)
    assert told.verdict == verdict
    if verdict == "in line":
        # 18.32 USD/acre over 8.5 lb x 0.24 USD
        assert told.break_even.value == pytest.approx(18.32 / (8.5 * 0.24), rel=1e-6)


def test_a_yield_in_bushels_has_no_price_per_pound(plan):
    assert yield_value(plan, "bu/acre") is None
