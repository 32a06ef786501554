from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter

from rxmap.grid import make_grid
from rxmap.passes.limits import benefit_of, fits, vertices, within_limits
from rxmap.plan import Limits
from rxmap.records import Part
from rxmap.zones.polygons import coverage, label_polygons

TREATED = 1


def layer_of(field, *, reach=2.0, benefit=lambda area_ha: 40.0):
    """Build function of an invented patchy layer: patches of `reach` cells of 8 m."""
    grid = make_grid(field.ground, 8.0)
    rough = gaussian_filter(np.random.default_rng(5).standard_normal(grid.shape), reach)
    labels = np.where(grid.inside, 1 + (rough > 0.6 * rough.std()), 0)

    def build(simpler, left):
        drawn = label_polygons(labels, grid, tolerance=simpler * grid.cell)
        treated = shapely.MultiPolygon([polygon for label, polygon in drawn if label == 2])
        # taken off what is treated, not claimed beside it: a claim of its own would stay a polygon of its own
        gone = field.frame.geometry_to_metres(shapely.union_all(list(left))).buffer(0.05)
        faces = coverage(field.boundary, [(TREATED, treated.difference(gone))], field.frame, rest=0)
        return tuple(
            part_of(face.polygon, int(face.label == TREATED), face.area_m2 / 1e4, benefit(face.area_m2 / 1e4))
            for face in faces
        )

    return build


def part_of(polygon, treat, area_ha, benefit):
    return Part(
        polygon=polygon,
        zone=1,
        treat=treat,
        rate=9.0 * treat,
        unit="floz/acre",
        product="Exampline 200",
        volume=2.0 * treat,
        vol_unit="gal/acre",
        target="midge",
        pressure=1.0,
        p_over=0.5,
        area_ha=area_ha,
        benefit=benefit,
        reason="",
    )


def fitted(build, polygons=None, corners=None, may_leave=lambda part: True):
    limits = Limits(polygons=polygons, vertices=corners)
    return within_limits(build, limits, name="pass", currency="EUR", may_leave=may_leave)


def test_a_layer_that_fits_is_left_alone(field):
    build = layer_of(field)
    for told in (
        fitted(build, 1000, 100_000),
        within_limits(build, None, name="pass", currency="EUR", may_leave=lambda part: True),
    ):
        assert told.parts == build(1.0, ())
        assert (told.cautions, told.lost_ha, told.lost_benefit, told.left) == ((), 0.0, 0.0, ())


def test_coarser_outlines_come_before_parts_are_left(field):
    build = layer_of(field)
    usual = vertices(build(1.0, ()))
    coarser = vertices(build(1.5, ()))
    assert coarser < usual
    told = fitted(build, corners=coarser)
    assert (told.simpler, told.left) == (1.5, ())
    assert told.cautions[0].code == "simplified"
    assert f"{coarser} vertices instead of" in told.cautions[0].text
    assert "outlines are coarser. That gives up" in told.cautions[0].text


@pytest.mark.parametrize("share", [0.9, 0.7, 0.55])
def test_polygons_come_down_to_the_limit_at_the_least_cost(field, share):
    build = layer_of(field)
    usual = build(1.0, ())
    most = int(share * len(usual))
    told = fitted(build, polygons=most)
    assert len(told.parts) <= most
    assert told.simpler == 1.0  # coarser outlines would make no fewer polygons
    assert f"left untreated ({len(told.left)})" in told.cautions[0].text
    kept = [part.area_ha for part in told.parts if part.treat]
    smallest_kept = min(part.polygon.area for part in told.parts if part.treat)
    assert all(polygon.area <= smallest_kept for polygon in told.left)  # all pay alike per hectare: the smallest go
    assert told.lost_ha == pytest.approx(sum(p.area_ha for p in usual if p.treat) - sum(kept))
    assert told.lost_benefit == pytest.approx(40.0 * told.lost_ha)
    assert f"{told.lost_benefit:,.2f} EUR" in told.cautions[0].text


def test_what_pays_least_goes_before_what_is_smallest(field):
    build = layer_of(field, benefit=lambda area_ha: 5.0 if area_ha > 0.5 else 400.0)
    told = fitted(build, polygons=len(build(1.0, ())) - 1)
    worth = {p.polygon.wkb: p.area_ha * p.benefit for p in build(1.0, ()) if p.treat}
    assert told.left[0].wkb == min(worth, key=worth.get)


def test_without_money_the_smallest_part_goes(field):
    build = layer_of(field, benefit=lambda area_ha: None)
    told = fitted(build, polygons=len(build(1.0, ())) - 1)
    assert told.lost_benefit is None
    assert "EUR" not in told.cautions[0].text
    assert told.left[0].area == min(p.polygon.area for p in build(1.0, ()) if p.treat)


def test_limits_that_cannot_be_met_leave_the_layer_as_it_was(field):
    build = layer_of(field)
    told = fitted(build, corners=10)
    assert told.parts == build(1.0, ())
    (caution,) = told.cautions
    assert caution.code == "over_limits"
    assert (
        f"{len(told.parts)} polygons and {vertices(told.parts)} vertices; the machine takes 10 vertices" in caution.text
    )


def test_what_is_treated_by_hand_stays(field):
    build = layer_of(field)
    told = fitted(build, polygons=3, may_leave=lambda part: False)
    assert told.cautions[0].code == "over_limits"
    assert benefit_of(told.parts) == benefit_of(build(1.0, ()))


@given(polygons=st.one_of(st.none(), st.integers(1, 60)), corners=st.one_of(st.none(), st.integers(4, 2000)))
@settings(max_examples=15, deadline=None)
def test_a_layer_fits_or_says_that_it_does_not(field, polygons, corners):
    limits = Limits(polygons=polygons, vertices=corners)
    told = fitted(layer_of(field), polygons, corners)
    assert fits(told.parts, limits) != any(caution.code == "over_limits" for caution in told.cautions)
    assert any(part.treat for part in told.parts)
    assert shapely.coverage_is_valid([part.polygon for part in told.parts])
