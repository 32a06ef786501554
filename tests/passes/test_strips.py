from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from shapely.affinity import rotate
from shapely.geometry import Point, box

from rxmap.decide.lanes import lanes_over, pass_lanes, turned
from rxmap.grid import make_grid
from rxmap.passes.strip_places import TreatedArea, clear_runs, place_strips
from rxmap.passes.strips import check_strips, detectable_difference, strip_claims, strip_plan
from rxmap.passes.sweep import sweep
from rxmap.plan import CheckStrips, Machine

SWATH = 12.0


def machine(heading=0.0, swath=SWATH):
    return Machine.model_validate(
        {"kind": "ground", "swath": f"{swath} m", "carrier": "100 L/ha", "tank": "3000 L"}
        | ({} if heading is None else {"heading": heading})
    )


def asked(count=None, length=None):
    return CheckStrips.model_validate({"count": count, "length": length and f"{length} m"})


def areas_of(*grounds, worth=lambda east, north: 20.0 + 0 * east, rate=1.0):
    grid = make_grid(shapely.union_all(grounds).buffer(20), 5.0)
    values = np.where(grid.inside, worth(*np.meshgrid(*grid.axes())), np.nan)
    return [TreatedArea(rate=rate, ground=ground, worth=values) for ground in grounds], grid


def placed(*grounds, rig=None, wish=None, worth=lambda east, north: 20.0 + 0 * east, money=True):
    areas, grid = areas_of(*grounds, worth=worth)
    lanes = pass_lanes(rig or machine(), shapely.union_all(grounds), grounds)
    return place_strips(areas, grounds, grid, lanes=lanes, asked=wish, money=money)


def test_four_strips_of_150_m_by_default_each_a_swath_wide_along_the_pass():
    strips = placed(box(0, 0, 360, 500))
    assert len(strips) == 4
    for strip in strips:
        west, south, east, north = strip.ground.bounds
        assert (east - west, north - south) == (SWATH, strip.length_m) == (SWATH, 150.0)
        assert strip.area_ha == pytest.approx(SWATH * 150 / 1e4)
        assert strip.benefit == pytest.approx(20 * strip.area_ha)


@given(
    heading=st.floats(0, 359).map(lambda degrees: round(degrees, 6)),
    width=st.floats(150, 500),
    length=st.floats(150, 600),
    count=st.integers(1, 8),
    pond=st.floats(5, 40),
    seed=st.integers(0, 99),
)
@settings(max_examples=25, deadline=None)
def test_strips_keep_every_rule_whatever_the_ground(heading, width, length, count, pond, seed):
    rng = np.random.default_rng(seed)
    ground = rotate(box(0, 0, width, length), seed).difference(Point(width / 3, length / 2).buffer(pond))
    rough = rng.uniform(5, 40)
    strips = placed(
        ground, rig=machine(heading), wish=asked(count), worth=lambda east, north: 30 + rough * np.sin(east / 50)
    )
    driven = [(run.left, run.right) for run in sweep([ground], lanes_over([ground], SWATH, heading))]
    assert len(strips) <= count
    assert sum(strip.ground.area for strip in strips) <= 0.1 * ground.area * (1 + 1e-9)
    for strip in strips:
        # a treated swath all round, but for the rounding that a pass may lose at its side
        assert ground.buffer(0.1).contains(strip.ground.buffer(SWATH * 0.999, join_style="mitre"))
        left, _, right, _ = turned(strip.ground, heading).bounds
        assert min(abs(left - a) + abs(right - b) for a, b in driven) < 1e-6  # a pass, not between two
        assert all(strip.ground.distance(o.ground) >= 3 * SWATH - 1e-6 for o in strips if o is not strip)


@pytest.mark.parametrize(
    ("ground", "room"),
    [
        (box(0, 0, 5 * SWATH, 300), True),
        (box(0, 0, 4 * SWATH, 900), False),  # four swaths wide
        (box(0, 0, 300, 79), False),  # less than 80 m long
        (box(0, 0, 300, 81), True),
        (box(0, 0, 300, 300).difference(box(40, 0, 44, 300)).difference(box(90, 0, 300, 300)), False),
    ],
    ids=["five swaths", "too narrow", "too short", "long enough", "cut by a ditch"],
)
def test_only_ground_five_swaths_wide_and_80_m_long_gets_a_strip(ground, room):
    assert bool(placed(*shapely.get_parts(ground), wish=asked(1))) == room


def test_strips_are_shorter_where_the_ground_is():
    strips = placed(box(0, 0, 600, 110))
    assert len(strips) == 4
    assert {strip.length_m for strip in strips} == {67.5}  # 110 m less a swath at both ends, of 150 to 40 m in steps


def test_a_length_that_was_asked_for_is_kept_where_it_fits():
    assert {s.length_m for s in placed(box(0, 0, 360, 600), wish=asked(length=90))} == {90.0}


