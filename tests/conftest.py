"""Fixtures that several parts share: an invented field and everything decided about it.

Place, names, numbers and money are invented. The geometry is laid out in whole 1e-7 degrees, the
grid in which files carry coordinates, as strips that share their vertices, so the coverage is
valid by construction.
"""

from __future__ import annotations

import copy
import datetime as dt
import shutil
from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import settings
from shapely.geometry import MultiPolygon, Polygon

from rxmap.errors import Caution
from rxmap.grid import Frame, Grid, cover, geodesic_area_m2, make_grid
from rxmap.plan import Plan
from rxmap.records import (
    Field,
    InputFile,
    KeepOut,
    Money,
    Observation,
    Part,
    PassDates,
    PassResult,
    ProductUse,
    Result,
    Surface,
    TargetResult,
    WhatIf,
    ZoneChoice,
    ZoneShape,
)

# The same examples in every run: a run that fails can be repeated, and one that passes says so for all.
settings.register_profile("seeded", derandomize=True, deadline=None)
settings.load_profile("seeded")

HOSTILE = """O'Brien & "N" `${1}` </script>"""
HOSTILE_NOTE = (
    '=1+1 <img src=x onerror=alert(1)> {{7*7}} \u202egnp\u202c \U0001f41b e\u0301, "two"\nlines \u2028 </script>'
)
ACRES_PER_HA = 10_000 / 4046.8564224  # international acre, see rxmap.units
FRAME = Frame(lon=10.1035, lat=50.1018)

# Meridians that bound the strips and the top and bottom of the field at each of them [1e-7 degree].
LINES = (101_000_000, 101_017_000, 101_035_000, 101_053_000, 101_070_000)
BOTTOM = (501_000_000, 501_000_000, 500_999_000, 501_000_500, 501_001_000)
TOP = (501_036_000, 501_037_000, 501_037_500, 501_036_500, 501_035_000)
DITCH = 501_030_000  # the keep-out is the north end of the last strip
POND = ((101_024_000, 501_015_000), (101_028_000, 501_015_000), (101_028_000, 501_018_000), (101_024_000, 501_018_000))

PLAN = {
    "field": {"name": HOSTILE, "boundary": "boundary.geojson", "crop": "field bean", "spray_date": "2031-07-15"},
    "scouting": {"stops": "stops.csv", "cost": "2.9527 EUR/ha"},
    "target": [
        {"name": "Marsh leafhopper", "measure": "count", "per": 25, "threshold": 8.0, "source": "own"},
        {"name": "Ring speck", "measure": "severity", "threshold": 5.0, "source": "own"},
    ],
    "product": [
        {
            "name": "Exampline 200",
            "controls": {"Marsh leafhopper": 0.85},
            "rate": "9 floz/acre",
            "label": {
                "min": "6 floz/acre",
                "max": "13 floz/acre",
                "season_max": "26 floz/acre",
                "rei": "12 hour",
                "phi": "21 day",
            },
            "cost": "0.9 EUR/floz",
        },
        {
            "name": "Samplazole",
            "controls": {"Ring speck": 0.8},
            "rate": "0.5 L/ha",
            "label": {"min": "0.4 L/ha", "max": "0.6 L/ha"},
            "cost": "40 EUR/L",
        },
    ],
    "machine": {"kind": "drone", "swath": "9 m", "carrier": "2 gal/acre", "tank": "10 gal"},
    "keep_out": [{"file": "ditch.geojson", "setback": "30 m", "reason": "ditch"}],
}


def _polygon(ring: list[tuple[int, int]], hole: tuple[tuple[int, int], ...] = ()) -> Polygon:
    def degrees(points: Iterable[tuple[int, int]]) -> list[tuple[float, float]]:
        return [(round(lon / 1e7, 7), round(lat / 1e7, 7)) for lon, lat in points]

    return Polygon(degrees(ring), [degrees(hole)] if hole else [])


def _strips() -> dict[str, Polygon]:
    """Four strips west to east; the ditch end cut off the last, its corner on the third's edge."""
    bottom, top = list(zip(LINES, BOTTOM, strict=True)), list(zip(LINES, TOP, strict=True))
    corner_west, corner_east = (LINES[3], DITCH), (LINES[4], DITCH)
    return {
        "west": _polygon([bottom[0], bottom[1], top[1], top[0]]),
        "pond": _polygon([bottom[1], bottom[2], top[2], top[1]], POND),
        "middle": _polygon([bottom[2], bottom[3], corner_west, top[3], top[2]]),
        "east": _polygon([bottom[3], bottom[4], corner_east, corner_west]),
        "ditch": _polygon([corner_west, corner_east, top[4], top[3]]),
    }


