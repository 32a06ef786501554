"""Benefit: expected money per hectare gained by treating here instead of not.

The loss a target causes is taken over its whole predictive distribution, not at its mean: for a
loss with a cap the two differ (Jensen's inequality), and the call comes out wrong.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from rxmap.decide.options import PassOption, Step
from rxmap.grid import BoolArray, FloatArray
from rxmap.plan import FieldSection, Loss
from rxmap.surface.target import TargetSurface
from rxmap.units import currency, denominator


@dataclass(frozen=True, slots=True, kw_only=True)
class Stake:
    """What one target puts at stake on the inside cells.

    Parameters
    ----------
    name : str
        Name of the target.
    loss : ndarray, shape (m,), or None
        Expected fraction of the yield lost untreated; None without a loss function.
    p_over, mean : ndarray, shape (m,)
        Probability above the threshold, and expected pressure.
    threshold, break_even : float
        From the plan.
    closed : str or None
        Why no gate lets this target be treated now; None when all are open.
    spread_m : float
        How far the treated area has to grow until the spray date [m].
    """

    name: str
    loss: FloatArray | None
    p_over: FloatArray
    mean: FloatArray
    threshold: float
    break_even: float
    closed: str | None
    spread_m: float = 0.0

    @property
    def weight(self) -> FloatArray:
        """What ranks targets at a place: the expected loss, or the probability where there is none."""
        return self.p_over if self.loss is None else self.loss


def loss_fraction(pressure: FloatArray, loss: Loss) -> FloatArray:
    """Fraction of the yield lost at a pressure seen today: linear, up to the cap.

    Parameters
    ----------
    pressure : ndarray
        In the target's unit.
    loss : Loss
        From the plan; `growth` takes today's pressure to the stage at which the loss was measured.

    Examples
    --------
    >>> loss_fraction(np.array([0.0, 10.0, 100.0]), Loss(per_unit=0.005, cap=0.35, source="own", growth=2.0))
    array([0.  , 0.1 , 0.35])
    """
    return np.minimum(loss.cap, loss.per_unit * (loss.growth or 1.0) * pressure)


def stake_of(surface: TargetSurface, closed: str | None, *, spread_m: float = 0.0) -> Stake:
    """Take the expected loss of a fitted target over its predictive distribution.

    Along the boundary edge stops decide, where the target asks for it: their level stands on that strip.

    Parameters
    ----------
    surface : TargetSurface
        The fitted target.
    closed : str or None
        Why it may not be treated now.
    spread_m : float
        How far its treated area has to grow until the spray date [m].
    """
    target, predictive = surface.target, surface.predictive
    loss = target.loss if target.decides == "this crop" else None
    inside = surface.surface.grid.inside
    lost = None if loss is None else predictive.expect(lambda pressure: loss_fraction(pressure, loss))
    p_over, mean = surface.surface.p_over[inside], surface.surface.mean[inside]
    if surface.edge is not None:
        strip, level = surface.edge.cells, surface.edge.predictive
        mean = np.where(strip, level.mean[0], mean)
        p_over = np.where(strip, level.p_over(target.threshold)[0], p_over)
        if loss is not None and lost is not None:
            lost = np.where(strip, level.expect(lambda pressure: loss_fraction(pressure, loss))[0], lost)
    return Stake(
        name=target.name,
        loss=lost,
        p_over=p_over,
        mean=mean,
        threshold=target.threshold,
        break_even=target.break_even,
        closed=closed,
        spread_m=spread_m,
    )


def crop_value_ha(field: FieldSection) -> float | None:
    """Value of the expected yield [currency/ha]; None where the plan has no yield goal or price."""
    if field.yield_goal is None or field.price is None:
        return None
    sold = denominator(field.price.unit)
    return field.yield_goal.to(f"{sold}/ha") * field.price.to(f"{currency(field.price.unit)}/{sold}")


def saved_share(losses: Mapping[str, FloatArray], control: Mapping[str, FloatArray | float]) -> FloatArray:
    """Share of the yield that treating saves, with several targets at one place.

    Losses combine on what the others leave: ``[1 - prod(1 - L)] - [1 - prod(1 - (1 - K) L)]``.

    Parameters
    ----------
    losses : mapping of str to ndarray
        Expected loss untreated, by target; targets are taken as independent.
    control : mapping of str to float or ndarray
        Share of the loss prevented, by target; a target that is not in it is not controlled.

    Examples
    --------
    >>> saved_share({"a": np.array([0.2]), "b": np.array([0.1])}, {"a": 0.5})
    array([0.09])
    """
    left = np.ones(1)
    treated = np.ones(1)
    for name, loss in losses.items():
        left = left * (1 - loss)
        treated = treated * (1 - (1 - control.get(name, 0.0)) * loss)
    return treated - left


@dataclass(frozen=True, slots=True, kw_only=True)
class Benefit:
    """Benefit of one pass on the inside cells of the field grid.

    Parameters
    ----------
    steps : tuple of Step
        Rates that are weighed, low to full.
    scores : ndarray, shape (steps, m)
        What the treated area is chosen on at each rate [currency/ha]: the benefit, or its stand-in without
        a loss.
    money : bool
        Whether `score` is money gained: every target that counts has a loss function.
    allowed : ndarray of bool, shape (m,)
        Where the expected pressure of a controlled target reaches its threshold (the floor).
    targets : tuple of str
        The controlled targets that count.
    spread_m : float
        How far the treated area has to grow until the spray date [m].
    """

    steps: tuple[Step, ...]
    scores: FloatArray
    money: bool
    allowed: BoolArray
    targets: tuple[str, ...]
    spread_m: float = 0.0

    @property
    def score(self) -> FloatArray:
        """Score at the full rate [currency/ha]."""
        full: FloatArray = self.scores[-1]
        return full


def _reaches(pressure: FloatArray, threshold: float) -> BoolArray:
    """Whether a pressure is at its threshold or above, to the six digits that mean something."""
    reached: BoolArray = pressure >= threshold * (1 - 1e-6)
    return reached


def pass_benefit(
    option: PassOption, stakes: Sequence[Stake], *, value_ha: float | None, done: frozenset[str] = frozenset()
) -> Benefit | None:
    """Benefit of a pass per hectare, before trip and edge price; None where it controls nothing that is open.

    Parameters
    ----------
    option : PassOption
        The pass.
    stakes : sequence of Stake
        All targets of the plan.
    value_ha : float or None
        Value of the expected yield [currency/ha].
    done : frozenset of str
        Targets that another pass takes care of already.
    """
    counted = [s for s in stakes if s.name in option.control and s.closed is None and s.name not in done]
    if not counted:
        return None
    money = value_ha is not None and all(s.loss is not None for s in counted)
    steps = option.steps
    if money:
        losses = {s.name: s.loss for s in stakes if s.loss is not None}
        scores = [
            saved_share(losses, {s.name: step.control[s.name] for s in counted}) * (value_ha or 0.0) - step.cost_ha
            for step in steps
        ]
        allowed = np.logical_or.reduce([_reaches(s.mean, s.threshold) for s in counted])
    else:
        steps = steps[-1:]  # nothing says what a lower rate's lesser control costs: the full rate, or nothing
        ratio = np.max([s.p_over / s.break_even for s in counted], axis=0)
        scores = [(option.cost_ha or 1.0) * (ratio - 1)]  # what costs nothing still needs its chance
        allowed = np.ones(len(ratio), dtype=bool)
    return Benefit(
        steps=steps,
        scores=np.stack(scores),
        money=money,
        allowed=allowed,
        targets=tuple(s.name for s in counted),
        spread_m=max(s.spread_m for s in counted),
    )
