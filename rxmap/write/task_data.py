"""The prescription as task data for a task controller. Experimental.

Made after ISO 11783-10 as far as it can be told without its text: not validated against the
published schema, and tried on no terminal. Names, ranges and references are held by `task_form`.

The zone with code 0 has the rate 0; it also applies by default, without position and outside the
field. With polygons a zone is all ground of one rate. In a grid of type 1 each cell holds the code
of its zone, in one of type 2 the rate itself.

References
----------
ISO 11783-10:2015, Task controller and management information system data interchange, annex D
(elements and attributes), from memory.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal
from xml.etree import ElementTree as ET

import numpy as np
import shapely
from shapely.geometry import MultiPolygon, Polygon

from rxmap import __version__
from rxmap.errors import CheckError
from rxmap.grid import M2_PER_HA
from rxmap.records import PassResult, Result
from rxmap.write.files import write_bytes
from rxmap.write.geojson import Feature, on_file_grid, one_polygon
from rxmap.write.shapefile import ascii_text
from rxmap.write.task_dose import VOLUME_PER_AREA, Dose, Metered, dose_of
from rxmap.write.task_form import Understood, faults, understood
from rxmap.write.task_grid import NANO, CellGrid, encoded, lay_cells

Structure = Literal["polygons", "grid-1", "grid-2"]
Element = ET.Element

# What a plan calls them
STRUCTURES: dict[str, Structure] = {
    "task-data-polygons": "polygons",
    "task-data-grid-1": "grid-1",
    "task-data-grid-2": "grid-2",
}
TASK_FILE = "TASKDATA/TASKDATA.XML"  # capitals: some terminals look for nothing else; common practice, no source
GRID_NAME = "GRD00001"
BITS = {"grid-1": 8, "grid-2": 32}
FILLED_BY_CELLS = 1  # code of the zone that a grid of type 2 fills
BOUNDARY, TREATMENT = "1", "2"  # kinds of polygon
OUTER, INNER = "1", "2"  # kinds of line
LONGEST_DESIGNATOR = 32
EXPERIMENTAL = (
    " EXPERIMENTAL: made after ISO 11783-10, not validated against its schema, tried on no terminal. Hold field, "
    "zones and every rate on the terminal against the map, and drive with clean water first. "
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """What goes into the files of one pass; polygons are WGS84 on the grid of files.

    Parameters
    ----------
    name, field_name : str
        For the operator.
    area_m2 : int
        Of the field.
    boundary, polygons : tuple of Polygon
        The parts of the field's boundary; the parts of the pass.
    dose : Dose
        What the parts get.
    grid : CellGrid or None
        Cells in place of polygons.
    bits : int
        For each cell; 0 without.
    """

    name: str
    field_name: str
    area_m2: int
    boundary: tuple[Polygon, ...]
    polygons: tuple[Polygon, ...]
    dose: Dose
    grid: CellGrid | None
    bits: int

    @property
    def codes(self) -> dict[int, int]:
        """Zone code of each value: 0 for 0, then from low to high."""
        return {value: code for code, value in enumerate(sorted({0, *self.dose.values}))}


def write_task_data(
    path: Path, result: Result, one: PassResult, *, structure: Structure, metered: Metered = "spray"
) -> None:
    """Write the task of a pass, with its cells beside it, and read both back.

    Parameters
    ----------
    path : Path
        Ends in ``TASKDATA/TASKDATA.XML``.
    result : Result
        Field, machine and labels.
    one : PassResult
        A pass that goes out.
    structure : str
        ``polygons``, ``grid-1`` or ``grid-2``.
    metered : str
        What the machine meters, and so what the zones hold: ``spray`` or ``product``.

    Raises
    ------
    CheckError
        If something does not fit the ranges of the standard, a rate cannot be told inside its label,
        or the files do not hold what was meant.
    """
    task = _task(result, one, structure=structure, metered=metered)
    root = _tree(task)
    wrong = [f"{path.name}: {line}." for line in faults(root)]
    if wrong:
        raise CheckError(wrong)
    ET.indent(root, " ")
    write_bytes(path, ET.tostring(root, encoding="UTF-8", xml_declaration=True) + b"\n")
    if task.grid is not None:
        write_bytes(path.with_name(f"{GRID_NAME}.BIN"), _cells(task, task.grid))
    _check(path, task)


def _task(result: Result, one: PassResult, *, structure: Structure, metered: Metered) -> Task:
    machine: Any = result.plan["machine"]
    boundary = on_file_grid(result.field.boundary)
    side_m = min(result.grid.cell, (result.swath_m or np.inf) / machine.get("sections", 1) / 2)
    return Task(
        name=one.name,
        field_name=result.field.name,
        area_m2=round(result.field.area_ha * M2_PER_HA),
        boundary=tuple(boundary.geoms) if isinstance(boundary, MultiPolygon) else (boundary,),
        polygons=tuple(
            one_polygon(f"task data: part {number}", Feature(part.polygon, {}))
            for number, part in enumerate(one.parts, start=1)
        ),
        dose=dose_of(one, metered),
        grid=None if structure == "polygons" else lay_cells(one.parts, side_m),
        bits=BITS.get(structure, 0),
    )


def _tree(task: Task) -> Element:
    root = Element(
        "ISO11783_TaskData",
        VersionMajor="4",
        VersionMinor="3",
        ManagementSoftwareManufacturer="rxmap",
        ManagementSoftwareVersion=designator(__version__),
        DataTransferOrigin="1",
    )
    root.append(ET.Comment(EXPERIMENTAL))
    root.append(ET.Comment(_held(task)))
    ET.SubElement(root, "PDT", A="PDT1", B=designator(task.dose.what))
    field = ET.SubElement(root, "PFD", A="PFD1", C=designator(task.field_name), D=str(task.area_m2))
    for polygon in task.boundary:
        _add_polygon(field, BOUNDARY, polygon)
    said = {"A": "TSK1", "B": designator(f"EXPERIMENTAL {task.name}"), "E": "PFD1", "G": "1"}
    zero = {key: str(task.codes[0]) for key in "HIJ"}  # by default, without position, outside the field
    order = ET.SubElement(root, "TSK", said | zero)
    _add_zones(order, task)
    if task.grid is not None:
        _add_grid(order, task, task.grid)
    return root


def _held(task: Task) -> str:
    """Say in words what the values are; of the user's text nothing, because a comment cannot escape it."""
    dose = task.dose
    step = "0.01 mm3/m2: 10000 is 1 L/ha" if dose.entity == VOLUME_PER_AREA else "1 mg/m2: 100 is 1 kg/ha"
    text = f" The zones hold {dose.held}, as entity {dose.entity:04X} in steps of {step}. Planned in {dose.unit}."
    if task.grid is not None:
        hectares = task.grid.area_ha(task.grid.spread(task.dose.values) > 0)
        text += f" Cells that reach into a keep-out or beyond the field have no rate; about {hectares:.2f} ha have one."
    return f"{text} "


