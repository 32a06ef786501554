"""Label arithmetic: every broken limit is refused with the sum. All labels here are invented."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from rxmap.passes.label import label_faults, written_rate, written_volume
from rxmap.plan import Label, Product, UnderLabel
from rxmap.plan_rules import contradictions
from rxmap.units import Quantity, convert

LABEL = "product.0.label."
EARLIER = dt.date(2031, 7, 1)


def test_a_plan_within_the_label_has_no_fault(plan_of):
    limits = {"season_max": "0.6 L/ha", "applications": 2, "interval": "17 day", "phi": "64 day"}
    limits |= {"carrier_min": "15 gal/acre", "stages": ["R1", "R5"]}
    applied = {"product.0.applied": [{"date": EARLIER, "rate": "0.3 L/ha"}]}
    assert label_faults(plan_of({LABEL + key: value for key, value in limits.items()} | applied)) == []


# one limit each, on the wrong side by the least step; every line shows the numbers that make it so
BROKEN = [
    ({"product.0.rate": "0.401 L/ha"}, "rate 0.401 L/ha is above the label's maximum 0.4 L/ha. Lower it."),
    ({"product.0.rate": "0.199 L/ha"}, "rate 0.199 L/ha is below the label's minimum 0.2 L/ha. Raise it, or"),
    ({LABEL + "season_max": "0.299 L/ha"}, "season total 0.3 = 0.3 L/ha is above label.season_max 0.299 L/ha."),
    (
        {
            LABEL + "season_max": "0.65 L/ha",
            "product.0.applied": [{"date": EARLIER, "rate": "200 mL/ha"}, {"date": EARLIER, "rate": "0.2 L/ha"}],
        },
        "season total 0.2 + 0.2 + 0.3 = 0.7 L/ha is above label.season_max 0.65 L/ha.",
    ),
    (
        {LABEL + "applications": 1, "product.0.applied": [{"date": EARLIER, "rate": "0.3 L/ha"}]},
        "1 applied + 1 now = 2 is above label.applications 1.",
    ),
    (
        {LABEL + "interval": "18 day", "product.0.applied": [{"date": EARLIER, "rate": "0.3 L/ha"}]},
        "applied on 2031-07-01 + label.interval 18 day = 2031-07-19; field.spray_date 2031-07-18 is earlier.",
    ),
    (
        {LABEL + "phi": "65 day"},
        "field.spray_date 2031-07-18 + label.phi 65 day = 2031-09-21; field.harvest 2031-09-20",
    ),
    ({LABEL + "phi": "1000000000 day"}, "label.phi 1000000000 day = 9999-12-31; field.harvest 2031-09-20 is earlier."),
    ({LABEL + "stages": ["R1", "R2"]}, "field.stage R3 is outside R1 to R2 (label.stages)."),
    ({LABEL + "stages": ["bud", "bloom", "R2"]}, "field.stage R3 is not one of bud, bloom, R2 (label.stages)."),
    (
        {LABEL + "carrier_min": "17 gal/acre"},
        "machine.carrier 150 L/ha = 16.036 gal/acre is below label.carrier_min 17 gal/acre.",
    ),
    (
        {"machine.carrier": "0.25 L/ha"},
        "rate 0.3 L/ha = 0.3 L/ha of product is more than machine.carrier 0.25 L/ha, the spray that it is part of.",
    ),
    (
        {"product.0.under_label": {"rate": "0.2 L/ha", "reason": "x"}},
        "under_label.rate 0.2 L/ha is not below the minimum 0.2 L/ha. Use rate instead.",
    ),
]


@pytest.mark.parametrize(("keys", "line"), BROKEN, ids=[line[:40] for _, line in BROKEN])
def test_a_broken_limit_is_refused_with_the_sum(plan_of, keys, line):
    found = label_faults(plan_of(keys))
    assert len(found) == 1, found
    assert found[0].startswith("product[1] 'Rowan': ")
    assert line in found[0]


def test_every_broken_limit_of_every_product_is_listed(plan_of):
    keys = {"product.0.rate": "0.5 L/ha", LABEL + "phi": "65 day", "product.1.name": "Elm"}
    found = label_faults(plan_of(keys))
    assert [line[:10] for line in found] == ["product[1]", "product[1]", "product[2]", "product[2]"]


def test_the_newest_application_sets_the_interval(plan_of):
    applied = [{"date": day, "rate": "0.2 L/ha"} for day in (dt.date(2031, 7, 10), dt.date(2031, 5, 1))]
    assert (
        "applied on 2031-07-10" in label_faults(plan_of({LABEL + "interval": "9 day", "product.0.applied": applied}))[0]
    )


@pytest.mark.parametrize(
    ("wait", "refused"), [("17 day", False), ("408 hour", False), ("409 hour", True), ("18 day", True)]
)
def test_hours_of_waiting_count_as_whole_days(plan_of, wait, refused):
    applied = {"product.0.applied": [{"date": EARLIER, "rate": "0.3 L/ha"}]}  # 17 days before the spray date
    assert bool(label_faults(plan_of({LABEL + "interval": wait} | applied))) == refused


def test_a_limit_met_exactly_in_another_unit_is_kept(plan_of):
    # 0.4 L/ha and 300 mL/ha twice: binary conversions must not turn equal into above
    keys = {"product.0.rate": "400 mL/ha", LABEL + "season_max": "1.2 L/ha"}
    applied = [{"date": EARLIER, "rate": "0.0004 m3/ha"}, {"date": EARLIER, "rate": "400 mL/ha"}]
    assert label_faults(plan_of(keys | {"product.0.applied": applied})) == []


def test_under_the_label_is_the_only_way_below_the_minimum(plan_of):
    plan = plan_of({"product.0.under_label": {"rate": "0.15 L/ha", "reason": "trial"}})
    assert label_faults(plan) == []
    product = plan.product[0]
    assert written_rate(product, product.full_rate) == 0.15


@pytest.mark.parametrize(
    ("rate", "low", "high", "written"),
    [
        ("1.2345 L/ha", "1 L/ha", "1.2345 L/ha", 1.234),  # a maximum is rounded down
        ("1.2355 L/ha", "1.2355 L/ha", "2 L/ha", 1.236),  # a minimum up
        ("1.2346 L/ha", "1 L/ha", "2 L/ha", 1.235),  # else to the nearest
        ("9 floz/acre", "6 floz/acre", "0.65770002 L/ha", 9.0),
        ("0.65770002 L/ha", "0.4 L/ha", "9 floz/acre", 0.657),  # 9 floz/acre is 0.65770002.. L/ha
    ],
)
def test_rates_are_rounded_inwards(plan_of, rate, low, high, written):
    product = plan_of({"product.0.rate": rate, LABEL + "min": low, LABEL + "max": high}).product[0]
    assert written_rate(product, product.full_rate) == written


def test_rounding_up_does_not_break_the_season(plan_of):
    # 0.3006 would be written 0.301, and 0.3 + 0.301 is more than 0.6006
    applied = [{"date": EARLIER, "rate": "0.3 L/ha"}]
    plan = plan_of({"product.0.rate": "0.3006 L/ha", LABEL + "season_max": "0.6006 L/ha", "product.0.applied": applied})
    assert label_faults(plan) == []
    assert written_rate(plan.product[0], plan.product[0].full_rate) == 0.3


@pytest.mark.parametrize("rate", ["0.0004 kg/ha", "0.0125 kg/ha", "0.01234 kg/ha"])
def test_a_rate_that_three_decimals_cannot_say_is_refused(plan_of, rate):
    keys = {"product.0.rate": rate, LABEL + "min": "0.0001 kg/ha", LABEL + "max": "0.1 kg/ha"}
    assert "Write the rate in a smaller unit" in label_faults(plan_of(keys))[0]


def test_a_range_without_a_step_of_three_decimals_is_refused(plan_of):
    keys = {"product.0.rate": "1.2342 L/ha", LABEL + "min": "1.2341 L/ha", LABEL + "max": "1.2343 L/ha"}
    assert "would be written with three decimals" in label_faults(plan_of(keys))[0]


def test_the_carrier_is_never_written_below_the_least_of_the_labels(plan_of):
    plan = plan_of({"machine.carrier": "150.0004 L/ha", LABEL + "carrier_min": "150.0004 L/ha"})
    assert label_faults(plan) == []
    assert written_volume(plan.machine, plan.product) == 150.001
    assert written_volume(plan_of({"machine.carrier": "150.0004 L/ha"}).machine, ()) == 150.0


VOLUMES = ["L/ha", "mL/ha", "gal/acre", "qt/acre", "pt/acre", "floz/acre", "L/acre", "impgal/acre"]
MASSES = ["kg/ha", "g/ha", "lb/acre", "oz_wt/acre"]


@st.composite
def limited(draw) -> tuple[Product, Decimal, Decimal]:
    """A product whose rate lies anywhere in its label's range, limits included, each in a unit of its own."""
    units = draw(st.sampled_from([VOLUMES, MASSES]))
    unit, low_unit, high_unit = (draw(st.sampled_from(units)) for _ in range(3))
    places = draw(st.integers(0, 6))
    low, rate, high = sorted(draw(st.lists(st.decimals("0.000001", "5000", places=places), min_size=3, max_size=3)))
    assume(low > 0)
    limits = [Quantity(convert(float(limit), unit, to), to) for limit, to in ((low, low_unit), (high, high_unit))]
    limits = [Quantity(float(f"{limit.magnitude:.9g}"), limit.unit) for limit in limits]  # as a hand writes it
    assume(limits[0].to(unit) <= rate <= limits[1].to(unit))
    label = Label.model_construct(min=limits[0], max=limits[1], season_max=None)
    product = Product.model_construct(
        name="x", rate=Quantity(float(rate), unit), label=label, under_label=None, applied=(), response={}, controls={}
    )
    return product


