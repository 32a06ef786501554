"""Task data against the facts of ISO 11783-10 that are known here, read by code that did not write it.

The document itself is not at hand: names, ranges and codes are from memory.
"""

from __future__ import annotations

import re
import struct
import xml.dom.minidom
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import defusedxml.ElementTree
import numpy as np
import pytest
import shapely
from shapely.affinity import translate
from shapely.geometry import MultiPolygon, Polygon, box

from rxmap.errors import CheckError
from rxmap.grid import GEOD, geodesic_area_m2
from rxmap.records import Result
from rxmap.write import task_data as writer
from rxmap.write.geojson import on_file_grid
from rxmap.write.task_data import STRUCTURES, TASK_FILE, Structure, write_task_data
from rxmap.write.task_form import faults, understood


@pytest.fixture(scope="module")
def task(result: Result, tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Path]:
    """Path of the written task of each structure."""
    folder = tmp_path_factory.mktemp("task")
    for structure in STRUCTURES.values():
        write_task_data(folder / structure / TASK_FILE, result, result.passes[0], structure=structure)
    return lambda structure: folder / structure / TASK_FILE


@pytest.mark.parametrize("structure", STRUCTURES.values())
def test_names_are_in_capitals_and_the_document_says_that_it_is_experimental(
    task: Callable[[str], Path], structure: str
) -> None:
    path = task(structure)
    assert (path.parent.name, path.name) == ("TASKDATA", "TASKDATA.XML")
    cells = [] if structure == "polygons" else ["GRD00001.BIN"]
    assert sorted(file.name for file in path.parent.iterdir()) == [*cells, "TASKDATA.XML"]
    document = xml.dom.minidom.parse(str(path))
    comments = " ".join(node.data for node in document.documentElement.childNodes if node.nodeType == node.COMMENT_NODE)
    assert "EXPERIMENTAL" in comments
    assert "Planned in gal/acre" in comments
    assert "10000 is 1 L/ha" in comments
    assert document.getElementsByTagName("TSK")[0].getAttribute("B") == "EXPERIMENTAL Hopper pass"


@pytest.mark.parametrize("structure", STRUCTURES.values())
def test_the_zero_rate_holds_by_default_without_position_and_outside(
    task: Callable[[str], Path], structure: str
) -> None:
    """TSK H, I and J name the zone of the default, of lost position and of what lies outside the field."""
    root = defusedxml.ElementTree.parse(task(structure)).getroot()
    assert root.attrib["DataTransferOrigin"] == "1"
    order = root.find("TSK")
    assert [order.get(key) for key in "GHIJ"] == ["1", "0", "0", "0"]
    zero = order.find("TZN[@A='0']/PDV")
    assert (zero.get("A"), zero.get("B")) == ("0001", "0")


def test_a_point_has_its_latitude_first_and_nine_decimals(task: Callable[[str], Path]) -> None:
    for point in defusedxml.ElementTree.parse(task("polygons")).getroot().iter("PNT"):
        assert re.fullmatch(r"50\.\d{9}", point.get("C"))
        assert re.fullmatch(r"10\.\d{9}", point.get("D"))


def test_every_zone_is_the_ground_of_its_rate(task: Callable[[str], Path], result: Result) -> None:
    """Read with the standard library's DOM: treatment zones (2) with one outer line (1), holes (2) kept."""
    found: dict[int, list[Polygon]] = {}
    document = xml.dom.minidom.parse(str(task("polygons")))
    for zone in document.getElementsByTagName("TZN"):
        value = int(zone.getElementsByTagName("PDV")[0].getAttribute("B"))
        for polygon in zone.getElementsByTagName("PLN"):
            assert polygon.getAttribute("A") == "2"
            lines = polygon.getElementsByTagName("LSG")
            assert [line.getAttribute("A") for line in lines] == ["1", *["2"] * (len(lines) - 1)]
            rings = [
                [(float(p.getAttribute("D")), float(p.getAttribute("C"))) for p in line.getElementsByTagName("PNT")]
                for line in lines
            ]
            found.setdefault(value, []).append(Polygon(rings[0], rings[1:]))
    meant = {value: [p.polygon for p in result.passes[0].parts if p.treat == (value > 0)] for value in (0, 187_079)}
    assert found == meant


