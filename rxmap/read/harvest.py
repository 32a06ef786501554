"""Harvested yield: points with a yield and, where the machine logged them, speed, width and moisture."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from rxmap.errors import Faults, InputError
from rxmap.grid import FloatArray
from rxmap.plan import ReviewHarvest
from rxmap.read.door import Source
from rxmap.read.places_table import Columns, metres_of, open_table
from rxmap.records import Field
from rxmap.units import Quantity, parse

SPEED, WIDTH, MOISTURE = "speed_m_s", "width_m", "moisture_pct"  # optional columns; the unit is in the name


@dataclass(frozen=True, slots=True, kw_only=True)
class HarvestPoints:
    """Points of a harvest as they were read, nothing cleaned.

    Parameters
    ----------
    places : ndarray, shape (n, 2) [m]
        Easting, northing in the field's frame.
    yields : ndarray, shape (n,)
        In `unit`.
    unit : str
        Such as ``bu/acre``.
    speed, width, moisture : ndarray, shape (n,), or None [m/s], [m], [percent]
        Where the file has the columns.
    """

    places: FloatArray
    yields: FloatArray
    unit: str
    speed: FloatArray | None = None
    width: FloatArray | None = None
    moisture: FloatArray | None = None


def read_harvest(section: ReviewHarvest, source: Source, field: Field) -> HarvestPoints:
    """Read harvested yield from delimited text with lon and lat, or from a layer of points.

    Raises
    ------
    InputError
        With every faulty row, one line each; or if no point lies in the field.
    """
    try:
        unit = parse(f"1 {section.unit}", "yield").unit
    except InputError as error:
        raise InputError(f"review.harvest.unit: {error}") from None
    table = open_table(source)
    faults = Faults()
    columns = Columns(table, faults)
    columns.require(section.yield_, "the yield")
    places = metres_of(columns, field.frame, table.rows)
    points = HarvestPoints(
        places=places,
        yields=columns.numbers(section.yield_),
        unit=unit,
        speed=columns.optional(SPEED),
        width=columns.optional(WIDTH),
        moisture=columns.optional(MOISTURE),
    )
    faults.raise_if_any()
    wet = points.moisture
    if wet is not None and not np.all((wet >= 0) & (wet < 100)):
        raise InputError(f"{source.name}: column {MOISTURE}: holds values outside 0 to 100 percent. Check its unit.")
    if not shapely.contains_xy(field.ground, places[:, 0], places[:, 1]).any():
        raise InputError(f"{source.name}: no point is in the field. Is it another field's harvest?")
    return points


def in_unit(points_unit: str, wanted: str) -> float | None:
    """Factor from one yield unit to another; None where one is a mass and the other bushels."""
    one = Quantity(1.0, points_unit)
    return one.to(wanted) if one.is_like(wanted) else None
