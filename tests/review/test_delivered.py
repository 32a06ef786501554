from __future__ import annotations

from dataclasses import replace

import pytest
import shapely
import shapely.affinity

from rxmap.errors import InputError
from rxmap.plan import read_plan
from rxmap.read.applied_layer import AppliedLayer
from rxmap.read.planned import PlannedPass
from rxmap.review.as_applied import delivered

BLOCK = shapely.box(100, 100, 300, 200)  # 2 ha


@pytest.fixture(scope="module")
def plan(sampled):
    return read_plan(sampled.plan)


@pytest.fixture(scope="module")
def field(result):
    return replace(result.field, ground=shapely.box(0, 0, 400, 300))


def planned(**changed) -> PlannedPass:
    told = {"name": "Product Alder", "rate": 3.2, "unit": "floz/acre", "total": 15.8, "total_unit": "floz"}
    base = {
        "name": "A", "slug": "a", "products": (told,), "parts": ((3.2, BLOCK),), "volume": 2.0, "vol_unit": "gal/acre",
        "strips": (), "keep_out": shapely.Polygon(),
    }  # fmt: skip
    return PlannedPass(**{**base, **changed})


def layer(*parts, unit: str = "gal/acre") -> AppliedLayer:
    return AppliedLayer(parts=parts or ((2.0, BLOCK),), unit=unit, error_m=1.0, how="by hand")


def test_a_pass_as_planned_misses_nothing(plan, field):
    done = delivered(plan, planned(), layer(), field)
    assert (done.planned_ha, done.sprayed_ha, done.hit_ha) == pytest.approx((2.0, 2.0, 2.0))
    assert (done.missed.value, done.off_target.value, done.twice_ha, done.outside_ha) == pytest.approx((0, 0, 0, 0))
    assert done.products[0].used.value == pytest.approx(15.8)
    # edges may be off by 1 m: 600 m of them are 0.06 ha, less the corners
    assert done.missed.high == pytest.approx(0.06, abs=0.001)


def test_a_shift_is_missed_on_one_side_and_off_target_on_the_other(plan, field):
    done = delivered(plan, planned(), layer((2.0, shapely.affinity.translate(BLOCK, 20, 0))), field)
    assert (done.missed.value, done.off_target.value) == pytest.approx((0.2, 0.2))  # 20 m x 100 m
    assert done.missed.low < 0.2 < done.missed.high


@pytest.mark.parametrize(
    ("rate", "unit", "logged"),
    [(2.0, "gal/acre", "spray volume"), (18.7, "L/ha", "spray volume"), (3.2, "floz/acre", "Product Alder")],
)
def test_the_size_of_a_rate_tells_product_from_spray_volume(plan, field, rate, unit, logged):
    done = delivered(plan, planned(), layer((rate, BLOCK), unit=unit), field)
    assert done.logged == logged
    assert done.rate.value == pytest.approx(done.planned_rate, rel=1e-3)


def test_a_rate_between_product_and_spray_volume_is_refused(plan, field):
    with pytest.raises(InputError, match="could be of Product Alder or of spray volume"):
        delivered(plan, planned(), layer((0.22, BLOCK)), field)  # 8.8 times one, a ninth of the other


def test_a_rate_of_another_dimension_is_refused(plan, field):
    with pytest.raises(InputError, match="neither of the product"):
        delivered(plan, planned(), layer((2.0, BLOCK), unit="kg/ha"), field)


def test_ground_over_and_under_rate_and_sprayed_twice_is_told(plan, field):
    left, right = shapely.box(100, 100, 200, 200), shapely.box(190, 100, 300, 200)
    done = delivered(plan, planned(), layer((2.4, left), (1.6, right)), field)
    assert done.over_ha == pytest.approx(1.0)
    assert done.under_ha == pytest.approx(1.1)
    assert done.twice_ha == pytest.approx(0.1)


def test_setbacks_and_ground_outside_are_told(plan, field):
    wide = shapely.box(100, 100, 420, 200)
    done = delivered(plan, planned(keep_out=shapely.box(350, 0, 360, 300)), layer((2.0, wide)), field)
    assert (done.setback_ha, done.outside_ha) == pytest.approx((0.1, 0.2))
