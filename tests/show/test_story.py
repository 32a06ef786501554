from __future__ import annotations

import re
from dataclasses import replace

import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from rxmap.errors import Caution
from rxmap.records import TWO_TANKS, CheckStrip, CovariateUse, EdgeLevel, Money, Result, TargetResult, WhatIf
from rxmap.show import story, text

ACRES_PER_HA = 10_000 / 4046.8564224  # international acre


STRIP = CheckStrip(ground=shapely.box(0, 0, 9, 150), rate=9.0, length_m=150.0, area_ha=0.135, benefit=2.0)


def case(name: str, share: float) -> WhatIf:
    return WhatIf(name=name, treated_share={"hopper-pass": share, "speck-pass": share}, money=None)


def with_strip(target: TargetResult) -> TargetResult:
    return replace(target, edge=EdgeLevel(width_m=18.0, stops=7, pressure=9.0, p_over=0.88))


def with_money(result: Result, **given: object) -> Result:
    return replace(result, money=replace(result.money, **given))


def test_the_first_words_say_what_to_do(result: Result) -> None:
    first, second = story.what_to_do(result)
    treated, whole = (ha * ACRES_PER_HA for ha in (result.passes[0].treated_ha, result.field.area_ha))
    assert first == f"Treat {treated:.1f} of {whole:.1f} acres with Exampline 200 at 9 floz/acre."
    assert second == "Leave out Speck pass. Ring speck is below its threshold of 5 percent."


def test_metric_readers_get_hectares(result: Result) -> None:
    treated, whole = result.passes[0].treated_ha, result.field.area_ha
    first = story.what_to_do(replace(result, units="metric"))[0]
    assert first.startswith(f"Treat {treated:.1f} of {whole:.1f} ha with")


def test_treating_nothing_is_said_first(result: Result) -> None:
    none = replace(result.passes[0], decision="none", parts=(), treated_ha=0.0)
    stays = replace(result, passes=(none, result.passes[1]))
    assert story.what_to_do(stays)[0] == "Treat nothing."
    heading, lines = story.cards(stays)[0]
    assert heading == "How close, and when to look again"
    assert any(result.passes[1].next_look in line for line in lines)
    assert not any("keep-out" in line for line in lines)  # nothing is treated, so nothing is kept out


def test_treating_all_says_what_is_left_out(result: Result) -> None:
    everything = replace(result.passes[0], decision="all")
    (told,) = story.what_to_do(replace(result, passes=(everything,)))
    assert told.startswith("Treat the whole field with Exampline 200 at 9 floz/acre: ")
    assert told.endswith(" acres, the rest is kept out.")


def test_without_a_product_the_page_decides_nothing(result: Result) -> None:
    bare = replace(result, passes=(), money=None)
    assert story.what_to_do(bare) == [
        "No product is planned: this page shows where the pressure is and decides nothing."
    ]
    assert story.worth(bare) == ["No product is planned, so there is nothing to earn or to pay."]


def test_without_a_loss_the_gain_has_no_figure(result: Result) -> None:
    assert "without a figure" in story.worth(replace(result, money=None))[0]


def test_gains_are_against_both_other_choices(result: Result) -> None:
    # map 412.5, all 222.25, none -60: 412.5 + 60 and 412.5 - 222.25; scouting is paid in each
    given = {"map": 412.5, "all": 222.25, "none": -60.0, "best": "map", "range": (-35.0, 402.0), "p_map": 0.91}
    gain, spread, scouting = story.worth(with_money(result, **given))
    assert gain == (
        "Treating by the map is expected to earn 472 EUR more than treating nothing and 190 EUR more than treating all."
    )
    assert spread == (
        "The map against treating all: between -35 and 402 EUR in nine cases of ten, "
        "and it earns more in 91 % of cases, as far as the pressure is uncertain; "
        "price, yield, loss and control are taken as planned. The what-if table changes them."
    )
    assert "60 EUR for scouting" in scouting


def test_nothing_is_compared_with_a_map_that_the_stops_do_not_support(result: Result) -> None:
    lines = story.worth(with_money(result, map=None, all=222.25, none=-60.0, range=None, p_map=None, best="all"))
    assert lines[0] == "Treating all is expected to earn 282 EUR more than treating nothing."
    assert not any("map" in line for line in lines)


@given(st.floats(-1e6, 1e6), st.floats(-1e6, 1e6), st.floats(-1e6, 0), st.sampled_from(["map", "all", "none"]))
def test_whatever_is_best_a_gain_over_the_others_is_told(
    by_map: float, everything: float, nothing: float, best: str
) -> None:
    money = Money(currency="EUR", map=by_map, all=everything, none=nothing, best=best, range=None, p_map=None)
    told = [float(found.replace(",", "")) for found in re.findall(r"(-?[\d,.]+) EUR", story._gain(money))]
    values = {"map": by_map, "all": everything, "none": nothing}
    wanted = [values[best] - value for key, value in values.items() if key != best]
    for one, other in zip(sorted(told), sorted(wanted), strict=True):
        assert one == pytest.approx(other, rel=5.1e-3, abs=5.1e-3)  # three digits, cents at most


@pytest.mark.parametrize(
    ("shift", "words"),
    [
        ((0.003, 0.0), "mostly in the east"),
        ((-0.002, -0.001), "mostly in the south-west"),
        ((0, 0), "mostly in the middle"),
    ],
)
def test_where_is_a_point_of_the_compass(result: Result, shift: tuple[float, float], words: str) -> None:
    ground = shapely.transform(result.field.boundary.centroid.buffer(1e-4), lambda xy: xy + shift)
    assert story._direction(result, [ground]) == words