def test_a_strip_takes_at_most_a_tenth_of_its_own_area():
    small, large = box(0, 0, 72, 100), box(300, 0, 700, 400)
    strips = placed(small, large, wish=asked(8, 60))
    assert len(strips) == 8
    assert sum(strip.ground.area for strip in strips if small.contains(strip.ground)) <= 720


def test_without_a_heading_strips_run_along_the_longest_side():
    ground = rotate(box(0, 0, 200, 600), -40, origin=(0, 0))  # its long side points to 40 degrees
    for strip in placed(ground, rig=machine(None)):
        across, along = np.diff(np.reshape(turned(strip.ground, 40.0).bounds, (2, 2)), axis=0)[0]
        assert (across, along) == pytest.approx((SWATH, strip.length_m))


def test_strips_spread_over_the_ground_they_speak_for():
    strips = placed(box(0, 0, 600, 600))
    quarters = {(s.ground.centroid.x > 300, s.ground.centroid.y > 300) for s in strips}
    assert len(quarters) >= 3
    to_nearest = [
        min(Point(x, y).distance(s.ground.centroid) for s in strips)
        for x in range(30, 600, 60)
        for y in range(30, 600, 60)
    ]
    # four strips in the middles of four quarters would leave 0.3826 x 300 m on average (mean distance of a
    # square's points to its centre is 0.3826 sides); one strip in the middle of all leaves 230 m
    assert np.mean(to_nearest) < 1.35 * 0.3826 * 300


def test_of_places_that_tell_alike_the_cheaper_is_taken():
    # benefit 20 in the west, 50 in the east of a narrow field that is the same otherwise
    strips = placed(
        box(0, 0, 100, 800), wish=asked(2), worth=lambda east, north: np.where(abs(north - 400) < 150, 50.0, 30.0)
    )
    given_up = [strip.benefit / strip.area_ha for strip in strips]
    assert given_up == pytest.approx([30.0, 30.0])


def test_ground_where_little_is_at_stake_tells_little_and_gets_no_strip():
    strips = placed(box(0, 0, 600, 400), worth=lambda east, north: np.where(east < 250, 1.0, 60.0))
    assert strips
    assert all(strip.ground.bounds[0] > 230 for strip in strips)


def test_zero_strips_are_none():
    assert placed(box(0, 0, 400, 400), wish=asked(0)) == []


def test_a_stand_in_for_money_is_not_called_money():
    strips = placed(box(0, 0, 400, 400), money=False)
    assert [strip.benefit for strip in strips] == [None] * 4
    assert strip_plan(strips, "pass", wanted=True).benefit is None


def test_same_ground_same_strips():
    ground = rotate(box(0, 0, 300, 500), 13)
    assert placed(ground) == placed(ground)


def test_a_run_is_clear_where_its_whole_width_is():
    ground = box(0, 0, 30, 100).difference(Point(15, 50).buffer(5))
    (first, second) = clear_runs(ground, np.array([0.0]), np.array([30.0]))
    assert first[1:] == pytest.approx((0.0, 45.0))
    assert second[1:] == pytest.approx((55.0, 100.0))


# --- what strips can show ---------------------------------------------------------------------------------------------


def test_the_detectable_difference_is_student_s_t_over_the_root_of_the_pairs():
    # 97.5 % points of Student's t for 2, 3, 5 and 7 degrees of freedom as printed in tables: 4.303, 3.182, 2.571, 2.365
    for pairs, printed in ((3, 4.303), (4, 3.182), (6, 2.571), (8, 2.365)):
        assert detectable_difference(pairs) == pytest.approx(printed / math.sqrt(pairs), abs=5e-4)


def test_a_difference_shows_exactly_where_the_paired_t_test_finds_it():
    # differences 3.1, 4.6, 1.2, 2.9: mean 2.95, sd 1.3916, t = 4.240 with 3 df, p about 0.024
    differences = np.array([3.1, 4.6, 1.2, 2.9])
    told = stats.ttest_1samp(differences, 0.0)
    assert (told.statistic, told.df, told.pvalue) == pytest.approx((4.240, 3, 0.024), abs=5e-4)
    scatter = differences.std(ddof=1)
    assert scatter == pytest.approx(1.3916, abs=5e-5)
    assert differences.mean() > detectable_difference(4, scatter)
    at_limit = differences - differences.mean() + detectable_difference(4, scatter)
    assert stats.ttest_1samp(at_limit, 0.0).pvalue == pytest.approx(0.05)


def test_what_strips_can_show_is_said_with_its_assumption():
    told = strip_plan(placed(box(0, 0, 360, 500)), "pass", wanted=True)
    assert told.detectable == pytest.approx(3.1824 / 2, abs=1e-4)
    assert told.text.startswith("4 check strips")
    assert "1.59 times the standard deviation" in told.text
    assert "not known yet: if it is 3, a difference of 4.8 shows" in told.text


