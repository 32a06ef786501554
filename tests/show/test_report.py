"""The report, the record and the mix sheet on paper: nothing cut off, nothing lost, read in grey."""

from __future__ import annotations

import ast
import re
import subprocess
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import matplotlib
import pytest
import shapely
from matplotlib.backends.backend_agg import FigureCanvasAgg

from rxmap.errors import Caution
from rxmap.passes.loads import plan_loads, treated_ground
from rxmap.plan import Machine, Product
from rxmap.records import EdgeLevel, LoadPlan, Result
from rxmap.show import charts, paper, report, sheets, story
from rxmap.show.paper import Paper, plain_settings
from rxmap.show.report import report_pdf
from rxmap.write.mix_sheet import mix_filled, mix_lines, mix_totals
from rxmap.write.record import record_document
from rxmap.write.summary import summary

ACRES_PER_HA = 10_000 / 4046.8564224  # NIST Handbook 44, appendix C (from memory): international acre
Made = Callable[[Callable[[Result], Result]], bytes]
ENDLESS = "Wanderbach $x_1$ \u00dcberl\u00e4nge \U0001f41b " * 30
HEADINGS = (
    "Map:", "Dates; the label holds", "Left alone on purpose", "What it is worth", "Targets:", "Cautions",
    "Before anybody sprays",
)  # fmt: skip
SAFETY = (
    "The label is the law",
    "licensed people decide",
    "Mind drift",
    "re-entry",
    "protective",
    "as good as its stops",
)


def no_pass(result: Result) -> Result:
    return replace(result, passes=(), money=None, what_if=(), keep_outs=(), units="metric")


def stays_home(result: Result) -> Result:
    return replace(result, passes=result.passes[1:])


def endless(result: Result) -> Result:
    """Every name as long as a file can make it."""
    target = replace(result.targets[0], name=ENDLESS, unit=f"per 25 {'x' * 190}s", reason=ENDLESS)
    one = result.passes[0]
    parts = tuple(replace(part, target=ENDLESS, reason=part.reason if part.treat else ENDLESS) for part in one.parts)
    uses = tuple(replace(use, name="W" * 300) for use in one.products)
    return replace(
        result,
        field=replace(result.field, name=ENDLESS),
        targets=(target,),
        passes=(replace(one, name=ENDLESS, parts=parts, products=uses), result.passes[1]),
        cautions=tuple(Caution(f"code_{number}", ENDLESS) for number in range(20)),
    )


def as_it_is(result: Result) -> Result:
    return result


RESULTS = [as_it_is, stays_home, no_pass, endless]


@pytest.fixture(scope="session")
def load_plan(result: Result) -> LoadPlan:
    rig = {"kind": "drone", "swath": "9 m", "carrier": "2 gal/acre", "tank": "10 gal", "reserve": "0.5 gal"}
    products = [Product.model_validate({**result.plan["product"][0], "pack": "2.5 gal"})]
    treated = treated_ground(result.passes[0], result.field.frame)
    return plan_loads(treated, products, machine=Machine.model_validate(rig), field=result.field)


@pytest.fixture(scope="session")
def made(result: Result) -> Made:
    """The report of a changed result, drawn once."""
    return cache(lambda change: report_pdf(change(result)))


@pytest.fixture
def words(program: Callable[[str], str], tmp_path: Path) -> Callable[[bytes], str]:
    """Text of a document as a reader of another make finds it, white space made single."""

    def read(content: bytes) -> str:
        file = tmp_path / "document.pdf"
        file.write_bytes(content)
        done = subprocess.run([program("pdftotext"), "-layout", file, "-"], capture_output=True, check=True, timeout=60)
        return re.sub(r"\s+", " ", done.stdout.decode("utf-8"))

    return read


def texts(sheets_of: Paper) -> Iterator[tuple[int, str, Any]]:
    """Every text that is drawn: sheet, words, and the box round it in shares of the sheet."""
    matplotlib.rcParams["text.hinting"] = "no_hinting"  # else letters are as wide as pixels, and not as on paper
    for number, sheet in enumerate(sheets_of.sheets):
        renderer = FigureCanvasAgg(sheet).get_renderer()
        for artist in sheet.findobj(matplotlib.text.Text):
            if artist.get_text():
                box = artist.get_window_extent(renderer).transformed(sheet.transFigure.inverted())
                yield number, artist.get_text(), shapely.box(*box.extents)


