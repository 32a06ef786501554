"""The result folder as a whole: what is in it, and that it is the same every time."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from rxmap.errors import CheckError
from rxmap.passes.loads import plan_loads, treated_ground
from rxmap.plan import Machine, Product
from rxmap.records import Result
from rxmap.verify import verify
from rxmap.write.folder import write_result

PUBLISHING = Path(__file__).with_name("publishing.py")


def test_the_folder_holds_what_the_design_promises(written: Path) -> None:
    there = {path.relative_to(written).as_posix() for path in written.rglob("*") if path.is_file()}
    machine = {
        f"passes/hopper-pass/machine/hopper{ending}" for ending in (".geojson", ".shp", ".shx", ".dbf", ".prj", ".cpg")
    }
    assert there == machine | {
        "map.html", "summary.json", "manifest.json", "stops.geojson", "zones.geojson", "keep_out.geojson",
        "surfaces/marsh-leafhopper.tif", "surfaces/ring-speck.tif", "passes/hopper-pass/mix_sheet.csv",
        "check_strips.geojson", "record.json",
    }  # fmt: skip


def test_the_checks_of_a_stranger_find_nothing(tmp_path: Path, result: Result) -> None:
    """`rxmap.verify` shares no code with the writers; what it says of the page is the page's own business."""
    going, staying = result.passes
    loads = plan_loads(
        treated_ground(going, result.field.frame),
        [Product.model_validate(result.plan["product"][0])],
        machine=Machine.model_validate(result.plan["machine"]),
        field=result.field,
    )
    crewed = replace(result, passes=(replace(going, load_plan=loads), staying))
    write_result(crewed, tmp_path, pages={"map.html": "page"})
    assert [line for line in verify(tmp_path).findings if not line.startswith("map.html")] == []


def test_only_the_formats_asked_for_are_written(tmp_path: Path, result: Result) -> None:
    write_result(replace(result, formats=("geojson",)), tmp_path, pages={})
    assert [path.name for path in (tmp_path / "passes/hopper-pass/machine").iterdir()] == ["hopper.geojson"]
    files = json.loads((tmp_path / "summary.json").read_text("utf-8"))["passes"][0]["files"]
    assert list(files) == ["geojson"]


@pytest.mark.parametrize("name", ["", "/map.html", "../map.html", "below/../../map.html", "summary.json"])
def test_a_page_stays_inside_the_folder_and_replaces_nothing(tmp_path: Path, result: Result, name: str) -> None:
    stage = tmp_path / "stage"
    with pytest.raises(CheckError, match="not a free place inside the result folder"):
        write_result(replace(result, targets=(), passes=()), stage, pages={name: "text"})
    assert [path.name for path in tmp_path.iterdir()] == ["stage"]


@pytest.mark.parametrize(
    "surroundings",
    [
        {"TZ": "Pacific/Kiritimati", "PYTHONHASHSEED": "1", "LC_ALL": "C"},
        {"TZ": "Asia/Tokyo", "PYTHONHASHSEED": "4242", "LC_ALL": "C.UTF-8"},
    ],
)
def test_a_second_run_elsewhere_gives_the_same_bytes(
    tmp_path: Path,
    result: Result,
    start: Callable[..., subprocess.Popen[str]],
    tree: Callable[[Path], dict[str, str]],
    surroundings: dict[str, str],
) -> None:
    """Another process, folder, time zone, hash seed and locale."""
    (tmp_path / "here").mkdir()
    write_result(result, tmp_path / "here", pages={"map.html": "run 1"})
    run = start(PUBLISHING, tmp_path / "there", "once", "whole", env=surroundings, cwd=tmp_path)
    assert run.communicate()[1] == ""
    assert run.returncode == 0
    assert tree(tmp_path / "there") == tree(tmp_path / "here")
