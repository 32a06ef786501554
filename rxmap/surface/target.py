"""From the stops of one target to its surface: the records of the pipeline around `PressureModel`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rxmap.grid import FloatArray, Grid
from rxmap.plan import Target
from rxmap.records import Field, Observation, Surface, Verdict
from rxmap.surface.model import PressureModel
from rxmap.surface.predictive import Predictive

M2_PER_HA = 10_000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetSurface:
    """A fitted target: the model, its predictive distribution on the inside cells, the written surface."""

    target: Target
    slug: str
    model: PressureModel
    predictive: Predictive
    surface: Surface
    observations: tuple[Observation, ...]  # the used ones

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
    coordinates = np.array([(o.easting, o.northing) for o in used]).reshape(-1, 2)
    model = PressureModel(measure=target.measure, area=field.area_ha * M2_PER_HA, per=target.per, seed=seed)
    model.fit(coordinates, np.array([o.value for o in used], float), np.array([o.n for o in used], float))
    predictive = model.predict(grid.centres())
    return TargetSurface(
        target=target,
        slug=slug,
        model=model,
        predictive=predictive,
        surface=_surface(predictive, grid, target.threshold),
        observations=used,
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
