from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapefile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from shapely.geometry import box

from rxmap.records import Part, PassResult, Result
from rxmap.verify import CHECKS, verify
from rxmap.verify.folder import strict_json
from rxmap.verify.geojson import faults_of, read_layer
from rxmap.verify.ground import area_m2
from rxmap.verify.shapefile import read_shapes, read_table

LAYER = "passes/hopper-pass/machine/hopper.geojson"
Write = Callable[[Result], Path]


def test_a_clean_folder_passes_every_check(good: Path) -> None:
    report = verify(good)
    assert report.findings == ()
    assert report.ok
    assert len(report.checked) == len(CHECKS)


def test_the_same_folder_as_text_gives_the_same_report(good: Path) -> None:
    assert verify(str(good)) == verify(good)


# The folder against its manifest -----------------------------------------------------------------


def test_a_changed_byte_is_found_by_its_hash(broken: Path) -> None:
    content = (broken / "map.html").read_bytes()
    (broken / "map.html").write_bytes(content.replace(b"Hopper", b"Hepper", 1))
    assert any(line.startswith("map.html: SHA-256") for line in verify(broken).findings)


def test_a_file_that_is_gone_is_found(broken: Path) -> None:
    (broken / "surfaces/ring-speck.tif").unlink()
    assert "surfaces/ring-speck.tif: is missing; the manifest lists it" in verify(broken).findings


def test_a_foreign_file_is_found(broken: Path) -> None:
    (broken / LAYER).with_name("old.shp.xml").write_text("")
    assert any("old.shp.xml: is not in the manifest" in line for line in verify(broken).findings)


def test_swapped_files_are_found(broken: Path) -> None:
    one, other = broken / "surfaces/ring-speck.tif", broken / "surfaces/marsh-leafhopper.tif"
    one_bytes = one.read_bytes()
    one.write_bytes(other.read_bytes())
    other.write_bytes(one_bytes)
    found = [line for line in verify(broken).findings if "SHA-256" in line]
    assert len(found) == 2


def test_a_link_is_not_a_file_of_the_result(broken: Path, tmp_path: Path) -> None:
    (broken / "map.html").rename(tmp_path / "map.html")
    (broken / "map.html").symlink_to(tmp_path / "map.html")
    assert any("should be a plain file" in line for line in verify(broken).findings)


def test_no_folder_at_all_is_a_finding(tmp_path: Path) -> None:
    report = verify(tmp_path / "nowhere")
    assert "nowhere: no such folder" in report.findings
    assert not report.checked or not report.ok


RUBBISH = (b"", b"[]", b"null", b"\xff\xfe", b'{"a": 1e999}', b"[" * 100_000)
NAMES = ("manifest.json", "summary.json", LAYER, "zones.geojson", "keep_out.geojson", "map.html")


@pytest.mark.parametrize(
    ("name", "content"), [*((name, b"{}") for name in NAMES), *(("summary.json", r) for r in RUBBISH)]
)
def test_rubbish_in_a_file_is_a_finding_and_never_an_error(broken: Path, name: str, content: bytes) -> None:
    (broken / name).write_bytes(content)
    assert any(line.startswith(name) for line in verify(broken).findings)


@pytest.mark.long
@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_whatever_happens_to_a_file_is_a_finding_and_never_an_error(broken: Path, data: st.DataObject) -> None:
    path = data.draw(st.sampled_from(sorted(each for each in broken.rglob("*") if each.is_file())))
    content = path.read_bytes()
    at = data.draw(st.integers(0, len(content) - 1))
    rest = data.draw(st.sampled_from([b"", content[at + 1 :]]))
    path.write_bytes(content[:at] + data.draw(st.binary(max_size=4)) + rest)
    changed = path.read_bytes() != content
    report = verify(broken)
    path.write_bytes(content)
    assert report.ok is not changed or path.name == "manifest.json"  # a blank in it changes nothing


# Other results -----------------------------------------------------------------------------------


def only_pass(coherent: Result, **changes: object) -> Result:
    return replace(coherent, passes=(replace(coherent.passes[0], **changes), coherent.passes[1]))


def test_a_shapefile_alone_is_proved_as_well(coherent: Result, written: Write) -> None:
    folder = written(replace(coherent, formats=("shapefile",)))
    assert verify(folder).findings == ()
    assert not (folder / LAYER).exists()


def test_a_geojson_alone_is_proved_as_well(coherent: Result, written: Write) -> None:
    assert verify(written(replace(coherent, formats=("geojson",)))).findings == ()


def test_a_result_without_a_product_is_whole(coherent: Result, written: Write) -> None:
    assert verify(written(replace(coherent, passes=(), money=None))).findings == ()


def test_passes_that_all_stay_at_home_need_no_file(coherent: Result, written: Write) -> None:
    home = only_pass(coherent, decision="none", parts=(), treated_ha=0.0, loads=0, load_plan=None)
    idle = replace(home.passes[0].products[0], rate=0.0, total=0.0)
    home = replace(home, passes=(replace(home.passes[0], products=(idle,)), home.passes[1]))
    assert verify(written(home)).findings == ()


