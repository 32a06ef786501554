"""All that one build needs, read: every file of a plan, with the faults of all of them together."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from rxmap.errors import Caution, Faults, InputError
from rxmap.grid import Grid
from rxmap.plan import KeepOutSection, Override, Plan, plan_fault
from rxmap.read.asked_cells import field_grid
from rxmap.read.asked_machine import check_machine
from rxmap.read.boundary import make_field
from rxmap.read.door import Source, open_plan, open_source
from rxmap.read.keep_outs import make_by_hand, make_keep_out
from rxmap.read.reader import PixelReader
from rxmap.read.stops import make_observations
from rxmap.read.table import Table, read_table, table_of
from rxmap.read.vector import Layer, kind_of, read_layer
from rxmap.read.weather import read_weather
from rxmap.read.wide import own_columns
from rxmap.records import CellLayer, Field, HandDrawn, InputFile, Inputs, KeepOutSource, Observation
from rxmap.records_weather import WeatherTable

__all__ = ["read_field", "read_inputs"]

S = TypeVar("S", KeepOutSection, Override)
T = TypeVar("T")


def read_field(plan: Plan) -> Field:
    """Read the boundary alone.

    Parameters
    ----------
    plan : Plan
        Names the file.

    Raises
    ------
    InputError
        If the boundary is no valid polygon of a plausible area.
    """
    return make_field(plan.field.name, _drawn(open_source(plan.folder, plan.field.boundary)))


def read_inputs(plan: Plan, *, stops: bool = True) -> Inputs:
    """Read all that one build needs: boundary, stops, keep-outs, what is decided by hand, other layers.

    Parameters
    ----------
    plan : Plan
        Names the files.
    stops : bool, default True
        Whether stops are read; a first visit has none.

    Raises
    ------
    InputError
        With the faults of all files together, one line each.
    """
    if stops and not plan.scouting.stops:
        raise plan_fault(plan, "scouting.stops: is missing. Name the file of the stops.")
    with PixelReader() as pixels:
        if plan.imagery or plan.covariate:
            pixels.start()  # it is ready by the time the rest is read
        reading = _Reading(plan)
        field = reading.field()
        observations = reading.observations(field) if stops else ()
        keep_outs = reading.keep_outs(field)
        by_hand = reading.by_hand(field)
        weather = reading.weather()
        grid = reading.grid(field)
        layers = reading.layers(field, grid, pixels)
    reading.faults.raise_if_any()
    if field is None or grid is None:  # its fault was raised; this is for the type checker
        raise plan_fault(plan, "field.boundary: cannot be read.")
    return Inputs(
        field=field,
        grid=grid,
        observations=observations,
        keep_outs=keep_outs,
        files=tuple(reading.files.values()),
        cautions=tuple(dict.fromkeys(reading.cautions)),  # one file may be named twice
        by_hand=by_hand,
        layers=layers,
        weather=weather,
    )


def _drawn(source: Source) -> Layer:
    """Read a layer that somebody drew: a receiver's file is for stops alone, its tracks would be lost."""
    if kind_of(source.data) == "gpx":
        raise InputError(f"{source.name}: GPX is read for stops alone. Export the layer as GeoJSON or KML.")
    return read_layer(source)


class _Reading:
    """One reading of a plan's files: what it met on the way, faults of every file included."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.faults = Faults()
        self.files: dict[str, InputFile] = {}
        self.cautions: list[Caution] = []
        self._seen(open_plan(plan.path))

    def _seen(self, source: Source) -> Source:
        self.files.update((file.name, file) for file in source.files)
        return source

    def open(self, name: str) -> Source:
        return self._seen(open_source(self.plan.folder, name))

    def layer(self, name: str) -> Layer:
        layer = _drawn(self.open(name))
        self.cautions.extend(layer.cautions)
        return layer

    def field(self) -> Field | None:
        try:
            return make_field(self.plan.field.name, self.layer(self.plan.field.boundary))
        except InputError as error:
            self.faults.extend(error.faults)
            return None

    def grid(self, field: Field | None) -> Grid | None:
        if field is None:
            return None
        try:
            grid, cautions = field_grid(self.plan, field)
            check_machine(self.plan, field)
        except InputError as error:
            self.faults.extend(error.faults)
            return None
        self.cautions.extend(cautions)
        return grid

    def observations(self, field: Field | None) -> tuple[Observation, ...]:
        faults = Faults()
        tables = []
        for name in self.plan.scouting.stops:
            try:
                tables.append(self._table(name))
            except InputError as error:
                faults.extend(error.faults)
        observations, cautions = make_observations(tables, self.plan, field, faults)
        self.faults.extend(dict.fromkeys(faults.lines))  # a row of a wide table is read once for each target
        self.cautions.extend(cautions)
        return observations

    def _table(self, name: str) -> Table:
        source = self.open(name)
        kind = kind_of(source.data)
        if kind is None:
            return read_table(source)
        if kind == "kml":
            raise InputError(f"{name}: stops are not read from KML. Export them as GeoJSON, GPX or CSV.")
        layer = read_layer(source)
        self.cautions.extend(layer.cautions)
        return table_of(layer, own_columns(self.plan))

    def keep_outs(self, field: Field | None) -> tuple[KeepOutSource, ...]:
        found = (self._ground(make_keep_out, section, field) for section in self.plan.keep_out)
        return tuple(one for one in found if one is not None)

    def by_hand(self, field: Field | None) -> tuple[HandDrawn, ...]:
        found = (self._ground(make_by_hand, section, field) for section in self.plan.override)
        return tuple(one for one in found if one is not None)

    def weather(self) -> WeatherTable | None:
        if self.plan.weather is None:
            return None
        try:
            table, cautions = read_weather(self.open(self.plan.weather.file))
        except InputError as error:
            self.faults.extend(error.faults)
            return None
        self.cautions.extend(cautions)
        return table

    def layers(self, field: Field | None, grid: Grid | None, pixels: PixelReader) -> tuple[CellLayer, ...]:
        plan = self.plan
        if field is None or grid is None or not (plan.imagery or plan.covariate):
            return ()
        from rxmap.read.layers import read_layers  # here: a plan without a raster must not pay for its imports

        try:
            layers, files, cautions = read_layers(plan, grid=grid, frame=field.frame, reader=pixels)
        except InputError as error:
            self.faults.extend(error.faults)
            return ()
        self.files.update((file.name, file) for file in files)
        self.cautions.extend(cautions)
        return tuple(layers)

    def _ground(self, make: Callable[[S, Layer, Field], T], section: S, field: Field | None) -> T | None:
        try:
            layer = self.layer(section.file)
            return make(section, layer, field) if field is not None else None
        except InputError as error:
            self.faults.extend(error.faults)
            return None
