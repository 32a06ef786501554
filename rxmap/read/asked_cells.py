"""The grid of the field: laid while reading, since raster layers are read onto it."""

from __future__ import annotations

import math

from rxmap.errors import Caution, InputError
from rxmap.grid import M2_PER_HA, MOST_CELLS, Grid, default_cell, make_grid
from rxmap.plan import Plan, plan_fault
from rxmap.records import Field

MOST_CELLS_ASKED = 4_000_000  # a given cell that needs more is refused
MOST_CELLS_LAID = 10_000_000  # our limit on the box around the field, most of which may be outside it


def field_grid(plan: Plan, field: Field) -> tuple[Grid, list[Caution]]:
    """Lay the cells that the plan asks for over the field, or the default ones.

    Parameters
    ----------
    plan : Plan
        Its `output.cell`, if given.
    field : Field
        From its boundary.

    Returns
    -------
    grid : Grid
        In metres of the field's frame.
    cautions : list of Caution
        ``fine_cells``, where the computing will be slow.

    Raises
    ------
    PlanError
        Before anything is allocated, if there would be too many cells.
    """
    area_m2 = field.area_ha * M2_PER_HA
    asked = plan.output.cell
    cell = asked.to("m") if asked else default_cell(area_m2)
    cells = area_m2 / cell**2
    if cells > MOST_CELLS_ASKED:
        raise plan_fault(
            plan,
            f"output.cell: {asked} needs {cells:,.0f} cells, the most is {MOST_CELLS_ASKED:,}. Use a coarser cell.",
        )
    west, south, east, north = field.ground.bounds
    laid = math.ceil((east - west) / cell) * math.ceil((north - south) / cell)
    if laid > MOST_CELLS_LAID:
        raise plan_fault(
            plan,
            f"field.boundary: its parts reach over {(east - west) / 1000:.3g} km by {(north - south) / 1000:.3g} km, "
            f"which is {laid:,} cells of {cell:g} m. Plan them one by one, or set a coarser output.cell.",
        )
    try:
        grid = make_grid(field.ground, cell)
    except InputError as error:
        raise plan_fault(plan, str(error)) from None
    if asked is None or cells <= MOST_CELLS:
        return grid, []
    return grid, [Caution("fine_cells", f"output.cell {asked} makes {cells:,.0f} cells; this is slow.")]
