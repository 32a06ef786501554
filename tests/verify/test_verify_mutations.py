"""Break a good folder in one place, seal it again so that every hash is right, and see the check itself go red."""

from __future__ import annotations

import json
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
from breaking import Mutation, Mutations, see_it_red

LAYER = "passes/hopper-pass/machine/hopper.geojson"
SHP, SHX, DBF, PRJ, CPG = (LAYER.replace(".geojson", end) for end in (".shp", ".shx", ".dbf", ".prj", ".cpg"))
SURFACE, FLAT = "surfaces/marsh-leafhopper.tif", "surfaces/ring-speck.tif"
POND, MIDDLE, EAST, DITCH = 1, 2, 3, 4  # features of the layer; pond and east are treated
MUTATIONS = Mutations()
found_in = MUTATIONS.found_in


@pytest.mark.parametrize(("mutation", "file", "words"), MUTATIONS)
def test_a_broken_result_goes_red_though_its_hashes_are_right(
    broken: Path, mutation: Mutation, file: str, words: str, seal: Callable[[Path], None]
) -> None:
    mutation(broken)
    see_it_red(broken, seal, file=file, words=words)


def document(folder: Path, name: str, change: Callable[[Any], object]) -> None:
    """Change one JSON document."""
    content = json.loads((folder / name).read_text())
    change(content)
    (folder / name).write_text(json.dumps(content))


def attribute(folder: Path, feature: int, name: str = LAYER, **values: object) -> None:
    document(folder, name, lambda content: content["features"][feature]["properties"].update(values))


def ring(content: Any, feature: int) -> list[list[float]]:
    return content["features"][feature]["geometry"]["coordinates"][0]  # type: ignore[no-any-return]


def cell(folder: Path, record: int, column: str, text: str) -> None:
    """Overwrite one cell of the .dbf in place."""
    content = bytearray((folder / DBF).read_bytes())
    head, length = struct.unpack_from("<HH", content, 8)
    offset = head + record * length + 1
    for start in range(32, head - 1, 32):
        name, width = content[start : start + 11].split(b"\0")[0].decode(), content[start + 16]
        if name == column:
            content[offset : offset + width] = text.rjust(width).encode("latin-1")
        offset += width
    (folder / DBF).write_bytes(content)


def patch(folder: Path, name: str, at: int, form: str, value: object) -> None:
    """Overwrite one binary number of a file."""
    content = bytearray((folder / name).read_bytes())
    struct.pack_into(form, content, at, value)
    (folder / name).write_bytes(content)


def raster(folder: Path, name: str, change: Callable[[Any], object], **form: object) -> None:
    """Write a surface anew with other values or another form."""
    with rasterio.open(folder / name) as source:
        values, profile, words = source.read(), source.profile, source.descriptions
    change(values)
    for key in ("tiled", "blockxsize", "blockysize", "interleave"):
        profile.pop(key, None)
    with rasterio.open(folder / name, "w", **{**profile, "driver": "COG", **form}) as image:
        image.write(values)
        image.descriptions = words


def text(folder: Path, name: str, old: str, new: str) -> None:
    content = (folder / name).read_text()
    assert old in content
    (folder / name).write_text(content.replace(old, new, 1))


# The label ---------------------------------------------------------------------------------------


@found_in(LAYER, "the label's maximum")
def rate_above_the_label(folder: Path) -> None:
    attribute(folder, POND, rate=13.001)


@found_in(LAYER, "the label's minimum")
def rate_below_the_label(folder: Path) -> None:
    attribute(folder, POND, rate=5.999)


@found_in(LAYER, "should be 0 exactly where treat is 0")
def rate_on_untreated_ground(folder: Path) -> None:
    attribute(folder, MIDDLE, rate=9.0)


@found_in(LAYER, "should be 0 exactly where treat is 0")
def treated_ground_without_a_rate(folder: Path) -> None:
    attribute(folder, POND, rate=0.0)


