"""The task data of a pass against its GeoJSON: each polygon gets the spray of its part, and nothing gets any elsewhere.

References
----------
ISO 11783-10:2015, annex D, from memory: PFD (field), TSK with the zones by default (H), without position (I) and
outside the field (J), TZN (zone) with PDV (value), PLN, LSG and PNT (C north, D east). ISO 11783-11, from copies of
it: entity 1 in 0.01 mm3/m2, entity 6 in mg/m2.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import shapely

from rxmap.errors import shown
from rxmap.units import convert, dimension, numerator
from rxmap.verify.crew import zone_files
from rxmap.verify.folder import Folder
from rxmap.verify.geojson import Feature, Layer
from rxmap.verify.ground import area_m2, moved_m2
from rxmap.verify.markup import parsed
from rxmap.verify.pair import outlines
from rxmap.verify.prescription import field_ground
from rxmap.verify.report import Unreadable
from rxmap.verify.task_cells import cell_faults

# 1 L/ha = 1e6 mm3 on 1e4 m2 = 10,000 steps of 0.01 mm3/m2; 1 kg/ha = 1e6 mg on 1e4 m2 = 100 steps of 1 mg/m2
VOLUME, MASS = "0001", "0006"
STEPS = {VOLUME: ("L/ha", 10_000), MASS: ("kg/ha", 100)}
STEP = 1 + 1e-6  # a value is the nearest step, or the next inside a limit of the label
OUTER = "1"  # kind of line
ELSEWHERE = {"H": "by default", "I": "without position", "J": "outside the field"}


@dataclass(frozen=True, slots=True)
class Task:
    """What a task file says: its field, its zones, and the value of each zone by code."""

    name: str
    field: Any
    element: Any
    values: dict[str, int]


def read_task(result: Folder, name: str) -> Task:
    """Read one task file."""
    root = parsed(result.bytes(name), name)
    field, task = root.find("PFD"), root.find("TSK")
    if field is None or task is None:
        raise Unreadable(f"{name}: has no field or no task")
    try:
        values = {zone.attrib["A"]: int(zone.find("PDV").attrib["B"]) for zone in task.iter("TZN")}
    except (AttributeError, KeyError, ValueError):
        raise Unreadable(f"{name}: has a zone without a code or a value") from None
    return Task(name, field, task, values)


def task_data_equal(result: Folder) -> Iterator[str]:
    """Hold each task against its GeoJSON: the field, polygons or cells, and their values."""
    for files, layer in zone_files(result):
        for name in (path for key, path in files.items() if key.startswith("task-data-")):
            task = read_task(result, name)
            for key, where in ELSEWHERE.items():
                if task.values.get(task.element.get(key)) != 0:
                    yield f"{name}: value {where} is {task.values.get(task.element.get(key))}; should be 0"
            yield from _field_faults(task, result)
            wanted = [_wanted(feature, task) for feature in layer.features]
            grid = task.element.find("GRD")
            if grid is None:
                yield from _polygon_faults(task, layer, wanted)
            else:
                content = result.bytes(f"{name.rpartition('/')[0]}/{grid.get('G')}.BIN")
                yield from (f"{name}: {line}" for line in cell_faults(grid, content, task.values, layer, wanted))


def _wanted(feature: Feature, task: Task) -> float:
    """Spray of a part in steps of the entity of its unit."""
    unit = feature.properties["vol_unit"]
    entity = VOLUME if dimension(numerator(unit)) == dimension("L") else MASS
    found = {value.get("A") for value in task.element.iter("PDV")}
    if found != {entity}:
        raise Unreadable(f"{task.name}: entities {shown(sorted(map(str, found)))}; spray in {unit} is entity {entity}")
    metric, steps = STEPS[entity]
    return convert(float(feature.properties["volume"]), unit, metric) * steps


def _field_faults(task: Task, result: Folder) -> Iterator[str]:
    """Hold the field of the task against the field."""
    field = field_ground(result)
    rings = [_rings(element) for element in task.field.iter("PLN")]
    off = area_m2(shapely.symmetric_difference(shapely.union_all([shapely.Polygon(r[0], r[1:]) for r in rings]), field))
    if off > moved_m2(field):
        yield f"{task.name}: the field differs by {off:.1f} m2; should be the same"
    if abs(int(task.field.get("D")) - area_m2(field)) > 1 + moved_m2(field):
        yield f"{task.name}: the field has {task.field.get('D')} m2; should be {area_m2(field):.0f}"


def _rings(polygon: Any) -> list[list[tuple[float, float]]]:
    """Rings of a polygon, the outer one first."""
    lines = sorted(polygon.iter("LSG"), key=lambda line: line.get("A") != OUTER)
    return [[(float(point.get("D")), float(point.get("C"))) for point in line.iter("PNT")] for line in lines]


def _polygon_faults(task: Task, layer: Layer, wanted: list[float]) -> Iterator[str]:
    """Look for each part of the layer once, with its value."""
    found: dict[Any, list[int]] = {}
    for zone in task.element.iter("TZN"):
        for polygon in zone.iter("PLN"):
            found.setdefault(str(outlines([_rings(polygon)])), []).append(task.values[zone.get("A")])
    number = sum(map(len, found.values()))
    if number != len(layer.features):
        yield f"{task.name}: {number} polygons; {layer.name} has {len(layer.features)}"
    for feature, value in zip(layer.features, wanted, strict=True):
        own = found.get(str(outlines(feature.rings)), [])
        if len(own) != 1:
            yield f"{task.name}: {len(own)} polygons of {feature.where}; should be one"
        elif abs(own[0] - value) > STEP or (own[0] > 0) != (value > 0):
            yield f"{task.name}: value {own[0]} on {feature.where}; should be {value:.0f}"
