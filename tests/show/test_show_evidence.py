"""What the page says and draws of the evidence."""

from __future__ import annotations

from dataclasses import replace
from xml.etree import ElementTree

import pytest
import shapely

from rxmap.records import Result, TargetResult
from rxmap.records_evidence import Chances, Evidence, LeftOutCheck, LeftOutStop
from rxmap.show.evidence import evidence_section, evidence_sentences, left_out_chart
from rxmap.show.layers import map_data
from rxmap.show.story import checked, how_sure

STOPS = (
    LeftOutStop(found=2.0, told=3.0, p_over=0.1, inside=1.0),
    LeftOutStop(found=12.0, told=11.0, p_over=0.9, inside=1.0),
    LeftOutStop(found=9.0, told=6.0, p_over=0.4, inside=0.5),
    LeftOutStop(found=0.0, told=1.0, p_over=0.0, inside=1.0),
)
CHECK = LeftOutCheck(
    stops=STOPS,
    skill_blocks=0.31,
    blocks=2,
    block_gap_m=80.0,
    coverage=0.875,
    wrong_side=0.25,
    wrong_side_alike=0.5,
    chances=(Chances(stops=3, told=0.17, found=1 / 3), Chances(stops=1, told=0.9, found=1.0)),
)


def evidence(result: Result, check: LeftOutCheck | None = CHECK, **other: object) -> Evidence:
    ground = result.field.ground
    west, south, _, north = ground.bounds
    corner = shapely.intersection(ground, shapely.box(west, south, west + 60.0, north))
    told = Evidence(
        places=4,
        spacing_m=60.0,
        range_m=150.0,
        reach_m=120.0,
        not_sampled=corner,
        not_sampled_ha=corner.area / 1e4,
        stops_mean=5.75,
        even_mean=5.0,
        crowded=False,
        left_out=check,
    )
    return replace(told, **other)


def with_evidence(result: Result, told: Evidence) -> tuple[Result, TargetResult]:
    target = replace(result.targets[0], evidence=told)
    return replace(result, targets=(target, *result.targets[1:])), target


def test_a_grower_reads_how_often_the_map_was_right(result: Result) -> None:
    whole, target = with_evidence(result, evidence(result))
    told = " ".join(evidence_sentences(target, whole))
    assert "3 came out on the right side of the threshold; calling the whole field alike it would be 2." in told
    assert "takes 31 % off the errors" in told
    assert "inside the range predicted from the other stops at 88 % of the places; the range promises 90 %" in told
    assert "Not sampled is ground farther than 394 ft from every stop" in told


def test_the_card_says_how_often_the_others_were_right(result: Result) -> None:
    whole, target = with_evidence(result, evidence(result))
    assert (
        "Predicted from the other stops, 3 of 4 places come out on the right side of the threshold."
        in how_sure(whole)[0]
    )
    assert checked(replace(target, evidence=evidence(result, None))) == ""


@pytest.mark.parametrize(("skill", "takes"), [(0.011, "only 1 %"), (-0.2, "nothing"), (0.1, None), (None, None)])
def test_a_map_that_holds_close_to_its_stops_only_says_so(
    result: Result, skill: float | None, takes: str | None
) -> None:
    whole, _ = with_evidence(result, evidence(result, replace(CHECK, skill_blocks=skill)))
    words = f"with blocks of stops left out it takes {takes} off the errors of the field mean."
    assert (words in how_sure(whole)[0]) is (takes is not None)
    assert ("says little" in how_sure(whole)[0]) is (takes is not None)


def test_few_stops_get_words_and_no_figures(result: Result) -> None:
    whole, target = with_evidence(result, evidence(result, None))
    told = evidence_sentences(target, whole)
    assert told[0].startswith("4 places were looked at: too few")
    assert "%" not in told[0]
    assert "<svg" not in evidence_section(whole)


@pytest.mark.parametrize(
    ("other", "words"),
    [
        ({"range_m": 40.0}, "The stops are farther apart than that."),
        ({"crowded": True}, "Stops crowd: their mean is 5.75"),
        ({"not_sampled_ha": 0.0}, "No ground is farther than"),
        ({"left_out": replace(CHECK, skill_blocks=-0.1)}, "holds close to its stops only"),
        ({"left_out": replace(CHECK, wrong_side_alike=0.0)}, "All lie on the same side."),
    ],
)
def test_bad_evidence_is_said(result: Result, other: dict, words: str) -> None:
    whole, target = with_evidence(result, replace(evidence(result), **other))
    assert words in " ".join(evidence_sentences(target, whole))


def test_the_drawing_is_sound_and_has_words(result: Result) -> None:
    _, target = with_evidence(result, evidence(result))
    drawn = ElementTree.fromstring(left_out_chart(target, CHECK))
    assert drawn.get("role") == "img"
    assert "1 square on the wrong side" in drawn.get("aria-label", "")
    assert len(drawn.findall("circle")) == 3
    assert len(drawn.findall("rect")) == 1
    assert all(0 <= float(mark.get("cx")) <= 300 and 0 <= float(mark.get("cy")) <= 272 for mark in drawn.iter("circle"))


def test_right_and_wrong_differ_in_shape_not_only_in_colour(result: Result) -> None:
    _, target = with_evidence(result, evidence(result))
    drawn = ElementTree.fromstring(left_out_chart(target, CHECK))
    assert {mark.tag for mark in drawn if mark.tag in ("circle", "rect")} == {"circle", "rect"}
    assert drawn.find("rect").get("fill") == "#ffffff"


def test_ground_that_no_stop_reaches_is_hatched_and_in_the_legend(result: Result) -> None:
    whole, _ = with_evidence(result, evidence(result))
    views = [view for view in map_data(whole)["views"] if view["group"] == whole.targets[0].name]
    for view in views:
        assert view["legend"]["items"][-1]["text"] == "not sampled: farther than 394 ft from every stop"
        assert view["shapes"][-1]["style"]["hatch"] == "slash"


def test_a_result_without_evidence_has_no_section(result: Result) -> None:
    assert evidence_section(result) == ""