@given(limited())
def test_a_written_rate_is_on_the_label_or_the_plan_is_refused(plan_of, product):
    plan = plan_of().model_copy(update={"product": (product,)})
    written = written_rate(product, product.full_rate)
    assert written == round(written, 3)
    if label_faults(plan):
        return
    unit = product.full_rate.unit
    least, most = product.label.min.to(unit), product.label.max.to(unit)
    # changing a unit may lose 1e-12; in the label's own unit the digits decide
    assert least * (1 - 1e-12) <= written <= most * (1 + 1e-12)
    if product.label.max.unit == unit:
        assert Decimal(repr(written)) <= Decimal(repr(product.label.max.magnitude))
    if product.label.min.unit == unit:
        assert Decimal(repr(written)) >= Decimal(repr(product.label.min.magnitude))
    assert written == pytest.approx(product.full_rate.magnitude, rel=0.01)


@given(limited(), st.decimals("0.000001", "5000", places=3))
def test_a_rate_under_the_label_is_never_written_lower_than_reasoned(product, rate):
    assume(float(rate) < product.label.min.to(product.full_rate.unit))
    reasoned = UnderLabel.model_construct(rate=Quantity(float(rate), product.full_rate.unit), reason="x")
    product = product.model_copy(update={"under_label": reasoned})
    assert written_rate(product, product.full_rate) >= float(rate)


def test_plans_of_these_tests_contradict_nothing(plan_of):
    assert [line for keys, _ in BROKEN for line in contradictions(plan_of(keys))] == []


def test_a_stepped_volume_never_carries_less_than_the_label_minimum(plan_of):
    """2 gal/acre at 6 of 9 floz/acre is 1.333.. gal/acre; 1.333 would carry 5.9985 floz/acre of a minimum of 6."""
    keys = {
        "product.0.rate": ["6 floz/acre", "9 floz/acre"],
        "product.0.response": {"6 floz/acre": 0.7, "9 floz/acre": 1.0},
        "product.0.label": {"min": "6 floz/acre", "max": "9 floz/acre"},
        "product.0.cost": "1 EUR/floz",
        "machine.carrier": "2 gal/acre",
    }
    plan = plan_of(keys)
    volume = written_volume(plan.machine, plan.product, 6 / 9)
    assert volume == 1.334
    assert volume * 9 / 2 >= 6.0
