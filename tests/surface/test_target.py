"""From the records of a run to the surface of a target: where stops take the value of a layer."""

from __future__ import annotations

import numpy as np
import pytest
from shapely.geometry import box

from rxmap.grid import Frame, Grid
from rxmap.records import CellLayer, Field
from rxmap.surface.target import Setting, layer_values


@pytest.fixture
def setting() -> Setting:
    """Field of 6 x 6 cells of 10 m; the layer has the column's number, and nothing in the west half."""
    values = np.tile(np.arange(6.0), (6, 1))
    values[:, :3] = np.nan
    ground = box(0.0, 0.0, 60.0, 60.0)
    field = Field(name="plain", boundary=ground, ground=ground, frame=Frame(10.0, 50.0), area_ha=0.36)
    layer = CellLayer(name="NDVI", values=values, covered=0.5, how="invented")
    return Setting(field=field, grid=Grid(0.0, 60.0, 10.0, np.ones((6, 6))), layers=(layer,))


@pytest.mark.parametrize(
    ("easting", "value"), [(45.0, 4.0), (49.9, 4.0), (50.1, 5.0), (25.0, 3.0), (16.0, 3.0), (14.0, np.nan), (74.0, 5.0)]
)
def test_a_stop_takes_its_cell_or_the_nearest_within_two(setting: Setting, easting: float, value: float) -> None:
    # Cell centres lie at 35, 45, 55 m; two cells are 20 m, so 16 m east still reaches 35 m and 14 m does not
    told = layer_values(setting, np.array([[easting, 35.0]]))
    assert told.shape == (1, 1)
    assert told[0, 0] == pytest.approx(value, nan_ok=True)


def test_without_layers_there_are_no_columns(setting: Setting) -> None:
    bare = Setting(field=setting.field, grid=setting.grid)
    assert layer_values(bare, np.zeros((5, 2))).shape == (5, 0)
