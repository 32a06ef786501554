from __future__ import annotations

import datetime as dt
import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rxmap.passes.label import label_faults
from rxmap.plan_rules import contradictions, in_machine_unit, is_range, stage_rank

ROWAN = "product.0."
RATES = {f"{ROWAN}rate": ["0.2 L/ha", "0.3 L/ha"]}
TODAY = dt.date(2031, 7, 18)


def test_a_sound_plan_has_no_contradiction(plan_of):
    assert contradictions(plan_of()) == []


# keys set in a sound plan, and the fault: its place, what was found and what to do
CASES = [
    ({"machine": None}, "machine: is missing. A plan with a product needs the machine that applies it."),
    ({"machine.carrier": "150 kg/ha"}, "machine.carrier: found '150 kg/ha': the carrier is a volume per area"),
    (
        {"machine.rate_unit": "kg/ha"},
        "machine.rate_unit: no product is measured in anything like kg/ha. Rates are in: L/ha.",
    ),
    ({"machine.reserve": "1500 L"}, "machine.reserve: 1500 L leaves nothing of the tank (1500 L). Lower it."),
    (
        {"machine.reserve": "1000 L", "machine.allowance": "600 L"},
        "machine.reserve and machine.allowance: 1000 L + 600 L leaves nothing of the tank (1500 L). Lower it.",
    ),
    ({f"{ROWAN}label.carrier_min": "9 kg/ha"}, "product[1].label.carrier_min: found '9 kg/ha': a volume per area"),
    # names
    ({"target.1.loss": None}, "target: the name 'midge' stands more than once. Give each its own."),
    ({"product.1.rate": "0.2 L/ha"}, "product: the name 'Rowan' stands more than once."),
    ({f"{ROWAN}controls": {"moth": 0.5}}, "product[1].controls: 'moth' is not a target of this plan. Targets: midge."),
    ({"pass": [{"name": "p", "products": ["Elm"]}]}, "pass[1].products: 'Elm' is not a product of this plan."),
    ({"pass": [{"name": "p", "products": ["Rowan"] * 2}]}, "pass[1].products: 'Rowan' stands more than once."),
    (
        {"override": [{"file": "f", "action": "skip", "pass": "q", "reason": "r"}]},
        "override[1].pass: 'q' is not a pass of this plan. Passes: Rowan.",
    ),
    # products and passes that could never go out
    ({f"{ROWAN}controls": {}}, "product[1].controls: is missing, and no [[pass]] takes the product along."),
    (
        {"product.1.name": "Oil", "product.1.controls": {}, "pass": [{"name": "p", "products": ["Oil"]}]},
        "pass[1].products: none of them controls a target.",
    ),
    # target
    ({"target.0.measure": "severity", "target.0.threshold": 100}, "target[1].threshold: found 100: percent"),
    ({"target.0.measure": "incidence", "target.0.threshold": 250}, "target[1].threshold: found 250: percent"),
    ({"target.0.measure": "severity", "target.0.per": 5}, "target[1].per: found 5: only a count is per sample units."),
    ({"target.0.scale": {"1": 0}}, "target[1].scale: only a rating has classes; this target is a count. Remove it."),
    ({"target.0.measure": "rating", "target.0.scale": {}}, "target[1].scale: has no class."),
    # loss
    (
        {"target.0.loss.per_unit": 0.5, "target.0.threshold": 9.0},
        "target[1].loss.per_unit: found 0.5: at the threshold of 9 that is 450 % of the crop. It is a share",
    ),
    ({"field.yield_goal": "3000 t/ha"}, "field.yield_goal: found 3000 t/ha: more than any field bears."),
    ({"field.price": None}, "target[1].loss: needs field.price, which is missing. Add it, or remove the loss."),
    ({"field.yield_goal": None}, "target[1].loss: needs field.yield_goal, which is missing."),
    ({"target.0.loss.stage": "R6"}, "target[1].loss.stage: the loss holds at R6, field.stage is 'R3'. Add loss.growth"),
    ({"target.0.loss.stage": "R6", "field.stage": None}, "loss.stage: the loss holds at R6, field.stage is not given."),
    # gates and stages
    ({"target.0.gates.stage": ["R1", "bloom"]}, "target[1].gates.stage: 'bloom' has no place in an order of stages."),
    ({"target.0.gates.stage": ["R5", "R1"]}, "target[1].gates.stage: R5 comes after R1. Write the earlier stage first"),
    ({"target.0.gates.stage": ["31", "R1"]}, "target[1].gates.stage: 31 and R1 are not of one scale of stages."),
    (
        {"target.0.gates.stage": ["31", "59"]},
        "field.stage: 'R3' cannot be placed between 31 and 59 of target[1].gates.stage.",
    ),
    (
        {"field.stage": "bloom", f"{ROWAN}label.stages": ["R1", "R5"]},
        "field.stage: 'bloom' cannot be placed between R1 and R5 of product[1].label.stages.",
    ),
    ({f"{ROWAN}label.stages": ["R5", "R1"]}, "product[1].label.stages: R5 comes after R1."),
    (
        {"field.stage": None, "target.0.gates.stages": ["bloom"]},
        "field.stage: is missing, and target[1].gates.stages needs it. Add it.",
    ),
    (
        {"field.stage": None, f"{ROWAN}label.stages": ["bloom"]},
        "field.stage: is missing, and product[1].label.stages needs it.",
    ),
    (
        {"target.0.measure": "severity", "target.0.gates.infested_share": 0.8},
        "target[1].gates.infested_share: needs a count or an incidence; this target is a severity.",
    ),
    # rates
    ({f"{ROWAN}label.max": "0.4 kg/ha"}, "product[1].label: min 0.2 L/ha and max 0.4 kg/ha are not both volumes"),
    ({f"{ROWAN}label.max": "150 mL/ha"}, "product[1].label: min 0.2 L/ha is above max 150 mL/ha."),
    ({f"{ROWAN}rate": "0.3 kg/ha"}, "product[1].rate: 0.3 kg/ha cannot be compared with the label"),
    ({f"{ROWAN}label.season_max": "1 kg/ha"}, "product[1].label.season_max: 1 kg/ha cannot be compared"),
    ({f"{ROWAN}applied": [{"date": TODAY, "rate": "1 kg/ha"}]}, "product[1].applied.rate: 1 kg/ha cannot be compared"),
    ({f"{ROWAN}under_label": {"rate": "1 kg/ha", "reason": "x"}}, "product[1].under_label.rate: 1 kg/ha cannot be"),
    ({f"{ROWAN}cost": "9 EUR/kg"}, "product[1].cost: 9 EUR/kg is per kg, the rate is 0.3 L/ha: one is a volume"),
    ({f"{ROWAN}pack": "5 kg"}, "product[1].pack: 5 kg and the rate 0.3 L/ha: one is a volume, the other a mass."),
    ({f"{ROWAN}response": {"0.3 L/ha": 1}}, "product[1].response: only a list of rates has a response."),
    (RATES, 'product[1].response: needs the share of the control at each rate: "0.2 L/ha", "0.3 L/ha".'),
    ({**RATES, f"{ROWAN}response": {"0.2 L/ha": 0.7}}, "product[1].response: needs the share of the control at each"),
    ({**RATES, f"{ROWAN}response": {"0.2": 0.7, "0.3 L/ha": 1}}, "product[1].response: needs the share"),
    ({**RATES, f"{ROWAN}response": {"0.2 L/ha": 1, "0.3 L/ha": 0.7}}, "response: a higher rate cannot control less."),
    ({f"{ROWAN}rate": ["0.3 L/ha", "0.2 L/ha"]}, "product[1].rate: list the rates from low to full, each once."),
    ({f"{ROWAN}rate": ["200 mL/ha", "0.3 L/ha"]}, "product[1].rate: a list of rates is written in one unit."),
    (
        {
            **RATES,
            f"{ROWAN}response": {"0.2 L/ha": 0.7, "0.3 L/ha": 1},
            f"{ROWAN}under_label": {"rate": "0.1 L/ha", "reason": "x"},
        },
        "product[1].under_label: gives the one rate to use, rate lists several.",
    ),
    # money
    (
        {"machine.trip": "9 USD"},
        "field.price: currencies are mixed: EUR in field.price, product[1].cost, machine.cost;",
    ),
    ({"scouting.cost": "9 USD/ha"}, "currencies are mixed: EUR in"),
    ({"field.price": "20 EUR/bu"}, "field.price: 20 EUR/bu and field.yield_goal 6 t/ha are not in one yield unit."),
    # dates
    ({"field.harvest": dt.date(2031, 7, 1)}, "field.harvest: 2031-07-01 is before field.spray_date 2031-07-18."),
    (
        {f"{ROWAN}applied": [{"date": dt.date(2031, 7, 19), "rate": "0.3 L/ha"}]},
        "product[1].applied: 2031-07-19 is after field.spray_date 2031-07-18.",
    ),
    (
        {"field.spray_date": None, f"{ROWAN}label.phi": "9 day"},
        "field.spray_date: is missing, and product[1].label.phi",
    ),
    ({"field.harvest": None, f"{ROWAN}label.phi": "9 day"}, "field.harvest: is missing, and product[1].label.phi"),
    (
        {
            "field.spray_date": None,
            f"{ROWAN}label.interval": "9 day",
            f"{ROWAN}applied": [{"date": TODAY, "rate": "0.3 L/ha"}],
        },
        "field.spray_date: is missing, and product[1].label.interval needs it.",
    ),
]


