"""A result folder in which everything is right, for the tests to break."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from rxmap.grid import cover
from rxmap.plan import read_plan
from rxmap.records import Money, PassDates, Result, TargetResult, ZoneShape
from rxmap.show import map_page
from rxmap.write.folder import write_result

# Invented, as everything here; the pass of the shared result was decided under these limits.
PLAN = """
[field]
name = "Long acre"
boundary = "boundary.geojson"
crop = "field bean"
stage = "R3"
spray_date = 2031-07-16
harvest = 2031-09-20
[scouting]
stops = "stops.csv"
cost = "3 EUR/ha"
[[target]]
name = "Marsh leafhopper"
measure = "count"
threshold = 8.0
source = "own"
sample_unit = "sweep"
per = 25
[[target]]
name = "Ring speck"
measure = "severity"
threshold = 5.0
source = "own"
[[product]]
name = "Exampline 200"
controls = { "Marsh leafhopper" = 0.85 }
rate = "9 floz/acre"
cost = "2.10 EUR/floz"
applied = [ { date = 2031-06-20, rate = "9 floz/acre" } ]
[product.label]
min = "6 floz/acre"
max = "13 floz/acre"
season_max = "26 floz/acre"
applications = 2
interval = "14 day"
phi = "21 day"
rei = "12 hour"
rainfast = "2 hour"
stages = ["R1", "R5"]
carrier_min = "2 gal/acre"
[[product]]
name = "Samplazole"
controls = { "Ring speck" = 0.8 }
rate = "1.2 L/ha"
cost = "30 EUR/L"
label = { min = "0.8 L/ha", max = "1.2 L/ha" }
[machine]
kind = "drone"
swath = "9 m"
carrier = "2 gal/acre"
tank = "12 gal"
limits = { polygons = 100, vertices = 5000 }
[[keep_out]]
file = "ditch.geojson"
setback = "30 m"
reason = "ditch"
"""


def _zone_means(zone: ZoneShape, targets: tuple[TargetResult, ...], result: Result) -> ZoneShape:
    """Give a zone the means of the surfaces over it."""
    grid = result.grid
    ground = result.field.frame.geometry_to_metres(zone.polygon)
    share = cover(ground, grid.west, grid.north, grid.cell, grid.shape) * grid.inside

    def mean(values: np.ndarray) -> float:
        return float(np.sum(np.nan_to_num(values) * share) / np.sum(share))

    return replace(
        zone,
        pressure={target.slug: mean(target.surface.mean) for target in targets},
        p_over={target.slug: mean(target.surface.p_over) for target in targets},
    )


@pytest.fixture(scope="session")
def coherent(result: Result, tmp_path_factory: pytest.TempPathFactory) -> Result:
    """The shared result with a whole plan, and zones and money that follow from it."""
    path = tmp_path_factory.mktemp("plan") / "plan.toml"
    path.write_text(PLAN)
    zones = tuple(_zone_means(zone, result.targets, result) for zone in result.zones)
    scouting = -3.0 * result.field.area_ha
    money = Money(currency="EUR", map=412.5, all=222.25, none=scouting, best="map", range=(-35.0, 402.0), p_map=0.91)
    plan = read_plan(path).model_dump(mode="json", by_alias=True, exclude_defaults=True)
    plan["field"]["name"] = result.field.name  # hostile text, on purpose
    dates = PassDates(
        no_entry="12 hour after spraying ends",
        no_rain="2 hour after spraying ends",
        harvest_from="2031-08-06",
        look_again="2031-07-19 to 2031-07-23",
    )
    going, staying = result.passes
    return replace(result, plan=plan, passes=(replace(going, dates=dates), staying), zones=zones, money=money)


@pytest.fixture(scope="session")
def good(coherent: Result, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A result folder that the writers made; never change it."""
    folder = tmp_path_factory.mktemp("good") / "result"
    folder.mkdir()
    write_result(coherent, folder, pages={"map.html": map_page(coherent)})
    return folder


@pytest.fixture
def broken(good: Path, tmp_path: Path) -> Path:
    """A copy of the good folder, for one test to break."""
    return Path(shutil.copytree(good, tmp_path / "result"))


@pytest.fixture(scope="session")
def written(tmp_path_factory: pytest.TempPathFactory) -> Callable[[Result], Path]:
    """Write another result into a fresh folder."""

    def write(result: Result) -> Path:
        folder = tmp_path_factory.mktemp("other") / "result"
        folder.mkdir()
        write_result(result, folder, pages={"map.html": map_page(result)})
        return folder

    return write
