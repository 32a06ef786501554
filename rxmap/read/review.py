"""Everything that one review needs: the plan's field, the result folder, and what [review] names."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from rxmap.errors import Caution, Faults, InputError
from rxmap.grid import Grid
from rxmap.plan import Plan, plan_fault
from rxmap.read.applied_layer import AppliedLayer, read_applied
from rxmap.read.asked_cells import field_grid
from rxmap.read.costs import read_costs
from rxmap.read.door import Source, open_plan, open_source
from rxmap.read.harvest import HarvestPoints, read_harvest
from rxmap.read.inputs import read_field
from rxmap.read.planned import Planned, PlannedPass, read_planned
from rxmap.read.samples import HandSamples, read_samples
from rxmap.read.stops import make_observations
from rxmap.read.table import Table, read_table, table_of
from rxmap.read.vector import kind_of, read_layer
from rxmap.read.wide import own_columns
from rxmap.records import Field, InputFile, Observation
from rxmap.units import Quantity

ASKED = "applied, stops, harvest or samples"

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class ReviewInputs:
    """What was read for one review; None where the plan names nothing."""

    field: Field
    grid: Grid
    planned: Planned
    applied: AppliedLayer | None
    applied_pass: str | None  # slug
    after: tuple[Observation, ...]  # the second visit
    harvest: HarvestPoints | None
    samples: HandSamples | None
    costs: Mapping[str, Quantity]  # today's, by item
    files: tuple[InputFile, ...]
    cautions: tuple[Caution, ...]


def read_review(plan: Plan, folder: Path) -> ReviewInputs:
    """Read the field, the result folder and every file of the plan's [review].

    Parameters
    ----------
    plan : Plan
        Names the files.
    folder : Path
        The result folder, its manifest held already.

    Raises
    ------
    InputError
        With the faults of all files together, one line each.
    """
    asked = plan.review
    if asked is None or not (asked.applied or asked.stops or asked.harvest or asked.samples):
        raise plan_fault(plan, f"review: names nothing to look at. Give it {ASKED}.")
    field = read_field(plan)
    grid, _ = field_grid(plan, field)
    reading = _Reading(plan, field, grid)
    applied = reading.tried(reading.applied) if asked.applied else None
    after = reading.tried(reading.stops) if asked.stops else None
    harvest = reading.tried(reading.harvest) if asked.harvest else None
    samples = reading.tried(reading.samples) if asked.samples else None
    costs = reading.tried(reading.costs) if asked.costs else None
    reading.faults.raise_if_any()
    planned = read_planned(folder, plan, field, grid)
    applied_pass = _applied_pass(plan, planned) if asked.applied else None
    return ReviewInputs(
        field=field,
        grid=grid,
        planned=planned,
        applied=applied,
        applied_pass=applied_pass.slug if applied_pass else None,
        after=after or (),
        harvest=harvest,
        samples=samples,
        costs=costs or {},
        files=tuple(reading.files.values()),
        cautions=tuple(reading.cautions),
    )


def _applied_pass(plan: Plan, planned: Planned) -> PlannedPass:
    """Find the pass that the layer was logged on: the one named, or the only one that went out."""
    named = plan.review.applied.pass_ if plan.review and plan.review.applied else None
    names = [one.name for one in planned.passes]
    if not names:
        raise plan_fault(plan, "review.applied: no pass of the result goes out. Remove it.")
    if named is None and len(names) > 1:
        raise plan_fault(plan, f"review.applied.pass: is missing. Name one of {', '.join(names)}.")
    if named is not None and named not in names:
        raise plan_fault(plan, f"review.applied.pass: '{named}' did not go out. Passes: {', '.join(names)}.")
    return planned.passes[names.index(named) if named else 0]


class _Reading:
    """One reading of the files of [review]: what it met on the way, faults of every file included."""

    def __init__(self, plan: Plan, field: Field, grid: Grid) -> None:
        self.plan, self.field, self.grid = plan, field, grid
        self.review = plan.review
        self.faults = Faults()
        self.files: dict[str, InputFile] = {}
        self.cautions: list[Caution] = []
        self._keep(open_plan(plan.path).files)
        self._keep(open_source(plan.folder, plan.field.boundary).files)

    def tried(self, read: Callable[[], T]) -> T | None:
        """Take what a reader gives; its faults are noted, and the other files still read."""
        try:
            return read()
        except InputError as error:
            self.faults.extend(error.faults)
            return None

    def _keep(self, files: tuple[InputFile, ...]) -> None:
        self.files.update((file.name, file) for file in files)

    def _open(self, name: str) -> Source:
        source = open_source(self.plan.folder, name)
        self._keep(source.files)
        return source

    def applied(self) -> AppliedLayer | None:
        if self.review is None or self.review.applied is None or self.plan.machine is None:
            return None
        swath = self.plan.machine.swath.to("m")
        layer, files = read_applied(self.review.applied, self.plan.folder, self.field, self.grid, swath_m=swath)
        self._keep(files)
        return layer

    def harvest(self) -> HarvestPoints | None:
        section = self.review.harvest if self.review else None
        return read_harvest(section, self._open(section.file), self.field) if section else None

    def samples(self) -> HandSamples | None:
        name = self.review.samples if self.review else None
        return read_samples(self._open(name), self.field) if name else None

    def costs(self) -> Mapping[str, Quantity] | None:
        name = self.review.costs if self.review else None
        return read_costs(self._open(name), self.plan) if name else None

    def stops(self) -> tuple[Observation, ...] | None:
        """Read the second visit by the rules of the first; it may look at some of the targets only."""
        name = self.review.stops if self.review else None
        if name is None:
            return None
        table = self._table(name)
        plan = self.plan.model_copy(
            update={
                "target": self._seen(table),
                "scouting": self.plan.scouting.model_copy(update={"stops": (name,)}),
                "field": self.plan.field.model_copy(update={"spray_date": None}),  # a second visit comes after it
            }
        )
        faults = Faults()
        observations, cautions = make_observations([table], plan, self.field, faults)
        faults.raise_if_any()
        undated = next((one for one in observations if one.used and one.date is None), None)
        if undated is not None:
            raise InputError(f"{undated.place}, column date: is blank. A second visit needs its day.")
        sprayed = self.plan.field.spray_date
        if sprayed is not None and all(one.date <= sprayed for one in observations if one.used and one.date):
            raise InputError(f"{name}: no row is from after field.spray_date {sprayed}: no second visit. Check both.")
        self.cautions.extend(cautions)
        return observations

    def _seen(self, table: Table) -> tuple[object, ...]:
        """Targets of the plan that the table speaks of; all of them where it is wide, or speaks of none."""
        names = [name.strip().casefold() for name in table.header]
        if "target" not in names:
            return self.plan.target
        here = {row.cells[names.index("target")] for row in table.rows}
        return tuple(target for target in self.plan.target if target.name in here) or self.plan.target

    def _table(self, name: str) -> Table:
        source = self._open(name)
        if kind_of(source.data) is None:
            return read_table(source)
        return table_of(read_layer(source), own_columns(self.plan))
