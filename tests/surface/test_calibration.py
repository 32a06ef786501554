"""What the surface promises, against fields whose truth is known."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest

from rxmap.surface import PressureModel
from rxmap.surface.covariance import distances

MEASURES = ("count", "incidence", "severity", "rating")


@dataclass
class Score:
    """Sums over fields."""

    cover: list[float]
    error: list[float]
    square: list[float]
    lost: list[float]
    lost_inverse: list[float]
    p_over: list[np.ndarray]
    over: list[np.ndarray]


def inverse_distance(stops: np.ndarray, pressure: np.ndarray, places: np.ndarray) -> np.ndarray:
    weights = 1.0 / np.maximum(distances(places, stops), 1e-3) ** 2
    return (weights * pressure[:, None]).sum(0) / weights.sum(0)


def lost(gain: np.ndarray, treated: np.ndarray) -> float:
    """Money given away, relative to what the better of all and none gives away; gain of treating at each place."""
    perfect = np.maximum(gain, 0.0).sum()
    return (perfect - gain[treated].sum()) / (perfect - max(gain.sum(), 0.0))


def score(invent: Callable, measure: str, counts: tuple[int, ...], seeds: int, *, spatial: bool | None) -> Score:
    total = Score([], [], [], [], [], [], [])
    for count in counts:
        for seed in range(seeds):
            field = invent(measure, count, seed)
            model = PressureModel(measure=measure, area=field.area).fit(field.stops, field.total, field.units)
            if spatial and np.isnan(model.skill_):
                continue
            at = model.predict(field.places, spatial=spatial)
            threshold = field.truth.mean() + 0.3 * field.truth.std()  # the hard case: near the field's level
            inside = (at.quantile(0.05) <= field.truth) & (field.truth <= at.quantile(0.95))
            gain = field.truth - threshold
            other = inverse_distance(field.stops, model.pressure_, field.places)
            total.cover.append(float(inside.mean()))
            total.error.append(float((at.mean - field.truth).mean()))
            total.square.append(float(((at.mean - field.truth) ** 2).mean()))
            total.lost.append(lost(gain, at.mean > threshold))
            total.lost_inverse.append(lost(gain, other > threshold))
            total.p_over.append(at.p_over(threshold))
            total.over.append(gain > 0.0)
    return total


@pytest.mark.parametrize("measure", MEASURES)
def test_nine_of_ten_intervals_hold_the_truth(invent: Callable, measure: str) -> None:
    result = score(invent, measure, (40,), 8, spatial=None)
    assert 0.80 < np.mean(result.cover) < 0.98  # 8 fields: a field's coverage varies by 0.1, hence 0.035 twice
    assert abs(np.mean(result.error)) < 0.5 * np.sqrt(np.mean(result.square))


@pytest.mark.long
@pytest.mark.parametrize("spatial", [None, True])
@pytest.mark.parametrize("measure", MEASURES)
def test_two_hundred_fields_are_calibrated(invent: Callable, measure: str, spatial: bool | None) -> None:
    result = score(invent, measure, (40, 80), 100, spatial=spatial)
    assert 0.85 <= np.mean(result.cover) <= 0.945
    assert np.mean(np.array(result.cover) < 0.7) <= 0.06
    assert abs(np.mean(result.error)) < 0.1 * np.sqrt(np.mean(result.square))
    said, over = np.concatenate(result.p_over), np.concatenate(result.over)
    for low in (0.0, 0.2, 0.4, 0.6, 0.8):
        part = (said >= low) & (said < low + 0.2)
        assert abs(said[part].mean() - over[part].mean()) < 0.12  # places of one field are not independent
    if spatial:  # whoever maps every field; the verdict gives some of it up for not mapping noise
        assert np.mean(result.lost) <= np.mean(result.lost_inverse)
