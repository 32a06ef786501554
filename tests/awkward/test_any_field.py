"""Whatever the field, the walk and the machine: what must always hold, asked of the written folder.

`rxmap.verify` re-reads the folder inside `publish`; beside it stand sums of our own over what a
general reader (geopandas) finds in the files.
"""

from __future__ import annotations

import contextlib
import csv
import errno
import itertools
import json
import math
import os
import random
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import geopandas
import pyproj
import pytest
import shapely
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from setting import EAST, NORTH, SOUTH, WEST, Folder, feature, features, polygon

from rxmap import pipeline
from rxmap.errors import CheckError, InputError, OutputError

GEOD = pyproj.Geod(ellps="WGS84")
OVERLAP_M2 = 0.01  # of treated ground and a keep-out: what 7 decimals of a degree can do


@dataclass(frozen=True)
class World:
    """One random plan."""

    seed: int
    corners: int
    pond: bool
    ditch: bool
    stops: int
    measure: str
    level: float
    slope: float
    machine: str
    cell: int


worlds = st.builds(
    World,
    seed=st.integers(0, 10**6),
    corners=st.integers(3, 14),
    pond=st.booleans(),
    ditch=st.booleans(),
    stops=st.sampled_from([1, 5, 12, 24, 40]),
    measure=st.sampled_from(["count", "incidence", "severity"]),
    level=st.floats(0.0, 3.0),
    slope=st.floats(0.0, 4.0),
    machine=st.sampled_from(
        ['kind = "ground"\nswath = "18 m"\nsections = 6', 'kind = "drone"\nswath = "7 m"\ntank = "12 L"',
         'kind = "ground"\nswath = "36 m"\nheading = 33\ntrip = "80 EUR"']
    ),
    cell=st.integers(4, 15),
)  # fmt: skip


def lay(world: World, path: Path) -> Folder:
    """Write the plan and files of a random world."""
    chance = random.Random(world.seed)
    folder = Folder(path, chance)
    turns = sorted(2 * math.pi * (k + 0.8 * chance.random()) / world.corners for k in range(world.corners))
    reach = [0.3 + 0.4 * chance.random() for _ in turns]
    ring = [_at(0.5 + r * math.cos(t), 0.5 + r * math.sin(t)) for r, t in zip(reach, turns, strict=True)]
    rings = [[*ring, ring[0]]]
    if world.pond and shapely.Polygon(rings[0]).contains(shapely.Point(_at(0.5, 0.5)).buffer(0.0004)):
        rings.append([_at(0.5 + 0.04 * x, 0.5 + 0.04 * y) for x, y in ((0, 0), (0, 1), (1, 1), (1, 0), (0, 0))])
    folder.write("boundary.geojson", polygon(*rings))
    folder.rows = _walk(world, chance, shapely.Polygon(rings[0], rings[1:]))
    folder.save()
    _adapt(world, folder)
    return folder


def _at(x: float, y: float) -> list[float]:
    return [round(WEST + (EAST - WEST) * x, 7), round(SOUTH + (NORTH - SOUTH) * y, 7)]


def _walk(world: World, chance: random.Random, ground: shapely.Polygon) -> list[dict[str, str]]:
    rows: list[dict[str, str]] = []
    while len(rows) < world.stops:
        x, y = chance.random(), chance.random()
        if not ground.contains(shapely.Point(_at(x, y))):
            continue
        lon, lat = _at(x, y)
        mean = math.exp(min(world.level + world.slope * (x - 0.5), 4.0)) * chance.gammavariate(4, 0.25)
        value = {"count": 10 * mean, "incidence": min(10, mean), "severity": min(100, mean)}[world.measure]
        rows.append(
            {"stop": f"S{len(rows)}", "lon": f"{lon:.7f}", "lat": f"{lat:.7f}", "date": "2031-06-08",
             "target": "reed aphid", "n": "10", "count": "", "positives": "", "severity_pct": ""}
        )  # fmt: skip
        column = {"count": "count", "incidence": "positives", "severity": "severity_pct"}[world.measure]
        rows[-1][column] = f"{value:.1f}" if world.measure == "severity" else str(round(value))
    return rows