def test_the_spray_in_the_file_is_that_of_the_pass(task: Callable[[str], Path], result: Result) -> None:
    """2 gal/acre on the treated ground; half a step in 187,079 and four decimals of the areas are 1e-5."""
    ground = understood(task("polygons")).ground
    litres = sum(value / 10_000 * geodesic_area_m2(polygon) / 10_000 for value, polygon in ground)
    acres = result.passes[0].treated_ha * 10_000 / 4046.8564224  # NIST Handbook 44, appendix C (from memory)
    assert litres == pytest.approx(2 * 3.785411784 * acres, rel=1e-5)


def test_a_field_of_two_parts_has_two_outlines(result: Result, tmp_path: Path) -> None:
    far = box(10.2, 50.1, 10.201, 50.101)
    field = replace(result.field, boundary=MultiPolygon([result.field.boundary, far]))
    write_task_data(tmp_path / TASK_FILE, replace(result, field=field), result.passes[0], structure="polygons")
    outlines = defusedxml.ElementTree.parse(tmp_path / TASK_FILE).getroot().findall("PFD/PLN")
    assert [outline.get("A") for outline in outlines] == ["1", "1"]


def test_stepped_rates_are_zones_from_low_to_high(result: Result, tmp_path: Path) -> None:
    one = result.passes[0]
    steps = {"west": (0.0, 0.0), "pond": (9.0, 2.0), "middle": (0.0, 0.0), "east": (6.0, 1.333), "ditch": (0.0, 0.0)}
    parts = tuple(
        replace(part, rate=rate, volume=volume) for part, (rate, volume) in zip(one.parts, steps.values(), strict=True)
    )
    write_task_data(tmp_path / TASK_FILE, result, replace(one, parts=parts), structure="grid-1")
    zones = defusedxml.ElementTree.parse(tmp_path / TASK_FILE).getroot().findall("TSK/TZN")
    # 1.333 gal/acre are 124688.24 steps; 6 floz/acre is the least of the label, so the step above
    told = [(zone.get("A"), zone.get("B"), zone.find("PDV").get("B")) for zone in zones]
    assert told == [("0", "0 gal/acre", "0"), ("1", "1.333 gal/acre", "124689"), ("2", "2 gal/acre", "187079")]
    assert set((tmp_path / TASK_FILE).with_name("GRD00001.BIN").read_bytes()) == {0, 1, 2}


def test_the_first_byte_is_the_south_west_corner(task: Callable[[str], Path], result: Result) -> None:
    """Every cell with a rate, placed by hand from the attributes, lies wholly inside the field and off the ditch."""
    path = task("grid-2")
    grid = defusedxml.ElementTree.parse(path).getroot().find("TSK/GRD")
    south, west, north_size, east_size = (float(grid.get(key)) for key in "ABCD")
    columns, rows = int(grid.get("E")), int(grid.get("F"))
    values = struct.unpack(f"<{rows * columns}i", path.with_name("GRD00001.BIN").read_bytes())
    assert set(values) == {0, 187_079}
    open_ground = shapely.union_all([part.polygon for part in result.passes[0].parts if part.zone])
    cells = [divmod(number, columns) for number, value in enumerate(values) if value]
    outlines = [
        box(west + c * east_size, south + r * north_size, west + (c + 1) * east_size, south + (r + 1) * north_size)
        for r, c in cells
    ]
    # 1e-9 of a degree, 0.1 mm: the sums here are rounded otherwise
    assert shapely.covers(open_ground.buffer(1e-9), outlines).all()
    treated = shapely.union_all([part.polygon for part in result.passes[0].parts if part.treat])
    assert shapely.covers(treated, shapely.centroid(outlines)).all()