@pytest.mark.parametrize(("keys", "line"), CASES, ids=[line[:48] for _, line in CASES])
def test_a_contradiction_is_named_once_with_the_way_out(plan_of, keys, line):
    found = contradictions(plan_of(keys))
    assert len([one for one in found if line in one]) == 1, found
    assert len(found) == len(set(found))


ALLOWED = [
    {"product": [], "machine": None},  # surfaces and zones only
    {"target.0.loss.stage": "R6", "target.0.loss.growth": 3},
    {"target.0.loss.stage": "R3"},
    {"target.0.loss": None, "field.price": None, "field.yield_goal": None},
    {f"{ROWAN}label.interval": "9 day", "field.spray_date": None},  # nothing was applied before
    {**RATES, f"{ROWAN}response": {"0.3 L/ha": 1, "0.2 L/ha": 0.7}},  # whatever the order of the shares
    {**RATES, f"{ROWAN}response": {"0.20 L/ha": 0.7, "0.3  L/ha": 1}},
    {"target.0.gates.stages": ["R3", "bloom"]},
    {f"{ROWAN}label.stages": ["bloom", "R3", "R4"]},
    {"field.price": "0.2 EUR/kg"},  # a yield unit by dimension
    {"product.1.name": "Oil", "product.1.controls": {}, "pass": [{"name": "p", "products": ["Oil", "Rowan"]}]},
]


