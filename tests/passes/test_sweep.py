"""The way over treated ground, and where loads are cut in it."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from rxmap.decide.lanes import lanes_over, longest_heading, turned
from rxmap.passes.sweep import (
    Place,
    Run,
    share_out,
    shortest_trips,
    sweep,
    trip_m,
    whole_passes,
)


def driven(grounds: list[shapely.Geometry], swath: float, heading: float) -> list[Run]:
    return sweep(grounds, lanes_over(grounds, swath, heading))


RING = shapely.box(0, 0, 400, 300).difference(shapely.box(120, 100, 260, 200))
headings = st.floats(0, 359.9)


@st.composite
def grounds(draw: st.DrawFn) -> list[shapely.Polygon]:
    """One to three blobs beside each other."""
    blobs = []
    for number in range(draw(st.integers(1, 3))):
        radii = np.array(draw(st.lists(st.floats(20, 90), min_size=5, max_size=9)))
        angle = np.linspace(0, 2 * np.pi, len(radii), endpoint=False)
        blobs.append(shapely.Polygon(np.column_stack([200 * number + radii * np.cos(angle), radii * np.sin(angle)])))
    return blobs


def runs_of(lengths: list[float], swath: float = 10.0) -> list[Run]:
    """Strips of given lengths side by side, all from the south line."""
    steps = [shapely.box(swath * n, 0, swath * (n + 1), length) for n, length in enumerate(lengths)]
    return driven([shapely.union_all(steps)], swath, 0.0)


def total_m(loads: list[list[Run]], refill: Place, fixed_m: float) -> float:
    return sum(trip_m(load, refill) + fixed_m for load in loads)


def till_empty(runs: list[Run], weights: list[float]) -> list[list[Run]]:
    """Take whole passes until the next one does not fit."""
    loads: list[list[Run]] = [[]]
    for run in runs:
        if loads[-1] and sum(r.work(weights) for r in [*loads[-1], run]) > 1:
            loads.append([])
        loads[-1].append(run)
    return loads


@settings(deadline=None, max_examples=30)
@given(grounds(), st.floats(7, 40), headings)
def test_strips_hold_all_of_the_ground(ground: list[shapely.Polygon], swath: float, heading: float) -> None:
    runs = driven(ground, swath, heading)
    for number, one in enumerate(ground):
        assert math.fsum(run.areas[number] for run in runs) == pytest.approx(one.area, rel=1e-9)


def test_passes_alternate_and_are_one_swath_wide() -> None:
    runs = driven([RING], 24.0, 90.0)
    assert [run.end > run.start for run in runs[:4]] == [True, False, True, False]
    assert {round(run.right - run.left, 9) for run in runs} == {24.0}


@given(headings)
def test_turning_there_and_back_changes_nothing(heading: float) -> None:
    there_and_back = turned(turned(RING, heading), -heading)
    assert shapely.hausdorff_distance(there_and_back, RING) < 1e-9  # of a few hundred metres, in binary


@given(st.floats(0, 179.9))
def test_the_default_heading_follows_the_long_side(heading: float) -> None:
    long = turned(shapely.box(-20, -150, 20, 150), -heading)
    off = abs(longest_heading([long]) - heading)
    assert min(off, 180 - off) < 1e-3


@settings(deadline=None, max_examples=20)
@given(grounds(), headings, st.integers(1, 7))
def test_shares_are_cut_to_size_and_lose_no_ground(ground: list[shapely.Polygon], heading: float, count: int) -> None:
    runs = driven(ground, 12.0, heading)
    weights = [1e-4 * (number + 1) for number in range(len(ground))]
    total = math.fsum(run.work(weights) for run in runs)
    loads = share_out(runs, weights, [total / count] * count)
    works = [sum(run.work(weights) for run in load) for load in loads]
    assert works == pytest.approx([total / count] * count, abs=1e-7)  # bisection stops at a nanometre
    for number, one in enumerate(ground):
        assert math.fsum(run.areas[number] for load in loads for run in load) == pytest.approx(one.area, rel=1e-9)


def test_a_pass_cut_in_two_goes_on_where_it_stopped() -> None:
    first, second = share_out(runs_of([100.0]), [1e-3], [0.4, 0.6])
    assert (first[0].start, first[0].end) == pytest.approx((0.0, 40.0))
    assert (second[0].start, second[0].end) == pytest.approx((40.0, 100.0))


def test_a_pass_longer_than_the_tank_is_cut_into_equal_parts() -> None:
    parts = whole_passes(runs_of([100.0, 30.0]), [2.5e-3])
    assert [part.work([2.5e-3]) for part in parts] == pytest.approx([2.5 / 3] * 3 + [0.75])


@settings(deadline=None, max_examples=60)
@given(st.lists(st.floats(20, 100), min_size=2, max_size=9), st.floats(-200, 300), st.floats(0, 300))
def test_trips_are_the_shortest_of_all_ways_to_cut(lengths: list[float], along: float, fixed_m: float) -> None:
    runs, weights, refill = runs_of(lengths), [4e-4], (-30.0, along)
    found = total_m(shortest_trips(runs, weights, refill, fixed_m=fixed_m), refill, fixed_m)
    every = []
    for cuts in itertools.product([False, True], repeat=len(runs) - 1):
        ends = [0, *(n for n, cut in enumerate(cuts, start=1) if cut), len(runs)]
        loads = [runs[a:b] for a, b in itertools.pairwise(ends)]
        if all(sum(run.work(weights) for run in load) <= 1 for load in loads):
            every.append(total_m(loads, refill, fixed_m))
    assert found == pytest.approx(min(every), rel=1e-12)


@settings(deadline=None, max_examples=60)
@given(st.lists(st.floats(20, 100), min_size=1, max_size=40), st.floats(-200, 300), st.floats(0, 300))
def test_trips_are_never_longer_than_driving_till_empty(lengths: list[float], along: float, fixed_m: float) -> None:
    runs, weights, refill = runs_of(lengths), [2.5e-4], (-30.0, along)
    best = shortest_trips(runs, weights, refill, fixed_m=fixed_m)
    assert [run for load in best for run in load] == runs
    assert total_m(best, refill, fixed_m) <= total_m(till_empty(runs, weights), refill, fixed_m) + 1e-9


def test_an_even_number_of_passes_ends_at_the_refill_side() -> None:
    # Six passes of 800 m, three to a tank, refill at the south end: three to a load would walk 800 m back twice.
    loads = shortest_trips(runs_of([800.0] * 6), [1 / 24_000], (0.0, 0.0), fixed_m=200.0)
    assert [len(load) for load in loads] == [2, 2, 2]
