from __future__ import annotations

import re
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rxmap.records import Money, Result
from rxmap.show import story, text

ACRES_PER_HA = 10_000 / 4046.8564224  # international acre


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
    assert story.where(stays)[0].startswith("Nowhere.")
    assert any(result.passes[1].next_look in line.lower() for line in story.where(stays))


def test_treating_all_says_what_is_left_out(result: Result) -> None:
    everything = replace(result.passes[0], decision="all")
    (told,) = story.what_to_do(replace(result, passes=(everything,)))
    assert told.startswith("Treat the whole field with Exampline 200 at 9 floz/acre: ")
    assert told.endswith(" acres, the rest is kept out or left as check strips.")


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
        "and it earns more in 91 % of cases."
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
        assert one == pytest.approx(other, rel=5.1e-3, abs=1e-300)  # three digits


@pytest.mark.parametrize(
    ("shift", "words"),
    [
        ((0.003, 0.0), "mostly in the east"),
        ((-0.002, -0.002), "mostly in the south-west"),
        ((0, 0), "spread over the field"),
    ],
)
def test_where_is_a_point_of_the_compass(result: Result, shift: tuple[float, float], words: str) -> None:
    import shapely

    field = result.field.boundary
    ground = shapely.transform(field.centroid.buffer(1e-4), lambda xy: xy + shift)
    assert story._direction(ground, field) == words


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
