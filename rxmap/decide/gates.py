"""Gates: the conditions beside the threshold that must hold before a target is treated."""

from __future__ import annotations

from collections.abc import Sequence

from rxmap.errors import InputError
from rxmap.plan import Plan, Target
from rxmap.plan_rules import stage_within
from rxmap.records import Observation


def closed_gate(
    plan: Plan, target: Target, observations: Sequence[Observation], earlier: Sequence[Observation] = ()
) -> str | None:
    """Say why a target may not be treated now, or None when every gate is open.

    Parameters
    ----------
    plan : Plan
        The plan; its ``field.stage`` is compared with the gates.
    target : Target
        The target.
    observations : sequence of Observation
        The used observations of this target.
    earlier : sequence of Observation
        Its older visits, for the gate `rising`.

    Raises
    ------
    InputError
        If a gate needs a column that the scouting file does not have.
    """
    if target.decides == "next crop":
        return f"{target.name} decides about the next crop: a note, never a pass"
    return (
        _stage(plan, target)
        or _confirmed(target)
        or _infested(plan, target, observations)
        or _rising(target, observations, earlier)
    )


def _stage(plan: Plan, target: Target) -> str | None:
    gates, stage = target.gates, plan.field.stage
    if stage is None:  # the plan's rules ask for a stage where a gate needs one
        return None
    if gates.stage and not stage_within(stage, gates.stage):
        return f"stage {stage} is outside {gates.stage[0]} to {gates.stage[1]}, where this threshold holds"
    if gates.stages and stage not in gates.stages:
        return f"stage {stage} is not one of {', '.join(gates.stages)}, where this threshold holds"
    return None


def _confirmed(target: Target) -> str | None:
    open_points = [name for name, seen in target.gates.confirmed.items() if not seen]
    return f"not confirmed in the field: {', '.join(open_points)}" if open_points else None


def _rising(target: Target, observations: Sequence[Observation], earlier: Sequence[Observation]) -> str | None:
    """Compare the newest visit with the one before, over the stops that have both."""
    if not target.gates.rising:
        return None
    before: dict[str, Observation] = {}
    for o in earlier:
        if o.stop not in before or (o.date and (before[o.stop].date or o.date) < o.date):
            before[o.stop] = o
    pairs = [(before[o.stop], o) for o in observations if o.stop in before]
    if not pairs:
        return "no earlier visit tells whether it is rising, which the threshold asks for"
    then, now = (
        sum(o.value for o in visit) / sum(_looked_at(o, target) for o in visit) for visit in zip(*pairs, strict=True)
    )
    if now > then:
        return None
    return f"not rising since the last visit ({then:.3g} then, {now:.3g} now, over {len(pairs)} stops)"


def _looked_at(observation: Observation, target: Target) -> float:
    """Return what a value is counted over: units for counts and positives; a percent or score is one already."""
    return observation.n if target.measure in ("count", "incidence") else 1.0


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