@pytest.mark.parametrize("change", RESULTS)
def test_no_text_leaves_its_sheet_or_covers_another(result: Result, change: Callable[[Result], Result]) -> None:
    with plain_settings():
        drawn = list(texts(report.report_paper(change(result))))
    # 1 pt: letters that Agg draws on whole pixels may stand out that much
    inside = shapely.box(paper.MARGIN - 1, 20, paper.WIDTH - paper.MARGIN + 1, paper.HEIGHT - 20)
    points = [(n, w, shapely.transform(box, lambda xy: xy * [paper.WIDTH, paper.HEIGHT])) for n, w, box in drawn]
    assert [w for _, w, box in points if not inside.contains(box)] == []
    # 0.8 pt: a box is as high as the tallest letter of the font and leaves air round most text
    small = [(n, box.buffer(-0.8)) for n, _, box in points]
    tree = shapely.STRtree([box for _, box in small])
    pairs = tree.query([box for _, box in small], predicate="intersects").T
    assert [(points[i][1], points[j][1]) for i, j in pairs if i < j and points[i][0] == points[j][0]] == []


def test_a_report_is_two_or_three_pages_of_a4(program: Callable[[str], str], tmp_path: Path, made: Made) -> None:
    file = tmp_path / "report.pdf"
    for change in RESULTS[:3]:
        file.write_bytes(made(change))
        told = subprocess.run([program("pdfinfo"), file], capture_output=True, check=True, timeout=60).stdout.decode()
        assert re.search(r"Pages: +[23]\n", told)
        assert re.search(r"Page size: .*\(A4\)", told)  # ISO 216: 210 x 297 mm


def test_the_figures_are_those_of_the_summary(result: Result, words: Callable[[bytes], str], made: Made) -> None:
    told, figures = words(made(as_it_is)), summary(result)
    one, money, hopper = figures["passes"][0], figures["money"], figures["targets"][0]
    assert f"Treat {one['treated_ha'] * ACRES_PER_HA:.1f} of {figures['field']['area_ha'] * ACRES_PER_HA:.1f}" in told
    assert f"{one['treated_ha'] * ACRES_PER_HA:.1f} acres, {100 * one['share']:.0f} %" in told
    product = one["products"][0]
    assert f"{product['total']:.0f} {product['total_unit']} {one['loads']}" in told
    assert f"{money['map'] - money['none']:.0f} {money['currency']} more than treating nothing" in told
    assert "between {:.0f} and {:.0f} EUR in nine cases of ten".format(*money["range"]) in told
    assert f"{money['all']:.0f} EUR" in told
    assert f"{100 * hopper['p_over']:.0f} %" in told
    assert all(str(one["dates"][key]) in told for key in ("harvest_from", "look_again"))


def test_what_is_left_alone_is_told_with_its_ground(result: Result, words: Callable[[bytes], str], made: Made) -> None:
    told = words(made(as_it_is))
    assert "keep-out: ditch, 1.9 acres" in told
    assert "with 98 ft around it" in told  # 30 m / 0.3048
    left = [part for part in result.passes[0].parts if "costs more" in part.reason]
    assert f"costs more than it saves, {sum(part.area_ha for part in left) * ACRES_PER_HA:.1f} acres" in told


@pytest.mark.parametrize("change", RESULTS)
def test_every_report_is_complete(
    result: Result, change: Callable[[Result], Result], words: Callable[[bytes], str], made: Made
) -> None:
    changed = change(result)
    told = words(made(change))
    wanted = [head for head in HEADINGS if changed.passes or not head.startswith("Dates")]
    assert [head for head in (*wanted, *SAFETY) if head not in told] == []
    assert all(caution.code in told for caution in changed.cautions)


def test_how_sure_stands_there_in_the_words_of_the_page(
    result: Result, words: Callable[[bytes], str], made: Made
) -> None:
    told = words(made(as_it_is)).replace("\N{EN DASH} ", "")
    assert all(sentence in told for sentence in story.how_sure(result))


def test_a_result_without_a_pass_says_so_first(words: Callable[[bytes], str], made: Made) -> None:
    assert words(made(stays_home)).index("Treat nothing.") < 200
    assert words(made(no_pass)).index("No product is planned") < 200


def test_hostile_text_is_shown_as_text(result: Result, words: Callable[[bytes], str]) -> None:
    name = r"$\frac{1}{2}$ \u0041 \textbf{x} <b>&amp;</b>"
    told = words(report_pdf(replace(result, crop=name)))
    assert name in told
    assert "[U+1F41B]" in told  # a letter that the fonts lack stands there by its number
    assert result.field.name in told


def test_the_same_result_makes_the_same_bytes(result: Result, monkeypatch: pytest.MonkeyPatch, made: Made) -> None:
    first = made(as_it_is)
    monkeypatch.setattr(time, "time", lambda: 4e9)
    with matplotlib.rc_context({"font.size": 30, "pdf.fonttype": 3, "pdf.compression": 0, "axes.edgecolor": "red"}):
        assert report_pdf(result) == first
    assert b"CreationDate" not in first


