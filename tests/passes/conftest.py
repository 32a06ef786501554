from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import shapely
from shapely.geometry.base import BaseGeometry

from rxmap.decide.benefit import Stake, crop_value_ha
from rxmap.decide.decision import decide_passes
from rxmap.decide.ground import decision_ground
from rxmap.decide.options import pass_options
from rxmap.grid import FloatArray, Frame, geodesic_area_m2, make_grid
from rxmap.passes.keep_outs import kept_ground, kept_share, product_setback_m, sprayed_around
from rxmap.passes.layer import Ledger
from rxmap.passes.prescription import base_names, prescribe
from rxmap.plan import CheckStrips, Plan
from rxmap.records import Field, KeepOutSource, PassResult

FRAME = Frame(lon=17.4, lat=53.1)
# An invented field of about 27 ha with a slanting side, an arm and a pond.
OUTLINE = shapely.Polygon(
    [(-310, -240), (280, -255), (300, 120), (90, 130), (95, 260), (-240, 245)],
    [[(-60, -60), (10, -70), (20, 5), (-50, 0)]],
)


def field_from(ground: BaseGeometry) -> Field:
    boundary = shapely.set_precision(FRAME.geometry_to_lonlat(ground), 1e-7)
    return Field(
        name="Long Acre",
        boundary=boundary,
        ground=FRAME.geometry_to_metres(boundary),
        frame=FRAME,
        area_ha=geodesic_area_m2(boundary) / 1e4,
    )


@pytest.fixture(scope="session")
def field() -> Field:
    return field_from(OUTLINE)


@pytest.fixture(scope="session")
def prescribed(field: Field) -> Callable[..., list[PassResult]]:
    """Decide and prescribe the passes of a plan for a pressure given as a function of (easting, northing)."""

    def run(
        plan: Plan,
        pressure: Callable[[FloatArray, FloatArray], FloatArray],
        *,
        sources: tuple[KeepOutSource, ...] = (),
        mapped: frozenset[str] = frozenset({"midge"}),
        field: Field = field,
        cell: float = 3.0,
        threshold: float = 8.0,
    ) -> list[PassResult]:
        grid = make_grid(field.ground, cell)
        mean = np.broadcast_to(np.asarray(pressure(*grid.centres().T), float), grid.centres().shape[:1])
        stake = Stake(
            name="midge",
            loss=np.minimum(0.5, 0.01 * mean),
            p_over=(mean > threshold).astype(float),
            mean=mean,
            threshold=threshold,
            break_even=0.5,
            closed=None,
        )
        options = pass_options(plan, field.area_ha)
        kept = {o.slug: kept_ground(sources, product_setback_m(o)) for o in options}
        decisions = decide_passes(
            options,
            [stake],
            grounds={
                slug: decision_ground(grid, kept_share(ground, grid), plan.machine, outline=field.ground)
                for slug, ground in kept.items()
            },
            machine=plan.machine,
            mapped=mapped,
            value_ha=crop_value_ha(plan.field),
        )
        middle, (west, south, east, north) = FRAME.lon, field.boundary.bounds
        zones = {
            1: field.boundary.intersection(shapely.box(west, south, middle, north)),
            2: field.boundary.intersection(shapely.box(middle, south, east, north)),
        }
        ledger = Ledger(field=field, grid=grid, zones=zones, stakes=[stake])
        return [
            prescribe(
                decision,
                sprayed_around(kept[decision.option.slug]),
                ledger,
                machine=plan.machine,
                base=base,
                asked=CheckStrips(count=0),  # strips have tests of their own
            )
            for decision, base in zip(decisions, base_names([o.slug for o in options]), strict=True)
        ]

    return run
