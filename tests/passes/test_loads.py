"""Loads of a pass: how many, how large, what goes into them."""

from __future__ import annotations

import math

import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from rxmap.decide.lanes import lanes_over
from rxmap.errors import InputError
from rxmap.grid import Frame, geodesic_area_m2
from rxmap.passes.loads import LoadPlan, Treated, lay_out, load_shares, plan_loads, treated_ground
from rxmap.passes.sweep import Order, driving_orders, share_out, sweep, trip_m, way_m
from rxmap.plan import Machine, Product
from rxmap.records import Field, Result

FRAME = Frame(lon=17.4, lat=53.1)
# NIST Handbook 44, appendix C (from memory): acre 4046.8564224 m2, gallon 3.785411784 L = 128 fluid ounces
M2_PER_ACRE, LITRES_PER_GAL = 4046.8564224, 3.785411784
GAL_PER_ACRE = LITRES_PER_GAL / M2_PER_ACRE * 1e4  # [L/ha]
MACHINE = {"kind": "ground", "swath": "24 m", "carrier": "15 gal/acre", "tank": "1200 gal"}
BLOCK = shapely.box(0, 0, 500, 400).difference(shapely.box(200, 150, 260, 230))
FIELD = Field(name="block", boundary=FRAME.geometry_to_lonlat(BLOCK), ground=BLOCK, frame=FRAME, area_ha=19.52)


def machine(**keys: object) -> Machine:
    return Machine.model_validate(MACHINE | keys)


def product(rate: str = "8 floz/acre", **keys: object) -> Product:
    label = {"min": rate, "max": rate}
    unit = rate.split(" ")[1].split("/")[0]
    return Product.model_validate({"name": "Rowan", "rate": rate, "label": label, "cost": f"1 USD/{unit}"} | keys)


def acres(how_many: float, volume: float, *rates: float, west: float = 0.0) -> Treated:
    """A block twice as long as wide, sprayed with a volume [gal/acre]."""
    width = math.sqrt(how_many * M2_PER_ACRE / 2)
    ground = shapely.box(west, 0, west + width, 2 * width)
    return Treated(ground=ground, area_ha=ground.area / 1e4, volume=volume * GAL_PER_ACRE, rates=rates)


def block(volume: float = 150.0, rate: float = 0.3) -> Treated:
    return Treated(ground=BLOCK, area_ha=BLOCK.area / 1e4, volume=volume, rates=(rate,))


def in_acres(plan: LoadPlan) -> list[float]:
    return [load.area_ha * 1e4 / M2_PER_ACRE for load in plan.loads]


def test_a_tank_of_10_gallons_at_2_gallons_per_acre_does_5_acres() -> None:
    # common practice, no source: 10 / 2
    drone = machine(kind="drone", swath="9 m", carrier="2 gal/acre", tank="10 gal")
    plan = plan_loads([acres(15, 2, 8)], [product()], machine=drone, field=FIELD)
    assert in_acres(plan) == pytest.approx([5.0, 5.0, 5.0], rel=1e-7)


def test_1200_gallons_at_15_per_acre_take_5_gallons_of_product_for_80_acres() -> None:
    # 1200 / 15 = 80 acres; 80 x 8 = 640 fl oz = 5 gal
    plan = plan_loads([acres(160, 15, 8)], [product()], machine=machine(), field=FIELD)
    assert in_acres(plan) == pytest.approx([80.0, 80.0], rel=1e-7)
    for load in plan.loads:
        water, rowan = load.items
        assert (rowan.amount, rowan.unit) == (pytest.approx(640.0, rel=1e-7), "floz")
        assert water.amount / LITRES_PER_GAL == pytest.approx(1195.0, rel=1e-7)


def test_a_drone_of_40_litres_at_2_gallons_per_acre_does_5_283_acres() -> None:
    # 40 / 3.785411784 / 2
    drone = machine(kind="drone", swath="9 m", carrier="2 gal/acre", tank="40 L", fill="full")
    plan = plan_loads([acres(12, 2, 8)], [product()], machine=drone, field=FIELD)
    assert in_acres(plan) == pytest.approx([5.283, 5.283, 12 - 2 * 5.283], abs=1e-3)  # as printed, 3 decimals


def test_the_need_is_rate_times_area() -> None:
    # 13.7 x 42.6 = 583.62 fl oz
    plan = plan_loads([acres(42.6, 15, 13.7)], [product("13.7 floz/acre")], machine=machine(), field=FIELD)
    assert plan.needs[0].total == pytest.approx(583.62, rel=1e-9)