def _boundary() -> Polygon:
    ring = [*zip(LINES, BOTTOM, strict=True), (LINES[4], DITCH), *reversed(list(zip(LINES, TOP, strict=True)))]
    return _polygon(ring, POND)


def _ha(polygon: Polygon | MultiPolygon) -> float:
    return round(geodesic_area_m2(polygon) / 1e4, 4)


def _field() -> Field:
    boundary = _boundary()
    return Field(
        name=HOSTILE,
        boundary=boundary,
        ground=FRAME.geometry_to_metres(boundary),
        frame=FRAME,
        area_ha=geodesic_area_m2(boundary) / 1e4,
    )


def _surface(grid: Grid, mean: np.ndarray, sd: np.ndarray, p_over: np.ndarray) -> Surface:
    def inside(values: np.ndarray) -> np.ndarray:
        return np.where(grid.inside, values, np.nan)

    # 1.645 sd: the 5 and 95 % points of a normal distribution
    low, high = np.maximum(mean - 1.645 * sd, 0.0), mean + 1.645 * sd
    return Surface(
        grid=grid, mean=inside(mean), sd=inside(sd), p_over=inside(p_over), q05=inside(low), q95=inside(high)
    )


def _targets(grid: Grid) -> tuple[TargetResult, ...]:
    easting, northing = np.meshgrid(*grid.axes())
    # low and high strip by strip from west to east, a little more towards the east and the north
    hill = 7.0 + 4.0 * np.cos(2 * np.pi * (easting + 65.0) / 255.0) + easting / 100.0 + northing / 200.0
    p_over = 1 / (1 + np.exp(8.65 - hill))  # the threshold is 8; a skewed pressure has its median below its mean
    flat = np.ones(grid.shape)
    hopper = TargetResult(
        name="Marsh leafhopper",
        slug="marsh-leafhopper",
        measure="count",
        unit="per 25 sweeps",
        threshold=8.0,
        source="own",
        read=15,
        used=13,
        mean=grid.mean(np.where(grid.inside, hill, 0.0)),
        p_over=0.21,
        model="exponential, range 120 m",
        skill=0.47,
        chance=0.0025,
        verdict="map",
        reason="predicting each stop from the others beats the field mean by 47 %",
        surface=_surface(grid, hill, 1.5 * flat, p_over),
    )
    speck = TargetResult(
        name="Ring speck",
        slug="ring-speck",
        measure="severity",
        unit="percent",
        threshold=5.0,
        source="own",
        read=12,
        used=12,
        mean=1.75,
        p_over=0.004,
        model="one mean for the field",
        skill=None,
        chance=None,
        verdict="uniform",
        reason="no pattern beyond noise",
        surface=_surface(grid, 1.75 * flat, 0.6 * flat, 0.012 * flat),
    )
    return hopper, speck


def _observations() -> tuple[Observation, ...]:
    """15 hopper rows and 12 speck rows; one stop on the edge, one row without n, one hostile note."""
    rng = np.random.default_rng(7)
    out = []
    for number in range(15):
        lon = round(10.1005 + 0.0062 * float(rng.random()), 7)
        lat = round(50.1004 + 0.0028 * float(rng.random()), 7)
        easting, northing = (float(axis[0]) for axis in FRAME.to_metres([lon], [lat]))
        here = {"lon": lon, "lat": lat, "easting": easting, "northing": northing, "date": dt.date(2031, 7, 14)}
        why = {4: "edge stop", 9: "older than the newest visit"}.get(number, "")
        out.append(
            Observation(
                stop=f"{number:03d}",
                target="Marsh leafhopper",
                n=25,
                value=float(rng.poisson(9)),
                place=f"stops.csv: row {2 + 2 * number}",
                edge=number == 4,
                note=HOSTILE_NOTE if number == 2 else "",
                extra=(("scout", "K. & L."),),
                used=not why,
                why=why,
                **here,
            )
        )
        if number < 12:
            value = round(float(rng.gamma(3.0, 0.6)), 1)
            row = f"stops.csv: row {3 + 2 * number}"
            out.append(Observation(stop=f"{number:03d}", target="Ring speck", n=1, value=value, place=row, **here))
    return tuple(out)


def _zones(strips: dict[str, Polygon], targets: tuple[TargetResult, ...]) -> tuple[ZoneShape, ...]:
    east = _polygon(
        [
            *zip(LINES[3:], BOTTOM[3:], strict=True),
            (LINES[4], DITCH),
            (LINES[4], TOP[4]),
            (LINES[3], TOP[3]),
            (LINES[3], DITCH),
        ]
    )
    shapes = (MultiPolygon([strips["west"], strips["middle"]]), strips["pond"], east)
    return tuple(_zone(number, shape, targets) for number, shape in enumerate(shapes, start=1))