def test_one_strip_shows_no_chance():
    told = strip_plan(placed(box(0, 0, 360, 500), wish=asked(1)), "pass", wanted=True)
    assert told.detectable is None
    assert "not whether it is more than chance" in told.text


# --- in a layer -------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def layered(plan_of, field):
    """Decision, parts, ledger and machine of a pass that treats the whole invented field, or its west."""
    from rxmap.decide.benefit import Stake, crop_value_ha
    from rxmap.decide.decision import decide_passes
    from rxmap.decide.ground import decision_ground
    from rxmap.decide.options import pass_options
    from rxmap.passes.layer import Ledger, claims_of, layer_parts

    def run(pressure):
        plan = plan_of()
        grid = make_grid(field.ground, 6.0)
        mean = np.broadcast_to(np.asarray(pressure(*grid.centres().T), float), grid.centres().shape[:1])
        stake = Stake(
            name="midge",
            loss=np.minimum(0.5, 0.01 * mean),
            p_over=(mean > 8).astype(float),
            mean=mean,
            threshold=8.0,
            break_even=0.5,
            closed=None,
        )
        options = pass_options(plan, field.area_ha)
        decision = decide_passes(
            options,
            [stake],
            grounds={options[0].slug: decision_ground(grid, np.zeros(grid.shape), plan.machine, outline=field.ground)},
            machine=plan.machine,
            mapped=frozenset({"midge"}),
            value_ha=crop_value_ha(plan.field),
        )[0]
        ledger = Ledger(field=field, grid=grid, zones={1: field.boundary}, stakes=[stake])
        claims = claims_of(decision, [], [], grid)
        return decision, claims, layer_parts(decision, claims, ledger, plan.machine), ledger, plan.machine

    return run


@pytest.mark.parametrize(
    "pressure", [lambda east, north: 30.0, lambda east, north: np.where(east < 60, 30.0, 0.0)], ids=["all", "map"]
)
def test_strips_are_untreated_parts_of_the_layer_and_the_rest_stays(layered, pressure):
    from rxmap.passes.layer import layer_parts

    decision, claims, parts, ledger, rig = layered(pressure)
    told = check_strips(decision, parts, ledger, machine=rig)
    assert len(told.strips) == 4
    assert not told.cautions
    with_strips = layer_parts(decision, [*strip_claims(told.strips), *claims], ledger, rig)
    strips = [part for part in with_strips if part.reason == "check strip"]
    assert [part.treat for part in strips] == [0] * 4
    treated = [sum(p.area_ha for p in layer if p.treat) for layer in (parts, with_strips)]
    # areas are rounded to 1e-4 ha
    assert treated[0] - treated[1] == pytest.approx(sum(s.area_ha for s in told.strips), abs=1e-3)
    assert sum(p.area_ha for p in with_strips) == pytest.approx(sum(p.area_ha for p in parts), abs=1e-3)
    given_up = sum(part.benefit * part.area_ha for part in strips)  # untreated ground says what it would have earned
    assert told.benefit == pytest.approx(given_up, rel=0.02)


def test_a_small_treated_area_raises_the_caution_and_zero_strips_do_not(layered):
    decision, _, parts, ledger, rig = layered(lambda east, north: np.where(np.hypot(east, north - 150) < 25, 60.0, 0.0))
    assert [c.code for c in check_strips(decision, parts, ledger, machine=rig).cautions] == ["no_strip"]
    assert check_strips(decision, parts, ledger, machine=rig, asked=asked(0)).cautions == ()


def test_ground_treated_by_hand_gets_no_strip(layered):
    from rxmap.records import HandDrawn

    decision, _, parts, ledger, rig = layered(lambda east, north: 30.0)
    hand = HandDrawn(action="treat", pass_name=None, reason="seen", ground=box(-400, -300, 0, 300))
    told = check_strips(decision, parts, ledger, machine=rig, by_hand=[hand])
    assert told.strips
    assert all(strip.ground.distance(hand.ground) > 0 for strip in told.strips)


def test_a_pass_whose_targets_are_gated_out_gets_none(layered):
    decision, _, parts, ledger, rig = layered(lambda east, north: 30.0)
    told = check_strips(replace(decision, benefit=None), parts, ledger, machine=rig)
    assert (told.strips, told.cautions) == ((), ())


def test_a_strip_lies_in_the_ground_of_one_rate():
    low, full = box(0, 0, 180, 500), box(180, 0, 360, 500)
    grid = make_grid(box(0, 0, 360, 500), 5.0)
    values = np.full(grid.shape, 20.0)
    areas = [TreatedArea(rate=rate, ground=ground, worth=values) for rate, ground in ((6.0, low), (9.0, full))]
    strips = place_strips(areas, [low, full], grid, lanes=pass_lanes(machine(), box(0, 0, 360, 500), [low, full]))
    assert {strip.rate for strip in strips} == {6.0, 9.0}
    for strip in strips:
        assert (low if strip.rate == 6.0 else full).buffer(0.1).contains(strip.ground.buffer(SWATH * 0.99))
