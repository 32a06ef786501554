"""From the stops of one target to its surface: the records of the pipeline around `PressureModel`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from rxmap.grid import M2_PER_HA, BoolArray, FloatArray, Grid
from rxmap.plan import Target
from rxmap.records import EDGE_STOP, CellLayer, Field, Observation, Surface, Verdict
from rxmap.surface.evidence_ground import nearest_ground
from rxmap.surface.model import PressureModel
from rxmap.surface.predictive import Blended, Predictive

FEWEST_EDGE_STOPS = 3  # judgement, no source: fewer say nothing about a whole boundary
REACH = 2  # cells: a place without a value of a layer takes the nearest within it


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """What the targets of a plan share: the ground, the layers over it, how well stops are placed."""

    field: Field
    grid: Grid
    layers: tuple[CellLayer, ...] = ()
    gps_error: float = 0.0  # [m], standard deviation of each coordinate
    heading: float | None = None  # of the rows, if it is known [degrees clockwise from north]
    seed: int = 1  # of the shuffles, and of the simulations later drawn from the models


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
    predictive: Predictive | Blended
    stops: int


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetSurface:
    """A fitted target: the model, its predictive distribution on the inside cells, the written surface."""

    target: Target
    slug: str
    model: PressureModel
    predictive: Predictive | Blended
    surface: Surface
    observations: tuple[Observation, ...]  # the used ones
    setting: Setting
    edge: EdgeStrip | None = None

    @property
    def verdict(self) -> Verdict:
        """What the stops support; a target that decides about the next crop is a note."""
        if self.target.decides == "next crop":
            return "note"
        return "map" if self.model.verdict_ == "map" else "uniform"

    def simulate(self, places: FloatArray, draws: int, *, seed: int) -> FloatArray:
        """Draw the pressure at places jointly: (draws, places); see `PressureModel.simulate`."""
        return self.model.simulate(places, draws, layer_values(self.setting, places), seed=seed)


def fit_target(target: Target, slug: str, observations: Sequence[Observation], *, setting: Setting) -> TargetSurface:
    """Fit one target and predict it on the field grid.

    Parameters
    ----------
    target : Target
        From the plan.
    slug : str
        Name for files.
    observations : sequence of Observation
        All rows; those used for this target are taken.
    setting : Setting
        Where to predict, and from what besides the stops.
    """
    used = tuple(o for o in observations if o.used and o.target == target.name)
    model = _model(target, setting)
    stops = _coordinates(used)
    model.fit(
        stops,
        *_seen(used),
        layer_values(setting, stops),
        names=[layer.name for layer in setting.layers],
        ground=nearest_ground(stops, setting.field.ground) if len(stops) else None,
    )
    centres = setting.grid.centres()
    on_cells = np.array([layer.values[setting.grid.inside] for layer in setting.layers]).reshape(-1, len(centres)).T
    predictive = model.predict(centres, on_cells)
    return TargetSurface(
        target=target,
        slug=slug,
        model=model,
        predictive=predictive,
        surface=_surface(predictive, setting.grid, target.threshold),
        observations=used,
        setting=setting,
        edge=_edge_strip(target, observations, setting),
    )


def layer_values(setting: Setting, places: FloatArray) -> FloatArray:
    """Value of every layer at places: that of the cell, else of the nearest cell with one, two cells away at most.

    Returns
    -------
    array of shape (places, layers)
        nan where there is none.
    """
    grid = setting.grid
    column = (places[:, 0] - grid.west) / grid.cell - 0.5
    row = (grid.north - places[:, 1]) / grid.cell - 0.5
    values = np.full((len(places), len(setting.layers)), np.nan)
    for number, layer in enumerate(setting.layers):
        where = np.column_stack(np.nonzero(np.isfinite(layer.values)))
        if len(where) and len(places):
            distance, nearest = cKDTree(where).query(np.column_stack([row, column]), distance_upper_bound=REACH + 1e-9)
            found = np.isfinite(distance)
            values[found, number] = layer.values[tuple(where[nearest[found]].T)]
    return values


def _model(target: Target, setting: Setting) -> PressureModel:
    return PressureModel(
        measure=target.measure,
        area=setting.field.area_ha * M2_PER_HA,
        per=target.per,
        seed=setting.seed,
        gps_error=setting.gps_error,
        heading=setting.heading,
    )


def _coordinates(rows: Sequence[Observation]) -> FloatArray:
    return np.array([(o.easting, o.northing) for o in rows], float).reshape(-1, 2)


def _seen(rows: Sequence[Observation]) -> tuple[FloatArray, FloatArray]:
    return np.array([o.value for o in rows], float), np.array([o.n for o in rows], float)


def _edge_strip(target: Target, observations: Sequence[Observation], setting: Setting) -> EdgeStrip | None:
    """Let edge stops decide the strip along the boundary, where the target asks for it and they are enough."""
    rows = [o for o in observations if o.target == target.name and o.edge and o.why == EDGE_STOP]
    if target.edge is None or len(rows) < FEWEST_EDGE_STOPS:
        return None
    grid = setting.grid
    inner = grid.covered(setting.field.ground.buffer(-target.edge.to("m")))
    model = _model(target, setting).fit(_coordinates(rows), *_seen(rows))
    return EdgeStrip(
        cells=(inner < grid.share / 2)[grid.inside],
        predictive=model.predict(np.zeros((1, 2)), spatial=False),
        stops=len(rows),
    )


def _surface(predictive: Predictive | Blended, grid: Grid, threshold: float) -> Surface:
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