def _adapt(world: World, folder: Folder) -> None:
    per = "per = 10\n" if world.measure == "count" else ""
    folder.replace('measure = "count"', f'measure = "{world.measure}"')
    folder.replace("per = 10\n", per)
    folder.replace('kind = "ground"\nswath = "18 m"\nsections = 6', world.machine)
    if "tank" in world.machine:
        folder.replace('carrier = "150 L/ha"\ntank = "1500 L"', 'carrier = "20 L/ha"')
    folder.replace('cell = "6 m"', f'cell = "{world.cell} m"')
    if world.ditch:
        line = {"type": "LineString", "coordinates": [_at(0.2, 0.3), _at(0.8, 0.55)]}
        folder.write("ditch.geojson", features(feature(line)))
        folder.add('[[keep_out]]\nfile = "ditch.geojson"\nsetback = "9 m"\nreason = "ditch"')


def holds(world: World) -> None:
    """Build, then ask the files what must always hold."""
    with tempfile.TemporaryDirectory() as path:
        out = Path(path, "out")
        folder = lay(world, Path(path))
        with contextlib.suppress(InputError):  # cells wider than a sliver of a field
            pipeline.build(folder.plan_path, out)
        if not out.exists():
            return
        summary = json.loads((out / "summary.json").read_text())
        for target in summary["targets"]:
            assert target["stops"]["read"] == target["stops"]["used"] + target["stops"]["unused"] == world.stops
        boundary = geopandas.read_file(folder.path / "boundary.geojson").geometry.iloc[0]
        for one in summary["passes"]:
            if one["files"]:
                _pass_holds(out, one, boundary)


def _pass_holds(out: Path, one: dict, boundary: shapely.Polygon) -> None:
    layer = geopandas.read_file(out / one["files"]["geojson"])
    label = (0.2, 0.4)
    assert layer.geometry.is_valid.all()
    assert all(rate == 0 or label[0] <= rate <= label[1] for rate in layer["rate"])
    treated = layer[layer["treat"] == 1]
    keep_outs = geopandas.read_file(out / "keep_out.geojson")
    for ground in keep_outs.geometry:
        assert sum(map(_m2, treated.geometry.intersection(ground))) <= OVERLAP_M2
    # treated ground is inside the boundary as drawn, to the rounding of its corners along the edge
    assert sum(map(_m2, treated.geometry.difference(boundary))) <= 0.01 * _perimeter(boundary)
    # and its edges move where the points that parts share on them are written with seven decimals
    assert math.isclose(sum(map(_m2, layer.geometry)), _m2(boundary), rel_tol=1e-5, abs_tol=0.01 * _perimeter(boundary))
    drawn = sum(rate * area for rate, area in zip(layer["rate"], layer["area_ha"], strict=True))
    total = one["products"][0]["total"]
    assert math.isclose(drawn, total, rel_tol=1e-3, abs_tol=1e-3)
    text = (out / "passes" / one["slug"] / "mix_sheet.csv").read_text()
    rows = [row for row in csv.DictReader(text.splitlines()) if row["item"] == "Rowan" and row["load"].isdigit()]
    mixed = math.fsum(float(row["amount"]) * {"mL": 0.001, "L": 1.0}[row["unit"]] for row in rows)
    assert math.isclose(mixed, total, rel_tol=0.01), (mixed, total)  # what a jug shows


def _m2(shape: shapely.Geometry) -> float:
    return abs(GEOD.geometry_area_perimeter(shape)[0]) if shape.geom_type.endswith("Polygon") else 0.0


def _perimeter(shape: shapely.Geometry) -> float:
    return float(abs(GEOD.geometry_area_perimeter(shape)[1]))


