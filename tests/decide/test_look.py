"""How close, where, and when to look again; the figures are worked by hand from an invented surface."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rxmap.decide.look import POINTS, compass, next_look
from rxmap.records import EdgeLevel, Observation, Result, TargetResult


def level(target: TargetResult, mean: float, top: float | None = None) -> TargetResult:
    """The target with a field mean, and a highest place in the north-east corner."""
    inside = target.surface.grid.inside
    means = np.where(inside, mean, np.nan)
    if top is not None:
        row, column = max(zip(*np.nonzero(inside), strict=True), key=lambda at: at[1] - at[0])
        means[row, column] = top
    surface = replace(target.surface, mean=means, p_over=np.where(inside, 0.23, np.nan))
    return replace(target, mean=mean, surface=surface, verdict="map")


def seen(target: TargetResult, *days: dt.date | None) -> list[Observation]:
    row = Observation(
        stop="1", lon=0, lat=0, easting=0, northing=0, target=target.name, n=1, value=1.0, place="row 2"
    )  # fmt: skip
    return [replace(row, date=day) for day in days]


@pytest.fixture
def hopper(result: Result) -> TargetResult:
    return result.targets[0]  # threshold 8 per 25 sweeps


def test_it_tells_ratio_highest_place_and_chance(hopper: TargetResult) -> None:
    told = next_look([level(hopper, 2.0, 6.0)], [])
    assert told.startswith("Marsh leafhopper is at 25 % of its threshold of 8 on average (2 per 25 sweeps); ")
    assert "highest in the north-east (6 per 25 sweeps), where the chance of being above it is 23 %" in told


@pytest.mark.parametrize(
    ("mean", "top", "first", "last"),
    [(2.0, 6.0, 7, 14), (4.0, 6.0, 3, 7), (2.0, 8.0, 3, 7), (20.0, 30.0, 3, 7)],  # threshold 8, half of it is close
)
def test_days_are_counted_from_the_newest_visit(
    hopper: TargetResult, mean: float, top: float, first: int, last: int
) -> None:
    days = dt.date(2031, 7, 20), dt.date(2031, 7, 28), None
    told = next_look([level(hopper, mean, top)], seen(hopper, *days))
    wanted = (dt.date(2031, 7, 28) + dt.timedelta(days=day) for day in (first, last))
    assert "Look again {} to {}".format(*wanted) in told


def test_without_dates_only_days_are_told(hopper: TargetResult) -> None:
    assert next_look([level(hopper, 2.0, 6.0)], seen(hopper, None)).endswith(
        "Look again 7 to 14 days after the newest visit (common practice)"
    )


def test_rows_that_are_not_used_do_not_count_as_a_visit(hopper: TargetResult) -> None:
    rows = seen(hopper, dt.date(2031, 7, 1), dt.date(2031, 7, 28))
    rows[1] = replace(rows[1], used=False, why="edge stop")
    assert "2031-07-08 to 2031-07-15" in next_look([level(hopper, 2.0, 6.0)], rows)


def test_the_nearest_target_speaks_for_a_pass(hopper: TargetResult) -> None:
    far = replace(level(hopper, 1.0, 2.0), name="mite")
    assert next_look([far, level(hopper, 2.0, 6.0)], []).startswith("Marsh leafhopper")


def test_a_field_without_a_pattern_has_no_highest_place(hopper: TargetResult) -> None:
    told = next_look([replace(level(hopper, 2.0), verdict="uniform")], [])
    assert "at any one place the chance of being above it is 23 %" in told
    assert "highest" not in told


def test_a_strip_along_the_boundary_may_be_the_highest_place(hopper: TargetResult) -> None:
    edge = EdgeLevel(width_m=18.0, stops=6, pressure=7.0, p_over=0.4)
    told = next_look([replace(level(hopper, 2.0), edge=edge)], [])
    assert (
        "highest in the strip along the boundary (7 per 25 sweeps), where the chance of being above it is 40 %" in told
    )


def test_a_target_of_the_next_crop_is_a_note_for_it(hopper: TargetResult) -> None:
    note = replace(level(hopper, 9.0), verdict="note")
    told = next_look([note], seen(hopper, dt.date(2031, 7, 28)), next_crop="peas")
    assert told.endswith("A note for the next crop, peas")
    assert "Look again" not in told
    assert next_look([note, level(hopper, 1.0, 2.0)], []).count("Look again") == 1  # what can be acted on comes first


def test_a_pass_without_targets_says_nothing() -> None:
    assert next_look([], []) == ""


@given(st.floats(0, 360))
def test_the_compass_is_never_off_by_more_than_half_a_point(angle: float) -> None:
    east, north = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    off = (angle - 45 * POINTS.index(compass(east, north)) + 180) % 360 - 180
    assert abs(off) <= 22.5 + 1e-9
