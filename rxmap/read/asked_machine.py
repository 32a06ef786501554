"""The machine that a plan describes against the field: what no machine does is a slip of a unit or a digit."""

from __future__ import annotations

import math

from rxmap.errors import Faults, PlanError
from rxmap.grid import M2_PER_HA
from rxmap.plan import Machine, Plan
from rxmap.plan_rules import usable_l
from rxmap.records import Field

# Our limits: far beyond what people do, and within what is drawn and printed in a minute.
MOST_LOADS = 5_000
MOST_LANES = 20_000  # side by side over the field
WIDEST_SWATH = 150.0  # [m]; wide booms have about 60 (common practice, no source)


def check_machine(plan: Plan, field: Field) -> None:
    """Refuse a machine that cannot be meant, before anything is computed.

    Parameters
    ----------
    plan : Plan
        Its machine, if it has one.
    field : Field
        From its boundary.

    Raises
    ------
    PlanError
        With a line for each key.
    """
    if plan.machine is None:
        return
    west, south, east, north = field.ground.bounds
    across = math.hypot(east - west, north - south)
    faults = Faults()
    faults.extend(
        f"{plan.path.name}: machine.{line} Is the unit the right one?"
        for line in _slips(plan.machine, field.area_ha, across)
    )
    faults.raise_if_any(PlanError)


def _slips(machine: Machine, area_ha: float, across: float) -> list[str]:
    swath = machine.swath.to("m")
    found = []
    if swath > WIDEST_SWATH:
        found.append(f"swath: {machine.swath} is wider than any machine.")
    if across / swath > MOST_LANES:
        found.append(
            f"swath: {machine.swath} makes {across / swath:,.0f} lanes over the field, the most is {MOST_LANES:,}."
        )
    loads = area_ha * machine.carrier.to("L/ha") / usable_l(machine)
    if loads > MOST_LOADS:
        found.append(f"tank: {machine.tank} makes {loads:,.0f} loads at {machine.carrier}, the most is {MOST_LOADS:,}.")
    if machine.endurance:
        flights = area_ha * M2_PER_HA / (swath * machine.speed_m_s * machine.endurance.to("s"))
        if flights > MOST_LOADS:
            found.append(
                f"endurance: {machine.endurance} makes {flights:,.0f} loads of the field, the most is {MOST_LOADS:,}."
            )
    switching = 2 * machine.speed_m_s * machine.delay.to("s") if machine.delay else 0.0
    if switching > across:
        found.append(
            f"delay: in {machine.delay} on and {machine.delay} off it drives {switching:,.0f} m, past the whole field."
        )
    return found