@found_in(LAYER, "volume 1.999 gal/acre; should be at least 2 gal/acre")
def too_little_spray_volume(folder: Path) -> None:
    attribute(folder, POND, volume=1.999)


@found_in(LAYER, "volume is 2.0 where treat is 0")
def volume_on_untreated_ground(folder: Path) -> None:
    attribute(folder, MIDDLE, volume=2.0)


def limit(folder: Path, **values: object) -> None:
    document(folder, "manifest.json", lambda content: content["plan"]["product"][0]["label"].update(values))


@found_in("manifest.json", "season total 9 + 9 = 18 floz/acre; should be at most 17 floz/acre")
def season_total_above_the_label(folder: Path) -> None:
    limit(folder, season_max={"magnitude": 17.0, "unit": "floz/acre"})


@found_in("manifest.json", "2 applications this season; should be at most 1")
def one_application_too_many(folder: Path) -> None:
    limit(folder, applications=1)


@found_in("manifest.json", "26 days after the last application")
def too_soon_after_the_last_application(folder: Path) -> None:
    limit(folder, interval={"magnitude": 27.0, "unit": "day"})


@found_in("manifest.json", "66 days before harvest")
def too_close_to_harvest(folder: Path) -> None:
    limit(folder, phi={"magnitude": 67.0, "unit": "day"})


@found_in("manifest.json", "growth stage R3")
def wrong_growth_stage(folder: Path) -> None:
    limit(folder, stages=["V2", "R2"])


@found_in("manifest.json", "has no product 'Exampline 200'")
def product_without_a_label(folder: Path) -> None:
    document(folder, "manifest.json", lambda content: content["plan"]["product"].pop(0))


@found_in("summary.json", "no_entry is '6 hour after spraying ends'; should be 12 hour")
def re_entry_too_early(folder: Path) -> None:
    figure(folder, lambda content: content["passes"][0]["dates"].update(no_entry="6 hour after spraying ends"))


@found_in("summary.json", "harvest_from is '2031-08-05'; should be 2031-08-06")
def harvest_too_early(folder: Path) -> None:
    figure(folder, lambda content: content["passes"][0]["dates"].update(harvest_from="2031-08-05"))


@found_in("summary.json", "no_rain is ''; should be 2 hour")
def rain_not_told(folder: Path) -> None:
    figure(folder, lambda content: content["passes"][0]["dates"].update(no_rain=None))


# The ground --------------------------------------------------------------------------------------


@found_in(LAYER, "no feature covers")
def polygon_removed(folder: Path) -> None:
    document(folder, LAYER, lambda content: content["features"].pop(MIDDLE))


@found_in(LAYER, "overlaps feature")
def polygons_overlap(folder: Path) -> None:
    def widen(content: Any) -> None:
        for at in ring(content, POND):
            at[0] = round(at[0] - 2e-6, 7) if at[0] < 10.1018 else at[0]  # 14 cm into the west

    document(folder, LAYER, widen)


@found_in(LAYER, "no feature covers")
def gap_between_polygons(folder: Path) -> None:
    def narrow(content: Any) -> None:
        for at in ring(content, POND):
            at[0] = round(at[0] + 2e-6, 7) if at[0] < 10.1018 else at[0]

    document(folder, LAYER, narrow)


@found_in(LAYER, "of treated ground in the keep-out 'ditch'")
def treated_ground_in_a_setback(folder: Path) -> None:
    def north(content: Any) -> None:
        for at in ring(content, EAST):
            at[1] = round(at[1] + 1e-5, 7) if at[1] > 50.102 else at[1]  # a metre into the ditch

    document(folder, LAYER, north)


@found_in(LAYER, "of treated ground in the keep-out 'ditch'")
def keep_out_treated(folder: Path) -> None:
    attribute(folder, DITCH, treat=1, rate=9.0, volume=2.0)


