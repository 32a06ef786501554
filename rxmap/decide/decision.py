"""Map, all or none: for each pass the decision that is expected to earn most, and why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from rxmap.decide.benefit import Benefit, Stake, pass_benefit
from rxmap.decide.options import PassOption
from rxmap.decide.treat import Ground, Treatment, treat
from rxmap.grid import M2_PER_HA, BoolArray, Grid
from rxmap.plan import Machine
from rxmap.records import DecisionKind


@dataclass(frozen=True, slots=True, kw_only=True)
class PassDecision:
    """What is done with one pass.

    Parameters
    ----------
    option : PassOption
        The pass.
    kind : {"map", "all", "none"}
        The decision.
    reason : str
        Why, in one sentence.
    treated : ndarray of bool
        Decision cells that are treated; empty with `none`.
    ground : Ground
        Its decision cells.
    benefit : Benefit or None
        None where every target is gated out.
    treatment : Treatment or None
        The best map, also where it is not what is done.
    """

    option: PassOption
    kind: DecisionKind
    reason: str
    treated: BoolArray
    ground: Ground
    benefit: Benefit | None
    treatment: Treatment | None

    @property
    def goes_out(self) -> bool:
        """Whether the machine leaves the yard for this pass."""
        return self.kind != "none"

    @property
    def smallest_patch_m(self) -> float | None:
        """Diameter of the smallest lone round patch that pays [m]: four edge prices over the margin.

        A round patch of diameter D earns margin x pi D^2 / 4 and its edge costs price x pi D.
        """
        if self.treatment is None or not self.treated.any():
            return None
        free = self.ground.free_ha[self.treated].sum() * M2_PER_HA
        margin = float(self.treatment.worth[self.treated].sum()) / free
        return 4 * self.treatment.price.mean / margin if margin > 0 else None


def decide_passes(
    options: Sequence[PassOption],
    stakes: Sequence[Stake],
    *,
    grid: Grid,
    grounds: Mapping[str, Ground],
    machine: Machine,
    mapped: frozenset[str],
    value_ha: float | None,
) -> list[PassDecision]:
    """Decide every pass, the one that earns most first.

    A target that a pass takes care of no longer counts for the others: products for one target are
    alternatives, and the better one for the field is used.

    Parameters
    ----------
    options : sequence of PassOption
        The passes on offer.
    stakes : sequence of Stake
        What each target puts at stake.
    grid : Grid
        The field grid.
    grounds : mapping of str to Ground
        Sprayable ground by pass slug; setbacks differ between products.
    machine : Machine
        What drives.
    mapped : frozenset of str
        Targets whose stops support a map.
    value_ha : float or None
        Value of the expected yield [currency/ha].
    """
    decided: dict[str, PassDecision] = {}
    done: dict[str, str] = {}  # target -> pass that takes care of it
    while len(decided) < len(options):
        open_options = [option for option in options if option.slug not in decided]
        tried = []
        for option in open_options:
            benefit = pass_benefit(option, stakes, value_ha=value_ha, done=frozenset(done))
            tried.append(_best(option, benefit, grid=grid, ground=grounds[option.slug], machine=machine, mapped=mapped))
        best, _ = max(tried, key=lambda pair: pair[1])
        if not best.goes_out:
            for decision, _ in tried:
                decided[decision.option.slug] = _explained(decision, stakes, done)
            break
        decided[best.option.slug] = best
        if best.benefit is not None:
            done.update(dict.fromkeys(best.benefit.targets, best.option.name))
    return [decided[option.slug] for option in options]


def _best(
    option: PassOption, benefit: Benefit | None, *, grid: Grid, ground: Ground, machine: Machine, mapped: frozenset[str]
) -> tuple[PassDecision, float]:
    """Best decision of one pass on its own, with its gain [currency, or the stand-in's unit]."""
    nothing = np.zeros_like(ground.sprayable)
    if benefit is None or not ground.sprayable.any():
        reason = "" if benefit is None else "keep-outs and setbacks leave no ground to treat"
        return PassDecision(
            option=option, kind="none", reason=reason, treated=nothing, ground=ground, benefit=benefit, treatment=None
        ), 0.0
    treatment = treat(option, benefit, grid=grid, ground=ground, machine=machine)
    # Without a loss the score has no money to set against the trip: the threshold alone decides.
    fixed = option.fixed if benefit.money else 0.0
    gains: dict[DecisionKind, float] = {"none": 0.0}
    if mapped.intersection(benefit.targets):
        gains["map"] = treatment.gain - fixed
    if benefit.allowed.all():
        gains["all"] = float(treatment.worth[ground.sprayable].sum()) - fixed
    if gains.get("map") == gains.get("all"):  # the best map treats everything
        gains.pop("map", None)
    kind = max(gains, key=lambda name: (gains[name], name == "none"))
    treated = {"map": treatment.treated, "all": ground.sprayable, "none": nothing}[kind]
    decision = PassDecision(
        option=option,
        kind=kind,
        reason=_reason(kind, gains, benefit, fixed),
        treated=treated,
        ground=ground,
        benefit=benefit,
        treatment=treatment,
    )
    return decision, gains[kind]


def _reason(kind: DecisionKind, gains: Mapping[DecisionKind, float], benefit: Benefit, fixed: float) -> str:
    if kind == "map":
        if "all" in gains and benefit.money:
            return f"treating only where it pays is expected to earn {gains['map'] - gains['all']:,.0f} more than all"
        return "only part of the field is above the level where treating pays"
    if kind == "all":
        return (
            "treating pays over the whole field"
            if "map" in gains
            else ("treating pays on average, and the stops do not support a map: one decision for the field")
        )
    if not benefit.allowed.any():
        return "expected pressure is below the threshold everywhere"
    best = max((gain for name, gain in gains.items() if name != "none"), default=None)
    if best is not None and best + fixed > 0 and fixed > 0:
        return f"what treating saves ({best + fixed:,.0f}) does not pay for the trip ({fixed:,.0f})"
    return "treating is not expected to pay for itself anywhere it is allowed"


def _explained(decision: PassDecision, stakes: Sequence[Stake], done: Mapping[str, str]) -> PassDecision:
    """Fill in why a pass with nothing open to control stays at home."""
    if decision.reason:
        return decision
    control = decision.option.control
    others = sorted({done[name] for name in control if name in done})
    reasons = [f"{' and '.join(others)} does the same job for this field at a better return"] if others else []
    reasons += [s.closed for s in stakes if s.name in control and s.closed and s.name not in done]
    return PassDecision(
        option=decision.option,
        kind="none",
        reason="; ".join(reasons),
        treated=decision.treated,
        ground=decision.ground,
        benefit=None,
        treatment=None,
    )
