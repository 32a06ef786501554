"""Map, all or none: for each pass the decision that is expected to earn most, and why."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import permutations

import numpy as np

from rxmap.decide.benefit import Benefit, Stake, pass_benefit
from rxmap.decide.ground import Ground
from rxmap.decide.options import PassOption, Step
from rxmap.decide.treat import IntArray, Treatment, treat
from rxmap.grid import M2_PER_HA, BoolArray
from rxmap.plan import Machine
from rxmap.records import DecisionKind

MOST_ENUMERATED = 5  # 120 orders; each pass is cut once for each set of targets that others leave it


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
    levels : ndarray of int
        Rate of each decision cell, 0 where untreated; all 0 with `none`. Rate 1 is the first of `steps`.
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
    levels: IntArray
    ground: Ground
    benefit: Benefit | None
    treatment: Treatment | None

    @property
    def treated(self) -> BoolArray:
        """Decision cells that are treated at any rate."""
        return self.levels > 0

    @property
    def steps(self) -> tuple[Step, ...]:
        """Rates that `levels` count; ground treated by hand alone gets the full rate."""
        return self.benefit.steps if self.benefit is not None else self.option.steps[-1:]

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


Try = Callable[[PassOption, frozenset[str]], tuple[PassDecision, float]]


def decide_passes(
    options: Sequence[PassOption],
    stakes: Sequence[Stake],
    *,
    grounds: Mapping[str, Ground],
    machine: Machine,
    mapped: frozenset[str],
    value_ha: float | None,
) -> list[PassDecision]:
    """Decide which passes go out and where each treats.

    A target that a pass takes care of no longer counts for the others: products for one target are
    alternatives, and a product goes out once. Which passes go out together is tried in every order for up
    to five passes, so the best set is found; with more, what earns most comes first.

    Parameters
    ----------
    options : sequence of PassOption
        The passes on offer.
    stakes : sequence of Stake
        What each target puts at stake.
    grounds : mapping of str to Ground
        Sprayable ground by pass slug; setbacks differ between products.
    machine : Machine
        What drives.
    mapped : frozenset of str
        Targets whose stops support a map.
    value_ha : float or None
        Value of the expected yield [currency/ha].
    """
    tries: dict[tuple[str, frozenset[str]], tuple[PassDecision, float]] = {}

    def tried(option: PassOption, done: frozenset[str]) -> tuple[PassDecision, float]:
        key = option.slug, done.intersection(option.control)
        if key not in tries:
            benefit = pass_benefit(option, stakes, value_ha=value_ha, done=key[1])
            ground = grounds[option.slug]
            tries[key] = _best(option, benefit, ground=ground, machine=machine, mapped=mapped)
        return tries[key]

    # The first of equals: the order of the plan.
    sent = max((_in_turn(order, tried) for order in _orders(options, tried)), key=lambda sent: sent.gain)
    return [sent.decisions.get(option.slug) or _stays(option, tried, stakes, sent) for option in options]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sent:
    """Passes that go out together: their decisions, who takes care of each target and product, the gain."""

    decisions: Mapping[str, PassDecision]
    done: Mapping[str, str]  # target -> pass
    taken: Mapping[str, str]  # product -> pass: a label counts it once
    gain: float


def _orders(options: Sequence[PassOption], tried: Try) -> Iterable[Sequence[PassOption]]:
    """Orders in which passes may take their targets: all of them for a few passes, else what earns most first."""
    if len(options) <= MOST_ENUMERATED:
        return permutations(options)
    return [sorted(options, key=lambda option: -tried(option, frozenset())[1])]


def _in_turn(order: Sequence[PassOption], tried: Try) -> _Sent:
    """Send out in turn every pass that pays for what the ones before have left."""
    decisions: dict[str, PassDecision] = {}
    done: dict[str, str] = {}
    taken: dict[str, str] = {}
    total = 0.0
    for option in order:
        if not taken.keys().isdisjoint(product.name for product in option.products):
            continue
        decision, gain = tried(option, frozenset(done))
        if decision.goes_out:
            decisions[option.slug] = decision
            total += gain
            taken.update(dict.fromkeys((product.name for product in option.products), option.name))
            if decision.benefit is not None:
                done.update(dict.fromkeys(decision.benefit.targets, option.name))
    return _Sent(decisions=decisions, done=done, taken=taken, gain=total)


def _stays(option: PassOption, tried: Try, stakes: Sequence[Stake], sent: _Sent) -> PassDecision:
    """Say why a pass stays at home, by the numbers that are left for it."""
    decision, _ = tried(option, frozenset(sent.done))
    if decision.goes_out:  # it would pay, but its product goes out already
        decision = replace(decision, kind="none", reason="", levels=np.zeros_like(decision.levels))
    return replace(decision, reason=_at_home(decision, stakes, done=sent.done, taken=sent.taken))


def _best(
    option: PassOption, benefit: Benefit | None, *, ground: Ground, machine: Machine, mapped: frozenset[str]
) -> tuple[PassDecision, float]:
    """Best decision of one pass on its own, with its gain [currency, or the stand-in's unit]."""
    nothing = np.zeros(ground.sprayable.shape, dtype=np.int64)
    if benefit is None or not ground.sprayable.any():
        reason = "" if benefit is None else "keep-outs and setbacks leave no ground to treat"
        stays = PassDecision(
            option=option, kind="none", reason=reason, levels=nothing, ground=ground, benefit=benefit, treatment=None
        )
        return _by_hand(stays), 0.0
    treatment = treat(benefit, ground=ground, machine=machine)
    uniform = treatment.best_uniform(ground.sprayable)
    whole = uniform * ground.sprayable.astype(np.int64)
    # Without a loss the score has no money to set against the trip: the threshold alone decides.
    fixed = option.fixed if benefit.money else 0.0
    supported = not mapped.isdisjoint(benefit.targets)
    gains: dict[DecisionKind, float] = {"none": 0.0}
    if treatment.above[ground.sprayable].all():
        gains["all"] = float(treatment.worths[uniform - 1][ground.sprayable].sum()) - fixed
    if supported and not np.array_equal(treatment.levels, whole):  # a map of everything is `all`
        gains["map"] = treatment.gain - fixed
    kind = max(gains, key=lambda name: (gains[name], name == "none"))
    decision = PassDecision(
        option=option,
        kind=kind,
        reason=_reason(kind, gains, benefit, treatment, fixed=fixed, code=option.currency, supported=supported),
        levels={"map": treatment.levels, "all": whole, "none": nothing}[kind],
        ground=ground,
        benefit=benefit,
        treatment=treatment,
    )
    return _by_hand(decision), gains[kind]


def _by_hand(decision: PassDecision) -> PassDecision:
    """Add what the adviser treats by hand, at the full rate; it beats numbers and gates."""
    drawn = decision.ground.by_hand
    if drawn is None or not (drawn & (decision.levels == 0)).any():
        return decision
    levels = np.where(drawn & (decision.levels == 0), len(decision.steps), decision.levels)
    why = f"treated by hand; by the numbers: {decision.reason}" if decision.reason else "treated by hand"
    reason = why if decision.kind == "none" else f"{decision.reason}; some ground is treated by hand"
    return replace(decision, kind="map", levels=levels, reason=reason)


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
