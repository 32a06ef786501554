"""The evidence of each target: counted, measured and averaged again from stops, plan and field."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from rxmap.errors import shown
from rxmap.verify.figures import STOPS
from rxmap.verify.folder import SUMMARY, Folder
from rxmap.verify.ground import M2_PER_HA, area_m2, projected
from rxmap.verify.page import PAGE, read_page
from rxmap.verify.prescription import field_ground
from rxmap.verify.values import near

NOT_SAMPLED = "not_sampled.geojson"
ROUND = 64  # corners of a circle; one with 64 is 0.2 % smaller than the circle
AREA_SHARE = 2e-3  # of the field: circles with other corners, a boundary with seven decimals
MEAN_SHARE = 0.05  # of the spread of the stops: points of a lattice against exact outlines
LATTICE = 200  # points across the field and up
LEAST_M2 = 2.0  # a layer leaves smaller ground out
TABLE = "Evidence"  # how the caption begins
MOST_CHANCE = 0.1  # of shuffles that look as clustered, for a map
HALF = 0.51  # [%] the page rounds to whole percent
Places = tuple[NDArray[np.float64], NDArray[np.float64]]  # where somebody looked [m], and the pressure there


def evidence_right(result: Folder) -> Iterator[str]:
    """Hold the evidence of each target against the stops, the plan and the field."""
    for target in result.summary["targets"]:
        told = target.get("evidence")
        if told is None:
            continue
        where = f"{SUMMARY}: evidence of {shown(target['name'])}"
        yield from (f"{where}: {fault}" for fault in _ground_faults(result, target, told))
        if told["left_out"] is not None:
            yield from (f"{where}: {fault}" for fault in _left_out_faults(target, told["left_out"], told["places"]))


def evidence_shown(result: Folder) -> Iterator[str]:
    """Hold the table of the page against the figures of the summary."""
    told = [(each, each["evidence"]) for each in result.summary["targets"] if each.get("evidence") is not None]
    tables = read_page(result).tables.items()
    rows = next((rows for caption, rows in tables if caption.startswith(TABLE)), [])
    if len(rows) != len(told):
        yield f"{PAGE}: table {TABLE} has {len(rows)} rows; should have {len(told)}"
        return
    for (target, evidence), row in zip(told, rows, strict=True):
        wanted = {"Places": str(evidence["places"])}
        check = evidence["left_out"]
        for head, key in (("Inside the 90 % range", "coverage"), ("Wrong side", "wrong_side")):
            wanted[head] = "too few" if check is None else check[key]
        for head, value in wanted.items():
            figure = row[head].removesuffix(" %")
            if row[head] != value and not (figure != row[head] and abs(float(figure) - 100 * float(value)) <= HALF):
                yield f"{PAGE}: table {TABLE}, {shown(target['name'])}: {head} is {shown(row[head])}; should be {value}"


def _ground_faults(result: Folder, target: Any, told: Any) -> Iterator[str]:
    wkt = result.summary["field"]["crs"]
    field = projected(field_ground(result), wkt)
    places, pressure = _places(result, target, wkt)
    if told["places"] != len(places):
        yield f"places is {told['places']}; {STOPS} has used stops at {len(places)}"
        return
    spacing = math.sqrt(field.area / len(places))
    if not near(told["spacing_m"], spacing, 1, relative=1e-4):
        yield f"spacing_m is {told['spacing_m']}; {len(places)} places in the field make {spacing:.1f}"
    most = min(2.0 * spacing, math.inf if told["range_m"] is None else float(told["range_m"]))
    if not 0.0 < float(told["reach_m"]) <= 2.001 * spacing + 0.1:
        yield f"reach_m is {told['reach_m']}; should be above 0 and at most two spacings"
    elif not near(told["reach_m"], most, 1, relative=1e-4) and not near(told["reach_m"], 2 * spacing, 1, relative=1e-4):
        yield f"reach_m is {told['reach_m']}; should be the range or two spacings, the smaller"
    seen = shapely.union_all(shapely.points(places).tolist()).buffer(float(told["reach_m"]), quad_segs=ROUND // 4)
    ground = shapely.difference(field, seen).area / M2_PER_HA
    allowed = AREA_SHARE * field.area / M2_PER_HA
    if not near(told["not_sampled_ha"], ground, 4, absolute=allowed):
        yield f"not_sampled_ha is {told['not_sampled_ha']}; the field less circles around its stops is {ground:.4f}"
    yield from _layer_faults(result, target, float(told["not_sampled_ha"]))
    yield from _mean_faults(told, (places, pressure), field)


def _layer_faults(result: Folder, target: Any, told_ha: float) -> Iterator[str]:
    features = [one for one in result.layer(NOT_SAMPLED).features if one.properties["target"] == target["name"]]
    drawn = sum(area_m2(one.geometry) for one in features)
    if abs(drawn - told_ha * M2_PER_HA) > max(LEAST_M2 * 20, 1e-3 * told_ha * M2_PER_HA):
        yield f"not_sampled_ha is {told_ha}; {NOT_SAMPLED} draws {drawn / M2_PER_HA:.4f} ha"


def _mean_faults(told: Any, seen: Places, field: BaseGeometry) -> Iterator[str]:
    places, pressure = seen
    if not near(told["stops_mean"], float(pressure.mean()), 4, relative=1e-6):
        yield f"stops_mean is {told['stops_mean']}; the used stops have {pressure.mean():.4f}"
    weight = _ground_near(places, field)
    even = float(weight @ pressure / weight.sum()) if weight.sum() else float(pressure.mean())
    if not near(told["even_mean"], even, 4, absolute=MEAN_SHARE * float(pressure.std())):
        yield f"even_mean is {told['even_mean']}; by the ground nearest to each stop it is {even:.4f}"


def verdicts_earned(result: Folder) -> Iterator[str]:
    """Hold each verdict against the two figures that it rests on."""
    for number, target in enumerate(result.summary["targets"], 1):
        verdict, skill, chance = (target[key] for key in ("verdict", "skill", "chance"))
        earned = skill is not None and chance is not None and skill >= 0 and float(chance) <= MOST_CHANCE
        if (verdict == "map" and not earned) or (verdict == "uniform" and earned and skill > 0):
            yield (
                f"{SUMMARY}: targets[{number}].verdict is {verdict} with skill {skill} and chance {chance}; a map asks "
                f"for a skill above 0 and a chance of at most {MOST_CHANCE}, and is drawn where both hold"
            )


def _ground_near(places: NDArray[np.float64], field: BaseGeometry) -> NDArray[np.float64]:
    """Count the points of a lattice over the field that are nearest to each stop."""
    west, south, east, north = field.bounds
    across, up = np.meshgrid(np.linspace(west, east, LATTICE), np.linspace(south, north, LATTICE))
    inside = shapely.contains_xy(field, across, up)
    points = shapely.points(across[inside], up[inside])
    return np.bincount(shapely.STRtree(shapely.points(places)).nearest(points), minlength=len(places)).astype(float)


def _left_out_faults(target: Any, told: Any, places: int) -> Iterator[str]:
    each, threshold = told["each"], float(target["threshold"])
    if len(each) != places:
        yield f"left_out has {len(each)} stops; should have {places}"
        return
    found, expected, p_over, inside = (
        np.array([float(one[key]) for one in each]) for key in ("found", "told", "p_over", "inside")
    )
    if ((inside < 0.0) | (inside > 1.0) | (p_over < 0.0) | (p_over > 1.0)).any():
        yield "left_out has a share outside 0 to 1"
    over = found > threshold
    # figures with four decimals may lie on the threshold that they were above or below
    unclear = float((np.minimum(np.abs(found - threshold), np.abs(expected - threshold)) <= 1e-4).sum()) + 0.01
    wanted = {
        "coverage": inside.mean(),
        "wrong_side": ((expected > threshold) != over).mean(),
        "wrong_side_alike": min(over.mean(), 1.0 - over.mean()),
    }
    for key, value in wanted.items():
        if not near(told[key], float(value), 4, absolute=unclear / places if key != "coverage" else 1e-4):
            yield f"left_out.{key} is {told[key]}; its stops make {value:.4f}"
    if sum(one["stops"] for one in told["chances"]) != places:
        yield f"left_out.chances count {sum(one['stops'] for one in told['chances'])} stops; should be {places}"
    for key, value in (("told", p_over.sum()), ("found", float(over.sum()))):
        total = sum(one["stops"] * float(one[key]) for one in told["chances"])
        if abs(total - value) > 1e-3 * places + unclear * (key == "found"):
            yield f"left_out.chances make {total:.3f} stops {key}; its stops make {value:.3f}"
    if told["skill_blocks"] is not None and float(told["skill_blocks"]) > 1.0:
        yield f"left_out.skill_blocks is {told['skill_blocks']}; should be at most 1"


def _places(result: Folder, target: Any, wkt: str) -> Places:
    """Pool the used stops of a target by place: where, and the pressure."""
    asked = next(one for one in result.plan["target"] if one["name"] == target["name"])
    looks: dict[tuple[float, float], list[tuple[float, float]]] = {}
    for feature in result.layer(STOPS).features:
        row = feature.properties
        if row["used"] and row["target"] == target["name"]:
            units = float(row["n"])
            key = {"count": "count", "incidence": "positives", "severity": "severity_pct"}.get(
                target["measure"], "rating"
            )
            looked = looks.setdefault((float(row["lon"]), float(row["lat"])), [])
            looked.append((units, float(row[key]) * (1.0 if target["measure"] in ("count", "incidence") else units)))
    scale = {"count": float(asked.get("per", 1)), "incidence": 100.0}.get(target["measure"], 1.0)
    sums = np.array([np.sum(looked, axis=0) for looked in looks.values()])
    at = projected(shapely.MultiPoint(list(looks)), wkt)
    return shapely.get_coordinates(at), scale * sums[:, 1] / sums[:, 0]
