"""The page in a headless Chromium: it asks for nothing, runs nothing foreign, and can be used by everybody."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from rxmap.errors import Caution
from rxmap.records import EDGE_STOP, EdgeLevel, Result
from rxmap.show.page import map_page

ATTACKS = (
    "<img src=x onerror=\"document.title='hacked'\"> </script><script>document.title='hacked'</script>",
    "`${document.title='hacked'}` {{7*7}} {% raw %} '\"><svg onload=document.title='hacked'>",
)


TOUCH_EVERYTHING = """() => {
  const features = document.querySelectorAll(".map path.leaflet-interactive");
  for (const feature of features) {
    for (const kind of ["mouseover", "click"]) feature.dispatchEvent(new MouseEvent(kind, {bubbles: true}));
    if (document.querySelector("#panel img, #panel svg, #panel script")) document.title = "hacked";
  }
  return document.querySelectorAll("#panel dd").length;
}"""


@pytest.fixture(scope="module")
def page(result: Result) -> str:
    return map_page(result)


def hostile(result: Result, text: str) -> Result:
    """The result with the same text in every place that a file or a plan can fill."""
    part = {"target": text, "product": text, "reason": text}
    passes = [
        replace(
            one,
            name=text,
            reason=text,
            next_look=text,
            products=tuple(replace(use, name=text) for use in one.products),
            parts=tuple(replace(each, **part) for each in one.parts),
        )
        for one in result.passes
    ]
    rows = [
        replace(row, stop=f"{row.stop} {text}", target=text, note=text, why=text, extra=((text, text),))
        for row in result.observations
    ]
    targets = [replace(target, name=text, unit=text, source=text, model=text, reason=text) for target in result.targets]
    return replace(
        result,
        crop=text,
        field=replace(result.field, name=text),
        passes=tuple(passes),
        observations=tuple(rows),
        targets=tuple(targets),
        zones=tuple(replace(zone, text=text) for zone in result.zones),
        zone_choice=replace(result.zone_choice, text=text),
        keep_outs=tuple(replace(each, reason=text) for each in result.keep_outs),
        cautions=(Caution(text, text),),
        what_if=tuple(replace(case, name=text) for case in result.what_if),
    )


def test_the_page_asks_for_nothing_and_complains_of_nothing(page: str, opened: Callable[..., Any]) -> None:
    view = opened(page)
    for radio in view.page.get_by_role("radio").all():
        radio.check()
    outside = [url for url in view.requests if not url.startswith(("data:", "file:"))]
    assert (outside, view.complaints) == ([], [])
    assert len([url for url in view.requests if url.startswith("file:")]) == 1  # the page itself


@pytest.mark.parametrize("text", ATTACKS)
def test_hostile_text_is_shown_and_never_run(result: Result, opened: Callable[..., Any], text: str) -> None:
    view = opened(map_page(hostile(result, text)))
    title = view.page.title()
    for radio in view.page.get_by_role("radio").all():
        radio.check()
        assert view.page.evaluate(TOUCH_EVERYTHING) > 0
        assert view.page.locator("#panel dl *:not(div, dt, dd), #legend li *:not(svg, svg *, span)").count() == 0
    assert view.page.title() == title != "hacked"
    assert view.page.locator("img[src=x], .map svg[onload], header img").count() == 0
    assert text in view.page.locator("h1").text_content()
    assert view.complaints == []


def test_the_policy_stops_a_script_that_gets_in_all_the_same(page: str, opened: Callable[..., Any]) -> None:
    view = opened(page.replace("<header>", "<header><script>document.title = 'hacked'</script>", 1))
    assert view.page.title() != "hacked"
    assert any("Content Security Policy" in complaint for complaint in view.complaints)


def test_a_radio_changes_what_the_map_shows(page: str, opened: Callable[..., Any]) -> None:
    view = opened(page)
    assert view.page.locator(".map img").count() == 0
    view.choose("Marsh leafhopper: Pressure")
    assert view.page.locator(".map img[src^='data:image/png']").count() == 1
    assert "threshold 8 per 25 sweeps" in view.page.locator("#legend").inner_text()
    view.choose("Zones: By number")
    assert view.page.locator(".map img").count() == 0
    assert view.page.locator(".tag").all_inner_texts() == ["1", "1", "2", "3"]  # zone 1 lies in two pieces


def test_the_legend_names_edge_stops_by_what_they_decide_in_a_view(result: Result, opened: Callable[..., Any]) -> None:
    edge = EdgeLevel(width_m=18.0, stops=1, pressure=9.0, p_over=0.88)
    hopper, speck = result.targets
    rows = (replace(result.observations[0], target=speck.name, used=False, edge=True, why=EDGE_STOP),)
    view = opened(map_page(replace(result, targets=(hopper, replace(speck, edge=edge)), observations=rows)))
    legend = view.page.locator("#legend")
    assert "edge stop, decides no strip here" in legend.inner_text()
    view.choose("Ring speck: Pressure")
    assert "edge stop, decides the strip" in legend.inner_text()


def test_the_picture_covers_the_field_that_the_boundary_outlines(page: str, opened: Callable[..., Any]) -> None:
    view = opened(page)
    view.choose("Marsh leafhopper: Pressure")
    picture = view.page.locator(".map img").bounding_box()
    outline = view.page.locator(".leaflet-top-pane path").last.bounding_box()
    for side in ("x", "y", "width", "height"):
        assert picture[side] == pytest.approx(outline[side], abs=6)  # 2 pixels of margin and half the outline


def test_a_stop_tells_what_was_found_and_why_it_was_left_out(page: str, opened: Callable[..., Any]) -> None:
    view = opened(page)
    for feature in view.page.locator(".leaflet-top-pane path.leaflet-interactive").all():
        feature.dispatch_event("click")
        if "Stop 009" in view.page.locator("#panel").inner_text():
            break
    panel = view.page.locator("#panel").inner_text()
    assert "counted in 25" in panel
    assert "not used: older than the newest visit" in panel


def test_the_keyboard_reaches_tables_choices_and_treated_parts(page: str, opened: Callable[..., Any]) -> None:
    view = opened(page)
    reached = []
    for _ in range(16):
        view.page.keyboard.press("Tab")
        reached.append(
            view.page.evaluate(
                "document.activeElement.getAttribute('aria-label') || document.activeElement.textContent"
            )
        )
    assert reached[0] == "Skip to the tables"
    assert any(name.startswith("Part 1: treat, Area ") for name in reached)
    assert any(name.startswith("What to do: Hopper pass") for name in reached)


def test_enter_on_a_treated_part_opens_it(page: str, opened: Callable[..., Any]) -> None:
    view = opened(page)
    view.page.locator(".map path[tabindex]").first.focus()
    view.page.keyboard.press("Enter")
    panel = view.page.locator("#panel").inner_text()
    assert "Part 1: treat" in panel
    assert "9 floz/acre" in panel
    view.page.keyboard.press("Escape")
    assert "Part 1" not in view.page.locator("#panel").inner_text()


def test_without_scripts_the_tables_still_say_everything(page: str, opened: Callable[..., Any]) -> None:
    view = opened(page, script=False)
    assert view.page.get_by_text("The map needs JavaScript").is_visible()
    assert not view.page.locator(".look").is_visible()
    for caption in ("Passes", "Treated parts of Hopper pass", "Targets", "Zones", "Money", "Keep-outs"):
        assert view.page.locator("caption", has_text=caption).first.is_visible()


def test_a_phone_shows_the_page_without_sideways_scrolling(page: str, opened: Callable[..., Any]) -> None:
    view = opened(page, width=360, height=740)
    assert view.page.evaluate("document.documentElement.scrollWidth") <= 360
    assert view.page.locator(".map").bounding_box()["width"] <= 360


def test_the_print_carries_map_and_legend(page: str, opened: Callable[..., Any]) -> None:
    view = opened(page)
    view.page.emulate_media(media="print")
    assert view.page.locator("#legend").is_visible()
    view.page.locator("#choices").wait_for(state="hidden")
    printed = view.page.pdf(prefer_css_page_size=True)
    assert printed.startswith(b"%PDF")
    assert b"/MediaBox [0 0 841" in printed  # A4 landscape, 297 mm = 841.9 pt (ISO 216)
