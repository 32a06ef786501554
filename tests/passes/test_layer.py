"""Claims to ground in a prescription layer: keep-outs, the adviser's hand, the numbers, in this order."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from rxmap.decide.benefit import Stake, crop_value_ha
from rxmap.decide.decision import decide_passes
from rxmap.decide.ground import decision_ground
from rxmap.decide.options import pass_options
from rxmap.grid import make_grid
from rxmap.passes.layer import Ledger
from rxmap.passes.prescription import amount, prescribe
from rxmap.plan import CheckStrips
from rxmap.records import HandDrawn

STEPPED = {"product.0.rate": ["0.2 L/ha", "0.4 L/ha"], "product.0.response": {"0.2 L/ha": 0.7, "0.4 L/ha": 1.0}}
WEST = shapely.box(-400, -300, -150, 300)
EAST = shapely.box(150, -300, 400, 300)


@pytest.fixture
def prescribed(field, plan_of):
    """Prescribe a pass on the invented field: pressure high in the west, middling in the middle, none in the east."""

    def run(keys=(), by_hand=(), keep_outs=(), kind_pressure=(40.0, 6.0, 0.0)):
        plan = plan_of({"target.0.threshold": 5.0, **dict(keys)})
        grid = make_grid(field.ground, 6.0)
        east = grid.centres()[:, 0]
        high, middle, low = kind_pressure
        mean = np.where(east < -100, high, np.where(east < 100, middle, low))
        stake = Stake(
            name="midge",
            loss=np.minimum(0.5, 0.01 * mean),
            p_over=(mean > 5.0).astype(float),
            mean=mean,
            threshold=5.0,
            break_even=0.5,
            closed=None,
        )
        options = pass_options(plan, field.area_ha)
        treat = sum((grid.covered(h.ground) for h in by_hand if h.action == "treat"), np.zeros(grid.shape))
        skip = sum((grid.covered(h.ground) for h in by_hand if h.action == "skip"), np.zeros(grid.shape))
        drawn = treat if treat.any() else None
        ground = decision_ground(grid, skip, plan.machine, outline=field.ground, by_hand=drawn)
        (decision,) = decide_passes(
            options,
            [stake],
            grounds={options[0].slug: ground},
            machine=plan.machine,
            mapped=frozenset({"midge"}),
            value_ha=crop_value_ha(plan.field),
        )
        ledger = Ledger(field=field, grid=grid, zones={1: field.boundary}, stakes=[stake])
        return prescribe(
            decision, keep_outs, ledger, machine=plan.machine, base="rowan", by_hand=by_hand, asked=CheckStrips(count=0)
        )

    return run


def hand(action: str, ground) -> HandDrawn:
    return HandDrawn(action=action, pass_name=None, reason="seen from the track", ground=ground)


def test_stepped_rates_stand_in_their_own_polygons_with_their_own_volume(prescribed):
    """The volume falls with the rate, because a lower rate is less of the same mix."""
    one = prescribed(STEPPED)
    rates = {part.rate: part.volume for part in one.parts}
    assert rates == {0.4: 150.0, 0.2: 75.0, 0.0: 0.0}


def test_totals_of_stepped_rates_add_up_over_the_polygons(prescribed):
    one = prescribed(STEPPED)
    assert one.products[0].total == pytest.approx(sum(part.rate * part.area_ha for part in one.parts), rel=1e-9)
    assert one.products[0].rate == 0.4
    assert amount({0.4: 2.0, 0.2: 1.0}, "L/ha") == pytest.approx(1.0)


def test_skipped_ground_is_left_though_the_numbers_would_treat_it(prescribed, field):
    one = prescribed(by_hand=[hand("skip", WEST)])
    skipped = [part for part in one.parts if part.reason == "skipped by hand: seen from the track"]
    assert skipped
    assert not any(part.treat for part in skipped)
    west = shapely.intersection(WEST, field.ground)
    treated = shapely.union_all([field.frame.geometry_to_metres(part.polygon) for part in one.parts if part.treat])
    assert treated.intersection(west).area < 1.0


def test_ground_by_hand_is_treated_though_the_numbers_would_leave_it(prescribed, field):
    one = prescribed(by_hand=[hand("treat", EAST)])
    drawn = [part for part in one.parts if part.reason == "treated by hand: seen from the track"]
    area = sum(part.area_ha for part in drawn)
    assert area == pytest.approx(shapely.intersection(EAST, field.ground).area / 1e4, rel=1e-3)
    assert all(part.treat == 1 and part.rate == 0.3 for part in drawn)


def test_where_both_are_drawn_skipping_wins_and_a_keep_out_beats_both(prescribed, field):
    pond = shapely.box(200, -50, 240, 50)
    one = prescribed(
        by_hand=[hand("treat", EAST), hand("skip", shapely.box(150, 0, 400, 300))],
        keep_outs=[("pond", pond.buffer(0.03))],
    )
    treated = shapely.union_all([field.frame.geometry_to_metres(part.polygon) for part in one.parts if part.treat])
    assert treated.intersection(shapely.box(151, 1, 399, 299)).area < 1.0
    assert treated.intersection(pond).area < 0.01
    assert any(part.reason == "keep-out: pond" and part.zone == 0 for part in one.parts)


def test_a_field_that_the_numbers_leave_alone_goes_out_for_the_hand_alone(prescribed):
    one = prescribed(by_hand=[hand("treat", EAST)], kind_pressure=(0.0, 0.0, 0.0))
    assert one.decision == "map"
    assert {part.reason.partition(":")[0] for part in one.parts if part.treat} == {"treated by hand"}


def test_polygons_share_every_vertex_with_rates_and_hands_in_one_layer(prescribed):
    one = prescribed(STEPPED, by_hand=[hand("treat", EAST), hand("skip", shapely.box(-200, -300, -180, 300))])
    assert shapely.coverage_is_valid([part.polygon for part in one.parts])
