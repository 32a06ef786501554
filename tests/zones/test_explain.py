"""Zones as people read them."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
import shapely

from rxmap.decide.compare import Draws
from rxmap.grid import Frame, block_sum, geodesic_area_m2, make_grid
from rxmap.records import Field
from rxmap.zones.clusters import make_zones
from rxmap.zones.explain import zone_choice, zone_shapes

FRAME = Frame(lon=17.4, lat=53.1)


@pytest.fixture
def field() -> Field:
    boundary = shapely.set_precision(FRAME.geometry_to_lonlat(shapely.box(-200, -150, 200, 150)), 1e-7)
    ground = FRAME.geometry_to_metres(boundary)
    return Field(name="F", boundary=boundary, ground=ground, frame=FRAME, area_ha=geodesic_area_m2(boundary) / 1e4)


def split(field, *, zones=None):
    """Zones of a field whose pressure is 2 in the west and 20 in the east."""
    grid = make_grid(field.ground, 5.0)
    pressure = np.where(grid.centres()[:, 0] < 0, 2.0, 20.0)
    surface = SimpleNamespace(mean=grid.spread(pressure), p_over=grid.spread((pressure > 8).astype(float)))
    target = SimpleNamespace(name="midge", slug="midge", unit="per sweep", threshold=8.0, surface=surface)
    clusters = make_zones(pressure[:, np.newaxis], grid, zones=zones, smooth_m=10.0, seed=1)
    # Drawn on blocks of 2 by 2 cells: both halves move together, by 1 either way
    area = block_sum(grid.share, 2)
    blocks = area > 0
    moved = np.linspace(-1.0, 1.0, 101)[:, None] * np.ones(blocks.sum())
    draws = Draws(factor=2, blocks=blocks, area_ha=area[blocks], pressure={"midge": 11.0 + moved})
    return clusters, zone_shapes(clusters, [target], draws, field=field, grid=grid)


def test_zones_cover_the_field_once_and_their_areas_add_up(field):
    _, shapes = split(field, zones=2)
    assert sum(zone.area_ha for zone in shapes) == pytest.approx(field.area_ha, rel=1e-5)  # written with 4 decimals
    assert shapely.coverage_is_valid([part for zone in shapes for part in shapely.get_parts(zone.polygon)])


def test_the_first_zone_is_the_one_that_would_cost_least_to_leave_alone(field):
    _, shapes = split(field, zones=2)
    low, high = (zone.pressure["midge"] for zone in shapes)
    assert low == pytest.approx(2.0, abs=0.5)  # the smoothed edge takes a column of cells of the other side
    assert high == pytest.approx(20.0, abs=0.5)


def test_a_zone_says_what_it_holds_in_a_sentence(field):
    _, shapes = split(field, zones=2)
    low = shapes[0].pressure["midge"]
    assert shapes[0].text.startswith(f"midge: mean {low:.3g} ({low - 0.9:.3g} to {low + 0.9:.3g}) per sweep, ")
    assert shapes[0].text.endswith("under 1 % of its ground expected above 8")


def test_one_zone_says_that_the_stops_show_no_difference(field):
    grid = make_grid(field.ground, 5.0)
    clusters = make_zones(np.ones((len(grid.centres()), 1)), grid, zones=None, smooth_m=10.0, seed=1)
    assert "no difference" in zone_choice(clusters).text


def test_the_choice_says_how_much_is_explained(field):
    clusters, _ = split(field, zones=2)
    text = zone_choice(clusters).text
    assert text == "2 zones explain 100% of the differences within the field."
