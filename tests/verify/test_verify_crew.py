"""Break the papers of the crew and the machine files beside the GeoJSON, seal the folder, and see verify go red."""

from __future__ import annotations

import copy
import csv
import hashlib
import io
import json
import re
import shutil
import sqlite3
import zipfile
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from breaking import Mutation, Mutations, see_it_red

from rxmap.records import PassResult, Result
from rxmap.verify import CHECKS, verify
from rxmap.verify.mix_sheet import computes

PASS = "passes/hopper-pass"
SHEET, LOADS, PAGE = f"{PASS}/mix_sheet.csv", f"{PASS}/loads.geojson", f"{PASS}/hand_over.txt"
STRIPS, MACHINE, ZIP = "check_strips.geojson", f"{PASS}/machine", f"{PASS}/hopper.zip"
LAYER, GPKG, KML = (f"{MACHINE}/hopper.{end}" for end in ("geojson", "gpkg", "kml"))
TASK = f"{MACHINE}/experimental-polygons/TASKDATA/TASKDATA.XML"
TEST_ZONE = f"{PASS}/testzone/testzone.geojson"
MUTATIONS = Mutations()
found_in = MUTATIONS.found_in


def test_a_result_with_all_papers_and_formats_passes_every_check(whole: Path) -> None:
    report = verify(whole)
    assert report.findings == ()
    assert len(report.checked) == len(CHECKS)


@pytest.mark.parametrize("structure", ["grid-1", "grid-2"])
def test_cells_of_task_data_are_proved_and_a_dose_beside_its_part_is_found(
    papers: Callable[..., Path], seal: Callable[[Path], None], structure: str
) -> None:
    folder = papers(("geojson", f"task-data-{structure}"))
    assert verify(folder).findings == ()
    task = f"{MACHINE}/experimental-{structure}/TASKDATA/TASKDATA.XML"
    cells = folder / task.replace("TASKDATA.XML", "GRD00001.BIN")
    values = np.frombuffer(cells.read_bytes(), "u1" if structure == "grid-1" else "<i4")
    cells.write_bytes(values[::-1].tobytes())
    seal(folder)
    assert [line for line in verify(folder).findings if line.startswith(task) and "cells" in line]


@pytest.mark.parametrize("raised", [False, True])
def test_at_the_label_maximum_a_sheet_may_be_steps_short_but_not_one_above(
    coherent: Result,
    written: Callable[[Result], Path],
    repeat: Callable[[PassResult, Result], PassResult],
    seal: Callable[[Path], None],
    raised: bool,
) -> None:
    plan = copy.deepcopy(dict(coherent.plan))
    plan["product"][0]["label"]["max"] = {"magnitude": 9.0, "unit": "floz/acre"}  # type: ignore[index]
    changed = replace(coherent, plan=plan)
    folder = written(replace(changed, passes=(repeat(coherent.passes[0], changed), coherent.passes[1])))
    amounts = [line.split(",") for line in (folder / SHEET).read_text().splitlines() if ",Exampline 200," in line]
    total = json.loads((folder / "summary.json").read_text())["passes"][0]["products"][0]["total"]
    assert sum(float(row[3]) for row in amounts) < total - 0.05  # more than half a step of 0.1 floz
    if raised:
        more(folder, 2, 0.1)
        seal(folder)
    found = [line for line in verify(folder).findings if "the label's maximum" in line]
    assert bool(found) is raised
    assert raised or verify(folder).ok


RUBBISH = (b"", b"\xff\xfe\x00", b"{}", b"[" * 10_000, b"<a>" * 1000)


@pytest.mark.parametrize("content", RUBBISH)
def test_rubbish_in_all_papers_is_a_finding_of_each_and_never_an_error(torn: Path, content: bytes) -> None:
    names = [SHEET, LOADS, PAGE, STRIPS, GPKG, KML, TASK, ZIP, TEST_ZONE, "record.json"]
    for name in names:
        (torn / name).write_bytes(content)
    told = [line for line in verify(torn).findings if "the manifest says" not in line]
    assert [name for name in names if not any(line.startswith(name) for line in told)] == []