def _zone(number: int, shape: Polygon | MultiPolygon, targets: tuple[TargetResult, ...]) -> ZoneShape:
    pressure = {target.slug: _mean_over(shape, target.surface, "mean") for target in targets}
    return ZoneShape(
        zone=number,
        polygon=shape,
        area_ha=_ha(shape),
        pressure=pressure,
        p_over={target.slug: _mean_over(shape, target.surface, "p_over") for target in targets},
        text=f"Marsh leafhopper {pressure['marsh-leafhopper']:.1f} per 25 sweeps, ring speck alike everywhere",
    )


def _mean_over(shape: Polygon | MultiPolygon, surface: Surface, band: str) -> float:
    grid = surface.grid
    share = cover(FRAME.geometry_to_metres(shape), grid.west, grid.north, grid.cell, grid.shape)
    share = np.where(grid.inside, share, 0.0)
    return float(np.sum(np.nan_to_num(surface.bands()[band]) * share) / np.sum(share))


def _parts(strips: dict[str, Polygon], hopper: TargetResult) -> tuple[Part, ...]:
    rows = {  # zone, treat, benefit, reason
        "west": (1, 0, -11.4, "treating here costs more than it saves"),
        "pond": (2, 1, 7.25, "pays"),
        "middle": (1, 0, -9.8, "treating here costs more than it saves"),
        "east": (3, 1, 21.5, "pays"),
        "ditch": (0, 0, 23.0, "keep-out: ditch"),
    }
    return tuple(
        Part(
            polygon=strips[name],
            zone=zone,
            treat=treat,
            rate=9.0 * treat,
            unit="floz/acre",
            product="Exampline 200",
            volume=2.0 * treat,
            vol_unit="gal/acre",
            target=hopper.name,
            pressure=_mean_over(strips[name], hopper.surface, "mean"),
            p_over=_mean_over(strips[name], hopper.surface, "p_over"),
            area_ha=_ha(strips[name]),
            benefit=benefit,
            reason=reason,
        )
        for name, (zone, treat, benefit, reason) in rows.items()
    )


def _passes(strips: dict[str, Polygon], hopper_target: TargetResult) -> tuple[PassResult, ...]:
    parts = _parts(strips, hopper_target)
    treated_ha = _total_ha(part.area_ha for part in parts if part.treat)
    total = 9.0 * treated_ha * ACRES_PER_HA
    hopper = PassResult(
        name="Hopper pass",
        slug="hopper-pass",
        base="hopper",
        products=(
            ProductUse(
                name="Exampline 200",
                rate=9.0,
                unit="floz/acre",
                total=total,
                total_unit="floz",
                least=6.0,
                most=13.0,
            ),
        ),
        decision="map",
        reason="the map earns 190 EUR more than treating all",
        next_look="look again in 7 days at the untreated west",
        treated_ha=treated_ha,
        loads=5,
        parts=parts,
        smallest_m=31.0,
        dates=PassDates(
            no_entry="12 hours after spraying ends on 2031-07-15",
            no_rain=None,
            harvest_from="2031-08-05",
            look_again="2031-07-22",
        ),
    )
    speck = PassResult(
        name="Speck pass",
        slug="speck-pass",
        base="speck",
        products=(ProductUse(name="Samplazole", rate=0.0, unit="L/ha", total=0.0, total_unit="L"),),
        decision="none",
        reason="Ring speck is below its threshold of 5 percent",
        next_look="look again in 10 days",
        treated_ha=0.0,
        loads=0,
        parts=(),
        smallest_m=None,
    )
    return hopper, speck


def _total_ha(values: Iterable[float]) -> float:
    """Sum of areas, to the four decimals in which they are written."""
    return round(sum(values), 4)


