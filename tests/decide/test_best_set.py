"""Which passes go out together: the best set, not the best pass first."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

TWO = {
    "target.1.name": "moth",
    "product.1.name": "Elm",
    "product.1.controls": {"moth": 0.8},
}


def test_two_passes_go_out_where_they_earn_more_than_the_mix_that_is_best_alone(plan_of, make_stake, decide):
    """The mix earns more than either product alone; on ground of their own the two together earn more than the mix."""
    west, east = np.zeros((60, 60)), np.zeros((60, 60))
    west[:, :30], east[:, 30:] = 40.0, 40.0
    mix = {"pass": [{"name": name, "products": products} for name, products in PASSES.items()]}
    decisions = decide(plan_of(TWO | mix), make_stake(west.ravel()), make_stake(east.ravel(), name="moth"))
    assert [d.option.name for d in decisions if d.goes_out] == ["rowan alone", "elm alone"]
    stays = next(d for d in decisions if d.option.name == "both in one tank")
    assert "goes out with" in stays.reason


PASSES = {"both in one tank": ["Rowan", "Elm"], "rowan alone": ["Rowan"], "elm alone": ["Elm"]}


def test_one_tank_goes_out_where_a_second_trip_does_not_pay(plan_of, make_stake, decide):
    everywhere = np.full(3600, 9.0)
    mix = {"pass": [{"name": name, "products": products} for name, products in PASSES.items()]}
    keys = TWO | mix | {"machine.trip": "900 EUR", "product.0.cost": "60 EUR/L", "product.1.cost": "60 EUR/L"}
    decisions = decide(plan_of(keys), make_stake(everywhere), make_stake(everywhere, name="moth"))
    assert [d.option.name for d in decisions if d.goes_out] == ["both in one tank"]


@pytest.mark.parametrize("seed", range(4))
def test_no_set_of_passes_that_share_neither_product_nor_target_earns_more(plan_of, make_stake, decide, seed):
    """Every set of single-target products, summed by hand from each alone."""
    draw = np.random.default_rng(seed)
    keys = {}
    for number, name in enumerate(["Rowan", "Elm", "Ash"]):
        keys |= {
            f"product.{number}.name": name,
            f"product.{number}.cost": f"{draw.integers(40, 200)} EUR/L",
            f"product.{number}.controls": {draw.choice(["midge", "moth"]).item(): draw.integers(4, 10).item() / 10},
        }
    plan = plan_of({"target.1.name": "moth", **keys, "machine.trip": "120 EUR"})
    stakes = [make_stake(draw.uniform(0, 30) * np.ones(3600), name=name) for name in ("midge", "moth")]
    sent = [d for d in decide(plan, *stakes) if d.goes_out]
    alone = {}
    for product in plan.product:
        (only,) = decide(plan.model_copy(update={"product": (product,)}), *stakes)
        earned = only.treatment.worths[0][only.treated].sum() - only.option.fixed if only.goes_out else 0.0
        alone[product.name] = float(earned)
    sets = [
        subset
        for size in range(4)
        for subset in combinations(plan.product, size)
        if len({target for p in subset for target in p.controls}) == size
    ]
    best = max(sum(alone[p.name] for p in subset) for subset in sets)
    assert sum(alone[d.option.lead.name] for d in sent) == pytest.approx(best)