ONCE = settings(
    max_examples=4, deadline=None, derandomize=True, phases=[Phase.generate],
    suppress_health_check=[HealthCheck.too_slow],
)  # fmt: skip


@ONCE
@given(worlds)
def test_what_must_always_hold_holds_in_any_field(world: World) -> None:
    holds(world)


@pytest.mark.long
@settings(ONCE, max_examples=60, phases=[Phase.generate, Phase.shrink])
@given(worlds)
def test_it_holds_in_many_fields(world: World) -> None:
    holds(world)


def digests(folder: Path) -> dict[str, str]:
    """Hashes of the files of a result, its manifest aside, which holds those of the inputs."""
    return {one["path"]: one["sha256"] for one in json.loads((folder / "manifest.json").read_text())["files"]}


def same_bytes(world: World) -> None:
    """Build twice: the rows in another order, in another folder."""
    with tempfile.TemporaryDirectory() as path, tempfile.TemporaryDirectory() as other:
        try:
            pipeline.build(lay(world, Path(path)).plan_path, Path(path, "out"))
        except InputError:
            return
        folder = lay(world, Path(other))
        random.Random(world.seed).shuffle(folder.rows)
        folder.save()
        pipeline.build(folder.plan_path, Path(other, "far", "result"))
        assert digests(Path(path, "out")) == digests(Path(other, "far", "result"))


@settings(ONCE, max_examples=1)
@given(worlds)
def test_the_order_of_rows_and_the_folder_change_no_byte_in_any_field(world: World) -> None:
    same_bytes(world)


@pytest.mark.long
@settings(ONCE, max_examples=12)
@given(worlds)
def test_they_change_no_byte_in_many_fields(world: World) -> None:
    same_bytes(world)


def whole_or_absent(world: World, call: int) -> bool:
    """Let one call that writes, syncs or moves fail, and say whether it was reached: the old result must stand."""
    with tempfile.TemporaryDirectory() as path:
        folder, out = lay(world, Path(path)), Path(path, "out")
        try:
            pipeline.build(folder.plan_path, out)
        except InputError:
            return False
        before = {one: one.read_bytes() for one in out.rglob("*") if one.is_file()}
        folder.replace('"210 EUR/t"', '"190 EUR/t"')
        with pytest.MonkeyPatch.context() as patch:
            calls = _failing(patch, call)
            with contextlib.suppress(OutputError):
                pipeline.build(folder.plan_path, out, replace=True)
        if next(calls) > call:
            assert {one: one.read_bytes() for one in out.rglob("*") if one.is_file()} == before
            assert not list(Path(path).glob(".rxmap*"))
        return next(calls) > call


def _failing(patch: pytest.MonkeyPatch, call: int) -> Iterator[int]:
    calls = itertools.count()

    def failing(sound: Callable[..., object]) -> Callable[..., object]:
        def once(*given: object, **more: object) -> object:
            if "dir_fd" not in more and next(calls) == call:  # what tidies up goes by handles of folders
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            return sound(*given, **more)

        return once

    for name in ("write", "fsync", "replace", "rename"):
        patch.setattr(os, name, failing(getattr(os, name)))
    return calls


@settings(ONCE, max_examples=1)
@given(worlds, st.integers(0, 40))
def test_the_old_result_stands_whatever_call_fails_in_any_field(world: World, call: int) -> None:
    whole_or_absent(world, call)


@pytest.mark.long
@settings(ONCE, max_examples=12)
@given(worlds, st.integers(0, 120))
def test_it_stands_in_many_fields(world: World, call: int) -> None:
    whole_or_absent(world, call)


def test_the_call_that_these_tests_let_fail_is_reached() -> None:
    assert whole_or_absent(FOUND["a part that two zones share"], 9)