@found_in(LAYER, "of treated ground outside the field")
def treated_ground_outside(folder: Path) -> None:
    def east(content: Any) -> None:
        for at in ring(content, EAST):
            at[0] = round(at[0] + 1e-5, 7) if at[0] > 10.106 else at[0]

    document(folder, LAYER, east)


@found_in("keep_out.geojson", "setback 12.0 m; should be at least 30 m")
def setback_shrunk(folder: Path) -> None:
    attribute(folder, 0, "keep_out.geojson", setback_m=12.0)


@found_in(LAYER, "area_ha is")
def area_edited(folder: Path) -> None:
    document(folder, LAYER, lambda content: content["features"][POND]["properties"].update(area_ha=4.0))


@found_in(LAYER, "should be one single polygon")
def multipart_feature(folder: Path) -> None:
    def wrap(content: Any) -> None:
        geometry = content["features"][POND]["geometry"]
        geometry.update(type="MultiPolygon", coordinates=[geometry["coordinates"]])

    document(folder, LAYER, wrap)


@found_in(LAYER, "5 polygons; the machine holds 4")
def more_polygons_than_the_machine_holds(folder: Path) -> None:
    document(folder, "manifest.json", lambda content: content["plan"]["machine"]["limits"].update(polygons=4))


# The form of the files ---------------------------------------------------------------------------


@found_in(LAYER, "has a crs member")
def crs_member(folder: Path) -> None:
    document(folder, LAYER, lambda content: content.update(crs={"type": "name"}))


@found_in(LAYER, "outer ring turns the wrong way")
def ring_clockwise_in_geojson(folder: Path) -> None:
    document(folder, LAYER, lambda content: ring(content, POND).reverse())


@found_in(LAYER, "should be unique")
def id_twice(folder: Path) -> None:
    document(folder, LAYER, lambda content: content["features"][1].update(id=content["features"][0]["id"]))


@found_in(LAYER, "bbox")
def wrong_box(folder: Path) -> None:
    document(folder, LAYER, lambda content: content.update(bbox=[10.0, 50.0, 10.2, 50.2]))


@found_in(LAYER, "should have at most 7 decimals")
def eight_decimals(folder: Path) -> None:
    document(folder, LAYER, lambda content: ring(content, POND)[1].__setitem__(0, 10.10350001))


@found_in(LAYER, "outer ring is not closed")
def open_ring(folder: Path) -> None:
    document(folder, LAYER, lambda content: ring(content, POND)[-1].__setitem__(0, 10.1017001))


@found_in(LAYER, "has no readable geometry")
def null_geometry(folder: Path) -> None:
    document(folder, LAYER, lambda content: content["features"][POND].update(geometry=None))


@found_in(LAYER, "holds NaN")
def not_a_number(folder: Path) -> None:
    text(folder, LAYER, '"rate": 9.0', '"rate": NaN')


@found_in("summary.json", "stands twice")
def key_twice(folder: Path) -> None:
    text(folder, "summary.json", '"field": {', '"field": {}, "field": {')


@found_in("stops.geojson", "is not JSON in UTF-8")
def byte_order_mark(folder: Path) -> None:
    (folder / "stops.geojson").write_bytes(b"\xef\xbb\xbf" + (folder / "stops.geojson").read_bytes())


@found_in(LAYER, "p_over is missing")
def attribute_missing(folder: Path) -> None:
    document(folder, LAYER, lambda content: content["features"][POND]["properties"].pop("p_over"))


@found_in(LAYER, "rate is 'None'; should be a number")
def null_rate(folder: Path) -> None:
    attribute(folder, POND, rate=None)


@found_in(LAYER, "zone is '7'")
def unknown_zone(folder: Path) -> None:
    attribute(folder, POND, zone=7)


# The shapefile -----------------------------------------------------------------------------------


