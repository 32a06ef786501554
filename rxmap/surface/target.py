"""From the stops of one target to its surface: the records of the pipeline around `PressureModel`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rxmap.grid import M2_PER_HA, BoolArray, FloatArray, Grid
from rxmap.plan import Target
from rxmap.records import Field, Observation, Surface, Verdict
from rxmap.surface.model import PressureModel
from rxmap.surface.predictive import Predictive

EDGE_STOP = "edge stop"  # why such a stop is not used for the field


FEWEST_EDGE_STOPS = 3  # judgement, no source: fewer say nothing about a whole boundary


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeStrip:
    """Ground along the boundary that edge stops decide.

    Parameters
    ----------
    cells : ndarray of bool, shape (m,)
        Inside cells of the strip.
    predictive : Predictive
        Of the pressure at any one place of it, from the edge stops alone.
    stops : int
        How many edge stops there are.
    """

    cells: BoolArray
    predictive: Predictive
    stops: int


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetSurface:
    """A fitted target: the model, its predictive distribution on the inside cells, the written surface."""

    target: Target
    slug: str
    model: PressureModel
    predictive: Predictive
    surface: Surface
    observations: tuple[Observation, ...]  # the used ones
    edge: EdgeStrip | None = None

    @property
    def verdict(self) -> Verdict:
        """What the stops support; a target that decides about the next crop is a note."""
        if self.target.decides == "next crop":
            return "note"
        return "map" if self.model.verdict_ == "map" else "uniform"


def fit_target(
    target: Target, slug: str, observations: Sequence[Observation], *, field: Field, grid: Grid, seed: int
) -> TargetSurface:
    """Fit one target and predict it on the field grid.

    Parameters
    ----------
    target : Target
        From the plan.
    slug : str
        Name for files.
    observations : sequence of Observation
        All rows; those used for this target are taken.
    field, grid : Field, Grid
        Where to predict.
    seed : int
        For the simulations later drawn from the model.
    """
    used = tuple(o for o in observations if o.used and o.target == target.name)
    model = _fitted(target, used, field=field, seed=seed)
    predictive = model.predict(grid.centres())
    return TargetSurface(
        target=target,
        slug=slug,
        model=model,
        predictive=predictive,
        surface=_surface(predictive, grid, target.threshold),
        observations=used,
        edge=_edge_strip(target, observations, field=field, grid=grid, seed=seed),
    )


def _fitted(target: Target, rows: Sequence[Observation], *, field: Field, seed: int) -> PressureModel:
    model = PressureModel(measure=target.measure, area=field.area_ha * M2_PER_HA, per=target.per, seed=seed)
    coordinates = np.array([(o.easting, o.northing) for o in rows]).reshape(-1, 2)
    return model.fit(coordinates, np.array([o.value for o in rows], float), np.array([o.n for o in rows], float))


def _edge_strip(
    target: Target, observations: Sequence[Observation], *, field: Field, grid: Grid, seed: int
) -> EdgeStrip | None:
    """Let edge stops decide the strip along the boundary, where the target asks for it and they are enough."""
    rows = [o for o in observations if o.target == target.name and o.edge and o.why == EDGE_STOP]
    if target.edge is None or len(rows) < FEWEST_EDGE_STOPS:
        return None
    inner = grid.covered(field.ground.buffer(-target.edge.to("m")))
    model = _fitted(target, rows, field=field, seed=seed)
    return EdgeStrip(
        cells=(inner < grid.share / 2)[grid.inside],
        predictive=model.predict(np.zeros((1, 2)), spatial=False),
        stops=len(rows),
    )


def _surface(predictive: Predictive, grid: Grid, threshold: float) -> Surface:
    def on_grid(values: FloatArray) -> FloatArray:
        return grid.spread(values)

    return Surface(
        grid=grid,
        mean=on_grid(predictive.mean),
        sd=on_grid(predictive.sd),
        p_over=on_grid(predictive.p_over(threshold)),
        q05=on_grid(predictive.quantile(0.05)),
        q95=on_grid(predictive.quantile(0.95)),
    )
