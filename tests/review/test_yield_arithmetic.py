"""Hand samples against worked figures of US extension; see each line."""

from __future__ import annotations

import numpy as np
import pytest

from rxmap.errors import InputError
from rxmap.read.door import Source
from rxmap.read.samples import YIELDS, ear_yield, pod_yield, read_samples, row_length_ft
from rxmap.records import Field


def of(method, *counts: float) -> float:
    return float(method(*(np.array(count) for count in counts)))


@pytest.mark.parametrize(
    ("counts", "bushels"),
    [((28, 18, 32, 90_000), 179.2), ((35, 16, 36, 90_000), 224.0)],
)
def test_corn_by_ears_reproduces(counts, bushels):
    # yield component method, extension.org citing Purdue University
    assert of(ear_yield, *counts) == pytest.approx(bushels, abs=0.05)


@pytest.mark.parametrize(("seeds_per_lb", "bushels"), [(3000, 55.56), (2500, 66.67)])
def test_soybean_by_plants_reproduces(seeds_per_lb, bushels):
    # 160,000 plants/acre x 25 pods x 2.5 seeds (Specht et al.; NDSU): pods in 1/10,000 acre are 16 x 25
    assert of(pod_yield, 16 * 25, 2.5, seeds_per_lb) == pytest.approx(bushels, abs=0.005)


@pytest.mark.parametrize(("factor", "seeds_per_lb"), [(15, 2500), (18, 3000), (21, 3500)])
def test_the_seed_size_factors_of_the_pod_count_reproduce(factor, seeds_per_lb):
    # Casteel, Purdue University: pods x 2.5 / factor; 300 pods at 18 are 41.67 bu/acre
    assert of(pod_yield, 300, 2.5, seeds_per_lb) == pytest.approx(300 * 2.5 / factor)


@pytest.mark.parametrize(("row_in", "feet"), [(15, 34.848), (20, 26.136), (22, 23.76), (30, 17.424), (38, 13.756)])
def test_row_lengths_of_a_thousandth_of_an_acre_reproduce(row_in, feet):
    assert row_length_ft(row_in) == pytest.approx(feet, abs=5e-4)


def test_the_row_length_of_a_pod_count_reproduces():
    # 627.264 / row width in inches (Casteel, Purdue University)
    assert 12 * row_length_ft(30, 10_000) == pytest.approx(627.264 / 30)


def samples(text: str) -> Source:
    return Source(name="hand.csv", data=text.encode(), side_cars={}, files=())


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("lon,lat,ears,rows,kernels\n0,0,1,1,1\n", "kernels_per_bu"),
        ("lon,lat,plants\n0,0,1\n", "no known way"),
        ("lon,lat,ears,pods\n0,0,1,2\n", "ears and pods together"),
        ("lon,lat,pods,seeds_per_pod,seeds_per_lb\n10,50,300,x,3000\n", "row 2, column seeds_per_pod"),
        ("lon,lat,pods,seeds_per_pod,seeds_per_lb\n10,50,300,2.5,0\n", "holds 0"),
        ("lon,lat,pods,seeds_per_pod,seeds_per_lb\n10,50,-3,2.5,3000\n", "negative"),
        ("lon,lat,pods,seeds_per_pod,seeds_per_lb\n350,500,3,2.5,3000\n", "not WGS84"),
    ],
)
def test_a_bad_sheet_of_hand_samples_is_one_clear_line(text, said, result):
    field: Field = result.field
    with pytest.raises(InputError, match=said) as error:
        read_samples(samples(text), field)
    assert len(error.value.faults) == 1
    assert error.value.faults[0].startswith("hand.csv: ")


def test_every_way_to_count_has_its_arithmetic(result):
    text = "lon,lat,heads_per_ft2,kernels_per_head,kernels_per_lb\n10,50,50,25,15000\n"
    told = read_samples(samples(text), result.field)
    assert told.method == "heads"
    assert told.yields == pytest.approx([43_560 * 50 * 25 / 15_000 / 60])
    assert set(YIELDS) == {"ears", "pods", "heads"}