def designator(text: str) -> str:
    """Write a name as a terminal can show it: ASCII, at most 32 characters, never empty.

    Examples
    --------
    >>> designator("Öhre field"), designator(" ")
    ('Ohre field', '-')
    """
    return ascii_text(text, LONGEST_DESIGNATOR) or "-"


def _add_zones(order: Element, task: Task) -> None:
    """Add a zone for each rate; where the cells hold the rates, the zero rate and the zone they fill."""
    dose = task.dose
    names = {value: f"{rate:.10g} {dose.unit}" for value, rate in zip(dose.values, dose.rates, strict=True)}
    zones = [(code, value, names.get(value, f"0 {dose.unit}")) for value, code in task.codes.items()]
    if task.bits == BITS["grid-2"]:
        zones = [zones[0], (FILLED_BY_CELLS, 0, f"as the cells say, {dose.unit}")]
    for code, value, name in zones:
        zone = ET.SubElement(order, "TZN", A=str(code), B=designator(name))
        ET.SubElement(zone, "PDV", A=f"{dose.entity:04X}", B=str(value), C="PDT1")
        for polygon, own in zip(task.polygons, dose.values, strict=True):
            if own == value and task.grid is None:
                _add_polygon(zone, TREATMENT, polygon)


def _add_polygon(parent: Element, kind: str, polygon: Polygon) -> None:
    element = ET.SubElement(parent, "PLN", A=kind)
    for line, ring in [(OUTER, polygon.exterior), *((INNER, hole) for hole in polygon.interiors)]:
        points = ET.SubElement(element, "LSG", A=line)
        for lon, lat in ring.coords:
            ET.SubElement(points, "PNT", A="2", C=_degrees(lat), D=_degrees(lon))