@found_in(DBF, "rate: found '13.001'; the GeoJSON has '9.0'")
def table_changed_alone(folder: Path) -> None:
    cell(folder, POND, "rate", "13.001")


@found_in(DBF, "should be a number, never null")
def null_in_the_table(folder: Path) -> None:
    cell(folder, POND, "rate", "*" * 12)


@found_in(DBF, "should be a number, never null")
def blank_in_the_table(folder: Path) -> None:
    cell(folder, POND, "rate", "")


@found_in(DBF, "text is not ASCII")
def accent_in_the_table(folder: Path) -> None:
    cell(folder, POND, "product", "Ex\u00e4mpline")


@found_in(DBF, "marked as deleted")
def deleted_record(folder: Path) -> None:
    content = (folder / DBF).read_bytes()
    patch(folder, DBF, struct.unpack_from("<H", content, 8)[0], "c", b"*")


@found_in(SHP, "ring 1 turns the wrong way")
def outer_ring_counter_clockwise_in_shp(folder: Path) -> None:
    content = bytearray((folder / SHP).read_bytes())
    points = struct.unpack_from("<i", content, 100 + 8 + 40)[0]
    start = 100 + 8 + 44 + 4  # file header, record header, polygon head, one part
    pairs = [content[start + 16 * i : start + 16 * i + 16] for i in range(points)]
    content[start : start + 16 * points] = b"".join(reversed(pairs))
    (folder / SHP).write_bytes(content)


@found_in(SHP, "coordinates differ")
def vertex_moved_in_shp(folder: Path) -> None:
    at = 100 + 8 + 44 + 4 + 16
    (lon,) = struct.unpack_from("<d", (folder / SHP).read_bytes(), at)
    patch(folder, SHP, at, "<d", lon + 1e-7)


@found_in(SHP, "should be 5 (polygon, two-dimensional)")
def other_shape_type(folder: Path) -> None:
    patch(folder, SHP, 32, "<i", 15)


@found_in(SHP, "the index .shx points elsewhere")
def index_of_another_file(folder: Path) -> None:
    patch(folder, SHX, 100 + 8, ">i", 51)


@found_in(SHX, "its header says")
def index_cut_off(folder: Path) -> None:
    (folder / SHX).write_bytes((folder / SHX).read_bytes()[:-8])


@found_in(PRJ, "should be geographic WGS84")
def projection_of_a_strip(folder: Path) -> None:
    (folder / PRJ).write_text(rasterio.crs.CRS.from_epsg(32632).to_wkt(version="WKT1_ESRI"))


@found_in(PRJ, "should be geographic WGS84")
def projection_of_another_datum(folder: Path) -> None:
    (folder / PRJ).write_text(rasterio.crs.CRS.from_epsg(4267).to_wkt(version="WKT1_ESRI"))


@found_in(CPG, "should be UTF-8")
def other_code_page(folder: Path) -> None:
    (folder / CPG).write_text("1252")


@found_in(CPG, "is missing")
def code_page_missing(folder: Path) -> None:
    (folder / CPG).unlink()


# Figures -----------------------------------------------------------------------------------------


def figure(folder: Path, change: Callable[[Any], object]) -> None:
    document(folder, "summary.json", change)


@found_in("summary.json", "treated_ha 8.1")
def stale_treated_area(folder: Path) -> None:
    figure(folder, lambda content: content["passes"][0].update(treated_ha=8.1))


@found_in("summary.json", "share 0.5")
def stale_share(folder: Path) -> None:
    figure(folder, lambda content: content["passes"][0].update(share=0.5))


@found_in("summary.json", "polygons 4")
def stale_number_of_polygons(folder: Path) -> None:
    figure(folder, lambda content: content["passes"][0].update(polygons=4))


@found_in("summary.json", "rate x area in")
def stale_product_total(folder: Path) -> None:
    def grow(content: Any) -> None:
        content["passes"][0]["products"][0]["total"] *= 1.0005

    figure(folder, grow)