GROUND, DRONE = 'kind = "ground"\nswath = "18 m"\nsections = 6', 'kind = "drone"\nswath = "7 m"\ntank = "12 L"'
FOUND = {  # what random fields found, kept
    "a small total lost its last digit": World(792447, 6, False, False, 12, "severity", 1.0644, 2.0988, DRONE, 5),
    "areas that seven decimals move": World(1, 3, False, False, 1, "count", 0.0, 0.0, GROUND, 4),
    "a part that two zones share": World(196669, 7, False, True, 40, "incidence", 2.94468, 3.70772, DRONE, 13),
}


@pytest.mark.parametrize("world", FOUND.values(), ids=FOUND)
def test_it_holds_where_it_once_did_not(world: World) -> None:
    holds(world)


SMALL = [
    (32, 32, 0.5),
    *(pytest.param(*one, marks=pytest.mark.long) for one in ((15, 15, 0.3), (6, 900, 0.4), (30, 100, 0.1))),
    *(pytest.param(*one, marks=pytest.mark.long) for one in ((20, 20, 0.0), (120, 3, 0.0))),
]


@pytest.mark.parametrize(("wide", "high", "turn"), SMALL)
def test_small_and_narrow_fields_pass_their_own_checks(wide: float, high: float, turn: float, tmp_path: Path) -> None:
    """Areas are written to a square metre, money to a hundredth: of a small field that is much."""
    chance = random.Random(2)
    folder = Folder(tmp_path, chance)

    def place(x: float, y: float) -> list[float]:
        east, north = x * math.cos(turn) - y * math.sin(turn), x * math.sin(turn) + y * math.cos(turn)
        return [round(WEST + east / 71_500, 7), round(SOUTH + north / 111_250, 7)]  # metres of a degree at 50 N, about

    folder.write(
        "boundary.geojson", polygon([place(x * wide, y * high) for x, y in ((0, 0), (1, 0), (1, 1), (0, 1), (0, 0))])
    )
    for row in folder.rows:
        lon, lat = place(wide * chance.uniform(0.05, 0.95), high * chance.uniform(0.05, 0.95))
        row.update(lon=f"{lon:.7f}", lat=f"{lat:.7f}")
    folder.save()
    pipeline.build(folder.plan_path, tmp_path / "out")
    (told,) = json.loads((tmp_path / "out/summary.json").read_text())["passes"]
    assert told["decision"] == "all"
    assert 0.997 < told["share"] <= 1.0  # half a square metre of 225


# --- the suite itself: a broken writer must turn it red ---


@pytest.mark.parametrize("fault", ["rate", "stop", "ground", "byte"])
def test_a_broken_writer_is_found_and_publishes_nothing(
    fault: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    sound = pipeline.write_result

    def broken(result, stage, **more):  # type: ignore[no-untyped-def]
        sound(result, stage, **more)
        manifest = stage / "manifest.json"
        target = {"rate": "passes/*/machine/*.geojson", "ground": "passes/*/machine/*.geojson"}.get(
            fault, "stops.geojson"
        )
        path = next(stage.glob("map.html" if fault == "byte" else target))
        text = path.read_text()
        if fault == "rate":
            path.write_text(text.replace('"rate": 0.3', '"rate": 0.6').replace('"rate":0.3', '"rate":0.6'))
        elif fault == "byte":
            path.write_text(text.replace("e", "a", 1))
        else:  # one feature less
            document = json.loads(text)
            document["features"].pop()
            path.write_text(json.dumps(document))
        assert path.read_text() != text
        _seal(manifest, stage)

    monkeypatch.setattr(pipeline, "write_result", broken)
    folder = Folder(tmp_path, random.Random(1))
    with pytest.raises(CheckError):
        pipeline.build(folder.plan_path, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def _seal(manifest: Path, stage: Path) -> None:
    """Give every changed file its right hash, so that hashes alone cannot tell; the page is left as it is."""
    import hashlib

    document = json.loads(manifest.read_text())
    for one in document["files"]:
        name = one.get("path", one.get("name"))
        if name != "map.html":
            data = (stage / name).read_bytes()
            one.update(bytes=len(data), sha256=hashlib.sha256(data).hexdigest())
    manifest.write_text(json.dumps(document))