@settings(deadline=None, max_examples=20)
@given(
    st.floats(300, 4000),
    st.floats(0, 359).map(lambda degrees: round(degrees, 6)),
    st.sampled_from(["equal", "full"]),
    st.sampled_from([None, "4 minute"]),
    st.sampled_from([None, (17.4, 53.1)]),
)
def test_no_load_is_too_large_and_nothing_is_lost(
    tank: float, heading: float, fill: str, endurance: str | None, refill: tuple[float, float] | None
) -> None:
    rig = machine(tank=f"{tank} L", heading=heading, fill=fill, endurance=endurance, refill=refill, reserve="50 L")
    plan = plan_loads([block()], [product("0.3 L/ha")], machine=rig, field=FIELD)
    assert max(load.volume_l for load in plan.loads) <= (tank - 50) * (1 + 1e-8)
    if endurance:
        assert max(load.area_ha for load in plan.loads) <= 240 * 5 * 24 / 1e4 * (1 + 1e-8)
    assert math.fsum(load.area_ha for load in plan.loads) == pytest.approx(BLOCK.area / 1e4, rel=1e-9)
    used = math.fsum(load.items[1].amount for load in plan.loads)
    assert used == pytest.approx(0.3 * BLOCK.area / 1e4, rel=1e-9)


def test_equal_loads_are_equal() -> None:
    plan = plan_loads([block()], [product("0.3 L/ha")], machine=machine(tank="500 L", heading=17), field=FIELD)
    volumes = [load.volume_l for load in plan.loads]
    assert len(volumes) == math.ceil(150 * BLOCK.area / 1e4 / 500)
    assert max(volumes) - min(volumes) < 1e-4 * max(volumes)


def test_with_two_rates_loads_are_equal_in_volume_not_in_area() -> None:
    ground = [acres(20, 10, 8), acres(20, 20, 8, west=600)]
    plan = plan_loads(ground, [product()], machine=machine(tank="200 gal", heading=0), field=FIELD)
    assert [load.volume_l / LITRES_PER_GAL for load in plan.loads] == pytest.approx([200.0] * 3, rel=1e-4)
    assert in_acres(plan) == pytest.approx([20.0, 10.0, 10.0], rel=1e-4)


def test_a_battery_ends_a_load_before_the_tank() -> None:
    # 10 minutes x 5 m/s x 9 m = 2.7 ha
    drone = machine(kind="drone", swath="9 m", tank="1000 gal", endurance="10 minute", fill="full")
    plan = plan_loads([block()], [product("0.3 L/ha")], machine=drone, field=FIELD)
    assert plan.loads[0].area_ha == pytest.approx(2.7, rel=1e-7)
    assert plan.limit.startswith("10 minutes of work, 6.672 acre")  # 2.7 / 0.40468564, the unit of the carrier


def test_a_last_part_too_small_to_mix_is_shared_with_the_load_before() -> None:
    assert load_shares(3.001, "full") == pytest.approx([1.0, 1.0, 0.5005, 0.5005])
    assert load_shares(0.001, "full") == [0.001]


def test_water_makes_room_for_liquids_only() -> None:
    powder = product("2 lb/acre", name="Dust")
    plan = plan_loads([acres(10, 15, 128, 2)], [product("128 floz/acre"), powder], machine=machine(), field=FIELD)
    water, *_ = plan.loads[0].items
    assert water.amount / LITRES_PER_GAL == pytest.approx(10 * (15 - 1))  # 128 fl oz are a gallon


def test_what_stays_in_the_tank_is_as_strong_as_the_first_load() -> None:
    rig = machine(reserve="30 gal", allowance="15 gal")
    plan = plan_loads([acres(100, 15, 8)], [product()], machine=rig, field=FIELD)
    stays, hoses = plan.extras
    assert stays.items[1].amount == pytest.approx(16.0)  # 30 gal are 2 acres of 8 fl oz
    assert hoses.items[1].amount == pytest.approx(8.0)
    assert plan.needs[0].extra == pytest.approx(24.0)
    assert plan.needs[0].total == pytest.approx(800.0)


def test_nothing_is_added_unless_it_is_asked_for() -> None:
    plan = plan_loads([acres(100, 15, 8)], [product()], machine=machine(), field=FIELD)
    assert [extra.volume_l for extra in plan.extras] == [0.0, 0.0]


def test_packs_are_counted_up_and_the_rest_is_told() -> None:
    plan = plan_loads([acres(100, 15, 8)], [product(pack="2.5 gal")], machine=machine(), field=FIELD)
    (need,) = plan.needs
    assert (need.packs, need.pack) == (3, "2.5 gal")  # 800 fl oz are 6.25 gal
    assert need.left == pytest.approx(7.5 * 128 - 800)


def test_load_polygons_share_out_the_treated_ground() -> None:
    plan = plan_loads([block()], [product("0.3 L/ha")], machine=machine(tank="500 L", heading=31), field=FIELD)
    polygons = [load.polygon for load in plan.loads]
    assert all(polygon.is_valid for polygon in polygons)
    whole = FRAME.geometry_to_lonlat(BLOCK)
    for load in plan.loads:
        assert geodesic_area_m2(load.polygon) / 1e4 == pytest.approx(load.area_ha, rel=1e-4)
    # 7 decimals move an outline by up to 1 cm: 20 m2 along 2 km of it
    assert shapely.union_all(polygons).symmetric_difference(whole).area < 1e-4 * whole.area
    assert sum(map(geodesic_area_m2, polygons)) == pytest.approx(BLOCK.area, rel=1e-5)