@pytest.mark.parametrize(("mutation", "file", "words"), MUTATIONS)
def test_a_broken_paper_goes_red_though_its_hashes_are_right(
    torn: Path, mutation: Mutation, file: str, words: str, seal: Callable[[Path], None]
) -> None:
    mutation(torn)
    see_it_red(torn, seal, file=file, words=words)


@pytest.mark.parametrize("text", ["=1", "+1", "-1", "@a", "\t=1", " =1", "\u200b=1", "\uff1d1"])
def test_a_cell_that_a_spreadsheet_computes_is_known(text: str) -> None:
    # OWASP, CSV Injection, lists = + - @ tab and carriage return (from memory)
    assert computes(text)
    assert not computes("'" + text)


def rows(folder: Path, change: Callable[[list[list[str]]], object]) -> None:
    """Change the rows of the mix sheet; row 0 is the heads, then water and product of load 1."""
    table = list(csv.reader(io.StringIO((folder / SHEET).read_text(), newline="")))
    change(table)
    text = io.StringIO(newline="")
    csv.writer(text).writerows(table)
    (folder / SHEET).write_text(text.getvalue(), newline="")


def cell(folder: Path, row: int, column: int, text: str) -> None:
    rows(folder, lambda table: table[row].__setitem__(column, text))


def more(folder: Path, row: int, by: float) -> None:
    """Change an amount of the mix sheet."""

    def change(table: list[list[str]]) -> None:
        decimals = len(table[row][3].partition(".")[2])
        table[row][3] = f"{float(table[row][3]) + by:.{decimals}f}"

    rows(folder, change)


def document(folder: Path, name: str, change: Callable[[Any], object]) -> None:
    content = json.loads((folder / name).read_text())
    change(content)
    (folder / name).write_text(json.dumps(content))


def attribute(folder: Path, name: str, feature: int, **values: object) -> None:
    document(folder, name, lambda content: content["features"][feature]["properties"].update(values))


def moved(folder: Path, name: str, feature: int, *, east: float = 0.0, north: float = 0.0) -> None:
    """Move a polygon by so many degrees; its box and the file's follow, so that nothing else is wrong."""

    def shift(content: Any) -> None:
        geometry = content["features"][feature]["geometry"]
        polygons = [geometry["coordinates"]] if geometry["type"] == "Polygon" else geometry["coordinates"]
        for at in (at for polygon in polygons for ring in polygon for at in ring):
            at[0], at[1] = round(at[0] + east, 7), round(at[1] + north, 7)
        for one in (content, *content["features"]):
            one.pop("bbox", None)

    document(folder, name, shift)


def text(folder: Path, name: str, old: str, new: str) -> None:
    content = (folder / name).read_text()
    assert old in content
    (folder / name).write_text(content.replace(old, new, 1), newline="")


def plan(folder: Path, change: Callable[[Any], object]) -> None:
    document(folder, "manifest.json", lambda content: change(content["plan"]))


# The mix sheet -----------------------------------------------------------------------------------


@found_in(SHEET, "loads of 'Exampline 200' add up to")
def product_one_step_too_much(folder: Path) -> None:
    more(folder, 2, 0.1)


@found_in(SHEET, "loads of 'Exampline 200' add up to")
def product_one_step_too_little(folder: Path) -> None:
    more(folder, 2, -0.1)


@found_in(SHEET, "the other loads have")
def product_of_one_load_in_another(folder: Path) -> None:
    """The sum stays right, and so does each load by its label."""
    table = list(csv.reader(io.StringIO((folder / SHEET).read_text(), newline="")))
    last = max(number for number, row in enumerate(table) if row[2] == table[2][2])
    more(folder, 2, 3.0)
    more(folder, last, -3.0)


@found_in(SHEET, "water and products add up to")
def water_one_gallon_too_much(folder: Path) -> None:
    more(folder, 1, 1.0)


@found_in(SHEET, "the tank takes")
def load_larger_than_the_tank(folder: Path) -> None:
    more(folder, 1, 3.0)


@found_in(SHEET, "should be at most")
def load_above_the_label(folder: Path) -> None:
    more(folder, 2, 30.0)


@found_in(SHEET, "should be at least")
def load_below_the_label(folder: Path) -> None:
    more(folder, 2, -30.0)


