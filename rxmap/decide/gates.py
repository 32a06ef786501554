"""Gates: the conditions beside the threshold that must hold before a target is treated."""

from __future__ import annotations

from collections.abc import Sequence

from rxmap.errors import InputError
from rxmap.plan import Plan, Target
from rxmap.plan_rules import stage_within
from rxmap.records import Observation


def closed_gate(plan: Plan, target: Target, observations: Sequence[Observation]) -> str | None:
    """Say why a target may not be treated now, or None when every gate is open.

    Parameters
    ----------
    plan : Plan
        The plan; its ``field.stage`` is compared with the gates.
    target : Target
        The target.
    observations : sequence of Observation
        The used observations of this target.

    Raises
    ------
    InputError
        If a gate needs a column that the scouting file does not have.
    """
    if target.decides == "next crop":
        return f"{target.name} decides about the next crop: a note, never a pass"
    return _stage(plan, target) or _infested(plan, target, observations)


def _stage(plan: Plan, target: Target) -> str | None:
    gates, stage = target.gates, plan.field.stage
    if stage is None:  # the plan's rules ask for a stage where a gate needs one
        return None
    if gates.stage and not stage_within(stage, gates.stage):
        return f"stage {stage} is outside {gates.stage[0]} to {gates.stage[1]}, where this threshold holds"
    if gates.stages and stage not in gates.stages:
        return f"stage {stage} is not one of {', '.join(gates.stages)}, where this threshold holds"
    return None


def _infested(plan: Plan, target: Target, observations: Sequence[Observation]) -> str | None:
    wanted = target.gates.infested_share
    if wanted is None or not observations:
        return None
    share = infested_share(target, observations)
    if share is None:
        raise InputError(
            f"{observations[0].place}: target '{target.name}' has gates.infested_share, which needs the column "
            "positives (sample units with at least one) in every row. Add it, or remove the gate."
        )
    if share < wanted:
        return f"{100 * share:.3g} % of the sample units are infested, the gate asks for {100 * wanted:.3g} %"
    return None


def infested_share(target: Target, observations: Sequence[Observation]) -> float | None:
    """Share of all sample units that were infested; None where the rows do not tell."""
    looked_at = sum(o.n for o in observations)
    if target.measure == "incidence":
        return sum(o.value for o in observations) / looked_at
    found = [o.positives for o in observations]
    return None if None in found else sum(p for p in found if p is not None) / looked_at
