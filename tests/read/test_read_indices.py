"""Indices against sums by hand, the property that ratios share, and a published collection of formulas."""

from __future__ import annotations

import importlib.metadata
import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rxmap.errors import InputError
from rxmap.read.indices import INDICES, check_bands, compute_index, index_named

BANDS = {"green": 0.08, "red": 0.05, "red_edge": 0.2, "nir": 0.45}  # invented reflectance of a green crop
BY_HAND = {
    "NDVI": 0.40 / 0.50,
    "GNDVI": 0.37 / 0.53,
    "NDRE": 0.25 / 0.65,
    "CIRE": 0.45 / 0.2 - 1,
    "NGRDI": 0.03 / 0.13,
}
# the collection's names of ours, and its letters for the bands
ELSEWHERE = {"NDRE": "NDREI"}
LETTERS = {"green": "G", "red": "R", "red_edge": "RE1", "nir": "N"}


def collection() -> dict[str, dict[str, object]]:
    """Formulas of the package `spyndex` (MIT), read without importing it."""
    try:
        found = importlib.metadata.files("spyndex") or []
    except importlib.metadata.PackageNotFoundError:
        pytest.skip("spyndex is not installed")
    path = next(file.locate() for file in found if file.name == "spectral-indices-dict.json")
    return json.loads(path.read_text(encoding="utf-8"))["SpectralIndices"]


@pytest.mark.parametrize("name", BY_HAND)
def test_an_index_is_what_its_formula_gives_by_hand(name: str) -> None:
    assert compute_index(index_named(name), BANDS) == pytest.approx(BY_HAND[name], rel=1e-12)


@pytest.mark.parametrize("name", BY_HAND)
def test_the_formula_shown_is_the_formula_computed(name: str) -> None:
    index = index_named(name)
    assert eval(index.formula, {}, BANDS) == pytest.approx(float(compute_index(index, BANDS)), rel=1e-12)


@pytest.mark.parametrize("name", BY_HAND)
def test_an_index_agrees_with_the_published_collection(name: str) -> None:
    formula = collection()[ELSEWHERE.get(name, name)]["formula"]
    theirs = eval(str(formula), {}, {LETTERS[band]: value for band, value in BANDS.items()})
    assert compute_index(index_named(name), BANDS) == pytest.approx(theirs, rel=1e-12)


@given(scale=st.floats(1e-4, 1e4), index=st.sampled_from(INDICES), data=st.data())
def test_an_index_is_the_same_in_reflectance_and_in_digital_numbers(scale, index, data) -> None:
    values = {band: data.draw(st.floats(0.01, 1.0)) for band in index.bands}
    scaled = {band: value * scale for band, value in values.items()}
    assert compute_index(index, scaled) == pytest.approx(compute_index(index, values), rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("kind", ["uint8", "uint16", "int16"])
def test_small_whole_numbers_do_not_wrap(kind: str) -> None:
    values = {"nir": np.array([20], kind), "red": np.array([60], kind)}
    assert compute_index(index_named("NDVI"), values) == pytest.approx(-0.5)


def test_a_division_by_zero_has_no_value_and_no_warning() -> None:
    for index in INDICES:
        assert np.isnan(compute_index(index, {band: np.zeros(2) for band in index.bands})).all()


def test_a_missing_band_leaves_no_value() -> None:
    values = compute_index(index_named("NDVI"), {"nir": np.array([0.5, np.nan]), "red": np.array([np.nan, 0.1])})
    assert np.isnan(values).all()


def test_names_may_be_written_small() -> None:
    assert index_named("ndvi").name == "NDVI"


def test_an_unknown_index_is_refused_with_those_known() -> None:
    with pytest.raises(InputError, match=r"unknown index 'NDVY'\. Known are NDVI, GNDVI, NDRE, CIRE, NGRDI"):
        index_named("NDVY")


def test_the_bands_that_an_index_lacks_are_named() -> None:
    with pytest.raises(InputError, match=r"NDVI needs nir and red, and imagery\.bands names blue"):
        check_bands(index_named("NDVI"), {"blue": 1})
