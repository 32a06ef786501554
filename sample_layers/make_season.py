"""Make what comes after the pass of a sample field: invented, to try `rxmap review` on.

    python sample_layers/make_season.py sample_layers/larkspur out/larkspur

Writes applied.geojson, stops_after.csv, harvest.csv and costs.csv beside the plan, and review.toml, which is the plan
with a [review]. Every number is invented: what the drone logged, what was counted, what was harvested, the prices.
The pressure is that of the result, so the truth is known: see `GAIN`.
"""

from __future__ import annotations

import csv
import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pyproj
import shapely
import shapely.affinity
from shapely.geometry.base import BaseGeometry

SEED = 2027
GAIN = 150.0  # [lb/acre] that treating adds on average: a little more than the larkspur plan expects
HARVEST = 1950.0  # [lb/acre] without any loss of yield to the pressure that is left
HEADER, STEP = 4.5, 4.0  # [m] width of the harvest, and between its points
LATE = 1.2  # [m] that the drone opens and closes late
CELL = 12.0  # [m] of the drone's log
MADE = ("applied.geojson", "stops_after.csv", "harvest.csv", "costs.csv", "review.toml")  # kept out of the repository


def make_season(plan_folder: Path, result: Path, *, gain: float = GAIN, seed: int = SEED) -> Path:
    """Write the files of an invented season beside a plan, and return the plan of its review."""
    rng = np.random.RandomState(seed)
    told = json.loads((result / "summary.json").read_text(encoding="utf-8"))
    one = next(each for each in told["passes"] if each["decision"] != "none")
    to_metres = pyproj.Transformer.from_crs("EPSG:4326", told["field"]["crs"], always_xy=True)
    layer, strips = (_layer(result / name, to_metres) for name in (one["files"]["geojson"], "check_strips.geojson"))
    treated = shapely.union_all([ground for ground, row in layer if row["treat"]])
    lanes = [ground for ground, row in strips if row["pass"] == one["slug"]]
    applied, stops, harvest, prices, path = (plan_folder / name for name in MADE)
    _applied(applied, treated, layer, rng, to_metres)
    _stops(stops, told["targets"][0], treated, lanes, rng, to_metres)
    _harvest(harvest, treated, lanes, gain, rng, to_metres)
    costs = [("crop", "0.22 USD/lb"), ("Product Alder", "2.75 USD/floz"), ("trip", "160 USD")]
    _write(prices, ("item", "cost"), costs)
    plan = (plan_folder / "plan.toml").read_text(encoding="utf-8")
    path.write_text(f"{plan}\n{REVIEW}", encoding="utf-8")
    return path


REVIEW = """[review]                      # everything it names is invented, see make_season.py
applied = { file = "applied.geojson", rate = "volume", unit = "gal/acre" }
stops = "stops_after.csv"
harvest = { file = "harvest.csv", yield = "yield", unit = "lb/acre" }
costs = "costs.csv"
"""


def _layer(path: Path, to_metres: pyproj.Transformer) -> list[tuple[BaseGeometry, dict[str, Any]]]:
    """Features of a layer in metres, with their attributes."""
    features = json.loads(path.read_text(encoding="utf-8"))["features"]
    return [
        (
            shapely.transform(
                shapely.geometry.shape(one["geometry"]), lambda xy: np.column_stack(to_metres.transform(*xy.T))
            ),
            one["properties"],
        )
        for one in features
    ]


def _applied(
    path: Path,
    treated: BaseGeometry,
    layer: list[tuple[BaseGeometry, dict[str, Any]]],
    rng: np.random.RandomState,
    to_metres: pyproj.Transformer,
) -> None:
    """Log the drone's spraying in square cells, a little late and at rates that scatter by 3 %."""
    volume = max(row["volume"] for _, row in layer)
    moved = shapely.affinity.translate(treated, LATE, LATE / 2)
    west, south, east, north = moved.bounds
    features = []
    for x in np.arange(west, east, CELL):
        for y in np.arange(south, north, CELL):
            ground = shapely.box(x, y, x + CELL, y + CELL).intersection(moved)
            rate = float(volume * (1 + 0.03 * rng.normal()))
            if ground.area > 1.0:
                lonlat = shapely.transform(ground, lambda xy: _degrees(xy, to_metres))
                row = {"volume": round(rate, 3), "unit": "gal/acre"}
                features.append({"type": "Feature", "properties": row, "geometry": shapely.geometry.mapping(lonlat)})
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}), encoding="utf-8")


def _degrees(xy: Any, to_metres: pyproj.Transformer) -> Any:
    return np.round(np.column_stack(to_metres.transform(*np.asarray(xy).T, direction="INVERSE")), 7)


