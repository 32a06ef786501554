from __future__ import annotations

import pytest

from rxmap.decide.options import pass_options, product_cost_ha

ACRE = 0.40468564224  # [ha] international acre, NIST Handbook 44 appendix C (from memory)
ELM = {"product.1.name": "Elm", "product.1.controls": {"moth": 0.5}, "target.1.name": "moth"}


def only(plan, field_ha=10.0):
    (option,) = pass_options(plan, field_ha)
    return option


def test_each_product_that_controls_something_is_a_pass_of_its_own(plan_of):
    options = pass_options(plan_of(ELM | {"product.2.name": "Oil", "product.2.controls": {}}), 10.0)
    assert [(o.name, o.slug, [p.name for p in o.products]) for o in options] == [
        ("Rowan", "rowan", ["Rowan"]),
        ("Elm", "elm", ["Elm"]),
    ]


def test_a_named_pass_takes_its_products_along(plan_of):
    oil = {"product.2.name": "Oil", "product.2.controls": {}, "pass": [{"name": "July", "products": ["Oil", "Rowan"]}]}
    july, elm = pass_options(plan_of(ELM | oil), 10.0)
    assert (july.name, elm.name) == ("July", "Elm")
    assert july.lead.name == "Rowan"  # oil controls nothing and gives no rate
    assert july.cost_ha == pytest.approx(30 + 30 + 10)  # both products at 0.3 L/ha of 100 EUR/L, and the machine


def test_products_in_one_tank_act_on_what_the_others_left(plan_of):
    # Bliss (1939), The toxicity of poisons applied jointly, Ann. Appl. Biol. 26:585: 1 - (1 - a)(1 - b)
    both = {"product.1.name": "Elm", "product.1.controls": {"midge": 0.5}}
    option = only(plan_of(both | {"pass": [{"name": "July", "products": ["Rowan", "Elm"]}]}))
    assert option.control == {"midge": pytest.approx(1 - 0.2 * 0.5)}


def test_product_cost_of_the_plan_in_the_design(plan_of):
    for cost in ("2.10 EUR/floz", "268.8 EUR/gal"):  # 128 floz in a gallon
        product = plan_of({"product.0.rate": "9 floz/acre", "product.0.cost": cost}).product[0]
        assert product_cost_ha(product, product.full_rate) == pytest.approx(18.90 / ACRE)


def test_machine_and_trip_go_where_the_plan_charges_them(plan_of):
    treated = only(plan_of({"machine.trip": "40 EUR"}))
    assert (treated.cost_ha, treated.fixed) == (pytest.approx(40), 40)
    field = only(plan_of({"machine.trip": "40 EUR", "machine.cost_on": "field"}))
    assert (field.cost_ha, field.fixed) == (pytest.approx(30), 40 + 10 * 10.0)
    free = only(plan_of({"machine.cost": None}))
    assert (free.cost_ha, free.fixed) == (pytest.approx(30), 0)


def test_the_full_rate_of_a_list_reaches_its_share_of_the_control(plan_of):
    rates = {"product.0.rate": ["0.2 L/ha", "0.3 L/ha"], "product.0.response": {"0.2 L/ha": 0.6, "0.3 L/ha": 0.9}}
    option = only(plan_of(rates))
    assert option.control == {"midge": pytest.approx(0.8 * 0.9)}
    assert option.cost_ha == pytest.approx(0.3 * 100 + 10)


def test_a_reasoned_rate_under_the_label_is_what_is_paid_for(plan_of):
    option = only(plan_of({"product.0.under_label": {"rate": "0.1 L/ha", "reason": "trial"}}))
    assert option.cost_ha == pytest.approx(0.1 * 100 + 10)


def test_without_a_machine_there_is_no_pass(plan_of):
    assert pass_options(plan_of({"machine": None, "product": []}), 10.0) == []


def test_passes_of_one_name_in_ascii_get_slugs_of_their_own(plan_of):
    named = {"product.0.name": "\u00c4cker", "product.1.name": "Acker", "product.1.controls": {"midge": 0.5}}
    assert [option.slug for option in pass_options(plan_of(named), 10.0)] == ["acker", "acker-2"]