@found_in(SHEET, "the machine's endurance is")
def load_longer_than_the_battery(folder: Path) -> None:
    plan(folder, lambda content: content["machine"].update(endurance={"magnitude": 1.0, "unit": "minute"}))


@found_in(SHEET, "do not stand there once")
def product_missing_in_a_load(folder: Path) -> None:
    rows(folder, lambda table: table.pop(-1))


@found_in(SHEET, "columns")
def columns_renamed(folder: Path) -> None:
    cell(folder, 0, 1, "area")


@found_in(SHEET, "computes in a spreadsheet")
def formula_in_the_mix_sheet(folder: Path) -> None:
    cell(folder, 1, 2, '=HYPERLINK("x")')


@found_in(SHEET, "should be water or a product of the pass")
def another_product_in_the_mix_sheet(folder: Path) -> None:
    cell(folder, 2, 2, "Samplazole")


@found_in(SHEET, "areas add up to")
def area_of_a_load_edited(folder: Path) -> None:
    rows(folder, lambda table: [row.__setitem__(1, "3.0000") for row in table[1:] if row[0] == "1"])


@found_in(SHEET, "is missing")
def no_mix_sheet(folder: Path) -> None:
    (folder / SHEET).unlink()


# The loads ---------------------------------------------------------------------------------------


@found_in(LOADS, "outside the treated ground")
def load_moved(folder: Path) -> None:
    moved(folder, LOADS, 0, north=2e-5)


@found_in(LOADS, "shares")
def load_on_the_ground_of_another(folder: Path) -> None:
    def copy(content: Any) -> None:
        content["features"][1]["geometry"] = content["features"][0]["geometry"]

    document(folder, LOADS, copy)


@found_in(LOADS, "the tank takes")
def volume_larger_than_the_tank(folder: Path) -> None:
    attribute(folder, LOADS, 0, volume_l=60.0)


@found_in(LOADS, "its ground has")
def load_area_edited(folder: Path) -> None:
    attribute(folder, LOADS, 0, area_ha=2.0)


@found_in(LOADS, "the mix sheet has")
def volume_of_another_mix(folder: Path) -> None:
    attribute(folder, LOADS, 0, volume_l=20.0)


@found_in(LOADS, "as they are driven")
def load_removed(folder: Path) -> None:
    document(folder, LOADS, lambda content: content["features"].pop(0))


# The check strips --------------------------------------------------------------------------------


@found_in(STRIPS, "of it treated in")
def strip_on_treated_ground(folder: Path) -> None:
    moved(folder, STRIPS, 0, east=2e-4)


@found_in(STRIPS, "of it treated in")
def strip_treated_in_the_layer(folder: Path) -> None:
    attribute(folder, LAYER, 5, treat=1, rate=9.0, volume=2.0)


@found_in(STRIPS, "outside the field")
def strip_outside_the_field(folder: Path) -> None:
    moved(folder, STRIPS, 0, east=1e-2)


@found_in(STRIPS, "in the keep-out 'ditch'")
def strip_in_a_keep_out(folder: Path) -> None:
    moved(folder, STRIPS, 0, north=1.2e-3)


@found_in(STRIPS, "its ground has")
def strip_area_edited(folder: Path) -> None:
    attribute(folder, STRIPS, 0, area_ha=0.2)


@found_in(LAYER, "of a check strip that is not in")
def strip_not_listed(folder: Path) -> None:
    document(folder, STRIPS, lambda content: content.update(features=[]))


@found_in("summary.json", "check strips; check_strips.geojson has 1")
def strips_miscounted(folder: Path) -> None:
    document(folder, "summary.json", lambda content: content["passes"][0]["check_strips"].update(count=2))


@found_in("summary.json", "ha of check strips")
def strip_total_edited(folder: Path) -> None:
    document(folder, "summary.json", lambda content: content["passes"][0]["check_strips"].update(area_ha=0.2))


@found_in(STRIPS, "should be at most a tenth")
def strips_on_most_of_the_ground(folder: Path) -> None:
    def swap(content: Any) -> None:  # the eastern part and its strip change roles
        east, strip = content["features"][3]["properties"], content["features"][5]["properties"]
        for key in ("treat", "rate", "volume", "reason"):
            east[key], strip[key] = strip[key], east[key]

    document(folder, LAYER, swap)
    east = json.loads((folder / LAYER).read_text())["features"][3]["geometry"]
    document(folder, STRIPS, lambda content: content["features"][0].update(geometry=east))


