from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from shapely.geometry import box

from rxmap.decide.benefit import Stake, crop_value_ha
from rxmap.decide.decision import PassDecision, decide_passes
from rxmap.decide.ground import decision_ground
from rxmap.decide.options import pass_options
from rxmap.grid import FloatArray, Grid
from rxmap.plan import Plan


@pytest.fixture(scope="session")
def field_grid() -> Grid:
    """A square field of 36 ha in cells of 10 m, with a hundredth of a hectare in each."""
    return Grid(west=0.0, north=600.0, cell=10.0, share=np.ones((60, 60)))


@pytest.fixture(scope="session")
def make_stake() -> Callable[..., Stake]:
    """Make what a target has at stake from its pressure, seen without error unless p_over says otherwise."""

    def make(pressure: object, name: str = "midge", **keys: object) -> Stake:
        mean = np.atleast_1d(np.asarray(pressure, float))
        given = {"threshold": 8.0, "break_even": 0.5, "closed": None, "loss": np.minimum(0.5, 0.01 * mean), **keys}
        return Stake(name=name, mean=mean, **{"p_over": (mean > given["threshold"]).astype(float), **given})

    return make


@pytest.fixture(scope="session")
def decide(field_grid: Grid) -> Callable[..., list[PassDecision]]:
    """Decide the passes of a plan on the square field, as the run does."""

    def run(plan: Plan, *stakes: Stake, mapped: object = None, kept: FloatArray | None = None) -> list[PassDecision]:
        options = pass_options(plan, 36.0)
        kept = np.zeros((60, 60)) if kept is None else kept
        ground = decision_ground(field_grid, kept, plan.machine, outline=box(*field_grid.bounds))
        return decide_passes(
            options,
            stakes,
            grounds={option.slug: ground for option in options},
            machine=plan.machine,
            mapped=frozenset((s.name for s in stakes) if mapped is None else mapped),
            value_ha=crop_value_ha(plan.field),
        )

    return run


@pytest.fixture(scope="session")
def patch() -> Callable[..., FloatArray]:
    """Pressure on the square field: `high` on a block of columns in the west, `low` elsewhere."""

    def make(high: float, low: float, columns: int = 20) -> FloatArray:
        pressure = np.full((60, 60), low)
        pressure[:, :columns] = high
        return pressure.ravel()

    return make
