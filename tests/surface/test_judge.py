"""When a map is earned: by chance and by skill, with layers and without."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rxmap.surface import PressureModel
from rxmap.surface import judge as judging
from rxmap.surface.covariates import Drift, Driven
from rxmap.surface.design import Design
from rxmap.surface.judge import Judgement, judge
from rxmap.surface.places import Places

RISING = np.linspace(0.0, 10.0, 20)


def places(layers: np.ndarray | None = None) -> Places:
    """Ratings that rise from west to east, one hidden behind a layer or more."""
    coordinates = np.column_stack([40.0 * np.arange(20.0), np.zeros(20)])
    layers = np.empty((20, 0)) if layers is None else layers
    return Places("rating", 1.0, coordinates, RISING, np.ones(20), layers, np.arange(20))


def judged(
    monkeypatch: pytest.MonkeyPatch,
    chances: tuple[float, float],
    *,
    alone: np.ndarray = RISING + 0.1,
    driven: Driven | None = None,
    layers: np.ndarray | None = None,
) -> Judgement:
    monkeypatch.setattr(judging, "shuffled_chances", lambda *_, **__: chances)
    here = places(layers)
    return judge(here, Design(here.coordinates, 200.0), alone, driven, seed=1)


def by_layer(layers: np.ndarray, left_out: np.ndarray) -> Driven:
    return Driven(Drift((0,), np.zeros(1), np.ones(1)), None, left_out, 0.5, 0.1)  # type: ignore[arg-type]


def test_a_map_asks_for_a_chance_of_one_in_ten_at_most(monkeypatch: pytest.MonkeyPatch) -> None:
    assert [judged(monkeypatch, (chance, chance)).verdict for chance in (0.1, 0.1025)] == ["map", "uniform"]


def test_a_map_asks_for_skill_too(monkeypatch: pytest.MonkeyPatch) -> None:
    worse = judged(monkeypatch, (0.01, 0.01), alone=10.0 - RISING)
    assert (worse.verdict, worse.patches) == ("uniform", False)
    assert worse.skill < 0.0
    assert worse.reason.startswith("Predicting each stop from the others is no better than the field mean, though")


def test_where_no_layer_was_taken_a_pattern_must_be_clear_with_all_that_were_offered(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert [judged(monkeypatch, pair).verdict for pair in ((0.05, 0.2), (0.2, 0.05))] == ["uniform", "uniform"]
    assert judged(monkeypatch, (0.05, 0.08)).chance == 0.08


def test_a_layer_that_was_taken_earns_the_map_that_the_place_alone_does_not(monkeypatch: pytest.MonkeyPatch) -> None:
    layer = RISING[:, None].copy()
    layer[3] = np.nan
    found = judged(monkeypatch, (0.5, 0.01), driven=by_layer(layer, RISING + 0.05), layers=layer)
    assert (found.verdict, found.patches, found.chance) == ("map", False, 0.01)
    mean_of_others = (RISING.sum() - RISING[3]) / 19
    assert found.left_out[3] == pytest.approx(mean_of_others)  # nobody knows the layer there, and place tells nothing
    beside = judged(monkeypatch, (0.05, 0.01), driven=by_layer(layer, RISING + 0.05), layers=layer)
    assert beside.patches
    assert beside.left_out[3] == RISING[3] + 0.1  # there the place speaks


def test_layers_that_cannot_be_tried_cost_nothing() -> None:
    """One known at two stops, one that is constant up to rounding, and one of a value that stands for none."""
    unfit = np.column_stack([np.where(np.arange(20) < 2, RISING, np.nan), np.full(20, 0.1), np.full(20, -1.797e308)])
    plain = judge(places(), Design(places().coordinates, 200.0), RISING + 0.1, None, seed=1)
    offered = judge(places(unfit), Design(places().coordinates, 200.0), RISING + 0.1, None, seed=1)
    assert offered.chance == plain.chance


@pytest.mark.parametrize(
    ("chance", "skill", "words"),
    [
        (0.0025, 0.4, "in fewer than 1 of 100 shuffles (a map may have 10)."),
        (0.0125, 0.4, "in 2 of 100 shuffles (a map may have 10)."),
        (0.1, 0.4, "in 10 of 100 shuffles (a map may have 10)."),
        (0.1025, 0.4, "in 11 of 100 shuffles; a map may have 10 at most."),
        (0.0025, 0.001, "takes less than 1 % off the squared error of the field mean."),
    ],
)
def test_the_reason_says_what_the_figures_say(chance: float, skill: float, words: str) -> None:
    assert words in judging._reason(chance, skill)


def test_a_layer_is_not_called_used_where_no_map_is_earned() -> None:
    random = np.random.default_rng(0)
    told = 0
    for _ in range(60):
        stops, layers = random.uniform(0.0, 800.0, (24, 2)), random.standard_normal((24, 6))
        values = 5.0 + 0.55 * layers[:, 0] + random.standard_normal(24)
        model = PressureModel(measure="rating", area=640_000.0)
        model.fit(stops, np.maximum(values, 0.0), covariates=layers, names=tuple("abcdef"))
        told += "no map is earned, with it or without" in " ".join(use.why for use in model.covariates_)
        assert model.verdict_ == "map" or (model.covariates_used_ == () and " is used" not in model.reason_)
    assert told  # else the test saw no such field


def test_the_seed_shuffles(monkeypatch: pytest.MonkeyPatch) -> None:
    here = replace(places(), total=np.random.default_rng(2).uniform(0.0, 10.0, 20))
    chances = {judge(here, Design(here.coordinates, 200.0), here.total, None, seed=seed).chance for seed in range(5)}
    assert len(chances) > 1