def test_a_strip_all_round_lies_along_the_boundary(result: Result) -> None:
    ring = result.field.ground.difference(result.field.ground.buffer(-20.0))
    assert story._direction(result, [result.field.frame.geometry_to_lonlat(ring)]) == "mostly along the boundary"
    assert story._direction(result, [result.field.boundary]) == "spread over the field"


def test_several_passes_have_one_headline_and_a_sentence_each(result: Result) -> None:
    named = replace(result.passes[0], name="Exampline 200", slug="exampline-200", check_strips=(STRIP, STRIP))
    first, *others = story.what_to_do(replace(result, passes=(result.passes[0], named), units="metric"))
    whole, treated = (f"{ha:.1f} ha" for ha in (result.field.area_ha, named.treated_ha))
    assert first == f"Make 2 passes over the {whole}: Hopper pass on {treated} and Exampline 200 on {treated}."
    assert others[0].startswith("Hopper pass: treat ")
    assert "with Exampline 200 at 9 floz/acre." in others[0]
    assert others[1].endswith(f"{whole} at 9 floz/acre. 2 check strips stay untreated, to learn whether treating paid.")


def test_a_strip_that_edge_stops_decide_is_never_one_decision_for_the_field(result: Result) -> None:
    told = " ".join(story.how_sure(replace(result, targets=(with_strip(result.targets[1]),), units="metric")))
    assert "one decision for the ground outside the strip" in told
    assert "one decision for the field" not in told
    assert "The 18 m strip along the boundary is decided by its 7 edge stops: 9 %" in told
    assert "above the threshold is 88 %" in told


def test_each_layer_is_said_to_be_used_or_not(result: Result) -> None:
    layers = (
        CovariateUse(name="NDVI", used=True, gain=0.29, why="it takes 29 % off"),
        CovariateUse(name="soil", used=False, gain=None, why="it is the same at every stop"),
    )
    told = story.how_sure(replace(result, targets=(replace(result.targets[0], covariates=layers),)))[0]
    assert told.endswith("NDVI is used: it takes 29 % off the errors. soil is not used.")


def test_what_flips_the_answer_is_named(result: Result) -> None:
    home = replace(result, what_if=tuple(case(name, share) for name, share in (("a", 0.0), ("b", 0.34), ("c", 0.0))))
    hopper, speck = story.what_would_change(home)
    assert hopper == "Hopper pass would stay at home with: a; c."
    assert speck == "Speck pass would go out with: b (34 % of the field)."


def test_the_treated_share_is_told_from_the_least_to_the_most(result: Result) -> None:
    cases = (case("threshold x 2", 0.11), case("price +20 %", 0.3), case("a", 0.2), case(TWO_TANKS, 0.0))
    only = replace(result, passes=result.passes[:1], what_if=cases)
    assert story.what_would_change(only) == [
        "None of the assumptions tried changes which passes go out: threshold x 2; price +20 %; a.",
        "Over the 3 assumptions the treated share of Hopper pass runs from 11 % (threshold x 2) to 30 % (price +20 %).",
    ]


def test_where_nothing_flips_the_assumptions_that_were_tried_are_named(result: Result) -> None:
    only = replace(result, passes=result.passes[1:], what_if=(case("a", 0.0), case("b", 0.0)))
    assert story.what_would_change(only) == ["None of the assumptions tried changes which passes go out: a; b."]
    gate = Caution("gate_closed", "Ring speck: not rising since the last visit.")
    assert "not rising" in story.what_would_change(replace(only, cautions=(gate,)))[-1]


def test_a_note_names_the_next_crop(result: Result) -> None:
    notes = tuple(replace(target, verdict="note") for target in result.targets)
    home = replace(result, targets=notes, passes=result.passes[1:], money=None, plan={"field": {"next_crop": "peas"}})
    assert story.what_to_do(home)[0] == "Treat nothing: this is a note for the next crop, peas."
    assert "no gain to compare" in story.worth(home)[0]
    assert "nothing sends a pass out for it" in " ".join(story.what_would_change(home))


def test_without_a_product_each_target_says_how_close_it_is(result: Result) -> None:
    bare = replace(result, passes=(), money=None, what_if=())
    heading, lines = story.cards(bare)[0]
    assert heading == "How close, and when to look again"
    assert len(lines) == len(result.targets)
    assert all("of its threshold" in line and "ook again" in line for line in lines)


def test_a_keep_out_that_passes_keep_at_two_setbacks_counts_once(result: Result) -> None:
    one = result.keep_outs[0]
    twice = (replace(one, passes=("hopper-pass",)), replace(one, setback_m=40.0, passes=("speck-pass",)))
    assert story.where(replace(result, keep_outs=twice))[-1] == "1 keep-out untreated, setbacks included."


def test_a_target_without_a_pattern_gets_one_decision(result: Result) -> None:
    assert story.support(result.targets[1]) == (
        "The stops do not support a map (12 of 12 stop rows used); one decision for the field."
    )


@given(st.floats(-1e12, 1e12), st.integers(2, 6))
def test_a_number_reads_back_to_its_digits(value: float, digits: int) -> None:
    read = float(text.number(value, digits).replace(",", ""))
    assert read == pytest.approx(value, rel=0.51 * 10 ** (1 - digits), abs=1e-300)


@given(st.floats(0, 1))
def test_a_chance_is_never_told_as_certain(share: float) -> None:
    assert text.chance(share) not in ("0 %", "100 %")
