"""The layer as the machine will apply it: passes one swath wide, sections that switch as a whole, and late.

A prescription has edges anywhere; a machine has them where a section can switch. What it will miss and what it
will spray beside is counted on a raster in the frame of the passes. A raster coarser than half a section sees
none of it: it reports nothing misplaced under sections of 0.75 m on cells of 1 m, so the cells follow the sections.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from rxmap.decide.lanes import Lanes, lanes_over, longest_heading, pass_lanes, turned
from rxmap.errors import Caution
from rxmap.grid import M2_PER_HA, BoolArray, Grid
from rxmap.plan import Machine
from rxmap.records import AsApplied
from rxmap.units import small_area

Units = Literal["us", "metric"]
Planned = Sequence[tuple[float, BaseGeometry]]  # rate and ground [m], without overlap
NumberArray = NDArray[np.uint8]
RateArray = NDArray[np.float32]

NOTHING, AS_PLANNED, MISSED, OFF_TARGET = (np.uint8(each) for each in range(4))  # classes of a cell
LARGEST_STEP = 1.5  # [m] of a cell, whatever the width of a section
FINE_STEP = 0.5  # [m] along the pass, fine enough under any section
LEAST_SAMPLES = 7  # across a section: 2 % of what is misplaced is not seen
LEAST_STEP = 0.25  # [m] of a cell along the pass, so that a delay of centimetres makes no endless raster
LEAST_SECTION = 0.25  # [m] narrower than any nozzle spacing; common practice, no source
MOST_CELLS = 20_000_000  # then cells grow along the pass, where nothing switches by section
OFF_RATE = 0.1  # share by which a rate counts as over or under
LEAST_WARNED = 0.005  # [ha] what is told with two decimals
WORTH_TURNING = 0.1  # share less misplaced that is worth more turns; judgement, no source
HEADINGS = 36  # compared over half a turn; to and fro are the same passes


@dataclass(frozen=True, slots=True, kw_only=True)
class HeadingProposal:
    """A heading with little misplaced ground: a proposal in words, never applied by itself.

    Parameters
    ----------
    heading : float [degree]
        Clockwise from north.
    misplaced_ha, default_ha : float [ha]
        Misplaced along it, and along the longest side of the treated ground.
    text : str
        The proposal.
    """

    heading: float
    misplaced_ha: float
    default_ha: float
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PassRaster:
    """Cells in the frame of the passes; sections are whole columns of cells.

    Parameters
    ----------
    heading : float [degree]
        Of the first pass.
    left, near : float [m]
        Outer corner of cell (0, 0), across and along.
    across, along : float [m]
        Sides of a cell.
    rows, passes, sections, samples : int
        Cells along, passes, sections of a pass, and cells across a section: an odd number, so that the half of
        a section that switches it falls between two of them.
    late : int
        Cells driven between the place of a command and its effect; negative where the machine looks too far ahead.
    """

    heading: float
    left: float
    near: float
    across: float
    along: float
    rows: int
    passes: int
    sections: int
    samples: int
    late: int

    def burn(self, grounds: Sequence[BaseGeometry], numbers: Sequence[int] | None = None) -> NumberArray:
        """Mark the cells whose centre a ground holds: with its number, else 1; 0 for none."""
        from rasterio.features import rasterize  # here: its import costs 0.15 s that `rxmap --help` must not pay

        shape = (self.rows, self.passes * self.sections * self.samples)
        numbered = zip(grounds, numbers or [1] * len(grounds), strict=True)
        shown = [(turned(ground, self.heading), number) for ground, number in numbered if not ground.is_empty]
        if not shown:
            return np.zeros(shape, np.uint8)
        placed = (self.across, 0.0, self.left, 0.0, self.along, self.near)
        burned: NumberArray = rasterize(shown, out_shape=shape, transform=placed, dtype="uint8")
        return burned

    def at(self, values: NumberArray, grid: Grid) -> NumberArray:
        """Value at the centre of each cell of the field grid, 0 beyond this raster: (rows, columns)."""
        angle = math.radians(self.heading)
        easting, northing = np.meshgrid(*grid.axes())
        across = math.cos(angle) * easting - math.sin(angle) * northing
        along = math.sin(angle) * easting + math.cos(angle) * northing
        column = np.floor((across - self.left) / self.across).astype(int)
        row = np.floor((along - self.near) / self.along).astype(int)
        known = (row >= 0) & (row < values.shape[0]) & (column >= 0) & (column < values.shape[1])
        found = np.zeros(grid.shape, dtype=np.uint8)
        found[known] = values[row[known], column[known]]
        return found


def pass_raster(
    grounds: Sequence[BaseGeometry],
    machine: Machine,
    lanes: Lanes,
    *,
    samples: int = LEAST_SAMPLES,
    coarse: float = 1.0,
) -> PassRaster:
    """Lay cells over the passes that are finer than half a section, however narrow that is.

    The way driven during the delay is a whole number of cells, so that none of it is lost to rounding.

    Parameters
    ----------
    grounds : sequence of geometry
        Treated ground in metres, at least one.
    machine : Machine
        Sections, speed, delay and look-ahead.
    lanes : Lanes
        The passes.
    samples : int
        Cells across a section at least, an odd number; k of them count 1/k^2 too little misplaced.
    coarse : float
        How many times longer cells are along the pass, where headings are only compared.
    """
    sections = min(machine.sections, max(1, int(lanes.swath / LEAST_SECTION)))
    width = lanes.swath / sections
    samples = max(samples, 2 * math.ceil((width / LARGEST_STEP - 1) / 2 - 1e-9) + 1)
    sides = lanes.sides(grounds)
    _, south, _, north = shapely.total_bounds([turned(ground, lanes.heading) for ground in grounds])
    ahead = machine.look_ahead.to("s") if machine.look_ahead else 0.0
    late_m = machine.speed_m_s * ((machine.delay.to("s") if machine.delay else 0.0) - ahead)
    columns = (len(sides) - 1) * sections * samples
    step = min(LARGEST_STEP, max(width / 2, FINE_STEP)) * coarse
    along = max(_divided(abs(late_m), step), columns * float(north - south) / MOST_CELLS)
    late = round(late_m / along)
    margin = (abs(late) + 1) * along  # untreated at both ends: a late command still falls on the raster
    return PassRaster(
        heading=lanes.heading,
        left=float(sides[0]),
        near=float(south - margin),
        across=width / samples,
        along=along,
        rows=math.ceil((north - south + 2 * margin) / along),
        passes=len(sides) - 1,
        sections=sections,
        samples=samples,
        late=late,
    )


def _divided(way: float, step: float) -> float:
    """Largest step that divides a way evenly; ways that are no more than rounding do not count."""
    return max(way / math.ceil(way / step), LEAST_STEP) if way >= LEAST_STEP / 2 else step


def as_applied(
    planned: Planned,
    *,
    field_ground: BaseGeometry,
    grid: Grid,
    machine: Machine,
    keep_outs: Sequence[BaseGeometry] = (),
    heading: float | None = None,
) -> AsApplied:
    """Simulate how a machine applies a planned layer.

    A section is on where at least half of its width is to be treated, at the mean rate of what is (common
    practice, no source). It acts `delay` after the command, which is given `look_ahead` early; every second pass
    is driven the other way. A section that reaches over a keep-out or the boundary sprays there: that is off
    target, and reported.

    Parameters
    ----------
    planned : sequence of (float, geometry)
        Rate and ground in metres, without overlap; at least one. Check strips are not in it.
    field_ground : geometry
        The field in metres.
    grid : Grid
        The field grid, for the classes.
    machine : Machine
        What drives.
    keep_outs : sequence of geometry
        Ground that must not be treated, setbacks included, in metres.
    heading : float, optional [degree]
        By default the plan's, else along the longest side of the treated ground.

    Examples
    --------
    >>> from rxmap.grid import make_grid
    >>> machine = Machine.model_validate({"kind": "ground", "swath": "24 m", "carrier": "100 L/ha", "tank": "3000 L",
    ...                                   "speed": "5 m/s", "delay": "0.4 s", "heading": 0})
    >>> patch = shapely.box(92, 100, 188, 300)  # on four passes
    >>> ground = shapely.box(0, 0, 400, 400)
    >>> told = as_applied([(1.0, patch)], field_ground=ground, grid=make_grid(ground, 10.0), machine=machine)
    >>> round(told.missed_ha * 1e4), round(told.off_target_ha * 1e4)  # 2 m late over 96 m of edge at either end
    (192, 192)
    """
    grounds = [ground for _, ground in planned]
    lanes = pass_lanes(machine, field_ground, grounds)
    if heading is not None:
        lanes = lanes_over([field_ground], lanes.swath, heading)
    raster = pass_raster(grounds, machine, lanes)
    levels = sorted({rate for rate, _ in planned})
    number = raster.burn(grounds, [levels.index(rate) + 1 for rate, _ in planned])
    rates = np.array([0.0, *levels], dtype=np.float32)
    command = _delivered(_command(number, rates, raster), raster)
    due, given = number > 0, np.repeat(command > 0, raster.samples, axis=1)
    off_target = given & ~due
    over, under = _off_rate(number, rates, command, raster) if len(levels) > 1 else (0, 0)
    kept = raster.burn(keep_outs) > 0
    wanted = sum(np.count_nonzero(number == level) * float(rates[level]) for level in range(1, len(rates)))

    def ha(cells: int | np.integer) -> float:
        return float(cells) * raster.across * raster.along / M2_PER_HA

    return AsApplied(
        heading=raster.heading,
        treated_ha=ha(np.count_nonzero(due)),
        applied_ha=ha(np.count_nonzero(given)),
        missed_ha=ha(np.count_nonzero(due & ~given)),
        off_target_ha=ha(np.count_nonzero(off_target)),
        over_ha=ha(over),
        under_ha=ha(under),
        setback_ha=ha(np.count_nonzero(off_target & kept)),
        outside_ha=ha(np.count_nonzero(off_target & ~kept & (raster.burn([field_ground]) == 0))),
        product_difference=float(command.sum(dtype=np.float64) * raster.samples / wanted - 1) if wanted else 0.0,
        classes=raster.at(_classes(due, given), grid),
    )


def _classes(due: BoolArray, given: BoolArray) -> NumberArray:
    """Class of each cell; there are millions, so it is worked out in bytes."""
    wanted, sprayed = due.view(np.uint8), given.view(np.uint8)
    classes: NumberArray = wanted * (MISSED - sprayed) + (1 - wanted) * sprayed * OFF_TARGET
    return classes


def setback_caution(name: str, told: AsApplied, units: Units = "metric") -> Caution | None:
    """Warn where whole sections would spray into a keep-out: the layer is right, the machine cannot follow it.

    Parameters
    ----------
    name : str
        Of the pass.
    told : AsApplied
        How it will be applied.
    units : str
        What people read.
    """
    if told.setback_ha < LEAST_WARNED:
        return None
    return Caution(
        "setback_sprayed",
        f"{name}: sections that switch at half of their width, and late, would spray about "
        f"{small_area(told.setback_ha, units)} of keep-outs and setbacks. Close the sections that reach over them by "
        "hand, and keep what the label asks for.",
    )


def best_heading(planned: Planned, machine: Machine, units: Units = "metric") -> HeadingProposal:
    """Compare headings over half a turn and propose the one that misplaces least.

    The cells along the pass are coarser than in `as_applied`; fields and keep-outs do not enter. Of headings that
    misplace the same the nearest to the longest side of the treated ground is proposed: it has the fewest turns. That
    side itself is, unless another heading misplaces less by more than a tenth.

    Parameters
    ----------
    planned : sequence of (float, geometry)
        As in `as_applied`.
    machine : Machine
        What drives; its own heading does not matter.
    units : str
        What people read.
    """
    grounds = [shapely.simplify(ground, LARGEST_STEP / 2) for _, ground in planned]
    longest = longest_heading(grounds)
    default = round(_misplaced_ha(grounds, machine, longest), 3)
    found = []
    for heading in np.arange(HEADINGS) * (180.0 / HEADINGS):
        away = abs((heading - longest + 90.0) % 180.0 - 90.0)
        found.append((round(_misplaced_ha(grounds, machine, float(heading)), 3), away, float(heading)))
    misplaced, _, heading = min([(default, 0.0, longest), *found])
    if misplaced > (1 - WORTH_TURNING) * default - 0.01:  # what two decimals would not show
        misplaced, heading = default, longest
        text = (
            f"No heading misplaces clearly less than {longest:.0f} degrees, along the longest side: "
            f"{small_area(default, units)}."
        )
    else:
        text = (
            f"A heading of {heading:g} degrees would misplace about {small_area(misplaced, units)}; {longest:.0f} "
            f"degrees, along the longest side of the treated ground, {small_area(default, units)}. Set "
            f"machine.heading to {heading:g} to drive it."
        )
    return HeadingProposal(heading=heading, misplaced_ha=misplaced, default_ha=default, text=text)


def _misplaced_ha(grounds: Sequence[BaseGeometry], machine: Machine, heading: float) -> float:
    """Ground missed and off target on coarse cells [ha]."""
    lanes = lanes_over(grounds, machine.swath.to("m"), heading)
    raster = pass_raster(grounds, machine, lanes, samples=3, coarse=4.0)
    due = raster.burn(grounds)
    on = _delivered(_command(due, np.array([0, 1], np.float32), raster), raster) > 0
    inside = sum(due[:, first :: raster.samples].astype(np.int16) for first in range(raster.samples))
    cells = np.where(on, raster.samples - inside, inside).sum()
    return float(cells) * raster.across * raster.along / M2_PER_HA


def _command(number: NumberArray, rates: RateArray, raster: PassRaster) -> RateArray:
    """Rate of each section at each step along the pass: (rows, passes x sections)."""
    shape = (raster.rows, raster.passes * raster.sections)
    due, total = np.zeros(shape, np.int16), np.zeros(shape, np.float32)
    one_rate = len(rates) == 2
    for first in range(raster.samples):
        column = number[:, first :: raster.samples]
        due += column > 0
        if not one_rate:
            total += rates[column]
    mean = rates[1] if one_rate else total / np.maximum(due, 1)
    command: RateArray = np.where(2 * due > raster.samples, mean, np.float32(0))
    return command


def _delivered(command: RateArray, raster: PassRaster) -> RateArray:
    """Move each command on by the way driven until it acts; passes with something to do alternate."""
    if raster.late == 0:
        return command
    width = raster.sections
    driven = command.any(axis=0).reshape(raster.passes, width).any(axis=1)
    forward: BoolArray = np.repeat(np.cumsum(driven) % 2 == 1, width)
    return np.where(forward, np.roll(command, raster.late, axis=0), np.roll(command, -raster.late, axis=0))


def _off_rate(number: NumberArray, rates: RateArray, command: RateArray, raster: PassRaster) -> tuple[int, int]:
    """Cells that get more than a tenth over, and under, the rate planned for them."""
    over = under = 0
    for first in range(raster.samples):
        asked = rates[number[:, first :: raster.samples]]
        both = (asked > 0) & (command > 0)
        over += int(np.count_nonzero(both & (command > (1 + OFF_RATE) * asked)))
        under += int(np.count_nonzero(both & (command < (1 - OFF_RATE) * asked)))
    return over, under
