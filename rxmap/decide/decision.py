"""Map, all or none: for each pass the decision that is expected to earn most, and why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

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
    taken: dict[str, str] = {}  # product -> pass it goes out with: a label counts it once
    while len(decided) < len(options):
        tried = []
        for option in options:
            if option.slug not in decided:
                benefit = None
                if taken.keys().isdisjoint(product.name for product in option.products):
                    benefit = pass_benefit(option, stakes, value_ha=value_ha, done=frozenset(done))
                ground = grounds[option.slug]
                tried.append(_best(option, benefit, grid=grid, ground=ground, machine=machine, mapped=mapped))
        best, _ = max(tried, key=lambda pair: pair[1])  # the first of equals: the order of the plan
        if not best.goes_out:
            decided |= {
                decision.option.slug: replace(decision, reason=_at_home(decision, stakes, done=done, taken=taken))
                for decision, _ in tried
            }
            break
        decided[best.option.slug] = best
        taken.update(dict.fromkeys((product.name for product in best.option.products), best.option.name))
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
        stays = PassDecision(
            option=option, kind="none", reason=reason, treated=nothing, ground=ground, benefit=benefit, treatment=None
        )
        return stays, 0.0
    treatment = treat(option, benefit, grid=grid, ground=ground, machine=machine)
    # Without a loss the score has no money to set against the trip: the threshold alone decides.
    fixed = option.fixed if benefit.money else 0.0
    supported = not mapped.isdisjoint(benefit.targets)
    gains: dict[DecisionKind, float] = {"none": 0.0}
    if treatment.above[ground.sprayable].all():
        gains["all"] = float(treatment.worth[ground.sprayable].sum()) - fixed
    if supported and not np.array_equal(treatment.treated, ground.sprayable):  # a map of everything is `all`
        gains["map"] = treatment.gain - fixed
    kind = max(gains, key=lambda name: (gains[name], name == "none"))
    decision = PassDecision(
        option=option,
        kind=kind,
        reason=_reason(kind, gains, benefit, treatment, fixed=fixed, code=option.currency, supported=supported),
        treated={"map": treatment.treated, "all": ground.sprayable, "none": nothing}[kind],
        ground=ground,
        benefit=benefit,
        treatment=treatment,
    )
    return decision, gains[kind]


def _reason(
    kind: DecisionKind,
    gains: Mapping[DecisionKind, float],
    benefit: Benefit,
    treatment: Treatment,
    *,
    fixed: float,
    code: str,
    supported: bool,
) -> str:
    if kind == "map":
        if "all" in gains and benefit.money:
            more = gains["map"] - gains["all"]
            return f"treating only where it pays is expected to earn {more:,.2f} {code} more than treating all"
        return "only part of the field is above the level where treating pays"
    if kind == "all":
        if supported:
            return "treating pays over the whole field"
        return "treating pays on average, and the stops do not support a map: one decision for the field"
    return _why_none(
        max((gain for name, gain in gains.items() if name != "none"), default=0.0),
        benefit,
        treatment,
        fixed=fixed,
        code=code,
    )


def _why_none(best: float, benefit: Benefit, treatment: Treatment, *, fixed: float, code: str) -> str:
    """Say why no way to go out beats staying at home; `best` is what the best of them would gain."""
    if not treatment.above[treatment.worth != 0].any():
        return "expected pressure is below the threshold everywhere"
    if not benefit.money:
        return "the chance of being above the threshold is nowhere more than break_even on ground wide enough to treat"
    if fixed > 0 and best + fixed > 0:
        earned = f"treating would earn {best + fixed:,.2f} {code} before the trip"
        return f"{earned}, and the trip costs {fixed:,.2f} {code}"
    return "treating is not expected to pay for itself"


def _at_home(
    decision: PassDecision, stakes: Sequence[Stake], *, done: Mapping[str, str], taken: Mapping[str, str]
) -> str:
    """Say why a pass stays at home: what other passes do, which gates are closed, and its own sum."""
    option = decision.option
    reasons = [f"{p.name} goes out with {taken[p.name]} already" for p in option.products if p.name in taken]
    if not reasons:
        reasons = [
            f"{done[name]} is used against {name}, at a better return for this field"
            for name in option.control
            if name in done
        ]
    reasons += [s.closed for s in stakes if s.name in option.control and s.closed]
    return "; ".join([*reasons, decision.reason] if decision.reason else reasons)