@found_in("summary.json", "need at least 4")
def too_few_loads(folder: Path) -> None:
    figure(folder, lambda content: content["passes"][0].update(loads=3))


@found_in("summary.json", "field.crs is missing")
def key_missing(folder: Path) -> None:
    figure(folder, lambda content: content["field"].pop("crs"))


@found_in("summary.json", "there is no such file")
def path_to_nowhere(folder: Path) -> None:
    figure(folder, lambda content: content["targets"][0].update(surface="surfaces/marsh.tif"))


@found_in("../plan.toml", "is not a path inside the folder")
def path_out_of_the_folder(folder: Path) -> None:
    figure(folder, lambda content: content["targets"][0].update(surface="../plan.toml"))


@found_in("summary.json", "should be null")
def files_with_decision_none(folder: Path) -> None:
    figure(folder, lambda content: content["passes"][1].update(files={"geojson": LAYER}))


@found_in("passes/speck-pass/machine/speck.geojson", "should not be there")
def folder_with_decision_none(folder: Path) -> None:
    (folder / "passes/speck-pass/machine").mkdir(parents=True)
    (folder / "passes/speck-pass/machine/speck.geojson").write_text('{"type": "FeatureCollection", "features": []}')


@found_in("summary.json", "money.best is all")
def best_is_not_the_largest(folder: Path) -> None:
    figure(folder, lambda content: content["money"].update(best="all"))


@found_in("summary.json", "money.none is 0.0")
def scouting_left_out_of_the_money(folder: Path) -> None:
    figure(folder, lambda content: content["money"].update(none=0.0))


@found_in("summary.json", "should be low to high")
def range_upside_down(folder: Path) -> None:
    figure(folder, lambda content: content["money"]["range"].reverse())


@found_in("stops.geojson", "14 stops read of 'Marsh leafhopper'")
def stop_dropped(folder: Path) -> None:
    document(folder, "stops.geojson", lambda content: content["features"].pop(0))


@found_in("stops.geojson", "has no why")
def stop_unused_in_silence(folder: Path) -> None:
    def silence(content: Any) -> None:
        for feature in content["features"]:
            feature["properties"]["why"] = ""

    document(folder, "stops.geojson", silence)


@found_in("zones.geojson", "the surface has")
def zone_pressures_swapped(folder: Path) -> None:
    def swap(content: Any) -> None:
        one, other = content["features"][0]["properties"], content["features"][2]["properties"]
        key = "pressure_marsh-leafhopper"
        one[key], other[key] = other[key], one[key]

    document(folder, "zones.geojson", swap)


@found_in("zones.geojson", "areas add up to")
def zone_removed(folder: Path) -> None:
    document(folder, "zones.geojson", lambda content: content["features"].pop())


@found_in("manifest.json", "key seed is missing")
def manifest_without_seed(folder: Path) -> None:
    document(folder, "manifest.json", lambda content: content.pop("seed"))


# Surfaces ----------------------------------------------------------------------------------------


@found_in(SURFACE, "nodata")
def other_nodata(folder: Path) -> None:
    raster(folder, SURFACE, lambda values: None, nodata=-1.0)


@found_in(SURFACE, "type")
def double_precision(folder: Path) -> None:
    raster(folder, SURFACE, lambda values: None, dtype="float64")


@found_in(SURFACE, "layout")
def not_cloud_optimised(folder: Path) -> None:
    raster(folder, SURFACE, lambda values: None, driver="GTiff")


@found_in(SURFACE, "band descriptions")
def bands_in_another_order(folder: Path) -> None:
    with rasterio.open(folder / SURFACE, "r+", IGNORE_COG_LAYOUT_BREAK="YES") as image:
        image.descriptions = ("sd", "mean", "p_over", "q05", "q95")


