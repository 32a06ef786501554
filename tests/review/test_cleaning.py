from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from rxmap.read.harvest import HarvestPoints
from rxmap.review.cleaning import REASONS, at_moisture, cleaned

GROUND = shapely.box(0, 0, 300, 300)


def harvest(count: int = 400, **other: np.ndarray) -> HarvestPoints:
    side = int(count**0.5)
    easting, northing = np.meshgrid(np.linspace(30, 270, side), np.linspace(30, 270, side))
    places = np.column_stack([easting.ravel(), northing.ravel()])
    yields = 100 + np.random.default_rng(3).normal(size=len(places))
    return HarvestPoints(places=places, unit="bu/acre", **{"yields": yields, **other})


def changed(values: np.ndarray, at: int, to: float) -> np.ndarray:
    out = values.copy()
    out[at] = to
    return out


def removed(points: HarvestPoints) -> dict[str, int]:
    return dict(cleaned(points, GROUND).removed)


def test_clean_points_are_all_kept():
    assert removed(harvest()) == {}


@pytest.mark.parametrize(("value", "reason"), [(0.0, 1), (-3.0, 1), (180.0, 7), (20.0, 7)])
def test_impossible_and_wild_yields_are_taken_out(value, reason):
    points = harvest()
    assert removed(harvest(yields=changed(points.yields, 5, value))) == {REASONS[reason]: 1}


@pytest.mark.parametrize(("value", "reason"), [(0.0, 2), (0.2, 6), (9.0, 6)])
def test_stops_and_wild_speeds_are_taken_out(value, reason):
    assert removed(harvest(speed=changed(np.full(400, 2.0), 5, value))) == {REASONS[reason]: 1}


def test_a_part_of_the_width_is_taken_out():
    assert removed(harvest(width=changed(np.full(400, 6.0), 5, 4.0))) == {REASONS[5]: 1}


@pytest.mark.parametrize(("place", "reason"), [((-5.0, 100.0), 0), ((10.0, 100.0), 4), ((42.631579, 30.0), 3)])
def test_places_outside_at_the_edge_and_logged_twice_are_taken_out(place, reason):
    points = harvest()
    places = points.places.copy()
    places[-1] = place
    if reason == 3:
        places[-1] = places[1]
    assert removed(HarvestPoints(places=places, yields=points.yields, unit="t/ha")) == {REASONS[reason]: 1}


@settings(max_examples=40, deadline=None)
@given(arrays(float, 64, elements=st.floats(-20, 300)), arrays(float, 64, elements=st.floats(-1, 9)))
def test_no_point_vanishes_in_silence(yields, speed):
    points = harvest(64, yields=yields, speed=speed)
    told = cleaned(points, GROUND)
    assert told.read == 64 == told.used + sum(count for _, count in told.removed)


def test_yields_are_brought_to_one_moisture():
    points = harvest(yields=np.full(400, 200.0), moisture=np.where(np.arange(400) < 300, 20.0, 15.5))
    told = cleaned(points, GROUND)
    assert told.moisture == 20.0
    assert told.values[-1] == pytest.approx(200 * (100 - 15.5) / 80)


@pytest.mark.parametrize(
    ("wet", "moisture", "standard", "dry"), [(200.0, 20.0, 15.5, 189.35), (60.0, 15.0, 13.0, 58.62)]
)
def test_moisture_arithmetic_reproduces(wet, moisture, standard, dry):
    # dry matter stays the same; 15.5 % of corn and 13 % of soybean are the USDA standards (from memory)
    assert float(at_moisture(wet, moisture, standard)) == pytest.approx(dry, abs=0.005)
