from __future__ import annotations

from dataclasses import replace

import pytest

from rxmap.records import Result
from rxmap.show.scale import LIMIT, chance_scale, pressure_scale


def test_the_threshold_lies_between_two_classes(result: Result) -> None:
    scale = pressure_scale(result.targets[0])
    below, above = scale.place(7.999), scale.place(8.0)
    assert (scale.names[below], scale.names[above]) == ("4 to 8", "8 to 12")


@pytest.mark.parametrize("make", [pressure_scale, chance_scale])
def test_the_legend_runs_from_high_to_low_and_marks_the_limit(result: Result, make: object) -> None:
    scale = make(result.targets[0])
    items = scale.legend()["items"]
    at = next(at for at, item in enumerate(items) if item.get("limit"))
    assert items[at]["style"] is LIMIT
    assert [item["text"] for item in reversed(items) if not item.get("limit")] == scale.names
    assert items[at - 1]["text"] == scale.names[scale.place(scale.limit)]


@pytest.mark.parametrize("threshold", [0.5, 5.0, 40.0, 66.7, 99.0, 100.0])
def test_no_class_of_a_percentage_lies_beyond_a_hundred(result: Result, threshold: float) -> None:
    scale = pressure_scale(replace(result.targets[1], threshold=threshold))
    assert all(limit < 100 for limit in scale.breaks if limit != threshold)
    assert scale.limit in scale.breaks
    assert len(scale.colours) == len(scale.names) == len(scale.breaks) + 1


def test_a_flat_field_is_named_in_the_legend(result: Result) -> None:
    items = pressure_scale(result.targets[1]).legend(here=1)["items"]
    assert [item["text"] for item in items if "all of the field" in item["text"]] == ["1.25 to 2.5 (all of the field)"]


def test_chance_is_in_words_on_both_sides_of_even(result: Result) -> None:
    scale = chance_scale(result.targets[0])
    assert scale.names[scale.place(0.49)] == "rather below: 25 to 50 %"
    assert scale.names[scale.place(0.51)] == "rather above: 50 to 75 %"
    assert scale.names[scale.place(0.0)] == "surely below: 0 to 5 %"
    assert scale.names[scale.place(1.0)] == "surely above: 95 to 100 %"