@found_in(SURFACE, "cells of the field have no value")
def hole_in_the_surface(folder: Path) -> None:
    raster(folder, SURFACE, lambda values: values[:, 40:43, 40:43].fill(-9999.0))


@found_in(SURFACE, "cells outside the field have a value")
def surface_beyond_the_field(folder: Path) -> None:
    raster(folder, SURFACE, lambda values: values[:, 0, 0].fill(5.0))


def inside(values: Any, band: int, change: Callable[[Any], Any]) -> None:
    values[band] = np.where(values[band] == -9999.0, -9999.0, change(values[band]))


@found_in(SURFACE, "sd below 0")
def negative_deviation(folder: Path) -> None:
    raster(folder, SURFACE, lambda values: inside(values, 1, np.negative))


@found_in(SURFACE, "p_over outside 0 to 1")
def chance_in_percent(folder: Path) -> None:
    raster(folder, SURFACE, lambda values: inside(values, 2, lambda band: 100 * band))


@found_in(SURFACE, "q05 above q95")
def quantiles_swapped(folder: Path) -> None:
    raster(folder, SURFACE, lambda values: values.__setitem__(slice(3, 5), values[[4, 3]]))


@found_in(SURFACE, "area mean")
def surface_of_another_mean(folder: Path) -> None:
    raster(folder, SURFACE, lambda values: inside(values, 0, lambda band: band + 0.1))


@found_in(FLAT, "with verdict uniform")
def pattern_where_there_is_none(folder: Path) -> None:
    tilt = np.linspace(-0.1, 0.1, 200)
    raster(folder, FLAT, lambda values: inside(values, 0, lambda band: band + tilt[: band.shape[1]]))


@found_in("summary.json", "a chance of at most 0.1")
def map_that_half_of_all_shuffles_reach(folder: Path) -> None:
    document(folder, "summary.json", lambda content: content["targets"][0].update(chance=0.5))


@found_in("summary.json", "verdict is uniform with skill 0.3")
def map_that_was_earned_and_not_drawn(folder: Path) -> None:
    document(folder, "summary.json", lambda content: content["targets"][1].update(skill=0.3, chance=0.02))


@found_in(SURFACE, "projection differs")
def surface_in_another_projection(folder: Path) -> None:
    raster(folder, SURFACE, lambda values: None, crs="EPSG:32632")


@found_in(LAYER, "the surface runs from")
def pressure_off_the_surface(folder: Path) -> None:
    attribute(folder, POND, pressure=25.0)


# The map -----------------------------------------------------------------------------------------


@found_in("map.html", "leaves the file")
def page_with_a_link(folder: Path) -> None:
    text(folder, "map.html", "</head>", '<script src="https://example.org/x.js"></script></head>')


@found_in("map.html", "Content-Security-Policy")
def page_without_policy(folder: Path) -> None:
    text(folder, "map.html", "Content-Security-Policy", "Content-Language")


@found_in("map.html", "should be at most 2000000")
def page_too_large(folder: Path) -> None:
    text(folder, "map.html", "</body>", "<!--" + 2_000_000 * "x" + "--></body>")


@found_in("map.html", "treated '22.8 acres'")
def page_with_another_area(folder: Path) -> None:
    text(folder, "map.html", ">22.9 acres</td>", ">22.8 acres</td>")


@found_in("map.html", "share '48 %'")
def page_with_another_share(folder: Path) -> None:
    text(folder, "map.html", '"number">46 %</td>', '"number">48 %</td>')


@found_in("map.html", "product on the ground '207 floz'")
def page_with_another_total(folder: Path) -> None:
    text(folder, "map.html", ">206 floz</td>", ">207 floz</td>")


@found_in("map.html", "table Money")
def page_with_another_gain(folder: Path) -> None:
    text(folder, "map.html", ">412 EUR</td>", ">512 EUR</td>")


@found_in("map.html", "lies elsewhere")
def page_draws_a_part_elsewhere(folder: Path) -> None:
    text(folder, "map.html", '"rings":[[[[50.1,', '"rings":[[[[50.10001,')