def _stops(
    path: Path,
    target: dict[str, Any],
    treated: BaseGeometry,
    strips: list[BaseGeometry],
    rng: np.random.RandomState,
    to_metres: pyproj.Transformer,
) -> None:
    """Count again on each strip and beside it: 15 % of the insects are left where it was sprayed."""
    rows = []
    for number, strip in enumerate(strips, start=1):
        for at in range(3):
            for beside in (False, True):
                place = strip.centroid if not beside else _beside(strip, treated, rng)
                level = (0.15 if beside else 1.0) * 2.4 * np.exp(0.2 * rng.normal())
                lon, lat = to_metres.transform(place.x + 3.0 * at, place.y, direction="INVERSE")
                count = int(rng.poisson(level * 10))
                row = (f"R{number}{'b' if beside else 's'}{at}", f"{lon:.6f}", f"{lat:.6f}", "2026-08-05")
                rows.append((*row, target["name"], 10, count, 0 if beside else number))
    _write(path, ("stop", "lon", "lat", "date", "target", "n", "count", "strip"), rows)


def _beside(strip: BaseGeometry, treated: BaseGeometry, rng: np.random.RandomState) -> BaseGeometry:
    """Pick a place on treated ground two to three widths from a strip."""
    ring = strip.centroid.buffer(25.0).difference(strip.buffer(12.0)).intersection(treated)
    west, south, east, north = ring.bounds
    while True:
        place = shapely.Point(rng.uniform(west, east), rng.uniform(south, north))
        if ring.contains(place):
            return place


def _harvest(
    path: Path,
    treated: BaseGeometry,
    strips: list[BaseGeometry],
    gain: float,
    rng: np.random.RandomState,
    to_metres: pyproj.Transformer,
) -> None:
    """Log the harvest of the treated ground and some beside: with stops, turns and a few wild values in it."""
    area = treated.union(shapely.union_all(strips)).buffer(20.0)
    heading = _heading(strips[0]) if strips else 0.0
    lying = shapely.affinity.rotate(area, heading, origin=(0, 0))
    west, south, east, north = lying.bounds
    grid = [(x, y) for x in np.arange(west, east, HEADER) for y in np.arange(south, north, STEP)]
    places = shapely.affinity.rotate(shapely.MultiPoint(grid), -heading, origin=(0, 0))
    xy = shapely.get_coordinates(places)
    xy = xy[shapely.contains_xy(area, xy[:, 0], xy[:, 1])]
    waves, turns = rng.normal(0.0, np.sqrt(6.0) / 110.0, (200, 2)), rng.uniform(0, 2 * np.pi, 200)
    soil = np.sqrt(2.0 / 200) * np.cos(xy @ waves.T + turns).sum(axis=1)
    sprayed = shapely.contains_xy(treated, xy[:, 0], xy[:, 1])
    waves, turns = rng.normal(0.0, np.sqrt(6.0) / 300.0, (200, 2)), rng.uniform(0, 2 * np.pi, 200)
    patch = 1.0 + 0.25 * np.sqrt(2.0 / 200) * np.cos(xy @ waves.T + turns).sum(axis=1)  # it follows the pressure
    values = HARVEST + 90.0 * soil - gain * patch * ~sprayed + 120.0 * rng.normal(size=len(xy))
    speed = 1.9 + 0.1 * rng.normal(size=len(xy))
    wild = rng.uniform(size=len(xy))
    values[wild < 0.004] = 0.0
    values[(wild > 0.004) & (wild < 0.008)] *= 3.0
    speed[(wild > 0.008) & (wild < 0.012)] = 0.3
    lonlat = _degrees(xy, to_metres)
    rows = [
        (f"{lon:.7f}", f"{lat:.7f}", f"{value:.0f}", f"{pace:.2f}", HEADER)
        for (lon, lat), value, pace in zip(lonlat, values, speed, strict=True)
    ]
    _write(path, ("lon", "lat", "yield", "speed_m_s", "width_m"), rows)


def _heading(strip: BaseGeometry) -> float:
    """Direction of a strip [degree clockwise from north]."""
    ring = shapely.get_coordinates(shapely.minimum_rotated_rectangle(strip))
    long = max((ring[1] - ring[0], ring[2] - ring[1]), key=lambda side: float(np.hypot(*side)))
    return float(np.degrees(np.arctan2(long[0], long[1])))


def _write(path: Path, header: tuple[str, ...], rows: list[Any]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(header)
        writer.writerows(rows)


if __name__ == "__main__":
    print(make_season(Path(sys.argv[1]), Path(sys.argv[2])))
