from __future__ import annotations

import datetime as dt

import pytest
import shapely

from rxmap.errors import InputError
from rxmap.plan import Target
from rxmap.records import Observation
from rxmap.review.grounds import strip_ground
from rxmap.review.pressure import _visit_days, fall

TARGET = Target.model_validate({"name": "mite", "measure": "count", "threshold": 5, "source": "own"})
STRIPS = [shapely.box(x, 50, x + 20, 200) for x in (50, 150, 250)]
TREATED = shapely.box(0, 0, 320, 250).difference(shapely.union_all(STRIPS))
GROUNDS = [strip_ground(number, strip, TREATED) for number, strip in enumerate(STRIPS, start=1)]


def stop(easting: float, count: int, **extra: str) -> Observation:
    return Observation(
        stop=f"{easting:g}", lon=0, lat=0, easting=easting, northing=120.0, target="mite", n=1, value=count,
        place="after.csv: row 2", extra=tuple(extra.items()),
    )  # fmt: skip


def told(rows: list[Observation], near_m: float = 5.0):
    return fall(TARGET, 0.8, GROUNDS, rows=rows, near_m=near_m)


def test_places_alone_tell_strip_from_beside():
    found = told([stop(x + 10, 10) for x in (50, 150, 250)] + [stop(x + 30, 2) for x in (50, 150, 250)])
    assert [(pair.on, pair.beside) for pair in found.pairs] == [(10, 2)] * 3
    assert found.drop.value == pytest.approx(8.0)
    assert found.control.value == pytest.approx(0.8)


def test_a_stop_nearer_to_a_strip_than_its_position_is_known_counts_for_neither():
    rows = [stop(x + 10, 10) for x in (50, 150, 250)] + [stop(x + 30, 2) for x in (50, 150, 250)]
    found = told(rows, near_m=15.0)
    assert found.pairs == ()
    assert found.unused[0].why == "no stop beside it"


def test_what_the_scout_says_beats_the_place():
    rows = [stop(x - 6, 10, strip=str(n)) for n, x in enumerate((50, 150, 250), start=1)]  # 6 m off by the receiver
    rows += [stop(x + 22, 2, strip="0") for x in (50, 150, 250)]
    assert [(pair.on, pair.beside) for pair in told(rows).pairs] == [(10, 2)] * 3


@pytest.mark.parametrize("said", ["4", "yes", "-1"])
def test_a_strip_that_is_not_there_is_refused(said):
    with pytest.raises(InputError, match=r"not a check strip\. Write 0 or one of 1, 2, 3"):
        told([stop(60, 1, strip=said)])


def test_zero_everywhere_says_nothing_about_control():
    found = told([stop(x + 10, 0) for x in (50, 150, 250)] + [stop(x + 30, 0) for x in (50, 150, 250)])
    assert found.drop.value == 0.0
    assert found.control is None


def test_two_strips_cannot_tell():
    found = told([stop(60, 9), stop(160, 9), stop(80, 1), stop(180, 1)])
    assert found.drop is None
    assert "fewer than 3 cannot tell" in found.why


def test_a_walk_over_following_days_is_one_visit_but_not_across_the_spraying():
    first = dt.date(2026, 7, 1)
    dates = [first + dt.timedelta(days=d) for d in (0, 1, 1, 2, 3, 9)]
    days = _visit_days(dates, sprayed=first + dt.timedelta(days=2))
    assert {d.day: v.day for d, v in days.items()} == {1: 2, 2: 2, 3: 2, 4: 4, 10: 10}
