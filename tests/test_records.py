from __future__ import annotations

import dataclasses
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rxmap import records
from rxmap.records import LONGEST_SLUG, Surface, slugs


@given(st.lists(st.text(max_size=60), max_size=8))
def test_slugs_are_safe_file_names_and_all_different(names):
    found = slugs(names, "target")
    assert len(found) == len(names)
    assert len({slug.casefold() for slug in found}) == len(names)
    assert all(re.fullmatch(r"[a-z0-9]([a-z0-9-]*[a-z0-9])?", slug) for slug in found)
    assert all(len(slug) <= LONGEST_SLUG for slug in found)


@pytest.mark.parametrize(
    ("names", "expected"),
    [
        (["M\u00fcller's midge"], ["muller-s-midge"]),
        (["\u96ea", "\u96e8"], ["target-1", "target-2"]),
        (["target-2", "\u96e8"], ["target-2", "target-2-2"]),
        (["a", "A", "a!"], ["a", "a-2", "a-3"]),
        (["x" * 50, "x" * 60], ["x" * 40, "x" * 38 + "-2"]),
        (["../../etc/passwd", "CON:"], ["etc-passwd", "con-2"]),
        (["a" * 39 + "-b"], ["a" * 39]),
    ],
)
def test_slugs_of_awkward_names(names, expected):
    assert slugs(names, "target") == expected


def test_slugs_that_clash_by_their_tail_stay_apart():
    assert slugs(["a", "a", "a-2"], "x") == ["a", "a-2", "a-2-2"]


def test_records_are_frozen_and_given_by_name():
    kinds = [kind for kind in vars(records).values() if dataclasses.is_dataclass(kind)]
    own = [kind for kind in kinds if kind.__module__ == "rxmap.records"]
    assert len(own) > 10
    for kind in own:
        assert kind.__dataclass_params__.frozen, kind
        assert all(field.kw_only for field in dataclasses.fields(kind)), kind


def test_bands_are_the_arrays_of_a_surface_in_writing_order(result):
    surface = result.targets[0].surface
    assert list(surface.bands()) == ["mean", "sd", "p_over", "q05", "q95"]
    assert list(surface.bands()) == [f.name for f in dataclasses.fields(Surface) if f.name != "grid"]