# The hand-over -----------------------------------------------------------------------------------


@found_in(PAGE, "spray quality is not told as")
def spray_quality_edited(folder: Path) -> None:
    text(folder, PAGE, "very coarse", "fine")


@found_in(PAGE, "flow is not told as")
def flow_edited(folder: Path) -> None:
    text(folder, PAGE, "Flow         ", "Flow         9")


@found_in(PAGE, "SHA of 'hopper.kml'")
def hash_of_another_file(folder: Path) -> None:
    digest = hashlib.sha256((folder / KML).read_bytes()).hexdigest()
    text(folder, PAGE, digest, digest[::-1])


@found_in(PAGE, "'hopper.kml' is not listed")
def file_without_a_hash(folder: Path) -> None:
    page = (folder / PAGE).read_text()
    (folder / PAGE).write_text(re.sub(r"[0-9a-f]{64}\s+hopper\.kml\n", "", page))


@found_in(PAGE, "re-entry is not told as")
def waiting_time_cut(folder: Path) -> None:
    text(folder, PAGE, "12 hours after spraying ends", "12 hour")


@found_in(PAGE, "product is not told as")
def another_total_on_the_page(folder: Path) -> None:
    text(folder, PAGE, " floz on the ground", "9 floz on the ground")


@found_in(PAGE, "treated area is not told as")
def another_area_on_the_page(folder: Path) -> None:
    page = (folder / PAGE).read_text()
    (folder / PAGE).write_text(re.sub(r"area [0-9.]+ ha", "area 1.0000 ha", page))


@found_in(PAGE, "treated area of 1.00 acre")
def another_area_in_acres(folder: Path) -> None:
    page = (folder / PAGE).read_text()
    (folder / PAGE).write_text(re.sub(r"= [0-9.]+ acre", "= 1.00 acre", page))


@found_in(PAGE, "number of loads is not told as")
def another_number_of_loads_on_the_page(folder: Path) -> None:
    text(folder, PAGE, "Loads        4", "Loads        3")


# Machine formats ---------------------------------------------------------------------------------


@found_in(GPKG, "rate is '8.0'")
def rate_changed_in_the_geopackage(folder: Path) -> None:
    with closing(sqlite3.connect(folder / GPKG)) as database:
        database.execute("update hopper set rate = 8.0 where treat = 1 and zone = 2")
        database.commit()


@found_in(GPKG, "5 features")
def feature_removed_from_the_geopackage(folder: Path) -> None:
    with closing(sqlite3.connect(folder / GPKG)) as database:
        database.execute("delete from hopper where fid = 2")
        database.commit()


@found_in(GPKG, "cannot be read as a GeoPackage")
def geopackage_of_rubbish(folder: Path) -> None:
    (folder / GPKG).write_bytes(b"rubbish" * 1000)


@found_in(KML, "5 polygons")
def polygon_removed_from_the_kml(folder: Path) -> None:
    page = (folder / KML).read_text()
    (folder / KML).write_text(re.sub(r"<Placemark>.*?</Placemark>", "", page, count=1, flags=re.DOTALL))


@found_in(KML, "name is '8 floz/acre'")
def rate_changed_in_the_kml(folder: Path) -> None:
    text(folder, KML, "<name>9 floz/acre", "<name>8 floz/acre")


@found_in(KML, "coordinates differ")
def vertex_moved_in_the_kml(folder: Path) -> None:
    text(folder, KML, "10.1024000,", "10.1024001,")


@found_in(TASK, "value 187090 on")
def value_changed_in_the_task(folder: Path) -> None:
    # 2 gal/acre are 18.7079 L/ha, 187079 steps of 0.01 mm3/m2
    page = (folder / TASK).read_text()
    (folder / TASK).write_text(re.sub(r'B="1870\d\d"', 'B="187090"', page))


@found_in(TASK, "value outside the field is 1870")
def task_with_a_rate_outside_the_field(folder: Path) -> None:
    text(folder, TASK, ' J="0"', ' J="1"')