def test_what_is_treated_kept_out_and_left_as_strip_differs_without_colour(result: Result) -> None:
    one = result.passes[0]
    parts = (replace(one.parts[0], reason="check strip"), *one.parts[1:])
    with plain_settings():
        page = Paper("")
        axes = page.axes(0, 0, 300, 300)
        drawn = charts.draw_map(page, axes, result, replace(one, parts=parts), result.targets[0])
    hatches = {words: look["hatch"] for look, words in drawn if "hatch" in look}
    assert len(hatches) == len(set(hatches.values())) == 3
    on_map = {patch.get_hatch() for patch in axes.patches if patch.get_hatch()}
    assert on_map == set(hatches.values())  # the legend shows what was drawn
    assert {words.get_text() for words in axes.texts} >= {"1", "2", "N"}


def test_an_edge_stop_that_decides_a_strip_is_drawn_as_one(result: Result) -> None:
    edge = EdgeLevel(width_m=18.0, stops=7, pressure=9.0, p_over=0.88)
    hopper = replace(result.targets[0], edge=edge)
    with plain_settings():
        page = Paper("")
        drawn = charts.draw_map(page, page.axes(0, 0, 300, 300), replace(result, targets=(hopper,)), None, hopper)
    looks = {words: look.get("marker") for look, words in drawn if "stop" in words}
    assert looks == {"stop": "o", "edge stop, decides the strip": "s", "stop that was not used": "o"}


def test_a_lone_patch_is_priced_by_its_edges_alone(result: Result) -> None:
    told = report._smallest(replace(result, units="metric"), result.passes[0])
    assert told == "Once the machine is in the field, a lone patch narrower than 31 m does not pay for its edges."


def test_the_bar_of_lengths_is_as_long_as_it_says(result: Result) -> None:
    with plain_settings():
        page = Paper("")
        axes = page.axes(0, 0, 300, 300)
        charts.draw_map(page, axes, result, None, result.targets[0])
    bar = next(line for line in axes.lines if line.get_linewidth() == 3)
    told = next(words.get_text() for words in axes.texts if words.get_text().endswith("ft"))
    # the foot is 0.3048 m (NIST Handbook 44, appendix C, from memory)
    assert (bar.get_xdata()[1] - bar.get_xdata()[0]) / 0.3048 == pytest.approx(float(told.split()[0]))


def test_the_money_starts_a_sheet_where_it_would_leave_one(result: Result) -> None:
    with plain_settings():
        page = Paper("")
        page.top = paper.HEIGHT - paper.FOOT - 40
        charts.draw_money(page, result.money, "Expected gain")
    assert len(page.sheets) == 2
    assert page.sheets[0].texts == []


def test_record_sheets_hold_what_is_known_and_lines_to_write_on(result: Result, words: Callable[[bytes], str]) -> None:
    document = record_document(result, result.plan)
    with plain_settings():
        page = sheets.record_paper(document)
        drawn = list(texts(page))
    assert len(page.sheets) <= 3  # two for the pass that goes out, one for the other
    assert all(box.within(shapely.box(0, 0, 1, 1)) for _, _, box in drawn)
    told = words(sheets.record_pdf(document))
    blanks = sum(e["value"] is None for record in document["records"] for e in record["elements"])
    assert sum("____" in text for _, text, _ in drawn) == blanks
    total = summary(result)["passes"][0]["products"][0]["total"]
    assert f"planned: {total:.3f} floz" in told
    assert "7 CFR 110.3(a)(5)" in told
    assert "from memory" in told


def test_mix_sheet_has_every_amount_of_the_table(
    result: Result, load_plan: LoadPlan, words: Callable[[bytes], str]
) -> None:
    told = words(sheets.mix_sheet_pdf(result.passes[0], load_plan, result.field.name, "us"))
    for line in mix_lines(load_plan, "us"):
        assert line.amount == 0 or f"{line.amount} {line.unit}" in told
    assert "bring 1 pack of 2.5 gal" in told
    assert "all loads" in told
    filled = mix_filled(load_plan, mix_lines(load_plan, "us"))
    assert filled["Exampline 200"] > mix_totals(mix_lines(load_plan, "us"))["Exampline 200"][0]
    assert all(str(amount) in told for amount in filled.values())


def test_mix_sheet_of_many_loads_goes_over_several_sheets(result: Result, load_plan: LoadPlan) -> None:
    loads = tuple(replace(load_plan.loads[0], load=number) for number in range(1, 121))
    one = replace(result.passes[0], name=ENDLESS)
    with plain_settings():
        page = sheets.mix_sheet_paper(one, replace(load_plan, loads=loads), ENDLESS, "us")
        drawn = list(texts(page))
    assert len(page.sheets) > 2
    assert all(box.within(shapely.box(0, 0, 1, 1)) for _, _, box in drawn)


def test_drawing_is_imported_only_by_what_draws() -> None:
    for module in (paper, charts, report, sheets):
        tree = ast.parse(Path(module.__file__).read_text(encoding="utf-8"))
        names = [ast.unparse(node) for node in tree.body if isinstance(node, ast.Import | ast.ImportFrom)]
        assert not any("matplotlib" in name for name in names), module.__name__