def test_cells_are_at_most_half_a_section_and_cover_the_field(task: Callable[[str], Path], result: Result) -> None:
    grid = defusedxml.ElementTree.parse(task("grid-1")).getroot().find("TSK/GRD")
    south, west, north_size, east_size = (float(grid.get(key)) for key in "ABCD")
    columns, rows = int(grid.get("E")), int(grid.get("F"))
    assert GEOD.inv(west, south, west, south + north_size)[2] <= result.swath_m / 2
    assert GEOD.inv(west, south, west + east_size, south)[2] <= result.swath_m / 2
    whole = box(west, south, west + columns * east_size, south + rows * north_size)
    # 1e-9 of a degree: the attributes have nine decimals
    assert shapely.covers(whole.buffer(1e-9), result.field.boundary)


def test_sections_make_finer_cells(result: Result, tmp_path: Path) -> None:
    plan = {**result.plan, "machine": {**result.plan["machine"], "sections": 3}}
    write_task_data(tmp_path / TASK_FILE, replace(result, plan=plan), result.passes[0], structure="grid-1")
    size = float(defusedxml.ElementTree.parse(tmp_path / TASK_FILE).getroot().find("TSK/GRD").get("C"))
    assert GEOD.inv(10.1, 50.1, 10.1, 50.1 + size)[2] == pytest.approx(9 / 3 / 2, rel=1e-4)  # nine decimals


def test_both_grids_and_the_polygons_tell_the_same(task: Callable[[str], Path]) -> None:
    one, two = understood(task("grid-1")), understood(task("grid-2"))
    np.testing.assert_array_equal(one.cells, two.cells)
    row, column = np.nonzero(one.cells)
    places = shapely.points(one.longitudes[column], one.latitudes[row])
    treated = shapely.union_all([polygon for value, polygon in understood(task("polygons")).ground if value])
    assert shapely.covers(treated, places).all()
    # the ground that cells lose: at most one cell along the edge that is no inner edge
    cell_ha = 4.5**2 / 10_000
    assert len(row) * cell_ha == pytest.approx(geodesic_area_m2(treated) / 10_000, rel=0.12)


@pytest.mark.parametrize(
    ("at", "key", "text", "says"),
    [
        ("TSK/TZN", "A", "300", "TZN A: found '300'; should be 0 to 254"),
        ("TSK/TZN/PDV", "B", str(2**31), "PDV B: found '2147483648'"),
        ("TSK", "B", "x" * 40, "TSK B: found"),
        ("TSK", "B", "Öhre", "TSK B: found"),
        ("TSK", "I", "9", "TSK I: no TZN is called '9'"),
        ("TSK", "E", "PFD7", "TSK E: no PFD is called 'PFD7'"),
        ("TSK/TZN/PDV", "C", "PDT2", "PDV C: no PDT is called 'PDT2'"),
        ("TSK/TZN/PDV", "A", "1", "PDV A: found '1'"),
        ("PFD", "A", "1", "PFD A: found '1'"),
        ("PFD", "D", "-1", "PFD D: found '-1'"),
        ("PFD/PLN/LSG/PNT", "C", "91.000000000", "PNT C: found '91.000000000'; should be -90 to 90"),
        ("PFD/PLN/LSG/PNT", "D", "10.1", "PNT D: found '10.1'"),
        ("PFD/PLN/LSG", "A", "2", "PLN: should have one outer line"),
        (".", "DataTransferOrigin", "2", "ISO11783_TaskData DataTransferOrigin: found '2'"),
    ],
)
def test_what_leaves_the_ranges_of_the_standard_is_named(
    task: Callable[[str], Path], at: str, key: str, text: str, says: str
) -> None:
    root = defusedxml.ElementTree.parse(task("polygons")).getroot()
    assert list(faults(root)) == []
    root.find(at).set(key, text)
    assert any(line.startswith(says) for line in faults(root))