@settings(deadline=None, max_examples=15)
@given(
    st.floats(0.7e-5, 2e-4),
    st.floats(0, 359).map(lambda degrees: round(degrees, 6)),
    st.floats(-300, 800),
    st.floats(-300, 800),
    st.sampled_from(["equal", "full"]),
)
def test_with_a_refill_point_ways_are_never_longer_than_till_empty(
    weight: float, heading: float, across: float, along: float, fill: str
) -> None:
    runs, rig = sweep([BLOCK], lanes_over([BLOCK], 24.0, heading)), machine(fill=fill)
    loads, how = lay_out([Order("to and fro", runs)], [weight], rig, (across, along))
    emptied = share_out(runs, [weight], load_shares(weight * BLOCK.area, "full"))
    # 5 minutes at 5 m/s for each load; layouts are compared to the metre
    best, other = (sum(trip_m(load, (across, along)) + 1500 for load in way) for way in (loads, emptied))
    assert best <= other + 1
    assert "5 minutes reckoned for each refill" in how


@settings(deadline=None, max_examples=15)
@given(
    places=st.lists(st.tuples(st.integers(0, 5), st.integers(0, 5)), min_size=1, max_size=6, unique=True),
    weight=st.floats(2e-5, 1e-4),
    refill=st.tuples(st.floats(-300, 900), st.floats(-300, 900)) | st.none(),
    heading=st.floats(0, 359).map(lambda degrees: round(degrees, 6)),
)
def test_over_scattered_patches_ways_are_never_longer_than_till_empty(places, weight, refill, heading) -> None:
    grounds = [shapely.box(130 * x, 130 * y, 130 * x + 70 + 5 * y, 130 * y + 90) for x, y in places]
    lanes, weights = lanes_over(grounds, 12.0, heading), [weight] * len(grounds)
    orders = driving_orders(grounds, lanes, refill)
    loads, _ = lay_out(orders, weights, machine(fill="full"), refill)
    assert sum(run.work(weights) for load in loads for run in load) == pytest.approx(
        weight * sum(ground.area for ground in grounds), rel=1e-9
    )
    if refill is None:
        assert way_m([run for load in loads for run in load]) <= way_m(orders[0].runs) + 1
    else:
        total = weight * sum(ground.area for ground in grounds)
        emptied = share_out(orders[0].runs, weights, load_shares(total, "full"))
        best, other = (sum(trip_m(load, refill) + 1500 for load in way) for way in (loads, emptied))
        assert best <= other + 1


def test_patches_far_apart_are_driven_one_after_the_other() -> None:
    # two columns of patches: to and fro over both at once drives the 600 m between them on every pass
    near, far = shapely.box(0, 0, 96, 100), shapely.box(0, 700, 96, 800)
    lanes = lanes_over([near, far], 24.0, 0.0)
    over, patches = driving_orders([near, far], lanes, None)
    assert (len(over.runs), len(patches.runs)) == (4, 8)
    assert way_m(patches.runs) < 900
    loads, how = lay_out([over, patches], [1e-6, 1e-6], machine(), None)
    assert how == "equal loads, patch by patch, next the nearest"
    assert loads[0] == patches.runs


def test_with_a_refill_point_loads_end_with_a_pass_where_that_is_shorter() -> None:
    # Six passes of 800 m, three to a tank, refill at their south end: with three to a load the machine
    # would be empty at the far end twice.
    field = shapely.box(0, 0, 144, 800)
    order = Order("to and fro", sweep([field], lanes_over([field], 24.0, 0.0)))
    near = lay_out([order], [1 / (3.2 * 24 * 800)], machine(speed="1 m/s"), (72.0, 0.0))
    assert [len(load) for load in near[0]] == [2, 2, 2]
    assert near[1].startswith("each ends with a pass")


def test_spray_that_is_less_than_its_products_is_refused() -> None:
    with pytest.raises(InputError, match="L/ha of product in it"):
        plan_loads([acres(10, 1, 256)], [product("256 floz/acre")], machine=machine(), field=FIELD)


def test_the_rates_of_the_layer_are_mixed(result: Result) -> None:
    one = result.passes[0]
    treated = treated_ground(one, result.field.frame)
    plan = plan_loads(
        treated,
        [Product.model_validate(result.plan["product"][0])],
        machine=Machine.model_validate(result.plan["machine"]),
        field=result.field,
    )
    assert len(plan.loads) == one.loads
    assert plan.needs[0].total == pytest.approx(one.products[0].total, rel=1e-9)
