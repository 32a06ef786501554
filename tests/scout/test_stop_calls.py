"""From a fitted plan to margins and slopes: against finite differences, drawn surfaces, and the floor."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from rxmap.decide.benefit import crop_value_ha, loss_fraction
from rxmap.pipeline import check, decide_plan
from rxmap.plan import Loss, Target
from rxmap.scout.calls import blocks_of, call_of, joints_of, loss_slope
from rxmap.scout.value import Belief, perfect_gain
from rxmap.surface.joint import Joint
from rxmap.surface.links import Bounded, Exponential, Logistic

LOSS = Loss(per_unit=0.01, cap=0.3, source="own")
LARKSPUR = Path(__file__).parent.parent.parent / "sample_layers/larkspur/plan.toml"


def joint_of(link, centre, variance):
    """Five places that know nothing of each other."""
    centre = np.broadcast_to(np.asarray(centre, float), (1, 5)).copy()
    return Joint(
        weights=np.ones(1), centre=centre, covariance=variance * np.eye(5)[None], scatter=np.zeros((1, 5)),
        noise=np.ones((1, 5)), known=np.ones(5, dtype=bool), link=link,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("link", "centre", "variance"),
    [
        (Exponential(5.0), [0.0, 0.7, 1.4, 2.1, 3.0], 0.3),
        (Logistic(100.0), [-4.0, -2.0, -1.0, 0.0, 2.0], 0.8),
        (Bounded(0.0, 100.0), [2.0, 8.0, 20.0, 40.0, 60.0], 30.0),
    ],
)
def test_the_slope_of_the_loss_is_its_derivative(link, centre, variance):
    target = Target(name="a", measure="count", threshold=5, source="own", loss=LOSS)

    def expected(shift: float) -> np.ndarray:
        latent = np.asarray(centre) + shift + np.sqrt(variance) * x[:, None]
        return density @ loss_fraction(link.pressure(latent), LOSS)

    x = np.linspace(-8, 8, 40_001)
    density = np.exp(-0.5 * x**2) / np.exp(-0.5 * x**2).sum()

    by_difference = (expected(1e-4) - expected(-1e-4)) / 2e-4
    found = loss_slope(joint_of(link, centre, variance), target)[0]
    # 15 nodes do not see the kink at the cap sharply: a few percent of the steepest slope
    assert found == pytest.approx(by_difference, abs=0.05 * np.abs(by_difference).max())


@pytest.fixture(scope="module")
def larkspur():
    """A sample field of 160 acres, fitted and decided."""
    plan, inputs = check(LARKSPUR)
    surfaces, stakes, decisions = decide_plan(plan, inputs)
    blocks = blocks_of(inputs.grid)
    fitted = list(zip(surfaces, stakes, joints_of(surfaces, blocks), strict=True))
    return plan, inputs, decisions, fitted, blocks


def test_perfect_information_is_worth_what_drawn_surfaces_say(larkspur):
    plan, inputs, decisions, fitted, blocks = larkspur
    decision = decisions[0]
    surface, _, joint = fitted[0]
    call = replace(call_of(plan, inputs, decision, fitted, blocks), fixed=0.0)
    belief = [Belief(weights=j.weights, covariance=j.covariance, noise=j.noise) for _, _, j in fitted]
    # outside our closed form: whole surfaces from the model, each decided with full knowledge; the floor as a rule
    pressure = surface.simulate(blocks.places, 400, seed=3)
    per_ha = crop_value_ha(plan.field) * decision.option.control[surface.target.name] * surface.target.loss.per_unit
    area = blocks.total(inputs.grid.share) * inputs.grid.cell_ha * (call.margin != 0)
    worth = per_ha * (pressure - surface.target.threshold) * area
    drawn = np.maximum(worth, 0).sum(axis=1).mean() - np.maximum(worth.mean(axis=0), 0).sum()
    # a straight line for a log-normal pressure, one target for two, keep-outs by whole blocks: a quarter
    assert perfect_gain(belief, [call]) == pytest.approx(drawn, rel=0.25)
    assert joint.known.all()


def test_margins_add_up_to_the_benefit_of_the_field_or_less(larkspur):
    plan, inputs, decisions, fitted, blocks = larkspur
    call = call_of(plan, inputs, decisions[0], fitted, blocks)
    # the threshold is a floor above the pressure that pays: a margin is at most the benefit
    grid = inputs.grid
    whole = float(decisions[0].benefit.scores.max(axis=0) @ (grid.share[grid.inside] * grid.cell_ha))
    assert call.margin.sum() <= whole + 1e-6
    assert call.fixed == 150.0  # the trip of the plan


def test_a_place_that_lacks_a_layer_neither_learns_nor_counts(larkspur):
    plan, inputs, decisions, fitted, blocks = larkspur
    blind = [(s, k, replace(j, known=np.arange(len(blocks.places)) > 9)) for s, k, j in fitted]
    call = call_of(plan, inputs, decisions[0], blind, blocks)
    assert all((slope[:, :10] == 0).all() for slope in call.slopes)
