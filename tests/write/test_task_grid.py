"""The cells of task data: where they lie, what they hold, in which order (ISO 11783-10, element GRD, from memory)."""

from __future__ import annotations

import struct
from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import affinity
from shapely.geometry import box

from rxmap.errors import InputError
from rxmap.grid import GEOD
from rxmap.records import Part, Result
from rxmap.write.task_dose import raw_value
from rxmap.write.task_grid import NANO, cell_sizes, encoded, lay_cells


def test_three_rows_of_four_cells_are_48_bytes_least_significant_first() -> None:
    """1000 mm3/m2 (10 L/ha) are 100,000 steps."""
    cells = np.zeros((3, 4), np.int64)
    cells[0, 1] = raw_value(10, "L/ha")
    assert len(encoded(cells, 32)) == 48
    assert struct.unpack("<12i", encoded(cells, 32)) == (0, 100_000, *[0] * 10)
    assert len(encoded(cells, 8)) == 12


def test_a_cell_has_the_size_in_degrees_that_the_ellipsoid_gives() -> None:
    """At latitude 42.03 a degree is 111,073.87 m and 82,811.83 m on WGS84 (TR8350.2), so 5 m are 45015 and 60378e-9."""
    north, east = cell_sizes(5.0, 42.03, 42.03)
    assert (north, east) == (int(5 / 111_073.87 * NANO), int(5 / 82_811.83 * NANO))


def _half_treated(result: Result, *, north: bool) -> tuple[Part, Part]:
    off, on = result.passes[0].parts[:2]
    south_box, north_box = box(10.1, 50.1, 10.102, 50.101), box(10.1, 50.101, 10.102, 50.102)
    return replace(on, polygon=north_box if north else south_box), replace(
        off, polygon=south_box if north else north_box
    )


@pytest.mark.parametrize("north", [False, True])
def test_row_0_lies_in_the_south(result: Result, north: bool) -> None:
    parts = _half_treated(result, north=north)
    rows = lay_cells(parts, 10.0).spread([1, 0]).any(axis=1)
    assert rows[:5].any() == (not north)
    assert rows[-5:].any() == north


def test_more_cells_than_a_terminal_should_hold_are_refused(result: Result) -> None:
    with pytest.raises(InputError, match="Take task-data-polygons"):
        lay_cells(result.passes[0].parts, 0.2)


@settings(max_examples=40, deadline=None)
@given(
    angle=st.floats(0, 90),
    lon=st.integers(-1700, 1700).map(lambda tenths: tenths / 10),
    lat=st.integers(-650, 650).map(lambda tenths: tenths / 10),
    cut=st.floats(0.2, 0.8),
    side=st.floats(4.0, 30.0),
)
def test_a_cell_has_a_rate_only_where_all_of_it_is_open_ground(
    result: Result, angle: float, lon: float, lat: float, cut: float, side: float
) -> None:
    """A slanted strip anywhere, treated, and beside it a keep-out: no cell reaches out, none inside is left out."""
    off, on = result.passes[0].parts[:2]
    halves = box(0, 0, 0.002 * cut, 0.001), box(0.002 * cut, 0, 0.002, 0.001)
    ground, kept = (affinity.translate(affinity.rotate(half, angle, origin=(0, 0)), lon, lat) for half in halves)
    parts = (replace(on, polygon=ground, zone=1), replace(off, polygon=kept, zone=0))
    grid = lay_cells(parts, side)
    treated = grid.spread([1, 0]) > 0
    inside = shapely.covers(ground, grid.boxes(treated))
    assert inside.all()
    # 1e-9 of a degree: a cell that only just fits may be decided either way
    well_inside = shapely.covers(ground.buffer(-1e-9), grid.boxes(np.ones_like(treated)))
    np.testing.assert_array_equal(treated.ravel() | ~well_inside, True)
    sides = (
        GEOD.inv(lon, lat, lon, lat + grid.north_size / NANO)[2],
        GEOD.inv(lon, lat, lon + grid.east_size / NANO, lat)[2],
    )
    assert max(sides) <= side + 1e-4  # 0.1 mm is 1e-9 of a degree
