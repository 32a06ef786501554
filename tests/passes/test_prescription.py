from __future__ import annotations

import datetime as dt
import math

import numpy as np
import pytest
import shapely
from scipy import ndimage
from shapely.geometry import LineString, box

from rxmap.grid import geodesic_area_m2
from rxmap.passes.prescription import base_names
from rxmap.records import KeepOutSource

ACRES = 1 / 0.40468564224  # in a hectare; international acre, NIST Handbook 44 appendix C (from memory)
DITCH = KeepOutSource(
    reason="ditch", setback_m=15.0, ground=LineString([(-400, 20), (-100, 60), (120, -20), (400, 40)])
)
YARD = KeepOutSource(reason="yard", setback_m=5.0, ground=box(100, -120, 160, -60))


def hills(seed, reach=60.0):
    """A smooth invented pressure with a few hills, the same wherever it is asked."""
    rng = np.random.default_rng(seed)
    surface = ndimage.gaussian_filter(rng.normal(0, 1, (90, 90)), reach / 10)
    surface = np.clip(6 + 6 * surface / surface.std(), 0, None)

    def at(easting, northing):
        places = np.stack([(northing + 450) / 10, (easting + 450) / 10])
        return ndimage.map_coordinates(surface, places, order=1, mode="nearest")

    return at


def test_the_layer_is_a_valid_coverage_of_the_whole_field(plan_of, prescribed, field):
    for seed in range(3):
        (one,) = prescribed(plan_of(), hills(seed), sources=(DITCH, YARD))
        polygons = [part.polygon for part in one.parts]
        assert shapely.coverage_is_valid(polygons)
        assert all(polygon.is_valid and not polygon.is_empty for polygon in polygons)
        covered = math.fsum(geodesic_area_m2(polygon) for polygon in polygons) / 1e4
        assert covered == pytest.approx(field.area_ha, rel=1e-5)
        assert math.fsum(part.area_ha for part in one.parts) == pytest.approx(field.area_ha, abs=5e-5 * len(polygons))


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize(("swath", "cell"), [("12 m", 3.0), ("27 m", 4.0)])
def test_no_treated_part_is_narrower_than_the_machine_follows(plan_of, prescribed, field, seed, swath, cell):
    (one,) = prescribed(plan_of({"machine.swath": swath}), hills(seed), sources=(YARD,), cell=cell)
    width = max(float(swath.split()[0]), 2 * cell)
    radius = 0.45 * width
    # clips by boundary and setbacks are excepted: ground within a width of either
    clipped = shapely.union_all([field.ground.boundary.buffer(width), YARD.ground.buffer(YARD.setback_m + width)])
    treated = [field.frame.geometry_to_metres(part.polygon) for part in one.parts if part.treat]
    assert treated
    for ground in treated:
        discs = ground.buffer(-radius).buffer(2.5 * radius)  # within 1.5 r of a disc of radius r that fits
        assert shapely.difference(shapely.difference(ground, discs), clipped).area < 0.5


def test_all_is_one_sprayable_part_and_its_keep_outs(plan_of, prescribed, field):
    (one,) = prescribed(plan_of(), lambda east, north: 30.0, sources=(YARD,))
    assert one.decision == "all"
    assert sorted((part.treat, part.reason) for part in one.parts) == [(0, "keep-out: yard"), (1, "treating pays here")]
    assert one.treated_ha == pytest.approx(field.area_ha - YARD.ground.buffer(5.0).area / 1e4, abs=0.01)


def test_a_keep_out_across_the_field_leaves_two_sprayable_parts(plan_of, prescribed):
    (one,) = prescribed(plan_of(), lambda east, north: 30.0, sources=(DITCH,))
    assert sorted(part.treat for part in one.parts) == [0, 1, 1]


def test_none_draws_nothing_and_needs_nothing(plan_of, prescribed):
    (one,) = prescribed(plan_of(), lambda east, north: 1.0)
    assert (one.decision, one.parts, one.treated_ha, one.loads) == ("none", (), 0.0, 0)
    assert [use.total for use in one.products] == [0.0]


@pytest.mark.parametrize(
    ("rate", "unit", "per_ha"),
    [("9 floz/acre", "floz", 9 * ACRES), ("0.3 L/ha", "L", 0.3), ("2 oz_wt/acre", "oz_wt", 2 * ACRES)],
)
def test_totals_are_rate_times_area_in_the_unit_of_the_plan(plan_of, prescribed, rate, unit, per_ha):
    kind = rate.split()[1]
    limits = {"product.0.label": {"min": f"0.1 {kind}", "max": f"20 {kind}"}, "product.0.cost": f"0.5 EUR/{unit}"}
    (one,) = prescribed(plan_of({"product.0.rate": rate} | limits), hills(1))
    treated = math.fsum(part.area_ha for part in one.parts if part.treat)
    (use,) = one.products
    assert use.total_unit == unit
    assert use.total == pytest.approx(per_ha * treated, rel=1e-12)
    assert one.treated_ha == pytest.approx(treated, abs=5e-5)


