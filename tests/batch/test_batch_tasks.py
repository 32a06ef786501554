"""Which plans are found, what their results are called, and when a field counts as done."""

from __future__ import annotations

import json
import os
import re
import shutil
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rxmap.batch.tasks import find_tasks, input_paths, is_done, result_names
from rxmap.errors import InputError
from rxmap.pipeline import build
from rxmap.plan import read_plan
from rxmap.read.inputs import read_inputs

PARTS = st.text(st.characters(exclude_characters="/\0", exclude_categories=["Cs"]), min_size=1, max_size=50)
PATHS = st.lists(st.lists(PARTS, min_size=1, max_size=3).map(lambda parts: "/".join(parts) + ".toml"), unique=True)


@given(PATHS)
def test_every_plan_has_a_folder_of_its_own_that_any_system_can_hold(names):
    found = result_names(names)
    assert len(set(found)) == len(names)
    assert all(re.fullmatch(r"[a-z0-9]([a-z0-9-]{0,38}[a-z0-9])?", slug) for slug in found)


@given(PATHS, st.randoms())
def test_names_do_not_depend_on_the_order_in_which_plans_are_found(names, chance):
    shuffled = chance.sample(names, len(names))
    assert dict(zip(names, result_names(names), strict=True)) == dict(
        zip(shuffled, result_names(shuffled), strict=True)
    )


def test_plans_are_found_in_every_folder_but_hidden_ones_and_the_output(tmp_path):
    for name in (
        "a/plan.toml",
        "a/b/c/late.TOML",
        "plan.toml",
        ".git/plan.toml",
        "a/.plan.toml",
        "out/fields/plan.toml",
    ):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text("")
    found = find_tasks(tmp_path, tmp_path / "out")
    assert [task.name for task in found.tasks] == ["a/b/c/late.TOML", "a/plan.toml", "plan.toml"]
    assert [task.slug for task in found.tasks] == ["a-b-c-late", "a", "plan"]


def test_a_loop_of_links_is_named_and_not_followed(tmp_path):
    (tmp_path / "field").mkdir()
    (tmp_path / "field/plan.toml").write_text("")
    (tmp_path / "field/round").symlink_to(tmp_path, target_is_directory=True)
    (tmp_path / "self.toml").symlink_to(tmp_path / "self.toml")
    found = find_tasks(tmp_path, tmp_path / "out")
    assert [task.name for task in found.tasks] == ["field/plan.toml", "self.toml"]
    assert found.links == ("field/round",)


@pytest.mark.parametrize("name", ["absent", "file", "empty"])
def test_a_folder_without_a_plan_is_refused(tmp_path, name):
    (tmp_path / "file").write_text("")
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputError, match=r"no such folder|no plan"):
        find_tasks(tmp_path / name, tmp_path / "out")


def test_a_name_from_another_time_stays_printable(tmp_path):
    os.makedirs(os.fsencode(tmp_path) + b"/f\xe4ld\x1b[31m")  # bytes that are no UTF-8, and a terminal's command
    Path(os.fsdecode(os.fsencode(tmp_path) + b"/f\xe4ld\x1b[31m/plan.toml")).write_text("")
    (task,) = find_tasks(tmp_path, tmp_path / "out").tasks
    assert task.name.isprintable()
    assert task.plan.exists()


@pytest.mark.parametrize("sample", ["teasel", "larkspur", "burnet"])
def test_the_files_of_a_plan_are_those_that_a_build_reads(sample):
    plan = read_plan(Path(__file__).parents[2] / "sample_layers" / sample / "plan.toml")
    assert sorted(input_paths(plan)) == sorted(file.name for file in read_inputs(plan).files)


def test_every_file_that_a_plan_can_name_for_a_build_is_one_of_its_files(tmp_path):
    page = (Path(__file__).parents[2] / "docs/plan.md").read_text(encoding="utf-8")
    example = page.split("```toml\n")[1].split("```")[0]  # has every key
    (tmp_path / "plan.toml").write_text(example, encoding="utf-8")
    before_review = example.split("\n[review", 1)[0]
    named = set(re.findall(r'"([\w./-]+\.(?:csv|geojson|tif|shp|gpkg|kml|gpx|zip|json))"', before_review))
    assert len(named) >= 6
    for name in named:
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text("")
    assert set(input_paths(read_plan(tmp_path / "plan.toml"))) == named | {"plan.toml"}


def test_side_cars_of_a_shapefile_belong_to_the_files_of_a_plan(plan_of, tmp_path):
    for name in ("stops.csv", "edge.shp", "edge.SHX", "edge.dbf", "edge.prj", "edge.qix"):
        (tmp_path / name).write_text("")
    plan = plan_of({"field.boundary": "edge.shp"}).model_copy(update={"path": tmp_path / "plan.toml"})
    assert sorted(input_paths(plan)) == ["edge.SHX", "edge.dbf", "edge.prj", "edge.shp", "plan.toml", "stops.csv"]


@pytest.fixture(scope="module")
def built(plant, tmp_path_factory):
    folder = tmp_path_factory.mktemp("built")
    plan = plant(folder, "field")
    build(plan, folder / "result")
    return folder


def changed_input(folder: Path) -> None:
    stops = folder / "field/stops.csv"
    stops.write_text(stops.read_text().replace(",4.0,", ",4.1,"))


def edited_result(folder: Path) -> None:
    (folder / "result/map.html").write_text("by hand")


def another_version(folder: Path) -> None:
    manifest = json.loads((folder / "result/manifest.json").read_text())
    (folder / "result/manifest.json").write_text(json.dumps({**manifest, "rxmap": "0.0.1"}))


def lost_input(folder: Path) -> None:
    (folder / "field/stops.csv").unlink()


def half_result(folder: Path) -> None:
    (folder / "result/manifest.json").unlink()


def odd_manifest(folder: Path) -> None:
    (folder / "result/manifest.json").write_text("[]")


@pytest.mark.parametrize(
    "spoil", [None, changed_input, edited_result, another_version, lost_input, half_result, odd_manifest]
)
def test_a_field_is_done_only_as_long_as_nothing_about_it_changed(built, tmp_path, spoil):
    shutil.copytree(built, tmp_path / "copy")
    if spoil is not None:
        spoil(tmp_path / "copy")
    (task,) = find_tasks(tmp_path / "copy", tmp_path / "out").tasks
    assert is_done(task, tmp_path / "copy/result") == (spoil is None)