@pytest.mark.parametrize("keys", ALLOWED, ids=[next(iter(keys)) + str(n) for n, keys in enumerate(ALLOWED)])
def test_what_fits_together_is_accepted(plan_of, keys):
    assert contradictions(plan_of(keys)) == []


STAGES = ["VE", "VC", "V1", "V2", "V6.5", "V12", "VT", "R1", "R5", "R6.5", "R8"]


def test_stages_run_in_the_order_of_a_season():
    # Fehr & Caviness (1977) and Ritchie & Hanway (1982) for the codes, from memory
    ranks = [stage_rank(code) for code in STAGES]
    assert ranks == sorted(ranks)
    assert len(set(ranks)) == len(ranks)


@given(st.floats(0, 99), st.floats(0, 99))
def test_numbers_run_by_value_and_not_as_text(one, other):
    first, second = stage_rank(f"{one:.3f}"), stage_rank(f"{other:.3f}")
    assert (first < second) == (round(one, 3) < round(other, 3))


@pytest.mark.parametrize("code", ["", "r3", "R", "V-1", "R1a", "bloom", "1e3", "R1 "])
def test_other_codes_have_no_place_in_an_order(code):
    assert stage_rank(code) is None
    assert not is_range((code, "R1"))


def test_rules_hold_whatever_the_order_of_sections(plan_of):
    two = {"target.1.name": "moth", "product.1.name": "Elm", "product.1.controls": {"moth": 0.5}}
    for first, second in itertools.permutations([0, 1]):
        plan = plan_of(two)
        swapped = plan.model_copy(update={"target": (plan.target[first], plan.target[second])})
        assert contradictions(swapped) == []


def test_rates_are_told_in_the_unit_of_the_machine(plan_of):
    # 1 floz = 29.5735295625 mL, 1 acre = 4046.8564224 m2 (NIST Handbook 44, appendix C, from memory)
    asked = {
        f"{ROWAN}rate": ["3 floz/acre", "4 floz/acre"],
        f"{ROWAN}response": {"3 floz/acre": 0.8, "4 floz/acre": 1.0},
    }
    plan = plan_of(asked | {"machine.rate_unit": "mL/ha"})
    assert not contradictions(plan)
    rates = in_machine_unit(plan).product[0].rates
    assert {rate.unit for rate in rates} == {"mL/ha"}
    assert [rate.magnitude for rate in rates] == pytest.approx([3 * 73.0778, 4 * 73.0778], rel=1e-6)
    assert label_faults(in_machine_unit(plan)) == label_faults(plan) == []


def test_a_reasoned_rate_is_told_in_the_unit_of_the_machine_too(plan_of):
    under = {f"{ROWAN}under_label": {"rate": "0.1 L/ha", "reason": "a trial"}, "machine.rate_unit": "mL/ha"}
    assert in_machine_unit(plan_of(under)).product[0].full_rate.magnitude == pytest.approx(100.0)