@found_in("map.html", "is drawn as treated; its treat is 0")
def page_draws_untreated_ground_as_treated(folder: Path) -> None:
    text(folder, "map.html", '{"kind":"untreated"', '{"kind":"treated"')


@found_in("map.html", "table Treated parts of Hopper pass: rate '8 floz/acre'")
def page_with_another_rate(folder: Path) -> None:
    text(folder, "map.html", '"number">9 floz/acre</td>', '"number">8 floz/acre</td>')


@found_in("map.html", "table Zones, zone 2: area")
def page_with_another_zone(folder: Path) -> None:
    content = (folder / "map.html").read_text()
    row = content.index('<th scope="row" class="number">2</th>', content.index("<caption>Zones"))
    at = content.index(" acres", row)
    (folder / "map.html").write_text(content[: at - 1] + ("1" if content[at - 1] != "1" else "2") + content[at:])


@found_in("map.html", "table Stops: stop '000'")
def page_with_another_stop(folder: Path) -> None:
    attribute(folder, 0, "stops.geojson", stop="0000")


@found_in("map.html", "caution 'few_stops' is not shown")
def page_without_a_caution(folder: Path) -> None:
    text(folder, "map.html", "13 stops carry the map", "Many stops carry the map")


# What binds the files to each other --------------------------------------------------------------


@found_in(LAYER, "outside keep_out.geojson")
def keep_out_removed(folder: Path) -> None:
    document(folder, "keep_out.geojson", lambda content: content.update(features=[]))


@found_in("keep_out.geojson", "setback 30.0 m; should be at least 45 m")
def setback_of_the_label_ignored(folder: Path) -> None:
    limit(folder, setback={"magnitude": 45.0, "unit": "m"})


@found_in(LAYER, "zone 1; zone 2 holds most of it")
def part_in_another_zone(folder: Path) -> None:
    attribute(folder, POND, zone=1)


@found_in("summary.json", "rate of 'Exampline 200' 8.0 floz/acre")
def stale_rate(folder: Path) -> None:
    figure(folder, lambda content: content["passes"][0]["products"][0].update(rate=8.0))


@found_in("stops.geojson", "lies elsewhere than its lon")
def stop_moved(folder: Path) -> None:
    attribute(folder, 0, "stops.geojson", lon=10.2)


@found_in("zones.geojson", "p_over of 'Marsh leafhopper'")
def zone_chances_edited(folder: Path) -> None:
    attribute(folder, 0, "zones.geojson", **{"p_over_marsh-leafhopper": 0.9})


@found_in("summary.json", "threshold is 9.0; the plan has 8.0")
def threshold_of_another_plan(folder: Path) -> None:
    figure(folder, lambda content: content["targets"][0].update(threshold=9.0))


@found_in("summary.json", "should lie under passes/speck/")
def pass_in_another_folder(folder: Path) -> None:
    figure(folder, lambda content: content["passes"][0].update(slug="speck"))


@found_in("summary.json", "treated_ha is 3.0 with decision none; should be 0")
def area_with_decision_none(folder: Path) -> None:
    figure(folder, lambda content: content["passes"][1].update(treated_ha=3.0))


@found_in("map.html", "table Stops: found")
def count_edited(folder: Path) -> None:
    attribute(folder, 0, "stops.geojson", count=99)


@found_in("map.html", "table Targets, 'Ring speck': field mean")
def page_with_another_mean(folder: Path) -> None:
    text(
        folder,
        "map.html",
        '"number">1.75 %</td><td class="number">5 %</td>',
        '"number">1.45 %</td><td class="number">5 %</td>',
    )


@found_in("map.html", "table Keep-outs, 'ditch'")
def page_with_another_setback(folder: Path) -> None:
    text(folder, "map.html", ">98 ft</td>", ">33 ft</td>")