@pytest.mark.parametrize("key", ["A", "B", "E", "H"])
def test_what_is_missing_is_named(task: Callable[[str], Path], key: str) -> None:
    root = defusedxml.ElementTree.parse(task("polygons")).getroot()
    del root.find("TSK").attrib[key]
    assert any(line.startswith(f"TSK {key}: found ''") for line in faults(root))


@pytest.mark.parametrize(
    ("structure", "right", "wrong", "says"),
    [
        ("polygons", b'B="187079"', b'B="187080"', "the values of the polygons are not those"),
        ("polygons", b'D="10.103500000"', b'D="10.103500001"', "the boundary is not the one"),
        ("polygons", b'I="0"', b'I="1"', "the rate without position"),
        ("polygons", b"</TSK>", b"", "cannot be read"),
        ("grid-1", b'A="50.099900000" B', b'A="50.100100000" B', "the ground of the cells with value 187079"),
        ("grid-1", b'F="', b'F="1', "cannot be read"),
        ("grid-1", b'B="187079"', b'B="187080"', "the cells are not those"),
        ("grid-2", struct.pack("<i", 187_079), struct.pack("<i", 187_080), "the cells are not those"),
        ("grid-2", struct.pack("<i", 187_079), struct.pack(">i", 187_079), "the cells are not those"),
    ],
)
def test_files_that_differ_from_what_was_meant_are_refused(
    tmp_path: Path,
    result: Result,
    monkeypatch: pytest.MonkeyPatch,
    structure: Structure,
    right: bytes,
    wrong: bytes,
    says: str,
) -> None:
    monkeypatch.setattr(writer, "write_bytes", lambda path, content: path.write_bytes(content.replace(right, wrong)))
    (tmp_path / "TASKDATA").mkdir()
    with pytest.raises(CheckError, match=says):
        write_task_data(tmp_path / TASK_FILE, result, result.passes[0], structure=structure)


@pytest.mark.parametrize("structure", STRUCTURES.values())
def test_equal_results_give_equal_bytes(
    task: Callable[[str], Path], tmp_path: Path, result: Result, structure: Structure
) -> None:
    write_task_data(tmp_path / TASK_FILE, result, result.passes[0], structure=structure)
    for path in task(structure).parent.iterdir():
        assert (tmp_path / "TASKDATA" / path.name).read_bytes() == path.read_bytes()


def test_hostile_names_become_plain_and_short(result: Result, tmp_path: Path) -> None:
    one = replace(result.passes[0], name="--> <x/> \u202e Überfahrt " * 9)
    write_task_data(tmp_path / TASK_FILE, result, one, structure="polygons")
    name = defusedxml.ElementTree.parse(tmp_path / TASK_FILE).getroot().find("TSK").get("B")
    assert name.startswith("EXPERIMENTAL --> <x/> ")
    assert len(name) <= 32
    assert (tmp_path / TASK_FILE).read_bytes().isascii()


@pytest.mark.parametrize(("east", "north"), [(-105.3, -8.1), (-70.5, -83.4), (100.0, 5.0), (-10.1035, -50.1018)])
@pytest.mark.parametrize("structure", STRUCTURES.values())
def test_a_field_may_lie_anywhere(
    result: Result, tmp_path: Path, structure: Structure, east: float, north: float
) -> None:
    """West, south and across latitude and longitude 0; the writer reads back every polygon and cell."""
    one, field = result.passes[0], result.field
    parts = tuple(replace(part, polygon=on_file_grid(translate(part.polygon, east, north))) for part in one.parts)
    there = replace(result, field=replace(field, boundary=translate(field.boundary, east, north)))
    write_task_data(tmp_path / TASK_FILE, there, replace(one, parts=parts), structure=structure)
    box_there = shapely.total_bounds(understood(tmp_path / TASK_FILE).boundary)
    # half of 1e-7 of a degree, the grid of files
    np.testing.assert_allclose(box_there, np.array(field.boundary.bounds) + [east, north] * 2, atol=0.6e-7)
