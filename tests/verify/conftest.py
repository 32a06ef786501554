"""A result folder in which everything is right, for the tests to break."""

from __future__ import annotations

import hashlib
import json
import shutil
import sys
import tomllib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from shapely.geometry import box

from rxmap.grid import cover, geodesic_area_m2
from rxmap.passes.loads import plan_loads, treated_ground
from rxmap.plan import Machine, Product, read_plan
from rxmap.records import AsApplied, CheckStrip, Money, Part, PassDates, PassResult, Result, TargetResult, ZoneShape
from rxmap.show.page import map_page
from rxmap.units import Quantity
from rxmap.write.folder import write_result

sys.path.insert(0, str(Path(__file__).parent))  # the suite has no packages: tests import the module beside them

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
droplet = "very coarse"
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
        no_entry="12 hours after spraying ends",
        no_rain="2 hours after spraying ends",
        harvest_from="2031-08-06",
        look_again="2031-07-19 to 2031-07-23",
    )
    going, staying = result.passes
    whole = replace(result, plan=plan, zones=zones, money=money)
    return replace(whole, passes=(crewed(replace(going, dates=dates), whole), staying))


def crewed(one: PassResult, result: Result) -> PassResult:
    """The pass with area, product and loads that follow from its parts and from the plan."""
    plan, recorded = tomllib.loads(PLAN), dict(result.plan)
    plan["product"][0]["label"]["max"] = Quantity(**recorded["product"][0]["label"]["max"])
    reasoned = recorded["product"][0].get("under_label")
    if reasoned:
        plan["product"][0]["under_label"] = {**reasoned, "rate": Quantity(**reasoned["rate"])}
    products = [Product.model_validate(plan["product"][0])]
    treated = treated_ground(one, result.field.frame)
    if not treated:
        return replace(one, loads=0, load_plan=None)
    loads = plan_loads(treated, products, machine=Machine.model_validate(plan["machine"]), field=result.field)
    use = replace(one.products[0], rate=max(part.rate for part in one.parts), total=loads.needs[0].total)
    area = round(sum(part.area_ha for part in one.parts if part.treat), 4)
    return replace(one, treated_ha=area, products=(use,), loads=len(loads.loads), load_plan=loads)


def _with_strip(result: Result) -> Result:
    """The result with a check strip, one swath wide, in the eastern part, and what the machine makes of it."""
    going, staying = result.passes
    frame, east = result.field.frame, going.parts[3]
    strip = box(10.1061, 50.101, 10.106226, 50.1023)
    ha = geodesic_area_m2(strip) / 1e4
    around = east.polygon.difference(strip)
    left: Part = replace(east, polygon=strip, treat=0, rate=0.0, volume=0.0, area_ha=round(ha, 4), reason="check strip")
    parts = list(going.parts)
    parts[3] = replace(east, polygon=around, area_ha=round(geodesic_area_m2(around) / 1e4, 4))
    check = CheckStrip(ground=frame.geometry_to_metres(strip), rate=9.0, length_m=144.6, area_ha=ha, benefit=2.9)
    one = crewed(replace(going, parts=(*parts, left), check_strips=(check,), strips_text="1 check strip"), result)
    areas = {"missed_ha": 0.02, "off_target_ha": 0.05, "over_ha": 0.0, "under_ha": 0.0}
    applied = AsApplied(
        heading=0.0, treated_ha=one.treated_ha, applied_ha=one.treated_ha + 0.03, setback_ha=0.01, outside_ha=0.01,
        product_difference=0.003, classes=np.zeros(result.grid.shape, np.uint8), **areas,
    )  # fmt: skip
    return replace(result, passes=(replace(one, applied=applied), staying))


def sealed(folder: Path) -> None:
    """Let the manifest list the folder as it is."""
    manifest = json.loads((folder / "manifest.json").read_text())
    paths = sorted(each for each in folder.rglob("*") if each.is_file() and each.name != "manifest.json")
    manifest["files"] = [
        {
            "path": each.relative_to(folder).as_posix(),
            "bytes": each.stat().st_size,
            "sha256": hashlib.sha256(each.read_bytes()).hexdigest(),
        }
        for each in paths
    ]
    (folder / "manifest.json").write_text(json.dumps(manifest))


@pytest.fixture(scope="session")
def seal() -> Callable[[Path], None]:
    """Make every hash of a folder right again."""
    return sealed


@pytest.fixture(scope="session")
def repeat() -> Callable[[PassResult, Result], PassResult]:
    """Make area, product and loads follow from the parts of a pass again."""
    return crewed


FORMATS = ("geojson", "shapefile", "geopackage", "kml", "task-data-polygons", "zip")


@pytest.fixture(scope="session")
def papers(coherent: Result, written: Callable[[Result], Path]) -> Callable[..., Path]:
    """Write the result with a check strip, in many formats, with a report."""

    def write(formats: tuple[str, ...] = FORMATS) -> Path:
        folder = written(replace(_with_strip(coherent), formats=formats))
        (folder / "report.pdf").write_bytes(b"%PDF-1.4\n%%EOF\n")
        sealed(folder)
        return folder

    return write


@pytest.fixture(scope="session")
def whole(papers: Callable[..., Path]) -> Path:
    """A result folder with all papers; never change it."""
    return papers()


@pytest.fixture
def torn(whole: Path, tmp_path: Path) -> Path:
    """A copy of the folder with all papers, for one test to break."""
    return Path(shutil.copytree(whole, tmp_path / "result"))


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