def _add_grid(order: Element, task: Task, grid: CellGrid) -> None:
    rows, columns = grid.part.shape
    corner = {"A": grid.south, "B": grid.west, "C": grid.north_size, "D": grid.east_size}
    said = {key: _degrees(value / NANO) for key, value in corner.items()}
    said |= {"E": str(columns), "F": str(rows), "G": GRID_NAME, "H": str(rows * columns * task.bits // 8)}
    kind = {"I": "1"} if task.bits == BITS["grid-1"] else {"I": "2", "J": str(FILLED_BY_CELLS)}
    ET.SubElement(order, "GRD", said | kind)


def _degrees(value: float) -> str:
    return f"{value + 0.0:.9f}"


def _cells(task: Task, grid: CellGrid) -> bytes:
    values = task.dose.values
    numbers = values if task.bits == BITS["grid-2"] else [task.codes[value] for value in values]
    return encoded(grid.spread(numbers), task.bits)


def _check(path: Path, task: Task) -> None:
    """Hold what a task controller would understand against the parts of the pass."""
    try:
        found = understood(path)
    except (ValueError, OSError) as exc:
        raise CheckError(f"{path.name}: what was written cannot be read: {exc}.") from exc
    wrong = [f"{path.name}: {line} that was meant." for line in _differences(found, task)]
    if wrong:
        raise CheckError(wrong)


def _differences(found: Understood, task: Task) -> Iterator[str]:
    if not _same(found.boundary, task.boundary):
        yield "the boundary is not the one"
    if found.elsewhere != {0}:
        yield "the rate without position, outside the field or by default is not the 0"
    # sorted is stable: zones follow from low to high, and within a zone the parts as they come
    meant = [] if task.grid else sorted(zip(task.dose.values, task.polygons, strict=True), key=lambda pair: pair[0])
    if [value for value, _ in found.ground] != [value for value, _ in meant]:
        yield "the values of the polygons are not those"
    elif not _same([polygon for _, polygon in found.ground], [polygon for _, polygon in meant]):
        yield "the ground of a zone is not the one"
    if task.grid is not None:
        yield from _cell_differences(found, task)


def _same(found: Sequence[Polygon], meant: Sequence[Polygon]) -> bool:
    return len(found) == len(meant) and all(map(shapely.equals_identical, found, meant))


def _cell_differences(found: Understood, task: Task) -> Iterator[str]:
    """Ask of each cell with a rate whether its centre lies on ground that has this rate."""
    cells = found.cells if found.cells is not None else np.zeros((0, 0), np.int64)
    for value in set(np.unique(cells).tolist()) - {0}:
        row, column = np.nonzero(cells == value)
        ground = shapely.union_all([p for p, own in zip(task.polygons, task.dose.values, strict=True) if own == value])
        shapely.prepare(ground)
        if not shapely.intersects_xy(ground, found.longitudes[column], found.latitudes[row]).all():
            yield f"the ground of the cells with value {value} is not the one"
    if task.grid is None or not np.array_equal(cells, task.grid.spread(task.dose.values)):
        yield "the cells are not those"
