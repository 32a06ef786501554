"""Inputs: files to records. The only place that opens what the user gives."""

from __future__ import annotations

from rxmap.errors import Caution, Faults, InputError
from rxmap.plan import KeepOutSection, Plan, plan_fault
from rxmap.read.boundary import make_field
from rxmap.read.door import Source, open_source
from rxmap.read.keep_outs import make_keep_out
from rxmap.read.stops import make_observations
from rxmap.read.table import Table, read_table, table_of
from rxmap.read.vector import kind_of, read_layer
from rxmap.records import Field, InputFile, Inputs, KeepOutSource, Observation

__all__ = ["read_field", "read_inputs"]


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
    return make_field(plan.field.name, read_layer(open_source(plan.folder, plan.field.boundary)))


def read_inputs(plan: Plan) -> Inputs:
    """Read all that one build needs: boundary, stops, keep-outs.

    Parameters
    ----------
    plan : Plan
        Names the files.

    Raises
    ------
    InputError
        With the faults of all files together, one line each.
    """
    if not plan.scouting.stops:
        raise plan_fault(plan, "scouting.stops: is missing. Name the file of the stops.")
    reading = _Reading(plan)
    field = reading.field()
    observations = reading.observations(field)
    keep_outs = reading.keep_outs(field)
    reading.faults.raise_if_any()
    if field is None:  # its fault was raised; this is for the type checker
        raise plan_fault(plan, "field.boundary: cannot be read.")
    return Inputs(
        field=field,
        observations=observations,
        keep_outs=keep_outs,
        files=tuple(reading.files.values()),
        cautions=tuple(dict.fromkeys(reading.cautions)),  # one file may be named twice,
    )


class _Reading:
    """One reading of a plan's files: what it met on the way, faults of every file included."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.faults = Faults()
        self.files: dict[str, InputFile] = {}
        self.cautions: list[Caution] = []

    def open(self, name: str) -> Source:
        source = open_source(self.plan.folder, name)
        self.files.update((file.name, file) for file in source.files)
        return source

    def field(self) -> Field | None:
        try:
            layer = read_layer(self.open(self.plan.field.boundary))
            self.cautions.extend(layer.cautions)
            return make_field(self.plan.field.name, layer)
        except InputError as error:
            self.faults.extend(error.faults)
            return None

    def observations(self, field: Field | None) -> tuple[Observation, ...]:
        faults = Faults()
        tables = []
        for name in self.plan.scouting.stops:
            try:
                tables.append(self._table(name))
            except InputError as error:
                faults.extend(error.faults)
        observations, cautions = make_observations(tables, self.plan, field, faults)
        self.faults.extend(faults.lines)
        self.cautions.extend(cautions)
        return observations

    def _table(self, name: str) -> Table:
        source = self.open(name)
        kind = kind_of(source.data)
        if kind is None:
            return read_table(source)
        if kind == "shapefile":  # its ten-letter column names need a table of their own
            raise InputError(f"{name}: stops as a shapefile are not read yet. Export them as GeoJSON or CSV.")
        layer = read_layer(source)
        self.cautions.extend(layer.cautions)
        return table_of(layer)

    def keep_outs(self, field: Field | None) -> tuple[KeepOutSource, ...]:
        found = (self._keep_out(section, field) for section in self.plan.keep_out)
        return tuple(one for one in found if one is not None)

    def _keep_out(self, section: KeepOutSection, field: Field | None) -> KeepOutSource | None:
        try:
            layer = read_layer(self.open(section.file))
            self.cautions.extend(layer.cautions)
            return make_keep_out(section, layer, field) if field is not None else None
        except InputError as error:
            self.faults.extend(error.faults)
            return None