@found_in(TASK, "polygons of passes")
def polygon_moved_in_the_task(folder: Path) -> None:
    page = (folder / TASK).read_text()
    head, tail = page.split("</PFD>", 1)
    tail = tail.replace('D="10.102400000"', 'D="10.102400100"', 1)
    (folder / TASK).write_text(f"{head}</PFD>{tail}")


@found_in(TASK, "the field differs by")
def task_for_another_field(folder: Path) -> None:
    page = (folder / TASK).read_text()
    head, tail = page.split("</PFD>", 1)
    (folder / TASK).write_text(head.replace('D="10.1000000', 'D="10.0990000') + "</PFD>" + tail)


@found_in(ZIP, "'hopper.kml' differs from")
def member_of_the_archive_changed(folder: Path) -> None:
    with zipfile.ZipFile(folder / ZIP) as archive:
        content = {name: archive.read(name) for name in archive.namelist()}
    with zipfile.ZipFile(folder / ZIP, "w") as archive:
        for name, each in content.items():
            archive.writestr(name, each + (b" " if name == "hopper.kml" else b""))


@found_in(ZIP, "cannot be read as a ZIP archive")
def archive_cut_off(folder: Path) -> None:
    (folder / ZIP).write_bytes((folder / ZIP).read_bytes()[:-30])


# The test zone -----------------------------------------------------------------------------------


@found_in(TEST_ZONE, "should be 0 and 9.0, one square each")
def square_with_another_rate(folder: Path) -> None:
    attribute(folder, TEST_ZONE, 1, rate=10.0)


@found_in(TEST_ZONE, "reaches beyond the field")
def square_beyond_the_field(folder: Path) -> None:
    moved(folder, TEST_ZONE, 0, east=1e-2)


@found_in(TEST_ZONE, "lies in the keep-out 'ditch'")
def square_in_a_keep_out(folder: Path) -> None:
    other = json.loads((folder / "keep_out.geojson").read_text())["features"][0]["geometry"]
    document(folder, TEST_ZONE, lambda content: content["features"][0].update(geometry=other))


@found_in(f"{PASS}/testzone/testzone.kml", "polygons")
def squares_of_another_layer_in_the_kml(folder: Path) -> None:
    shutil.copy(folder / KML, folder / PASS / "testzone/testzone.kml")


# What the machine will apply, the record, the report ---------------------------------------------


def applied(folder: Path, **values: object) -> None:
    document(folder, "summary.json", lambda content: content["passes"][0]["as_applied"].update(values))


@found_in("summary.json", "planned - missed + off target is")
def applied_area_that_does_not_add_up(folder: Path) -> None:
    applied(folder, applied_ha=12.0)


@found_in("summary.json", "setback_ha is 0.2; should be at most 0.05")
def more_in_the_setback_than_off_target(folder: Path) -> None:
    applied(folder, setback_ha=0.2)


@found_in("summary.json", "missed_ha is -0.1; should be 0 or more")
def negative_area(folder: Path) -> None:
    applied(folder, missed_ha=-0.1)


def element(content: Any, key: str) -> Any:
    return next(each for each in content["records"][0]["elements"] if each["element"] == key)


@found_in("record.json", "total of 'Exampline 200'")
def another_total_in_the_record(folder: Path) -> None:
    document(folder, "record.json", lambda content: element(content, "total_applied").update(planned=1.0))


@found_in("record.json", "SHA-256 of")
def another_hash_in_the_record(folder: Path) -> None:
    document(folder, "record.json", lambda content: element(content, "machine_file").update(value="0" * 64))


@found_in("record.json", "has no record of the kind application")
def pass_without_a_record(folder: Path) -> None:
    document(folder, "record.json", lambda content: content["records"].pop(0))


@found_in("record.json", "holds NaN")
def record_that_is_not_strict(folder: Path) -> None:
    page = (folder / "record.json").read_text()
    (folder / "record.json").write_text(re.sub(r'"planned": [0-9.]+', '"planned": NaN', page, count=1))


@found_in("report.pdf", "is not a whole PDF")
def report_cut_off(folder: Path) -> None:
    (folder / "report.pdf").write_bytes(b"%PDF-1.4\n")