def make_result() -> Result:
    """Everything that was decided about the invented field; equal at every call."""
    field, strips = _field(), _strips()
    grid = make_grid(field.ground, 5.0)
    targets = _targets(grid)
    ditch = strips["ditch"]
    return Result(
        crop="field bean",
        units="us",
        seed=1,
        field=field,
        grid=grid,
        observations=_observations(),
        targets=targets,
        zones=_zones(strips, targets),
        zone_choice=ZoneChoice(crisp=0.81, explained=0.64, text="three zones explain 64 % of what differs"),
        keep_outs=(
            KeepOut(
                reason="ditch",
                setback_m=30.0,
                polygon=ditch,
                ground=FRAME.geometry_to_metres(ditch),
                passes=("hopper-pass", "speck-pass"),
            ),
        ),
        passes=_passes(strips, targets[0]),
        money=Money(currency="EUR", map=412.5, all=222.25, none=-60.0, best="map", range=(-35.0, 402.0), p_map=0.91),
        swath_m=9.0,
        what_if=(
            WhatIf(
                name="the price falls by 20 %",
                treated_share={"hopper-pass": 0.31},
                money=Money(currency="EUR", map=290.0, all=61.5, none=-60.0, best="map", range=None, p_map=None),
            ),
            WhatIf(name="the sprayer costs twice as much", treated_share={"hopper-pass": 0.28}, money=None),
        ),
        cautions=(
            Caution("few_stops", "13 stops carry the map of Marsh leafhopper."),
            Caution("image_not_used: NDVI", f"NDVI takes nothing off the errors. {HOSTILE_NOTE}"),
        ),
        inputs=(
            InputFile(name="boundary.geojson", bytes=812, sha256="a" * 64),
            InputFile(name="plan.toml", bytes=1404, sha256="b" * 64),
            InputFile(name="stops.csv", bytes=2210, sha256="c" * 64),
        ),
        plan=PLAN,
    )


@pytest.fixture(scope="session")
def result() -> Result:
    """A complete result of an invented field of about 20 ha with a pond; never change it, make a new one."""
    return make_result()


@pytest.fixture(scope="session")
def program() -> Callable[[str], str]:
    """Path of an outside program, or a skip that names it."""

    def find(name: str) -> str:
        path = shutil.which(name)
        if path is None:
            pytest.skip(f"{name} is not installed")
        return path

    return find


BASE_PLAN = {
    "field": {
        "name": "Long Acre",
        "boundary": "boundary.geojson",
        "crop": "oats",
        "stage": "R3",
        "yield_goal": "6 t/ha",
        "price": "200 EUR/t",
        "spray_date": dt.date(2031, 7, 18),
        "harvest": dt.date(2031, 9, 20),
    },
    "scouting": {"stops": "stops.csv"},
    "target": [
        {
            "name": "midge",
            "measure": "count",
            "threshold": 8,
            "source": "own",
            "loss": {"per_unit": 0.01, "cap": 0.5, "source": "own"},
        }
    ],
    "product": [
        {
            "name": "Rowan",
            "controls": {"midge": 0.8},
            "rate": "0.3 L/ha",
            "cost": "100 EUR/L",
            "label": {"min": "0.2 L/ha", "max": "0.4 L/ha"},
        }
    ],
    "machine": {"kind": "ground", "swath": "12 m", "carrier": "150 L/ha", "tank": "1500 L", "cost": "10 EUR/ha"},
}


@pytest.fixture(scope="session")
def plan_of() -> Callable[..., Plan]:
    """Make a plan from a small complete one with some keys set: ``plan_of({"target.0.threshold": 9})``.

    None takes a key out; a number one past the end of a list adds a section like the last.
    """

    def make(keys: dict[str, object] | None = None) -> Plan:
        document: dict[str, object] = copy.deepcopy(BASE_PLAN)
        for place, value in (keys or {}).items():
            *way, last = (int(step) if step.isdigit() else step for step in place.split("."))
            inner: Any = document
            for step in way:
                if isinstance(inner, list):
                    inner += [copy.deepcopy(inner[-1])] if step == len(inner) else []
                    inner = inner[step]
                else:
                    inner = inner.setdefault(step, {})
            if value is None:
                del inner[last]
            elif isinstance(inner, list) and last == len(inner):
                inner.append(value)
            else:
                inner[last] = value
        return Plan.model_validate(document)

    return make


@pytest.fixture(scope="session")
def field_line() -> Callable[..., Any]:
    """Make a finished field of the overview: ``field_line("creek", map=120.0)``."""
    from rxmap.show.overview_rows import FieldLine, PassLine

    def make(name: str = "creek", **changes: Any) -> FieldLine:
        line = FieldLine(
            plan=f"{name}/plan.toml",
            slug=name,
            name=name,
            crop="oats",
            units="metric",
            area_ha=20.0,
            treated_ha=8.0,
            share=0.4,
            decision="map",
            passes=(PassLine(name="Rowan", decision="map", treated_ha=8.0, reason="treating pays", next_look=""),),
            currency="EUR",
            map=120.0,
            all=60.0,
            none=-40.0,
            cautions=("few_stops",),
            outline=_boundary(),
        )
        return replace(line, **changes)

    return make