Repeat = Callable[[PassResult, Result], PassResult]


def treat_all(one: PassResult) -> PassResult:
    """The pass with the field treated in the four strips as they are."""

    def on(part: Part) -> Part:
        return part if part.zone == 0 else replace(part, treat=1, rate=9.0, volume=2.0)

    return replace(one, decision="all", parts=tuple(map(on, one.parts)))


def test_treating_all_in_several_touching_parts_is_found(coherent: Result, written: Write, repeat: Repeat) -> None:
    whole = repeat(treat_all(coherent.passes[0]), coherent)
    result = replace(coherent, passes=(whole, coherent.passes[1]))
    words = "4 treated parts with decision all; should be 1, one for each piece"
    assert verify(written(result)).findings == (f"{LAYER}: {words}",)


def test_ground_left_out_under_all_is_found(coherent: Result, written: Write, repeat: Repeat) -> None:
    whole = treat_all(coherent.passes[0])
    west = replace(whole.parts[0], treat=0, rate=0.0, volume=0.0)
    whole = repeat(replace(whole, parts=(west, *whole.parts[1:])), coherent)
    result = replace(coherent, passes=(whole, coherent.passes[1]))
    assert any("untreated outside the keep-outs" in line for line in verify(written(result)).findings)


@pytest.mark.parametrize(("reasoned", "ok"), [("4.5 floz/acre", True), ("5 floz/acre", False)])
def test_a_rate_under_the_label_passes_only_with_its_reason(
    coherent: Result, written: Write, repeat: Repeat, reasoned: str, ok: bool
) -> None:
    one = coherent.passes[0]
    parts = tuple(replace(part, rate=4.5 * part.treat) for part in one.parts)
    magnitude, unit = reasoned.split()
    plan = {**coherent.plan, "product": [dict(each) for each in coherent.plan["product"]]}  # type: ignore[attr-defined]
    plan["product"][0]["under_label"] = {"rate": {"magnitude": float(magnitude), "unit": unit}, "reason": "trial"}
    changed = replace(coherent, plan=plan)
    result = replace(changed, passes=(repeat(replace(one, parts=parts), changed), coherent.passes[1]))
    assert verify(written(result)).ok is ok


# Outside the project -----------------------------------------------------------------------------


def test_the_area_of_an_octant_of_the_ellipsoid_is_the_closed_form() -> None:
    # Surface of an oblate ellipsoid: 2 pi a^2 (1 + (1 - e^2) / e artanh e), a textbook formula; a and f of
    # WGS84 (NIMA TR8350.2). The edges of an octant, equator and meridians, are geodesics, so it is exact.
    a, f = 6_378_137.0, 1 / 298.257223563
    e = math.sqrt(f * (2 - f))
    whole = 2 * math.pi * a**2 * (1 + (1 - e**2) / e * math.atanh(e))
    assert area_m2(box(0, 0, 90, 90)) == pytest.approx(whole / 8, rel=1e-12)  # Karney 2013: rounding only


def test_the_polygon_with_a_hole_of_rfc_7946_conforms() -> None:
    # RFC 7946, appendix A.3, second example (from memory).
    outer = [[100.0, 0.0], [101.0, 0.0], [101.0, 1.0], [100.0, 1.0], [100.0, 0.0]]
    hole = [[100.8, 0.8], [100.8, 0.2], [100.2, 0.2], [100.2, 0.8], [100.8, 0.8]]
    geometry = {"type": "Polygon", "coordinates": [outer, hole]}
    feature = {"type": "Feature", "id": 1, "geometry": geometry, "properties": {}}
    layer = read_layer(
        {"type": "FeatureCollection", "bbox": [100.0, 0.0, 101.0, 1.0], "features": [feature]}, "a.geojson"
    )
    assert list(faults_of(layer)) == []


def test_the_shapefile_reader_agrees_with_pyshp(good: Path) -> None:
    # pyshp is a reader of its own, without GDAL.
    stem = good / LAYER.removesuffix(".geojson")
    shapes = read_shapes(stem.with_suffix(".shp").read_bytes(), stem.with_suffix(".shx").read_bytes(), "hopper.shp")
    table = read_table(stem.with_suffix(".dbf").read_bytes(), "hopper.dbf")
    with shapefile.Reader(str(stem)) as reader:
        assert [column.name for column in table.columns] == [
            each[0] for each in reader.fields if each[0] != "DeletionFlag"
        ]
        for rings, row, record in zip(shapes, table.rows, reader.shapeRecords(), strict=True):
            assert np.array_equal([at for ring in rings for at in ring], record.shape.points)
            rate = [column.name for column in table.columns].index("rate")
            assert float(row[rate]) == record.record["rate"]


def test_a_decimal_keeps_its_text() -> None:
    # 1.2 as a single-precision number is 1.2000000477 and would pass a limit of 1.2 unseen.
    assert str(strict_json(b'{"rate": 1.2000000477}', "a.json")["rate"]) == "1.2000000477"