def test_a_tank_mix_lists_every_product_and_rates_the_controlling_one(plan_of, prescribed):
    keys = {"product.1.name": "Oil", "product.1.controls": {}, "product.1.rate": "0.4 L/ha"}
    (one,) = prescribed(plan_of(keys | {"pass": [{"name": "mix", "products": ["Oil", "Rowan"]}]}), hills(1))
    assert [(use.name, use.rate) for use in one.products] == [("Oil", 0.4), ("Rowan", 0.3)]
    assert {(part.product, part.rate) for part in one.parts} == {("Rowan", 0.3), ("Rowan", 0.0)}


def test_a_pass_knows_the_limits_of_its_labels(plan_of, prescribed):
    keys = {
        "product.0.label.season_max": "0.75 L/ha",
        "product.0.applied": [{"date": dt.date(2026, 5, 1), "rate": "0.4 L/ha"}],
    }
    (one,) = prescribed(plan_of(keys | {"product.0.label.carrier_min": "90 L/ha"}), lambda east, north: 30.0)
    (use,) = one.products
    assert (use.least, use.least_volume) == (0.2, 90.0)
    assert use.most == pytest.approx(0.35)  # of 0.75 a season 0.4 are gone; the label allows 0.4 at a time


def test_loads_cover_the_volume_of_the_treated_ground(plan_of, prescribed):
    (one,) = prescribed(plan_of({"machine.reserve": "100 L"}), lambda east, north: 30.0)
    assert one.loads == math.ceil(one.treated_ha * 150 / 1400)


def test_untreated_ground_is_there_with_nothing_on_it(plan_of, prescribed):
    (one,) = prescribed(plan_of(), hills(2), sources=(YARD,))
    assert {part.treat for part in one.parts} == {0, 1}
    for part in one.parts:
        assert (part.rate > 0) == (part.volume > 0) == bool(part.treat)
        assert (part.unit, part.vol_unit, part.target) == ("L/ha", "L/ha", "midge")
        assert (part.zone == 0) == part.reason.startswith("keep-out")
        assert 0.0 <= part.p_over <= 1.0
        assert part.benefit is not None
        assert part.reason


def test_treated_parts_are_worth_treating(plan_of, prescribed):
    (one,) = prescribed(plan_of(), hills(3))
    for part in one.parts:
        if part.treat:
            assert part.benefit > 0
            assert part.pressure >= 8.0
    left = [part for part in one.parts if not part.treat and part.pressure < 8.0]
    assert {part.reason for part in left} <= {"below the threshold"}


@pytest.mark.parametrize(
    ("slugs", "names"),
    [
        (["product-alder"] * 1, ["producta"]),
        (["product-alder", "product-birch", "product-beech"], ["producta", "productb", "product2"]),
        ([f"spray-{n}" for n in range(1, 4)], ["spray1", "spray2", "spray3"]),
        (["con", "con-2", "com1", "nul"], ["con2", "con22", "com12", "nul2"]),  # names of devices on Windows
        (["x" * 12] * 11, ["x" * 8, *(f"{'x' * 7}{n}" for n in range(2, 10)), "xxxxxx10", "xxxxxx11"]),
    ],
)
def test_base_names_fit_old_terminals_and_differ(slugs, names):
    assert base_names(slugs) == names


@pytest.mark.parametrize(("heading", "sections"), [(0, 1), (25, 4), (118.5, 2)])
def test_with_a_heading_every_treated_edge_is_one_at_which_the_machine_switches(plan_of, prescribed, heading, sections):
    """A lone patch away from boundary and pond: the simulated machine misplaces nothing."""
    keys = {"machine.heading": heading, "machine.swath": "12 m", "machine.sections": sections}
    (one,) = prescribed(
        plan_of(keys), lambda east, north: np.where(np.hypot(east - 150, north + 80) < 70, 30.0, 0.0), cell=4.0
    )
    assert one.treated_ha == pytest.approx(np.pi * 70**2 / 1e4, rel=0.1)
    assert (one.applied.missed_ha, one.applied.off_target_ha) == (0.0, 0.0)
    assert one.applied.treated_ha == pytest.approx(one.treated_ha, rel=0.01)


def test_without_a_heading_edges_lie_where_the_numbers_say_and_sections_miss_them(plan_of, prescribed):
    keys = {"machine.swath": "12 m", "machine.sections": 1}
    (one,) = prescribed(plan_of(keys), lambda east, north: np.where(np.hypot(east - 150, north + 80) < 70, 30.0, 0.0))
    assert one.applied.missed_ha > 0
    assert one.heading_text
