"""What if: each assumption moves the decision the way it must, and nothing is fitted again."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from shapely.geometry import box

from rxmap.decide.benefit import crop_value_ha
from rxmap.decide.decision import decide_passes
from rxmap.decide.ground import decision_ground
from rxmap.decide.options import pass_options
from rxmap.decide.what_if import ASSUMPTIONS, what_if


@pytest.fixture
def answers(plan_of, make_stake, field_grid):
    """Treated share under each assumption, on a field whose pressure falls from west to east."""
    plan = plan_of()
    pressure = np.tile(np.linspace(30.0, 0.0, 60), (60, 1)).ravel()
    options = pass_options(plan, 36.0)
    ground = decision_ground(field_grid, np.zeros((60, 60)), plan.machine, outline=box(*field_grid.bounds))
    asked = []

    def decide(options, stakes, value_ha):
        asked.append((options, stakes, value_ha))
        return decide_passes(
            options,
            stakes,
            grounds={"rowan": ground},
            machine=plan.machine,
            mapped=frozenset({"midge"}),
            value_ha=value_ha,
        )

    fitted = SimpleNamespace(predictive=SimpleNamespace(p_over=lambda threshold: (pressure > threshold).astype(float)))
    stake = replace(make_stake(pressure), threshold=2.0)
    rows = what_if(
        options,
        [stake],
        [fitted],
        value_ha=crop_value_ha(plan.field),
        field_ha=36.0,
        decide=decide,
        weigh=lambda *_: None,
    )
    (now,) = decide(options, [stake], crop_value_ha(plan.field))
    return {row.name: row.treated_share["rowan"] for row in rows}, float(ground.free_ha[now.treated].sum()) / 36.0


def test_every_assumption_of_the_table_is_answered(answers):
    assert list(answers[0]) == [assumption.name for assumption in ASSUMPTIONS]


def test_what_makes_treating_dearer_or_weaker_treats_less_and_the_other_way_round(answers):
    shares, now = answers
    for name in ("price of the crop -20 %", "efficacy -20 %", "cost of treating +20 %"):
        assert shares[name] < now
    assert shares["price of the crop +20 %"] > now


def test_a_higher_threshold_is_a_higher_floor(answers):
    shares, now = answers
    assert shares["threshold x 2"] <= now
    assert shares["threshold x 0.5"] >= now


def test_a_cheaper_crop_is_the_same_as_a_weaker_product_at_the_margin(answers):
    """One target: benefit is price x control x loss - cost, so 20 % off either moves it alike."""
    assert answers[0]["price of the crop -20 %"] == pytest.approx(answers[0]["efficacy -20 %"])
