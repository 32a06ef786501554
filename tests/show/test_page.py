"""The page as text: complete, closed, the same every time, and equal to the result it shows."""

from __future__ import annotations

import base64
import hashlib
import json
import os
import re
import subprocess
import sys
from collections import Counter
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
import shapely
from scipy.ndimage import gaussian_filter
from shapely.geometry import MultiPolygon, Polygon, box

from rxmap.grid import Frame, geodesic_area_m2, make_grid
from rxmap.records import AsApplied, CheckStrip, CovariateUse, EdgeLevel, Field, PassDates, Result, WhatIf
from rxmap.show import story
from rxmap.show.page import map_page

VOID = {"meta", "link", "br", "img", "input", "hr"}  # HTML Living Standard, void elements


class Reader(HTMLParser):
    """A stranger's reading of the page: nesting, scripts, ids, addresses."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.scripts: list[tuple[dict[str, str | None], str]] = []
        self.ids: Counter[str] = Counter()
        self.addresses: list[str] = []
        self.policy = ""
        self.text: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        known = dict(attrs)
        self.ids.update([known["id"]] if "id" in known else [])
        self.addresses += [known[key] or "" for key in ("src", "href", "action") if key in known]
        if known.get("http-equiv") == "Content-Security-Policy":
            self.policy = known["content"] or ""
        if tag == "script":
            self.scripts.append((known, ""))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] == "script":
            known, before = self.scripts[-1]
            self.scripts[-1] = (known, before + data)
        elif "style" not in self.open:
            self.text.append(data)

    @property
    def data(self) -> dict:
        return json.loads(next(text for known, text in self.scripts if known.get("id") == "map-data"))


@pytest.fixture(scope="module")
def page(result: Result) -> str:
    return map_page(result)


@pytest.fixture(scope="module")
def read(page: str) -> Reader:
    return Reader(page)


def test_the_same_result_makes_the_same_bytes(result: Result, page: str) -> None:
    assert map_page(result) == page


SHA_OF_THE_PAGE = """
import hashlib, importlib.util, sys
spec = importlib.util.spec_from_file_location("shared", sys.argv[1])
shared = importlib.util.module_from_spec(spec)
sys.modules["shared"] = shared
spec.loader.exec_module(shared)
from rxmap.show.page import map_page
print(hashlib.sha256(map_page(shared.make_result()).encode()).hexdigest())
"""


def test_another_process_clock_and_hash_seed_make_the_same_bytes(page: str) -> None:
    elsewhere = {**os.environ, "PYTHONHASHSEED": "12345", "TZ": "Pacific/Auckland", "LC_ALL": "C"}
    call = [sys.executable, "-c", SHA_OF_THE_PAGE, str(Path(__file__).parents[1] / "conftest.py")]
    told = subprocess.run(call, env=elsewhere, capture_output=True, text=True, check=True)
    assert told.stdout.strip() == hashlib.sha256(page.encode()).hexdigest()


def test_a_field_in_two_pieces_is_drawn_in_two_pieces(result: Result) -> None:
    strips = [part.polygon for part in result.passes[0].parts if part.treat]
    split = replace(result, field=replace(result.field, boundary=MultiPolygon(strips)))
    drawn = Reader(map_page(split)).data
    assert [len(overlay["shapes"][0]["rings"]) for overlay in drawn["overlays"] if overlay["label"] == "Boundary"] == [
        2
    ]


def test_every_element_is_closed_and_no_id_is_twice(read: Reader) -> None:
    assert read.open == []
    assert max(read.ids.values()) == 1


def test_nothing_points_out_of_the_page(page: str, read: Reader) -> None:
    assert all(address.startswith(("#", "data:")) for address in read.addresses)
    assert "sourceMappingURL" not in page
    assert not re.search(r"url\((?!data:|#)", page)
    assert "@import" not in page


def test_the_policy_names_each_script_by_its_hash(read: Reader) -> None:
    # W3C CSP Level 3: base64 of SHA-256 over the script's text
    inline = [text for known, text in read.scripts if "type" not in known]
    hashes = {base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() for text in inline}
    assert set(re.findall(r"'sha256-([^']+)'", read.policy)) == hashes
    for rule in ("default-src 'none'", "connect-src 'none'", "img-src data:", "base-uri 'none'"):
        assert rule in read.policy
    assert "unsafe-eval" not in read.policy
    assert "unsafe-inline" not in read.policy.split("style-src")[0]


def test_leaflet_keeps_its_licence_banner(page: str) -> None:
    assert "Leaflet 1.9" in page
    assert "Vladimir Agafonkin" in page


def test_every_part_of_a_pass_is_drawn_where_the_file_has_it(result: Result, read: Reader) -> None:
    view = next(view for view in read.data["views"] if view["group"] == "What to do")
    assert len(view["shapes"]) == len(result.passes[0].parts)
    for shape, part in zip(view["shapes"], result.passes[0].parts, strict=True):
        ((outer, *holes),) = shape["rings"]
        drawn = Polygon([at[::-1] for at in outer], [[at[::-1] for at in hole] for hole in holes])
        # 6 decimals move a corner by 0.06 m at most: some m2 on 250 m of edge
        assert geodesic_area_m2(drawn) == pytest.approx(geodesic_area_m2(part.polygon), rel=1e-3)
        assert (shape["kind"] == "treated") == bool(part.treat)


def test_the_panel_says_what_the_part_holds(result: Result, read: Reader) -> None:
    view = next(view for view in read.data["views"] if view["group"] == "What to do")
    at = next(at for at, part in enumerate(result.passes[0].parts) if part.treat)
    part = result.passes[0].parts[at]
    rows = dict(view["shapes"][at]["rows"])
    assert rows["Rate"] == "9 floz/acre"
    assert rows["Spray volume"] == "2 gal/acre"
    assert rows["Chance above threshold"] == f"{100 * part.p_over:.0f} %"
    told, unit = rows["Benefit"].split()
    # international acre, 4046.8564224 m2; three digits
    assert (float(told), unit) == (pytest.approx(part.benefit * 0.40468564224, rel=6e-3), "EUR/acre")


def test_waits_after_a_pass_are_told_and_defer_to_the_label(result: Result) -> None:
    dates = PassDates(no_entry="12 hours after spraying ends", no_rain=None, harvest_from="2031-08-04", look_again=None)
    words = " ".join(Reader(map_page(replace(result, passes=(replace(result.passes[0], dates=dates),)))).text)
    for wait in ("12 hours after spraying ends", "see the label", "2031-08-04"):
        assert wait in words


def test_what_if_stands_beside_the_decision_as_planned(result: Result) -> None:
    shares = {one.slug: 0.317 for one in result.passes}
    money = replace(result.money, map=100.0, none=-60.0, best="map")
    case = WhatIf(name="price of the crop -20 %", treated_share=shares, money=money)
    words = " ".join(Reader(map_page(replace(result, what_if=(case,)))).text)
    assert "as planned" in words
    assert "32 %" in words
    assert "160 EUR" in words  # 100 by the map, -60 for nothing


def test_the_decision_without_its_check_strips_stands_beside_rows_that_have_none(result: Result) -> None:
    hopper = result.passes[0]
    strip = CheckStrip(ground=box(0, 0, 9, 150), rate=9.0, length_m=150.0, area_ha=1.0, benefit=20.0)
    one = replace(hopper, check_strips=(strip,))
    planned, whole, *_ = cells(map_page(replace(result, passes=(one, result.passes[1]))), "What if")
    assert (planned["Assumption"], planned["Gain over nothing"]) == ("as planned", "472 EUR")
    assert (whole["Assumption"], whole["Gain over nothing"]) == ("as planned, without check strips", "492 EUR")
    share = (hopper.treated_ha + 1.0) / result.field.area_ha
    assert whole["Treated, Hopper pass"] == f"{100 * share:.0f} %"


def test_every_stop_row_is_told_with_its_reason(result: Result, read: Reader) -> None:
    stops = next(overlay for overlay in read.data["overlays"] if overlay["label"] == "Stops")["shapes"]
    told = [value for stop in stops for _, value in stop["rows"] if "used" in value]
    assert len(stops) == len({row.stop for row in result.observations})
    assert len(told) == len(result.observations)
    assert sum("not used: edge stop" in value for value in told) == 1


def test_a_field_without_a_pattern_is_one_flat_colour(read: Reader) -> None:
    views = [view for view in read.data["views"] if view["group"] == "Ring speck"]
    assert all("picture" not in view and len(view["shapes"]) == 1 for view in views)
    assert all("do not support a map" in view["sentence"] for view in views)


def test_map_and_legend_share_their_styles(read: Reader) -> None:
    for view in read.data["views"]:
        legend = [item["style"] for item in view["legend"]["items"]]
        for shape in view.get("shapes", []):
            assert any(shape["style"].get("fill") == style.get("fill") for style in legend)


def cells(page: str, caption: str) -> list[dict[str, str]]:
    """The rows of the table whose caption begins so, by column head."""
    inner = next(each for each in page.split("<table>")[1:] if f"<caption>{caption}" in each).split("</table>")[0]
    rows = [re.findall(r"<t[hd][^>]*>([^<]*)<", row) for row in inner.split("<tr>")[1:]]
    return [dict(zip(rows[0], row, strict=True)) for row in rows[1:]]


def test_a_strip_that_edge_stops_decide_is_drawn_and_listed(result: Result) -> None:
    edge = EdgeLevel(width_m=18.0, stops=7, pressure=9.0, p_over=0.88)
    strip = replace(result, units="metric", targets=tuple(replace(each, edge=edge) for each in result.targets))
    page = map_page(strip)
    assert [row["Width"] for row in cells(page, "Strips along the boundary")] == ["18 m", "18 m"]
    views = [view for view in Reader(page).data["views"] if view["group"] in ("Marsh leafhopper", "Ring speck")]
    assert len(views) == 4
    for view in views:
        ((outer, *_),) = view["shapes"][-1]["rings"]
        inner = result.field.frame.geometry_to_metres(Polygon([at[::-1] for at in outer]))
        # drawn to 6 decimals: 0.06 m
        assert inner.exterior.distance(result.field.ground.exterior) == pytest.approx(18.0, abs=0.1)
        assert any("18 m strip that edge stops decide" in item["text"] for item in view["legend"]["items"])


def test_layers_are_listed_with_their_gain_and_why_not(result: Result) -> None:
    layers = (
        CovariateUse(name="NDVI", used=True, gain=0.29, why="it takes 29 % off"),
        CovariateUse(name="soil", used=False, gain=-0.02, why="no more than chance reaches"),
        CovariateUse(name="height", used=False, gain=None, why="it is the same at every stop"),
    )
    shown = replace(result, targets=(replace(result.targets[0], covariates=layers), *result.targets[1:]))
    rows = cells(map_page(shown), "Imagery and other layers")
    assert [row["Errors taken off"] for row in rows] == ["29 %", "none", "not tried"]
    assert rows[2]["Why"] == "It is the same at every stop."


def test_check_strips_are_counted_with_what_they_can_show(result: Result) -> None:
    strip = CheckStrip(ground=box(0, 0, 9, 150), rate=9.0, length_m=150.0, area_ha=0.5, benefit=2.0)
    parts = [replace(part, reason="check strip") if part.reason.startswith("treating") else part
             for part in result.passes[0].parts]  # fmt: skip
    one = replace(result.passes[0], check_strips=(strip, strip), strips_text="Two show something.", parts=tuple(parts))
    page = map_page(replace(result, passes=(one,), units="metric"))
    (row,) = cells(page, "Check strips")
    assert (row["Check strips"], row["Untreated for them"], row["Benefit given up"]) == ("2", "1.0 ha", "4 EUR")
    view = Reader(page).data["views"][0]
    assert view["more"] == "Two show something."
    panels = [dict(shape["rows"]) for shape in view["shapes"] if shape["kind"] == "check strip"]
    assert panels
    assert all(rows["What it can show"] == "Two show something." for rows in panels)


def test_passes_that_keep_a_setback_are_named_where_they_differ(result: Result) -> None:
    one = result.keep_outs[0]
    twice = (replace(one, passes=("hopper-pass",)), replace(one, setback_m=40.0, passes=("speck-pass",)))
    rows = cells(map_page(replace(result, keep_outs=twice)), "Keep-outs")
    assert [row["Kept by"] for row in rows] == ["Hopper pass", "Speck pass"]
    both = replace(one, passes=("hopper-pass", "speck-pass"))
    assert "Kept by" not in cells(map_page(replace(result, keep_outs=(both,))), "Keep-outs")[0]


def test_what_the_machine_will_do_stands_in_a_table(result: Result) -> None:
    applied = AsApplied(
        heading=12.0, treated_ha=10.0, applied_ha=10.1, missed_ha=0.3, off_target_ha=0.4, over_ha=0.0, under_ha=0.0,
        setback_ha=0.02, outside_ha=0.01, product_difference=-0.0004, classes=np.zeros(result.grid.shape, np.uint8),
    )  # fmt: skip
    one = replace(result.passes[0], applied=applied, heading_text="Set machine.heading to 30 to drive it.")
    (row,) = cells(map_page(replace(result, passes=(one,), units="metric")), "As the machine will apply it")
    assert (row["Missed"], row["Off target"], row["Inside setbacks"]) == ("0.30 ha", "0.40 ha", "0.02 ha")
    assert row["Product against the plan"] == "0.0 %"  # never -0.0
    assert row["Heading to drive"] == "Set machine.heading to 30 to drive it."


def test_a_floor_under_everything_is_no_gain(result: Result) -> None:
    money = replace(result.money, map=None, all=40.0, none=-60.0, best="all")
    floor = WhatIf(name="dearer", treated_share={"hopper-pass": 0.0, "speck-pass": 0.0}, money=money)
    row = cells(map_page(replace(result, what_if=(floor,))), "What if")[-1]
    assert (row["Best"], row["Gain over nothing"]) == ("nothing: the threshold is a floor", "0 EUR")


def test_one_caution_is_not_counted(result: Result) -> None:
    words = " ".join(Reader(map_page(replace(result, cautions=result.cautions[:1]))).text)
    assert "Read the caution" in words
    assert "Read the 2 cautions" in " ".join(Reader(map_page(result)).text)


def test_cautions_and_safety_words_are_on_the_page(result: Result, read: Reader) -> None:
    words = " ".join(read.text)
    for line in story.SAFETY:
        assert line in words
    for caution in result.cautions:
        assert caution.code in words
    for must in ("label is the law", "licensed", "drift", "re-entry", "protective equipment", "drone", "permission"):
        assert must in words


@pytest.mark.parametrize("units", ["us", "metric"])
def test_a_page_without_product_or_loss_is_complete(result: Result, units: str) -> None:
    bare = Reader(map_page(replace(result, passes=(), money=None, keep_outs=(), cautions=(), zones=(), units=units)))
    words = " ".join(bare.text)
    assert "There is no pass: the plan names no product." in words
    assert {view["group"] for view in bare.data["views"]} == {"Marsh leafhopper", "Ring speck"}
    assert ("ha" if units == "metric" else "acres") in words
    assert "None" not in words.replace("None.", "")
    assert "nan" not in words


def test_figures_that_are_unknown_are_said_to_be(result: Result) -> None:
    parts = tuple(replace(part, benefit=None, p_over=float("nan")) for part in result.passes[0].parts)
    unknown = replace(result, passes=(replace(result.passes[0], parts=parts),), money=None)
    words = " ".join(Reader(map_page(unknown)).text)
    assert "no figure" in words
    assert "unknown" in words


def large(result: Result, noise: float) -> Result:
    """An invented field of 72,000 cells, two targets and 200 parts."""
    frame = Frame(lon=10.1, lat=50.1)
    ground = box(0, 0, 804, 806)
    boundary = frame.geometry_to_lonlat(ground)
    field = Field(name="Large", boundary=boundary, ground=ground, frame=frame, area_ha=64.8)
    grid = make_grid(ground, 3.0)
    rng = np.random.default_rng(5)
    wave = gaussian_filter(rng.normal(size=grid.shape), 15)
    values = 8.0 + 4 * wave / wave.std() + noise * rng.normal(size=grid.shape)
    surface = replace(
        result.targets[0].surface,
        grid=grid,
        mean=values,
        p_over=1 / (1 + np.exp(8 - values)),
        sd=values,
        q05=values,
        q95=values,
    )
    targets = tuple(replace(target, surface=surface) for target in result.targets)
    points = shapely.MultiPoint(rng.uniform([0, 0], [804, 806], (200, 2)))
    cells = shapely.intersection(shapely.get_parts(shapely.voronoi_polygons(points)), ground)
    one = result.passes[0].parts[1]
    parts = tuple(
        replace(one, polygon=frame.geometry_to_lonlat(shapely.segmentize(cell, 3.0)), treat=at % 2, rate=9.0 * (at % 2))
        for at, cell in enumerate(cells)
    )
    return replace(result, field=field, grid=grid, targets=targets, passes=(replace(result.passes[0], parts=parts),))


@pytest.mark.parametrize("noise", [0.0, pytest.param(4.0, marks=pytest.mark.long)])
def test_a_large_field_stays_under_two_megabytes(result: Result, noise: float) -> None:
    big = large(result, noise)
    assert big.grid.inside.sum() > 72_000
    assert len(big.passes[0].parts) == 200
    assert len(map_page(big).encode()) <= 2_000_000


def test_an_edge_stop_that_decides_the_strip_is_not_said_to_be_left_out(result: Result) -> None:
    edge = EdgeLevel(width_m=18.0, stops=7, pressure=9.0, p_over=0.88)
    rows = tuple(row for row in result.observations if row.target == "Marsh leafhopper")
    strip = replace(result, targets=(replace(result.targets[0], edge=edge),), observations=rows)
    told = [row["Used"] for row in cells(map_page(strip), "Stops")]
    assert "not used: edge stop" not in told
    assert told.count("not in the layer: decides the strip along the boundary") == 1
    overlays = Reader(map_page(strip)).data["overlays"]
    stops = next(overlay for overlay in overlays if overlay["label"] == "Stops")
    assert "edge stop, decides the strip" in [item["text"] for item in stops["legend"]]


def test_a_view_without_a_strip_does_not_say_that_an_edge_stop_decides_one(result: Result) -> None:
    edge = EdgeLevel(width_m=18.0, stops=7, pressure=9.0, p_over=0.88)
    hopper, speck = result.targets
    views = Reader(map_page(replace(result, targets=(hopper, replace(speck, edge=edge))))).data["views"]
    told = {f"{view['group']}: {view['label']}": view.get("strip") for view in views}
    assert told["What to do: Hopper pass"] is told["Marsh leafhopper: Pressure"] is False
    assert told["Ring speck: Pressure"] is True
