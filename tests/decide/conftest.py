from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from rxmap.decide.benefit import Stake
from rxmap.grid import Grid


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
